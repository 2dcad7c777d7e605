"""Drawing sheets: found by their marks, straightened, scaled, and nothing printed becomes ink."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from geometry import markers
from geometry.check import Checked, check
from geometry.errors import UnreadableError
from geometry.limits import BLANKS
from geometry.paper_lines import Overview
from geometry.recipe import Recipe
from tests.geometry import drawings, drawn_sheets
from tests.geometry.photographs import Scene, photograph

LETTER_MM = (215.9, 279.4)
SIX = BLANKS["6x6in"]
UPRIGHT = (1800, 2400)
PHOTOS = (
    Scene("wood", 0.6, tilt_deg=15, turn_deg=3, size_px=UPRIGHT, seed=2),
    Scene("white", 0.45, tilt_deg=22, turn_deg=30, size_px=UPRIGHT, blur_px=1.3, seed=4),
    Scene("check", 0.62, tilt_deg=6, turn_deg=182, size_px=UPRIGHT, seed=5),
    Scene("dark", 0.5, tilt_deg=12, turn_deg=91, size_px=(2400, 1800), seed=7),
)


@pytest.fixture(scope="module")
def rings() -> np.ndarray:
    """A sheet with a ring of 100 mm and a bar."""
    return drawn_sheets.sheet(SIX, 10, drawing=drawings.ruler_cross())[0]


def ring_mm(checked: Checked) -> tuple[float, float]:
    """The outer size of the largest opening, mm."""
    assert checked.stencil is not None
    largest = max(checked.stencil.openings, key=lambda opening: opening.length)
    left, top, right, bottom = largest.bounds
    return right - left, bottom - top


@pytest.mark.parametrize("scene", PHOTOS, ids=lambda scene: scene.table)
def test_a_photograph_of_a_sheet_has_its_true_size(
    tmp_path: Path, rings: np.ndarray, scene: Scene
) -> None:
    """Within 0.15 %; frame, margin line and marks are no openings, whichever way up it lies."""
    picture, _ = photograph(rings, LETTER_MM, scene)
    checked = check(drawings.save(tmp_path / "photo.jpg", picture))
    assert checked.report["page"]["found"] == "markers"
    assert ring_mm(checked) == pytest.approx((100, 100), rel=0.0015)
    assert checked.stencil is not None
    assert len(checked.stencil.openings) == 2, "the ring and the bar, nothing printed"
    middle = np.mean([opening.centroid.coords[0] for opening in checked.stencil.openings], axis=0)
    assert middle == pytest.approx((76.2, 76.2), abs=0.15)


@pytest.mark.parametrize("turn_deg", [0, 1.7, 180])
def test_a_scan_comes_before_its_dpi_tag(
    tmp_path: Path, rings: np.ndarray, turn_deg: float
) -> None:
    """A print at 97 % scanned at 254 dpi: the marks say how large the blank is meant to be."""
    centre = (rings.shape[1] / 2, rings.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(centre, turn_deg, 0.97)
    size = (rings.shape[1], rings.shape[0])
    scan = cv2.warpAffine(rings, turn, size, flags=cv2.INTER_CUBIC, borderValue=250)
    checked = check(drawings.save(tmp_path / "scan.png", scan, dpi=254))
    assert checked.report["page"]["found"] == "markers"
    assert ring_mm(checked) == pytest.approx((100, 100), rel=0.0015)


@pytest.mark.parametrize("code", markers.SHEETS)
def test_the_marks_say_which_blank_it_is(code: str) -> None:
    blank = BLANKS[code]
    page, at_mm = drawn_sheets.sheet(blank, 6)
    found = markers.find_sheet(Overview(page))
    assert found is not None
    assert found.blank == blank
    true = drawn_sheets.blank_corners_px(at_mm, blank, 6)
    assert np.linalg.norm(found.corners_px - true, axis=1).max() < 0.3


def test_ids_and_bits_are_those_of_the_documents() -> None:
    """The bits of ids 0 and 3 as OpenCV itself draws them; a sheet keeps its ids for ever."""
    assert [markers.marker_id("6x6in", corner) for corner in range(4)] == [0, 1, 2, 3]
    assert markers.marker_id("a5", 3) == 23
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    drawn = cv2.aruco.generateImageMarker(dictionary, 3, 6 * 20)[10::20, 10::20]
    assert np.array_equal(markers.marker_modules(3), drawn < 128)


def test_given_corners_come_before_the_marks(tmp_path: Path, rings: np.ndarray) -> None:
    corners = ((300.0, 380.0), (1850.0, 380.0), (1850.0, 1950.0), (300.0, 1950.0))
    path = drawings.save(tmp_path / "scan.png", rings)
    assert check(path, Recipe(corners_px=corners)).report["page"]["found"] == "given"


def test_a_line_drawn_along_and_across_the_printed_ones_stays() -> None:
    """A marker line 1 mm wide on the margin line, one across it, and one off the blank."""
    lines = (
        drawings.Line(np.array([(30.0, 10.0), (90.0, 10.0)]), 1.0),
        drawings.Line(np.array([(120.0, 4.0), (120.0, 30.0)]), 0.6),
    )
    drawing = drawings.Drawing(SIX.size_mm, lines)
    page, at_mm = drawn_sheets.sheet(SIX, 12, drawing=drawing)
    x, y = (round(value * 12) for value in at_mm)
    straight = page[y : y + round(152.4 * 12), x : x + round(152.4 * 12)]
    clear = markers.clear_printed_lines(straight, 12, SIX)
    want = drawings.paint(drawing, 12)
    dark = [int((picture < 128).sum()) for picture in (clear, want)]
    assert dark[0] == pytest.approx(dark[1], rel=0.01)
    assert clear[914:-12, 12:-12].min() > 215, "the dashed line is gone"


def test_a_mark_out_of_the_picture_is_told(rings: np.ndarray) -> None:
    turn = cv2.getRotationMatrix2D((1080.0, 1160.0), 25, 0.8)
    turned = cv2.warpAffine(rings, turn, (2159, 2794), borderValue=245)
    mark = turn @ (380.0, 310.0, 1.0)  # the middle of the top left one, now farthest left
    with pytest.raises(UnreadableError, match="top left corner mark") as caught:
        markers.find_sheet(Overview(np.ascontiguousarray(turned[:, round(mark[0]) :])))
    assert caught.value.code == "no-page"
    assert "out of the picture" in caught.value.message
    assert markers.find_sheet(Overview(np.ascontiguousarray(rings[:, :1780]))) is None, (
        "two are missing"
    )
    hidden = rings.copy()
    hidden[1950:2110, 300:480] = 240
    with pytest.raises(UnreadableError, match="bottom left corner mark") as caught:
        markers.find_sheet(Overview(hidden))
    assert "covered" in caught.value.message


def test_drawings_are_never_taken_for_sheets() -> None:
    """Blocks of black and white like marks, by the hundred; and two real marks of other places."""
    random = np.random.default_rng(3)
    for _ in range(12):
        page = np.full((1200, 1200), 245, np.uint8)
        for _ in range(60):
            y, x = random.integers(0, 1100, 2)
            bits = random.integers(0, 2, (4, 4)).astype(np.uint8) * 220 + 20
            block = np.pad(bits, 1, constant_values=20)
            page[y : y + 90, x : x + 90] = np.kron(block, np.ones((15, 15), np.uint8))
        assert markers.find_sheet(Overview(page)) is None
    assert markers.find_sheet(Overview(drawings.paint(drawings.harbour(), 8))) is None
    two, _ = drawn_sheets.sheet(SIX, 6)
    two[:270] = 245
    two[:270, 200:800] = cv2.resize(two[600:800], (600, 270))
    assert markers.find_sheet(Overview(two)) is None
