"""Black hairlines finer than the scan shows them are found at their true width; pencil is not."""

import math

import numpy as np
import pytest
import shapely

from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.widths import find_thin
from tests.geometry.scans import disc, scan, stroke

CASES = [(600, w) for w in (0.05, 0.07, 0.1, 0.12, 0.14)] + [
    (300, w) for w in (0.08, 0.1, 0.12, 0.13)
]


def hairline(width_mm: float, angle_deg: float, length_mm: float = 5.0) -> shapely.Polygon:
    angle = math.radians(angle_deg)
    x, y = math.cos(angle) * length_mm / 2, math.sin(angle) * length_mm / 2
    return stroke([(25 - x, 25 - y), (25 + x, 25 + y)], width_mm)


@pytest.mark.parametrize(("dpi", "width_mm"), CASES)
@pytest.mark.parametrize("blur_px", [0.05, 0.6, 1.0])
def test_black_hairline_of_5_mm_is_below_kerf(dpi: int, width_mm: float, blur_px: float) -> None:
    for angle in (0, 17, 45, 90, 128):
        black = shapely.union_all([disc(8, 8, 5), hairline(width_mm, angle)])
        grey, px_per_mm = scan(black, dpi=dpi, blur_px=blur_px, seed=angle)
        ink = find_ink(grey, px_per_mm)
        (finding,) = find_thin(ink, Placement(), Limits())
        assert finding.kind == "line-below-kerf"
        assert finding.width_mm == pytest.approx(width_mm, abs=0.01)
        assert finding.length_mm == pytest.approx(5, abs=0.9)
        assert not ink.specks


@pytest.mark.parametrize("dpi", [300, 600])
def test_hairline_alone_on_the_page_is_found(dpi: int) -> None:
    grey, px_per_mm = scan(hairline(0.1, 20, 8), dpi=dpi)
    (finding,) = find_thin(find_ink(grey, px_per_mm), Placement(), Limits())
    assert finding.kind == "line-below-kerf"


@pytest.mark.parametrize("dpi", [300, 600])
def test_curved_hairline_is_one_finding(dpi: int) -> None:
    bow = shapely.Point(20, 20).buffer(8, quad_segs=64).exterior.buffer(0.05)
    black = shapely.union_all([disc(5, 5, 3), bow])
    grey, px_per_mm = scan(black, dpi=dpi)
    (finding,) = find_thin(find_ink(grey, px_per_mm), Placement(), Limits())
    assert finding.kind == "line-below-kerf"
    assert finding.length_mm == pytest.approx(2 * np.pi * 8, rel=0.1)


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("width_mm", [0.3, 0.4, 0.6])
@pytest.mark.parametrize("contrast", [0.25, 0.35, 0.45])
def test_pencil_line_is_no_hairline(dpi: int, width_mm: float, contrast: float) -> None:
    for angle in (0, 23, 45, 77):
        pencil = hairline(width_mm, angle, 12)
        grey, px_per_mm = scan(
            disc(8, 8, 5), dpi=dpi, pencil=pencil, pencil_contrast=contrast, seed=angle
        )
        ink = find_ink(grey, px_per_mm)
        assert not ink.hairlines
        assert len(ink.loops) == 1


@pytest.mark.parametrize(("dpi", "rejected_mm"), [(300, 0.13), (600, 0.14)])
@pytest.mark.parametrize("blur_px", [0.3, 0.6, 1.2])
def test_line_at_the_kerf_passes_and_a_step_below_rejects(
    dpi: float, rejected_mm: float, blur_px: float
) -> None:
    for angle in range(0, 180, 20):
        for width_mm, kind in ((0.15, "thin-line"), (rejected_mm, "line-below-kerf")):
            black = shapely.union_all([disc(8, 8, 5), hairline(width_mm, angle, 8)])
            grey, px_per_mm = scan(black, dpi=dpi, seed=angle, blur_px=blur_px)
            kinds = [f.kind for f in find_thin(find_ink(grey, px_per_mm), Placement(), Limits())]
            assert kinds == [kind], (angle, width_mm)


@pytest.mark.parametrize("width_mm", [0.085, 0.1, 0.115])
@pytest.mark.parametrize("radius_mm", [2.0, 4.0])
def test_soft_page_with_a_single_small_solid_is_enough_to_tell_a_hairline(
    width_mm: float, radius_mm: float
) -> None:
    for angle in (5, 50, 100):
        black = shapely.union_all([disc(8, 8, radius_mm), hairline(width_mm, angle, 12)])
        grey, px_per_mm = scan(black, blur_px=1.0, seed=angle)
        (finding,) = find_thin(find_ink(grey, px_per_mm), Placement(), Limits())
        assert finding.kind == "line-below-kerf"
        assert finding.width_mm == pytest.approx(width_mm, abs=0.01)
