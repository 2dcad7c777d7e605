"""Where the scale comes from, in its order, and the paper straightened to it."""

from contextlib import suppress

import numpy as np
import pytest

from geometry.errors import UnreadableError
from geometry.paper import find_page, straighten
from geometry.picture import Picture
from geometry.recipe import Recipe
from tests.geometry import drawings
from tests.geometry.drawings import Grey

PAPER_MM = drawings.PAPER_MM
SIX_INCH = Recipe()


def picture_of(grey: Grey, dpi: float | None = None, *, drawn: bool = False) -> Picture:
    """A picture that has been read."""
    height, width = grey.shape
    return Picture(grey, dpi and (dpi, dpi), "0" * 64, "PNG", (width, height), drawn)


def ring_mm(grey: Grey, px_per_mm: float) -> tuple[float, float]:
    """The outer width and height of the ring in a straightened picture, by its half-way edge."""
    sums = []
    for axis in (0, 1):
        profile = np.asarray(grey, float).min(axis=axis)
        dark = np.flatnonzero(profile < 135)
        low, high = dark[0], dark[-1]
        before = (profile[low - 1] - 135) / (profile[low - 1] - profile[low])
        after = (profile[high + 1] - 135) / (profile[high + 1] - profile[high])
        sums.append((high - low + 2 - before - after) / px_per_mm)
    return sums[0], sums[1]


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("at_mm", [(1, 1), (57, 1), (1, 144), (57, 144), (30, 70)])
def test_a_paper_on_an_a4_scan_under_a_white_lid_keeps_its_true_size(
    dpi: int, at_mm: tuple[float, float]
) -> None:
    px_per_mm = dpi / 25.4
    paper = drawings.paint(drawings.ruler_cross(), px_per_mm)
    picture = picture_of(drawings.on_scanner(paper, px_per_mm, at_mm=at_mm), dpi)
    page = find_page(picture, SIX_INCH)
    straight = straighten(picture, page)
    width_mm, height_mm = ring_mm(straight.grey, straight.px_per_mm)
    assert page.found == "dpi"
    assert not page.framed
    assert (width_mm, height_mm) == pytest.approx((100, 100), rel=0.005)
    assert width_mm / height_mm == pytest.approx(1, abs=0.005)
    assert max(page.size_mm) < 110, "cropped to the ink"


@pytest.mark.parametrize("edge", [0, 8, 20])
@pytest.mark.parametrize("turn_deg", [0, 2])
def test_a_faint_outline_of_the_paper_under_the_lid_does_not_mislead(
    edge: int, turn_deg: float
) -> None:
    px_per_mm = 300 / 25.4
    paper = drawings.paint(drawings.ruler_cross(), px_per_mm)
    scan = drawings.on_scanner(paper, px_per_mm, at_mm=(20, 30), edge=edge, turn_deg=turn_deg)
    straight = straighten(picture_of(scan, 300), find_page(picture_of(scan, 300), SIX_INCH))
    assert ring_mm(straight.grey, straight.px_per_mm) == pytest.approx((100, 100), rel=0.005)


@pytest.mark.parametrize("lid", [20, 200, 225])
@pytest.mark.parametrize("turn_deg", [0, 1.5])
def test_a_paper_under_another_lid_is_found_by_its_edges(lid: int, turn_deg: float) -> None:
    px_per_mm = 300 / 25.4
    paper = drawings.paint(drawings.ruler_cross(), px_per_mm)
    scan = drawings.on_scanner(paper, px_per_mm, at_mm=(12, 9), lid=lid, turn_deg=turn_deg)
    page = find_page(picture_of(scan, 300), SIX_INCH)
    straight = straighten(picture_of(scan, 300), page)
    assert page.found == "paper-edges"
    assert ring_mm(straight.grey, straight.px_per_mm) == pytest.approx((100, 100), rel=0.003)


def test_dust_and_the_lids_shadow_do_not_stretch_the_crop() -> None:
    paper = drawings.paint(drawings.ruler_cross(), 8)
    scan = drawings.on_scanner(paper, 8, at_mm=(10, 10))
    scan[2200:2203, 1500:1503] = 20
    scan[:, -12:] = 40
    page = find_page(picture_of(scan, 203.2), SIX_INCH)
    assert max(page.size_mm) < 110


def test_a_drawing_larger_than_the_paper_is_questioned() -> None:
    a4 = drawings.paint(drawings.Drawing((210.0, 297.0), drawings.harbour().lines), 6)
    a4[1500:1540, 300:700] = 20
    with pytest.raises(UnreadableError, match="larger than the 6 x 6 in paper") as caught:
        find_page(picture_of(a4, 152.4), SIX_INCH)
    assert caught.value.code == "no-page"


@pytest.mark.parametrize("dpi", [None, 72, 96])
def test_a_picture_of_the_papers_shape_is_the_paper(dpi: float | None) -> None:
    """72 and 96 are written by programs that do not know better, so they count as no tag."""
    page = find_page(picture_of(drawings.paint(drawings.harbour(), 8), dpi), SIX_INCH)
    assert (page.found, page.framed) == ("whole-image", True)
    assert page.px_per_mm == pytest.approx(8, rel=0.001)


def test_a_scan_of_just_the_paper_is_cropped_by_nothing() -> None:
    grey = drawings.paint(drawings.harbour(), 10)
    page = find_page(picture_of(grey, 254), SIX_INCH)
    straight = straighten(picture_of(grey, 254), page)
    assert (page.found, page.framed) == ("dpi", True)
    assert np.array_equal(straight.grey, grey), "not resampled"


@pytest.mark.parametrize(("stretch", "is_paper"), [(1.0, True), (1.0195, True), (1.03, False)])
def test_the_shape_may_be_2_percent_off(stretch: float, is_paper: bool) -> None:
    grey = np.full((1000, round(1000 * stretch)), 250, np.uint8)
    if is_paper:
        assert find_page(picture_of(grey), SIX_INCH).found == "whole-image"
    else:
        with pytest.raises(UnreadableError) as caught:
            find_page(picture_of(grey), SIX_INCH)
        assert caught.value.code == "no-page"
        assert "6 x 6 in" in caught.value.message


def test_given_corners_come_before_everything() -> None:
    grey = drawings.paint(drawings.ruler_cross(), 8)
    wide = np.full((1500, 2000), 250, np.uint8)
    wide[100:1319, 300:1519] = grey
    corners = ((299.5, 99.5), (1518.5, 99.5), (1518.5, 1318.5), (299.5, 1318.5))
    recipe = Recipe(corners_px=corners)
    page = find_page(picture_of(wide, 300), recipe)
    straight = straighten(picture_of(wide, 300), page)
    assert page.found == "given"
    assert ring_mm(straight.grey, straight.px_per_mm) == pytest.approx((100, 100), rel=0.002)


def test_given_corners_may_lie_at_a_slant() -> None:
    corners = ((10.0, 20.0), (900.0, 60.0), (860.0, 940.0), (40.0, 880.0))
    page = find_page(picture_of(np.full((1000, 1000), 250, np.uint8)), Recipe(corners_px=corners))
    assert page.corners_px.tolist() == [list(corner) for corner in corners]


def test_an_oblong_paper_lying_across_is_turned_to_stand() -> None:
    card_mm = (63.5, 88.9)
    across = drawings.paint(drawings.ruler_cross(card_mm[::-1]), 10)
    recipe = Recipe(paper_mm=card_mm, blank_mm=card_mm)
    for dpi in (None, 254):
        page = find_page(picture_of(across, dpi), recipe)
        straight = straighten(picture_of(across, dpi), page)
        height, width = straight.grey.shape
        assert (width, height) == pytest.approx((635, 889), abs=1)
        assert np.array_equal(straight.grey, np.rot90(across, -1)) or dpi is None


def test_resolution_is_kept_up_to_24_px_per_mm() -> None:
    for px_per_mm, kept in ((20.0, 20.0), (24.0, 24.0), (47.244, 24.0)):
        size_mm = (20.0, 20.0)
        side = round(20 * px_per_mm)
        grey = np.full((side, side), 250, np.uint8)
        recipe = Recipe(paper_mm=size_mm)
        straight = straighten(picture_of(grey), find_page(picture_of(grey), recipe))
        assert straight.px_per_mm == pytest.approx(kept, rel=0.002)


def test_corners_of_a_reduced_picture_are_those_of_the_displayed_one() -> None:
    grey = drawings.paint(drawings.harbour(), 8)
    height, width = grey.shape
    picture = Picture(grey, None, "0" * 64, "JPEG", (2 * width, 2 * height))
    page = find_page(picture, SIX_INCH)
    assert page.corners_px[2].tolist() == [2 * width - 0.5, 2 * height - 0.5]
    assert page.px_per_mm == pytest.approx(16, rel=0.001)
    assert straighten(picture, page).grey.shape == grey.shape


@pytest.mark.parametrize("size", [(1, 1), (2, 1), (1, 3000), (59, 59), (60, 60)])
def test_tiny_pictures_do_no_harm(size: tuple[int, int]) -> None:
    picture = picture_of(np.zeros(size, np.uint8))
    with suppress(UnreadableError):
        page = find_page(picture, SIX_INCH)
        assert straighten(picture, page).grey.size >= 1
