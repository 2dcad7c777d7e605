"""Placing by hand: extent, the largest size that the margin allows, strokes that go along."""

from __future__ import annotations

import doctest
from typing import Any

import cv2
import numpy as np
import pytest

from geometry import placing
from geometry.check import check_picture, find_bare_ink
from geometry.ink import paleness
from geometry.limits import default_limits
from geometry.paper import find_page, straighten
from geometry.picture import Picture
from geometry.placing import find_lie, largest, moved_strokes, usual_place
from geometry.recipe import Placement, Recipe, Stroke

BLANK_MM = (152.4, 152.4)
MARGIN_MM = 10.0  # of the 6 x 6 in blank, geometry/limits.py
PX_PER_MM = 10


def picture_of(grey: Any) -> Picture:
    """A scan at 10 px per mm of the whole 6 x 6 in paper."""
    return Picture(grey, (254.0, 254.0), "0" * 64, "PNG", (grey.shape[1], grey.shape[0]))


def sheet() -> Any:
    return np.full((1524, 1524), 255, np.uint8)


def bar_picture() -> Picture:
    """A bar of 60 x 20 mm with its top left at 30, 40 mm, and a notch that tells top from left."""
    grey = sheet()
    grey[400:600, 300:900] = 0
    grey[400:450, 300:400] = 255
    return picture_of(grey)


def lie_of_bar(recipe: Recipe) -> placing.Lie:
    picture = bar_picture()
    page = find_page(picture, recipe)
    return find_lie(straighten(picture, page), page, recipe, default_limits(BLANK_MM))


def test_the_examples_hold() -> None:
    assert doctest.testmod(placing).failed == 0


def test_the_extent_of_a_bar_is_its_own() -> None:
    lie = lie_of_bar(Recipe())
    assert lie.centre_mm == pytest.approx((60, 50), abs=0.01)
    assert lie.hull_mm.min(axis=0) == pytest.approx((30, 40), abs=0.06)
    assert lie.hull_mm.max(axis=0) == pytest.approx((90, 60), abs=0.06)
    assert lie.place_mm == pytest.approx((60, 50), abs=0.01)


def test_a_black_stroke_widens_the_extent_and_moves_no_centre() -> None:
    stroke = Stroke("black", ((60, 50), (60, 110)), 4.0)
    lie = lie_of_bar(Recipe(strokes=(stroke,)))
    assert lie.centre_mm == pytest.approx((60, 50), abs=0.01)
    assert lie.hull_mm.max(axis=0) == pytest.approx((90, 112), abs=0.06)


@pytest.mark.parametrize(
    ("turn_deg", "wide_mm", "high_mm"),
    [(0, 60, 20), (90, 20, 60), (180, 60, 20), (45, 80 / 2**0.5, 80 / 2**0.5)],
)
def test_the_largest_size_is_the_room_by_the_turned_extent(
    turn_deg: float, wide_mm: float, high_mm: float
) -> None:
    corners = [(0, 0), (60, 0), (60, 20), (0, 20)]
    scale, place_mm = largest(corners, (30, 10), turn_deg, BLANK_MM, MARGIN_MM)
    room_mm = 152.4 - 2 * 10 - 0.002
    exact = room_mm / max(wide_mm, high_mm)
    assert exact - 1e-4 <= scale <= exact
    assert place_mm == pytest.approx((76.2, 76.2), abs=0.001)


def test_a_drawing_lopsided_about_its_centre_is_centred_by_its_extent() -> None:
    corners = [(0, 0), (60, 0), (60, 20), (0, 20)]
    scale, place_mm = largest(corners, (0, 0), 0, BLANK_MM, MARGIN_MM)
    assert scale == 2.2066  # 132.398 / 60 rounded down
    assert place_mm == (round(76.2 - 2.2066 * 30, 3), round(76.2 - 2.2066 * 10, 3))


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 17.0, -33.3, 270.0])
def test_the_check_finds_the_margin_kept_and_one_step_more_breaks_it(turn_deg: float) -> None:
    picture, limits = bar_picture(), default_limits(BLANK_MM)
    lie = lie_of_bar(Recipe())
    scale, place_mm = largest(lie.hull_mm, lie.centre_mm, turn_deg, BLANK_MM, limits.margin_mm)

    def margins(scale: float) -> list[float]:
        recipe = Recipe(scale=scale, turn_deg=turn_deg, place_mm=place_mm)
        findings = check_picture(picture, recipe, limits).report["findings"]
        return [f["distance_mm"] for f in findings if f["kind"] == "margin"]

    assert margins(scale) == []
    assert len(margins(scale + 0.001)) >= 2


def test_strokes_go_along_with_their_drawing() -> None:
    before = Placement()
    after = Placement.about((60, 50), (70, 80), scale=2, turn_deg=90)
    (moved,) = moved_strokes([Stroke("white", ((61, 50), (60, 50)), 1.5)], before, after)
    assert moved == Stroke("white", ((70.0, 82.0), (70.0, 80.0)), 3.0)
    (back,) = moved_strokes([moved], after, before)
    assert back == Stroke("white", ((61.0, 50.0), (60.0, 50.0)), 1.5)


def test_a_moved_drawing_with_its_strokes_is_judged_as_it_was() -> None:
    picture = bar_picture()
    strokes = (Stroke("black", ((40, 50), (40, 80)), 3.0), Stroke("white", ((60, 39), (60, 61)), 2))
    before = lie_of_bar(Recipe()).placement
    after = Placement.about((60, 50), (76.2, 70), scale=1.25, turn_deg=90)
    one = check_picture(picture, Recipe(strokes=strokes)).report["stencil"]
    moved = Recipe(
        strokes=moved_strokes(strokes, before, after),
        place_mm=(76.2, 70),
        scale=1.25,
        turn_deg=90,
    )
    other = check_picture(picture, moved).report["stencil"]
    assert other["openings"] == one["openings"] == 2
    assert other["opening_area_mm2"] == pytest.approx(one["opening_area_mm2"] * 1.25**2, rel=2e-3)


@pytest.mark.parametrize("level", [0.2, 0.5, 0.62, 0.9])
def test_the_evened_picture_at_a_level_is_the_ink_of_the_check(level: float) -> None:
    """Ink, pencil at 38 % of it and soft shadow; what is cleaned away is the only difference."""
    grey = sheet().astype(float)
    cv2.circle(grey, (700, 700), 300, 20, 30)
    cv2.line(grey, (200, 1200), (1300, 1300), 165, 14)
    shadow = np.linspace(1, 0.75, 1524)[None, :]
    photo = cv2.GaussianBlur(grey * shadow, (0, 0), 1.5).astype(np.uint8)
    before = photo.copy()
    evened = paleness(photo, PX_PER_MM)
    straight = straighten(picture_of(photo), find_page(picture_of(photo), Recipe()))
    recipe = Recipe(ink_level=level)
    ink = find_bare_ink(straight, recipe, default_limits(BLANK_MM))
    differs = (evened < 256 * level) != (ink.f < 0)
    assert np.count_nonzero(differs) <= 0.0005 * differs.size
    pencil = evened[1240:1260, 700:760].min() < 256 * level
    assert pencil == (level >= 0.62)
    assert np.array_equal(photo, before)


@pytest.mark.parametrize("blank_mm", [BLANK_MM, (101.6, 101.6)])
def test_the_usual_place_is_that_of_a_recipe_without_one(blank_mm: tuple[float, float]) -> None:
    picture, recipe = bar_picture(), Recipe(blank_mm=blank_mm)
    page = find_page(picture, recipe)
    lie = find_lie(straighten(picture, page), page, recipe, default_limits(blank_mm))
    assert usual_place(page, lie.centre_mm, blank_mm) == pytest.approx(lie.place_mm, abs=1e-9)
