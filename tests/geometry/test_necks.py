"""Necks between two cusps, whose points are finer than the pixels, are found and measured.

The truth is the chord of two circles by Pythagoras.
"""

import math

import numpy as np
import pytest
import shapely
from shapely import affinity

from geometry.caliper import _ray
from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.widths import find_thin
from tests.geometry.innocent import star
from tests.geometry.scans import disc, scan

ERROR_MM = {300: 0.26, 600: 0.16}
ANGLES = (0, 17, 30, 45, 73, 90)


def found_in(shape: shapely.Geometry, dpi: float, seed: int = 1) -> list[Finding]:
    grey, px_per_mm = scan(shape, dpi=dpi, seed=seed)
    return find_thin(find_ink(grey, px_per_mm), Placement(), Limits())


def discs(neck_mm: float, angle: float, radius_mm: float = 6.0) -> shapely.Geometry:
    """Two discs that overlap in a lens as wide as the neck, or stand that far apart if negative."""
    half = math.sqrt(radius_mm**2 - max(neck_mm, 0.0) ** 2 / 4) + max(-neck_mm, 0.0) / 2
    pair = shapely.union_all([disc(20 - half, 20, radius_mm), disc(20 + half, 20, radius_mm)])
    return affinity.rotate(pair, angle, origin=(20, 20))


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("radius_mm", [2.0, 6.0])
@pytest.mark.parametrize("neck_mm", [0.4, 0.7])
def test_two_discs_that_just_overlap_have_a_thin_neck(
    neck_mm: float, radius_mm: float, dpi: int
) -> None:
    for angle in ANGLES:
        (finding,) = found_in(discs(neck_mm, angle, radius_mm), dpi, angle)
        assert finding.kind == "thin-line"
        assert finding.width_mm == pytest.approx(neck_mm, abs=ERROR_MM[dpi])
        assert finding.at_mm == pytest.approx((20, 20), abs=0.5)


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("neck_mm", [0.4, 0.7])
def test_two_round_parts_of_film_that_just_join_have_a_thin_web(neck_mm: float, dpi: int) -> None:
    for angle in ANGLES:
        film = discs(neck_mm, angle)
        (finding,) = found_in(shapely.box(2, 2, 38, 38).difference(film), dpi, angle)
        assert finding.kind == "thin-web"
        assert finding.width_mm == pytest.approx(neck_mm, abs=ERROR_MM[dpi])


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("gap_mm", [0.03, 0.05, 0.1])
def test_film_finer_than_a_pixel_between_two_discs_is_a_thin_web(gap_mm: float, dpi: int) -> None:
    for angle in ANGLES:
        (finding,) = found_in(discs(-gap_mm, angle), dpi, angle)
        assert finding.kind == "thin-web"
        assert finding.width_mm == pytest.approx(gap_mm, abs=0.04)


@pytest.mark.parametrize("dpi", [300, 600])
def test_wide_overlap_is_no_neck(dpi: int) -> None:
    for angle in ANGLES:
        assert found_in(discs(1.3, angle), dpi, angle) == []


@pytest.mark.parametrize("dpi", [300, 600])
def test_notches_between_the_arms_of_a_small_star_are_no_neck(dpi: int) -> None:
    for points in (6, 8, 12):
        assert "thin-line" not in [f.kind for f in found_in(star(points, 8, 1.6), dpi)]


def test_way_from_a_point_that_is_not_inside_is_none() -> None:
    flat = np.zeros((20, 20), np.int16)
    assert _ray(flat, 9.0, 9.0, (1.0, 0.0), 1, 8.0) == 0
    flat[:, :10] = 100
    assert _ray(flat, 5.0, 9.0, (1.0, 0.0), 1, 8.0) == pytest.approx(5)
    assert _ray(flat, 5.0, 9.0, (1.0, 0.0), -1, 8.0) == 0
