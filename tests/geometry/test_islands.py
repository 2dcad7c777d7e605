"""Islands: exactly the parts of the film that hang on nothing."""

import numpy as np
import pytest
import scipy.ndimage
import shapely
from numpy.typing import NDArray

from geometry.findings import Finding
from geometry.ink import Ink, find_ink, with_strokes
from geometry.islands import find_islands
from geometry.kernels import UNIT
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.recipe import Placement, Stroke
from tests.geometry.scans import disc, scan, stroke

BLANK = (40.0, 40.0)


def islands(ink: Ink, blank: tuple[float, float] = BLANK, **more: str) -> list[Finding]:
    outlines = trace(ink, Placement())
    return find_islands(outlines, ink, Placement(), blank, Limits(), **more)


def found_in(shape: shapely.Geometry, dpi: float = 300) -> list[Finding]:
    grey, px_per_mm = scan(shape, BLANK, dpi)
    return islands(find_ink(grey, px_per_mm))


def ring(x: float, y: float, radius: float, width: float = 1.2) -> shapely.Polygon:
    return disc(x, y, radius + width / 2).difference(disc(x, y, radius - width / 2))


def ink_of(black: NDArray[np.bool_]) -> Ink:
    """Ink of one pixel per mm, so that a pixel of film is 1 mm2."""
    return Ink(np.where(black, -UNIT // 2, UNIT // 2).astype(np.int16), 1.0)


@pytest.mark.parametrize("seed", range(60))
def test_count_equals_that_of_scipy_on_random_pictures(seed: int) -> None:
    """Against scipy.ndimage.label: film 4-connected, all parts but the one frame.

    Film that touches the picture's border is cut off by it, so only the largest such part is kept.
    """
    random = np.random.default_rng(seed)
    height, width = random.integers(3, 40, 2)
    black = random.random((height, width)) < random.uniform(0.2, 0.8)
    if seed % 3 == 0:  # larger patches
        black = scipy.ndimage.gaussian_filter(random.normal(size=black.shape), 1.5) > 0.0
    found = islands(ink_of(black), (float(width), float(height)))
    film, parts = scipy.ndimage.label(~black)
    at_border = set(np.concatenate([film[0], film[-1], film[:, 0], film[:, -1]])) - {0}
    assert len(found) == parts - bool(at_border)


@pytest.mark.parametrize("seed", range(30))
def test_count_equals_that_of_scipy_inside_a_clear_border(seed: int) -> None:
    random = np.random.default_rng(seed + 500)
    black = np.pad(random.random((30, 50)) < random.uniform(0.2, 0.8), 2)
    found = islands(ink_of(black), (54.0, 34.0))
    assert len(found) == scipy.ndimage.label(~black)[1] - 1


def test_ink_that_meets_at_a_corner_cuts_and_film_that_does_is_cut() -> None:
    black = np.zeros((7, 7), bool)
    for x, y in [(3, 1), (2, 2), (1, 3), (2, 4), (3, 5), (4, 4), (5, 3), (4, 2)]:
        black[y, x] = True
    assert len(islands(ink_of(black), (7.0, 7.0))) == 1


@pytest.mark.parametrize("dpi", [200, 300, 600])
def test_nested_rings_are_islands_each_with_its_own_film(dpi: float) -> None:
    """Areas against those of circles."""
    found = found_in(shapely.union_all([ring(20, 20, 16), ring(20, 20, 10), disc(20, 20, 3)]), dpi)
    assert [f.kind for f in found] == ["island", "island"]
    areas = sorted(f.area_mm2 or 0 for f in found)
    truth = [np.pi * (9.4**2 - 3**2), np.pi * (15.4**2 - 10.6**2)]
    assert areas == pytest.approx(truth, rel=0.005)
    for finding in found:
        away = np.hypot(finding.at_mm[0] - 20, finding.at_mm[1] - 20)
        assert 3 < away < 9.4 or 10.6 < away < 15.4  # on the film, not in the opening in it


def test_bridge_joins_an_island_and_takes_it_off_the_list() -> None:
    grey, px_per_mm = scan(shapely.union_all([ring(12, 20, 7), ring(29, 20, 7)]))
    ink = find_ink(grey, px_per_mm)
    bridge = Stroke("white", ((12, 10), (12, 16)), 1.5)
    assert len(islands(ink)) == 2
    (left,) = islands(with_strokes(ink, [bridge], Placement()))
    assert left.at_mm == pytest.approx((29, 20), abs=0.05)


@pytest.mark.parametrize("gap_px", [1, 2])
def test_gap_of_a_single_pixel_is_a_bridge(gap_px: int) -> None:
    black = np.zeros((40, 40), bool)
    black[5:35, 5:35] = True
    black[8:32, 8:32] = False
    assert len(islands(ink_of(black))) == 1
    black[5:8, 20 : 20 + gap_px] = False
    assert islands(ink_of(black)) == []


def test_corner_cut_off_by_a_line_that_runs_off_the_blank_is_an_island() -> None:
    found = found_in(stroke([(-5, 14), (14, -5)], 1.5))
    (island,) = found
    assert (island.kind, island.detail) == ("island", "edge")
    legs = 9 - 1.5 / 2 * np.sqrt(2)
    assert island.area_mm2 == pytest.approx(legs**2 / 2, rel=0.01)


def test_line_that_runs_off_one_side_only_cuts_nothing_loose() -> None:
    assert found_in(stroke([(-5, 20), (20, 20)], 1.5)) == []


def test_piece_cut_off_counts_where_the_drawing_is_larger_than_the_blank() -> None:
    grey, px_per_mm = scan(stroke([(-5, 20), (45, 20)], 2))
    ink = find_ink(grey, px_per_mm)
    placement = Placement(move_mm=(-5.0, -8.0))  # a blank of 30 mm on a paper of 40
    found = find_islands(trace(ink, placement), ink, placement, (30.0, 30.0), Limits())
    (island,) = found
    assert island.detail == "edge"
    assert island.area_mm2 == pytest.approx(30 * 11, rel=0.01)


def test_crumb_of_film_is_noted_and_not_an_island() -> None:
    (speck,) = found_in(disc(20, 20, 6).difference(disc(20, 20, 0.4)))
    assert (speck.kind, speck.detail) == ("speck", "film")
    (island,) = found_in(disc(20, 20, 6).difference(disc(20, 20, 0.62)))
    assert island.kind == "island"


def test_mask_has_no_islands() -> None:
    grey, px_per_mm = scan(ring(20, 20, 10))
    assert islands(find_ink(grey, px_per_mm), mode="mask") == []


def test_small_drawing_on_a_large_blank_is_traced_on_larger_pixels() -> None:
    side = 600
    grey = np.full((side, side), 245, np.uint8)
    grey[:, 290:310] = 20  # a line across the paper
    ink = find_ink(grey, 24.0)
    blank = (1000.0, 1000.0)
    placement = Placement.about((12.5, 12.5), (5.0, 500.0), scale=0.5, turn_deg=90)
    outlines = trace(ink, placement, blank)
    found = find_islands(outlines, ink, placement, blank, Limits())
    assert [finding for finding in found if finding.kind == "island"] == []
