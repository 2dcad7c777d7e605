"""The one door: a drawing in four ways, what a report holds, and where the drawing lies."""

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import pytest

from geometry.check import Checked, check, check_picture
from geometry.limits import Limits, default_limits
from geometry.picture import Picture
from geometry.recipe import Recipe, Stroke
from tests.geometry import drawings
from tests.geometry.drawings import Drawing, Grey

PX_PER_MM = 300 / 25.4
KEYS = [
    "schema",
    "file",
    "sha256",
    "verdict",
    "error",
    "page",
    "stencil",
    "limits",
    "findings",
    "seconds",
]


def checked_of(
    drawing: Drawing, recipe: Recipe | None = None, *, px_per_mm: float = PX_PER_MM
) -> Checked:
    """The check of a drawing on a picture of its whole paper."""
    return check_picture(picture_of(drawings.paint(drawing, px_per_mm)), recipe)


def picture_of(grey: Grey, dpi: float | None = None) -> Picture:
    """A picture that has been read."""
    return Picture(grey, dpi and (dpi, dpi), "0" * 64, "PNG", grey.shape[::-1])


def kinds(checked: Checked) -> Counter[str]:
    """How many findings of each kind there are."""
    return Counter(finding.kind for finding in checked.findings)


@pytest.mark.parametrize("ending", ["png", "jpg"])
@pytest.mark.parametrize(
    ("bridged", "mode", "islands", "verdict"),
    [
        (0.0, "stencil", 13, "rejected"),
        (0.5, "stencil", 7, "rejected"),
        (1.0, "stencil", 0, "passed"),
        (0.0, "mask", 0, "passed"),
    ],
)
def test_the_harbour_drawing_in_four_ways(
    tmp_path: Path, ending: str, bridged: float, mode: str, islands: int, verdict: str
) -> None:
    grey = drawings.paint(drawings.harbour(bridged), PX_PER_MM)
    path = drawings.save(tmp_path / f"harbour.{ending}", grey, dpi=300)
    checked = check(path, Recipe(mode=mode))
    assert (checked.verdict, kinds(checked)["island"]) == (verdict, islands)
    assert checked.report["stencil"]["openings"] == 18


@pytest.mark.parametrize("bridged", [0.0, 0.5, 1.0])
def test_islands_are_those_that_an_independent_labelling_counts(bridged: float) -> None:
    """OpenCV's connectedComponents with 4-connected film, less the frame."""
    grey = drawings.paint(drawings.harbour(bridged), PX_PER_MM)
    count, _ = cv2.connectedComponents((grey > 135).astype(np.uint8), connectivity=4)
    assert kinds(check_picture(picture_of(grey)))["island"] == count - 2


def test_a_report_has_the_documented_keys_and_is_json() -> None:
    report = checked_of(drawings.harbour()).report
    assert list(report) == KEYS
    assert json.loads(json.dumps(report, allow_nan=False)) == report
    assert report["error"] is None
    assert report["page"]["found"] == "whole-image"
    assert set(report["stencil"]) >= {
        "blank_mm",
        "openings",
        "outline_mm",
        "opening_area_mm2",
        "min_opening_mm",
        "min_web_mm",
        "cut_outs",
    }
    assert report["limits"] == default_limits().to_json()
    for place, finding in enumerate(report["findings"], start=1):
        assert finding["id"] == place
        assert finding["severity"] in ("reject", "warn", "note")
        assert finding["message"]
        assert finding["remedy"]
        assert all(0 <= value <= 152.4 for value in finding["at_mm"])


def test_an_unreadable_file_gives_a_report_of_the_same_shape(tmp_path: Path) -> None:
    (tmp_path / "none.png").touch()
    checked = check(tmp_path / "none.png")
    assert list(checked.report) == KEYS
    assert checked.report["error"]["code"] == "empty"
    assert checked.verdict == "unreadable"
    assert checked.stencil is checked.film_png is checked.drawing_jpg is checked.overlay_png is None


@pytest.mark.parametrize(
    ("grey", "code"),
    [
        (np.full((900, 900), 255, np.uint8), "blank"),
        (np.zeros((900, 900), np.uint8), "solid"),
        (np.random.default_rng(1).integers(0, 256, (1800, 1800), dtype=np.uint8), "solid"),
        (np.tile(np.kron(np.eye(2), np.full((5, 5), 220)), (100, 100)).astype(np.uint8), "solid"),
        (np.zeros((1, 1), np.uint8), "low-resolution"),
        (np.full((900, 1300), 255, np.uint8), "no-page"),
    ],
    ids=["white", "black", "noise", "small checks", "one pixel", "oblong"],
)
def test_what_is_no_drawing_is_unreadable_with_its_code(grey: Grey, code: str) -> None:
    report = check_picture(picture_of(grey)).report
    assert (report["verdict"], report["error"]["code"]) == ("unreadable", code)
    assert report["error"]["message"].endswith(".")


@pytest.mark.parametrize(
    ("px_per_mm", "verdict", "warned"),
    [(2.99, "unreadable", 0), (3.0, "passed", 1), (5.98, "passed", 1), (6.0, "passed", 0)],
)
def test_resolution_warns_below_6_and_is_refused_below_3(
    px_per_mm: float, verdict: str, warned: int
) -> None:
    big = Drawing(drawings.PAPER_MM, (drawings.Line(np.array([(40, 76), (110, 76)]), 8.0),))
    checked = checked_of(big, px_per_mm=px_per_mm)
    assert (checked.verdict, kinds(checked)["low-resolution"]) == (verdict, warned)


def test_a_report_is_a_pure_function_and_changes_no_input(tmp_path: Path) -> None:
    path = drawings.save(tmp_path / "a.png", drawings.paint(drawings.harbour(0.5), 8))
    stored = path.read_bytes()
    recipe = Recipe(strokes=(Stroke("white", ((46.0, 68.0), (46.0, 74.0)), 2.0),), turn_deg=12)
    first, second = check(path, recipe), check(path, recipe)
    assert first.report == second.report
    assert first.stencil is not None
    assert first.stencil == second.stencil
    assert path.read_bytes() == stored
    grey = drawings.paint(drawings.harbour(), 8)
    before = grey.copy()
    check_picture(picture_of(grey), recipe)
    assert np.array_equal(grey, before)


def test_the_timer_is_told_each_stage_and_its_seconds_are_in_the_report() -> None:
    stages: list[str] = []

    class Clock:
        seconds = {"total": 1.23456}

        @contextmanager
        def __call__(self, stage: str) -> Iterator[None]:
            stages.append(stage)
            yield

    picture = picture_of(drawings.paint(drawings.harbour(), 8))
    report = check_picture(picture, timer=Clock()).report
    # ink comes twice: as it is on paper, and with the strokes drawn over it
    assert stages.count("ink") == 2
    assert list(dict.fromkeys(stages)) == [
        "total",
        "paper",
        "ink",
        "outlines",
        "islands",
        "widths",
        "flaps",
        "margins",
    ]
    assert report["seconds"] == {"total": 1.2346}
    assert check_picture(picture).report["seconds"] == {}


def bounds_of(checked: Checked) -> tuple[float, float, float, float]:
    """The box around all openings, blank mm."""
    assert checked.stencil is not None
    boxes = np.array([opening.bounds for opening in checked.stencil.openings])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


OFF_CENTRE = drawings.shifted(drawings.ruler_cross(), (11.0, -7.0))


def test_paper_of_the_blanks_size_keeps_its_frame() -> None:
    assert bounds_of(checked_of(OFF_CENTRE)) == pytest.approx((37.2, 19.2, 137.2, 119.2), abs=0.1)


def test_a_crop_of_a_scan_is_centred_on_the_blank() -> None:
    paper = drawings.paint(OFF_CENTRE, PX_PER_MM)
    scan = drawings.on_scanner(paper, PX_PER_MM, at_mm=(20, 90))
    checked = check_picture(picture_of(scan, 300))
    assert checked.report["page"]["found"] == "dpi"
    assert bounds_of(checked) == pytest.approx((26.2, 26.2, 126.2, 126.2), abs=0.1)


def test_paper_of_another_size_is_centred_at_true_size() -> None:
    checked = checked_of(OFF_CENTRE, Recipe(blank_mm=(203.2, 203.2)))
    assert bounds_of(checked) == pytest.approx((51.6, 51.6, 151.6, 151.6), abs=0.1)
    assert checked.report["stencil"]["blank_mm"] == [203.2, 203.2]


@pytest.mark.parametrize(
    ("recipe", "box"),
    [
        (Recipe(place_mm=(60.0, 70.0)), (10, 20, 110, 120)),
        (Recipe(scale=0.5), (62.2, 44.2, 112.2, 94.2)),
        (Recipe(scale=0.5, place_mm=(30.0, 40.0), turn_deg=90), (5, 15, 55, 65)),
    ],
)
def test_the_recipe_places_scales_and_turns_about_the_drawing(
    recipe: Recipe, box: tuple[float, float, float, float]
) -> None:
    assert bounds_of(checked_of(OFF_CENTRE, recipe)) == pytest.approx(box, abs=0.1)


def test_white_strokes_hold_islands_and_black_ones_cut() -> None:
    gap = Stroke("white", ((76.2, 22.0), (76.2, 32.0)), 3.0)
    cut = Stroke("black", ((20.0, 140.0), (40.0, 140.0)), 2.0)
    whole, mended = (
        checked_of(drawings.ruler_cross()),
        checked_of(drawings.ruler_cross(), Recipe(strokes=(gap, cut))),
    )
    assert (whole.verdict, mended.verdict) == ("rejected", "passed")
    assert mended.report["stencil"]["openings"] == whole.report["stencil"]["openings"] + 1


def test_white_strokes_over_everything_leave_a_blank() -> None:
    line = Drawing(drawings.PAPER_MM, (drawings.Line(np.array([(60, 76), (90, 76)]), 4.0),))
    recipe = Recipe(strokes=(Stroke("white", ((50.0, 76.0), (100.0, 76.0)), 12.0),))
    assert checked_of(line, recipe).report["error"]["code"] == "blank"


def test_strokes_lie_on_the_blank_whatever_the_placement() -> None:
    stroke = Stroke("black", ((20.0, 140.0), (40.0, 140.0)), 2.0)
    recipe = Recipe(scale=0.5, turn_deg=30, place_mm=(76.2, 60.0), strokes=(stroke,))
    left, _, _, bottom = bounds_of(checked_of(drawings.ruler_cross(), recipe))
    assert (left, bottom) == pytest.approx((19, 141), abs=0.15)


def test_what_is_kept_on_purpose_says_so_and_changes_no_verdict() -> None:
    first = checked_of(drawings.ruler_cross())
    key = first.report["findings"][0]["key"]
    again = checked_of(drawings.ruler_cross(), Recipe(accepted=(key,)))
    assert again.report["findings"][0]["accepted"] is True
    assert again.verdict == first.verdict == "rejected"


def test_limits_decide_and_are_told() -> None:
    line = Drawing(drawings.PAPER_MM, (drawings.Line(np.array([(40, 76), (110, 76)]), 1.5),))
    picture = picture_of(drawings.paint(line, PX_PER_MM))
    strict = check_picture(picture, limits=Limits(opening_mm=2.0))
    assert kinds(strict)["thin-line"] == 1
    assert strict.report["limits"]["opening_mm"] == 2.0
    assert kinds(check_picture(picture))["thin-line"] == 0


def test_the_pictures_for_pages_are_in_the_blanks_frame() -> None:
    checked = checked_of(OFF_CENTRE, Recipe(place_mm=(60.0, 70.0)))
    for data in (checked.film_png, checked.drawing_jpg):
        assert data is not None
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert picture.shape == pytest.approx((1219, 1219), abs=1)
        dark = np.argwhere(picture < 128) / 8
        assert dark.min(axis=0) == pytest.approx((20, 10), abs=0.3)
        assert dark.max(axis=0) == pytest.approx((120, 110), abs=0.3)


def test_the_overlay_is_a_picture() -> None:
    overlay = checked_of(drawings.harbour()).overlay_png
    assert overlay is not None
    assert overlay.startswith(b"\x89PNG")
