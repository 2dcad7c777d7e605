"""Pictures of the result: sizes, film and openings, numbers beside their places."""

import io

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from PIL import Image

from geometry.findings import Finding, number
from geometry.ink import Ink, find_ink
from geometry.overlay import FILM, MARK, draw_overlay, film_png
from geometry.recipe import Placement
from tests.geometry.scans import disc, scan

BLANK = (40.0, 40.0)
SHAPE = disc(20, 20, 10).difference(disc(20, 20, 6))


@pytest.fixture(scope="module")
def ink() -> Ink:
    return find_ink(*scan(SHAPE))


def pixels(png: bytes) -> NDArray[np.uint8]:
    with Image.open(io.BytesIO(png)) as picture:
        return np.array(picture)


@pytest.mark.parametrize("px_per_mm", [4, 8, 20])
def test_film_picture_is_true_to_size(ink: Ink, px_per_mm: float) -> None:
    picture = pixels(film_png(ink, Placement(), BLANK, px_per_mm))
    assert picture.shape == (40 * px_per_mm, 40 * px_per_mm)
    open_share = 1 - picture.mean() / 255
    assert open_share * 1600 == pytest.approx(SHAPE.area, rel=0.01)


def test_film_picture_follows_the_placement(ink: Ink) -> None:
    placement = Placement.about((20, 20), (50, 30), scale=1.5)
    picture = pixels(film_png(ink, placement, (100.0, 60.0), 8))
    assert picture.shape == (480, 800)
    dark = np.argwhere(picture < 128).mean(axis=0) / 8
    assert dark == pytest.approx((30, 50), abs=0.1)


def test_sign_stands_beside_its_place_and_leaves_it_clear(ink: Ink) -> None:
    findings = number([Finding("thin-line", (20.0, 12.0), ((18, 12), (22, 12)), width_mm=0.5)])
    plain = pixels(draw_overlay(ink, Placement(), [], BLANK))
    drawn = pixels(draw_overlay(ink, Placement(), findings, BLANK))
    assert drawn.shape[0] > plain.shape[0]  # the words below
    edge = 16
    around = drawn[edge + 86 : edge + 107, edge + 150 : edge + 171].reshape(-1, 3)
    solid = np.abs(around.astype(int) - MARK).max(axis=1) < 12
    assert solid.mean() < 0.1
    whole = drawn[: edge + 320].reshape(-1, 3)
    assert (np.abs(whole.astype(int) - MARK).max(axis=1) < 12).sum() > 200


def test_signs_of_many_findings_stay_on_the_picture_and_apart(ink: Ink) -> None:
    places = [(x, y) for x in (3.0, 14.0, 26.0, 37.0) for y in (3.0, 14.0, 26.0, 37.0)]
    findings = number([Finding("island", place, area_mm2=5.0) for place in places])
    drawn = pixels(draw_overlay(ink, Placement(), findings, BLANK, 12))
    assert drawn.shape[1] == 40 * 12 + 2 * 24


def test_more_than_twenty_of_a_kind_and_places_off_the_blank_are_drawn(ink: Ink) -> None:
    findings = [Finding("speck", (1.5 * k, 60.0 - k), area_mm2=0.1) for k in range(60)]
    assert draw_overlay(ink, Placement(), number(findings), BLANK)


def test_same_findings_give_the_same_bytes(ink: Ink) -> None:
    findings = number([Finding("island", (20.0, 20.0), area_mm2=100.0)])
    one = draw_overlay(ink, Placement(), findings, BLANK)
    assert one == draw_overlay(ink, Placement(), findings, BLANK)


def test_drawing_without_findings_has_film_of_its_own_colour(ink: Ink) -> None:
    drawn = pixels(draw_overlay(ink, Placement(), [], BLANK))
    assert tuple(drawn[40, 40]) == FILM


def test_openings_beyond_the_blank_do_no_harm() -> None:
    big = find_ink(*scan(shapely.box(-1, 10, 41, 30)))
    assert film_png(big, Placement(move_mm=(-30.0, 5.0)), BLANK)
