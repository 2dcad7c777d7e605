"""The paper is found by its edges on photographs, and nothing drawn is taken for it."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from geometry.check import check
from geometry.paper_cut_off import corner_cut_off
from geometry.paper_edges import find_edges
from geometry.paper_lines import Overview
from geometry.picture import read_picture
from tests.geometry import drawings
from tests.geometry.photographs import SCENES, Scene, photograph

PAPER_MM = drawings.PAPER_MM


def corner_error_px(found: np.ndarray, true: np.ndarray) -> float:
    """The largest distance of a true corner from the nearest found one."""
    return float(np.linalg.norm(found[:, None] - true[None], axis=2).min(axis=0).max())


@pytest.fixture(scope="module")
def known() -> np.ndarray:
    """The paper with a ring of 100 mm."""
    return drawings.paint(drawings.ruler_cross(), 10)


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: f"{scene.table}-{scene.fill:.0%}")
def test_a_photograph_gives_the_true_size_within_half_a_percent(
    tmp_path: Path, known: np.ndarray, scene: Scene
) -> None:
    """Clutter, shadow, the paper 40 to 95 % of the picture, tilted up to 20 degrees."""
    picture, true = photograph(known, PAPER_MM, scene)
    path = drawings.save(tmp_path / "photo.jpg", picture)
    checked = check(path)
    assert checked.report["page"]["found"] == "paper-edges"
    assert corner_error_px(np.array(checked.report["page"]["corners_px"]), true) < 1.0
    assert checked.stencil is not None
    ring = max(checked.stencil.openings, key=lambda opening: opening.length)
    left, top, right, bottom = ring.bounds
    width_mm, height_mm = right - left, bottom - top
    assert (width_mm, height_mm) == pytest.approx((100, 100), rel=0.005)
    assert width_mm / height_mm == pytest.approx(1, abs=0.005)


def frame(inset_mm: float, width_mm: float) -> drawings.Line:
    """A frame drawn round the paper, its outer edge `inset_mm` from the paper's."""
    low, high = inset_mm + width_mm / 2, PAPER_MM[0] - inset_mm - width_mm / 2
    corners = np.array([(low, low), (high, low), (high, high), (low, high)])
    return drawings.Line(corners, width_mm, closed=True)


@pytest.mark.parametrize("width_mm", [1, 3, 6, 10, 20])
@pytest.mark.parametrize("inset_mm", [0.5, 3, 10, 30])
def test_a_drawn_frame_is_never_the_paper(width_mm: float, inset_mm: float) -> None:
    harbour = drawings.harbour()
    framed = replace(harbour, lines=(*harbour.lines, frame(inset_mm, width_mm)))
    picture = drawings.paint(framed, 8)
    assert find_edges(Overview(picture), PAPER_MM) is None
    scan = drawings.on_scanner(picture, 8, at_mm=(10, 10))
    assert find_edges(Overview(scan), PAPER_MM, scan_px_per_mm=8, may_touch=True) is None


@pytest.mark.parametrize("side_mm", [30, 60, 100, 140])
def test_a_solid_shape_is_never_the_paper(side_mm: float) -> None:
    low, high = 76.2 - side_mm / 2, 76.2 + side_mm / 2
    square = np.array([(low, low), (high, low), (high, high), (low, high)])
    picture = drawings.paint(drawings.Drawing(PAPER_MM, solids=(square,)), 8)
    assert find_edges(Overview(picture), PAPER_MM) is None
    inner = slice(round((76.2 - side_mm / 3) * 8), round((76.2 + side_mm / 3) * 8))
    picture[inner, inner] = 245
    assert find_edges(Overview(picture), PAPER_MM) is None


@pytest.mark.parametrize("value", [0, 128, 250])
def test_a_plain_picture_has_no_edges(value: int) -> None:
    assert find_edges(Overview(np.full((900, 1200), value, np.uint8)), PAPER_MM) is None


def test_paper_of_another_shape_is_not_taken_for_the_one_asked() -> None:
    long_mm = (100.0, 150.0)
    picture, true = photograph(
        drawings.paint(drawings.ruler_cross(long_mm), 10),
        long_mm,
        Scene("dark", size_px=(1200, 1600)),
    )
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    assert find_edges(Overview(grey), PAPER_MM) is None
    found = find_edges(Overview(grey), long_mm)
    assert found is not None
    assert corner_error_px(found, true) < 1


def test_the_picture_is_not_changed(tmp_path: Path, known: np.ndarray) -> None:
    picture, _ = photograph(known, PAPER_MM, Scene("wood", size_px=(1600, 1200)))
    grey = read_picture(drawings.save(tmp_path / "photo.jpg", picture)).grey
    before = grey.copy()
    find_edges(Overview(grey), PAPER_MM)
    assert np.array_equal(grey, before)


@pytest.mark.parametrize("size", [(61, 61), (1440, 900), (1441, 2883), (5000, 60)])
def test_a_shrunk_picture_knows_where_its_pixels_were(size: tuple[int, int]) -> None:
    grey = np.zeros(size, np.uint8)
    row, column = size[0] // 3, size[1] // 2
    grey[max(0, row - 9) : row + 10, max(0, column - 9) : column + 10] = 255
    small, scale = Overview(grey).shrunk(720)
    assert max(small.shape) <= 1440
    y, x = np.nonzero(small > 127)
    back = (np.array([x.mean(), y.mean()]) + 0.5) * scale - 0.5
    true = np.argwhere(grey).mean(axis=0)[::-1]
    assert back == pytest.approx(true, abs=2.5)


@pytest.mark.parametrize(
    ("table", "cut", "corner"),
    [
        ("wood", "left", "top left"),
        ("cloth", "right", "bottom right"),
        ("light", "top", "top right"),
    ],
)
def test_a_corner_out_of_the_picture_is_told(
    tmp_path: Path, known: np.ndarray, table: str, cut: str, corner: str
) -> None:
    """An eighth of the paper is cut off at one side of the picture."""
    scene = Scene(table, 0.42, tilt_deg=8, turn_deg=-25, size_px=(2000, 2000), clutter=2)
    picture, true = photograph(known, PAPER_MM, scene)
    (left, top), right = true.min(axis=0), true[:, 0].max()
    eighth = (right - left) / 8
    x0 = round(left + eighth) if cut == "left" else 0
    x1 = round(right - eighth) if cut == "right" else 2000
    y0 = round(top + eighth) if cut == "top" else 0
    picture = np.ascontiguousarray(picture[y0:, x0:x1])
    checked = check(drawings.save(tmp_path / "photo.jpg", picture))
    assert checked.report["error"]["code"] == "no-page"
    assert (
        f"The {corner} corner of the paper is out of the picture"
        in (checked.report["error"]["message"])
    )


def test_a_drawn_frame_is_no_paper_with_a_corner_out() -> None:
    framed = drawings.paint(drawings.Drawing(PAPER_MM, lines=(frame(8, 4),)), 8)
    assert corner_cut_off(Overview(np.ascontiguousarray(framed[:, 200:])), PAPER_MM) is None
    assert corner_cut_off(Overview(drawings.paint(drawings.harbour(), 8)), PAPER_MM) is None
