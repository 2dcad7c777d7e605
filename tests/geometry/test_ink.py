"""Ink: one level for edge, mask and widths, on real paper, light and pencil."""

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from geometry.errors import UnreadableError
from geometry.ink import find_ink, with_strokes
from geometry.recipe import Placement, Stroke
from tests.geometry.scans import coverage, disc, scan, stroke

Grey = NDArray[np.uint8]


def area_mm2(f: NDArray[np.int16], px_per_mm: float) -> float:
    return float(np.count_nonzero(f < 0)) / px_per_mm**2


@pytest.mark.parametrize("dpi", [200, 300, 600])
def test_edge_lies_where_half_a_pixel_is_covered(dpi: float) -> None:
    grey, px_per_mm = scan(disc(20, 20, 12), dpi=dpi)
    ink = find_ink(grey, px_per_mm)
    assert area_mm2(ink.f, px_per_mm) == pytest.approx(np.pi * 144, rel=0.003)
    assert ink.contrast == pytest.approx(200 / 235, abs=0.02)


def test_input_is_not_changed() -> None:
    grey, px_per_mm = scan(disc(20, 20, 12))
    before = grey.copy()
    find_ink(grey, px_per_mm)
    assert np.array_equal(grey, before)


def test_slope_of_light_and_a_soft_shadow_do_not_move_the_edge() -> None:
    grey, px_per_mm = scan(shapely.union_all([disc(10, 10, 6), stroke([(5, 30), (35, 22)], 1)]))
    plain = find_ink(grey, px_per_mm)
    y, x = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]] / px_per_mm
    light = (0.7 + 0.3 * x / 40) * (1 - 0.4 / (1 + np.exp(-(x + y - 45) / 1.5)))
    shaded = find_ink(np.rint(grey * light).astype(np.uint8), px_per_mm)
    assert len(shaded.loops) == len(plain.loops) == 2
    changed = np.count_nonzero((shaded.f < 0) != (plain.f < 0)) / px_per_mm**2
    assert changed < 0.5  # of 143 mm2, along 78 mm of edge: 0.006 mm


def test_solid_shape_of_100_mm_is_kept_whole() -> None:
    square = shapely.box(10, 10, 110, 110).difference(disc(60, 60, 20))
    grey, px_per_mm = scan(square, (120, 120), 200)
    ink = find_ink(grey, px_per_mm)
    assert area_mm2(ink.f, px_per_mm) == pytest.approx(square.area, rel=0.003)
    assert len(ink.loops) == 2


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("contrast", [0.2, 0.3, 0.45])
@pytest.mark.parametrize("width_mm", [0.3, 0.5, 3.0])
def test_pencil_up_to_45_percent_drops_out(dpi: float, contrast: float, width_mm: float) -> None:
    pencil = shapely.union_all([stroke([(4, y), (36, y + 2)], width_mm) for y in (6, 15, 24, 33)])
    line = stroke([(20, 4), (20, 36)], 1.2)
    grey, px_per_mm = scan(line, dpi=dpi, pencil=pencil, pencil_contrast=contrast)
    ink = find_ink(grey, px_per_mm)
    assert len(ink.loops) == 1
    assert not ink.specks
    assert not ink.hairlines
    area = ink.loops.area_px2[0] / px_per_mm**2
    assert area == pytest.approx(line.area, rel=0.04)  # pencil beside a line adds a little


def test_page_full_of_pencil_is_measured_by_its_few_lines_of_ink() -> None:
    pencil = shapely.union_all([stroke([(2, y), (38, y)], 0.5) for y in range(2, 38)])
    line = stroke([(10, 10), (14, 14)], 1.2)
    grey, px_per_mm = scan(line, dpi=600, pencil=pencil, noise=6)
    ink = find_ink(grey, px_per_mm)
    assert ink.contrast == pytest.approx(200 / 235, abs=0.03)
    assert len(ink.loops) == 1


def test_dots_below_a_fifth_of_a_square_mm_are_cleaned_and_listed() -> None:
    shapes = shapely.union_all([disc(10, 10, 5), disc(30, 10, 0.2), disc(30, 30, 0.3)])
    grey, px_per_mm = scan(shapes)
    ink = find_ink(grey, px_per_mm)
    assert len(ink.loops) == 2  # the large disc and the dot of 0.28 mm2
    (speck,) = ink.specks
    assert (speck.x_mm, speck.y_mm) == pytest.approx((30, 10), abs=0.05)
    assert speck.area_mm2 == pytest.approx(np.pi * 0.04, rel=0.2)


def test_thin_mark_longer_than_1_mm_is_never_cleaned() -> None:
    shapes = shapely.union_all([disc(10, 10, 5), stroke([(25, 20), (26, 20)], 0.12)])
    grey, px_per_mm = scan(shapes, dpi=600)
    ink = find_ink(grey, px_per_mm)
    assert not ink.specks
    assert len(ink.loops) == 2


def test_ink_level_moves_the_edge_and_catches_pencil() -> None:
    pencil = stroke([(5, 30), (35, 30)], 1.0)
    grey, px_per_mm = scan(disc(20, 12, 6), pencil=pencil)
    assert len(find_ink(grey, px_per_mm).loops) == 1
    assert len(find_ink(grey, px_per_mm, ink_level=0.75).loops) == 2


@pytest.mark.parametrize("fill", [0.3, 0.6])
@pytest.mark.parametrize("dpi", [200, 300, 600])
def test_white_mark_that_is_still_grey_is_half_covered(fill: float, dpi: float) -> None:
    px_per_mm = dpi / 25.4
    dark = coverage(stroke([(5, 20), (35, 20)], 4), (40, 40), px_per_mm)
    dark *= 1 - (1 - fill) * coverage(stroke([(20, 16), (20, 24)], 2), (40, 40), px_per_mm)
    grey = np.rint(235 - 200 * cv2.GaussianBlur(dark, (0, 0), 0.6)).astype(np.uint8)
    ((x_mm, y_mm, area),) = find_ink(grey, px_per_mm).half_covered
    assert (x_mm, y_mm) == pytest.approx((20, 20), abs=0.4)
    assert 5 < area < 9  # 8 mm2 less its blurred rim


def test_well_covered_mark_and_pencil_are_not_half_covered() -> None:
    gap = stroke([(20, 16), (20, 24)], 2)
    grey, px_per_mm = scan(
        stroke([(5, 20), (35, 20)], 4).difference(gap),
        pencil=shapely.box(4, 8, 36, 32).difference(gap),
        pencil_contrast=0.4,
    )
    assert find_ink(grey, px_per_mm).half_covered == ()


PAGE = (600, 600)
NOISE = np.random.default_rng(3)


@pytest.mark.parametrize(
    ("grey", "code"),
    [
        (np.full(PAGE, 255), "blank"),
        (np.full(PAGE, 128), "blank"),
        (235 + NOISE.normal(0, 6, PAGE), "blank"),
        (np.tile(np.linspace(90, 250, 600), (600, 1)), "blank"),
        (np.zeros(PAGE), "solid"),
        (np.full(PAGE, 40), "solid"),
        (NOISE.integers(0, 256, PAGE), "solid"),
        (np.where(NOISE.random(PAGE) < 0.1, 0, 255), "solid"),
        (np.zeros((1, 1)), "solid"),
        (np.full((1, 1), 255), "blank"),
    ],
    ids=["white", "grey", "paper grain", "slope", "black", "dark", "noise", "dots", "1 px", "1 wh"],
)
def test_what_is_no_drawing_is_told_in_a_sentence(grey: NDArray[np.float64], code: str) -> None:
    with pytest.raises(UnreadableError) as caught:
        find_ink(np.clip(grey, 0, 255).astype(np.uint8), 11.81)
    assert caught.value.code == code
    assert caught.value.message.endswith(".")


def test_white_stroke_opens_a_line_and_black_stroke_draws_one() -> None:
    grey, px_per_mm = scan(disc(20, 20, 10).difference(disc(20, 20, 8)))
    ink = find_ink(grey, px_per_mm)
    white = Stroke("white", ((20, 8), (20, 14)), 1.5)
    black = Stroke("black", ((2, 2), (12, 2)), 0.8)
    drawn = with_strokes(ink, [white, black], Placement())
    assert len(ink.loops) == 2
    assert len(drawn.loops) == 2  # the opened ring has no hole any more, and the new line
    assert not drawn.loops.is_hole.any()
    assert np.sort(drawn.loops.area_px2)[0] / px_per_mm**2 == pytest.approx(
        8 + np.pi * 0.16, rel=0.01
    )


def test_black_stroke_beyond_the_paper_grows_the_field() -> None:
    grey, px_per_mm = scan(disc(20, 20, 10))
    ink = find_ink(grey, px_per_mm)
    placement = Placement.about((20, 20), (76.2, 76.2), scale=2.0, turn_deg=90.0)
    drawn = with_strokes(ink, [Stroke("black", ((10, 10), (10, 100)), 4)], placement)
    assert len(drawn.loops) == 2
    line = int(np.argmin(drawn.loops.area_px2))
    points = placement.to_blank(drawn.to_mm(drawn.loops.points_of(line)))
    assert points.min(axis=0) == pytest.approx((8, 8), abs=0.03)
    assert points.max(axis=0) == pytest.approx((12, 102), abs=0.03)


def test_later_stroke_wins() -> None:
    grey, px_per_mm = scan(disc(20, 20, 10))
    ink = find_ink(grey, px_per_mm)
    line = ((10.0, 20.0), (30.0, 20.0))
    cut = with_strokes(ink, [Stroke("white", line, 2), Stroke("black", line, 2)], Placement())
    left = with_strokes(ink, [Stroke("black", line, 2), Stroke("white", line, 2)], Placement())
    row = round(20 * px_per_mm)
    assert cut.f[row, row] < 0 < left.f[row, row]
