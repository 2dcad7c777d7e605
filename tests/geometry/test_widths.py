"""Widths: true narrow places are found and measured, corners and tips are not."""

import numpy as np
import pytest
import shapely
from shapely import Polygon, affinity

from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.widths import find_thin
from tests.geometry.innocent import INNOCENT
from tests.geometry.scans import disc, scan, stroke

ERROR_MM = {300: 0.02, 600: 0.01}
ANGLES = (0, 8, 33, 45, 71, 90)


def found_in(
    shape: shapely.Geometry, dpi: float = 300, *, seed: int = 1, **more: str
) -> list[Finding]:
    grey, px_per_mm = scan(shape, dpi=dpi, seed=seed)
    return find_thin(find_ink(grey, px_per_mm), Placement(), Limits(), **more)


def turned(shape: shapely.Geometry, angle: float) -> shapely.Geometry:
    return affinity.rotate(shape, angle, origin=(20, 20))


def bar(width: float) -> Polygon:
    return shapely.box(13, 20 - width / 2, 30, 20 + width / 2)


def opened_ring(*gaps: tuple[float, float]) -> shapely.Geometry:
    """A ring with gaps (width, angle): film bridges to the inside."""
    shape = disc(20, 20, 9).difference(disc(20, 20, 7))
    for width, angle in gaps:
        shape = shape.difference(turned(shapely.box(20 - width / 2, 5, 20 + width / 2, 20), angle))
    return shape


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("name", INNOCENT)
def test_innocent_shape_has_no_finding(name: str, dpi: float) -> None:
    assert found_in(INNOCENT[name], dpi) == []


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("name", INNOCENT)
def test_innocent_shape_left_as_film_has_no_finding(name: str, dpi: float) -> None:
    shape = affinity.scale(INNOCENT[name], 0.9, 0.9, origin=(20, 20))
    if name in ("narrow bar", "turned bar", "round-ended stroke", "small discs"):
        shape = affinity.scale(INNOCENT[name], 1.1, 1.1, origin=(20, 20))
    assert found_in(shapely.box(0.5, 0.5, 39.5, 39.5).difference(shape), dpi) == []


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("width_mm", [0.2, 0.3, 0.5, 0.8, 0.95])
def test_thin_line_is_measured_at_any_angle(width_mm: float, dpi: int) -> None:
    for angle in ANGLES:
        (finding,) = found_in(
            shapely.union_all([disc(6, 6, 4), turned(bar(width_mm), angle)]), dpi, seed=angle
        )
        assert finding.kind == "thin-line"
        assert finding.width_mm == pytest.approx(width_mm, abs=ERROR_MM[dpi])
        assert finding.length_mm == pytest.approx(17, abs=0.9)


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("width_mm", [0.2, 0.3, 0.5, 0.8, 0.95])
def test_web_is_measured_at_any_angle(width_mm: float, dpi: int) -> None:
    half = width_mm / 2
    pair = shapely.union_all([shapely.box(8, 12, 32, 20 - half), shapely.box(8, 20 + half, 32, 28)])
    for angle in ANGLES:
        (finding,) = found_in(turned(pair, angle), dpi, seed=angle)
        assert finding.kind == "thin-web"
        assert finding.width_mm == pytest.approx(width_mm, abs=ERROR_MM[dpi])
        assert finding.length_mm == pytest.approx(24, abs=0.9)


@pytest.mark.parametrize("dpi", [300, 600])
def test_curved_line_is_one_finding_with_its_whole_length(dpi: float) -> None:
    angle = np.linspace(0, 5 * np.pi, 300)
    spiral = np.stack([20 + (3 + angle) * np.cos(angle), 20 + (3 + angle) * np.sin(angle)], axis=1)
    line = shapely.LineString(spiral)
    (finding,) = found_in(line.buffer(0.35), dpi)
    assert finding.width_mm == pytest.approx(0.7, abs=ERROR_MM[int(dpi)])
    assert finding.length_mm == pytest.approx(line.length, rel=0.05)


@pytest.mark.parametrize("dpi", [300, 600])
def test_limit_itself_passes_and_a_step_below_does_not(dpi: float) -> None:
    for angle in ANGLES:
        assert found_in(turned(bar(1.0), angle), dpi, seed=angle) == []
        assert found_in(turned(bar(1.04), angle), dpi, seed=angle) == []
        assert [f.kind for f in found_in(turned(bar(0.96), angle), dpi)] == ["thin-line"]


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("neck_mm", [0.3, 0.5, 0.9])
def test_short_neck_between_wide_parts_is_found(neck_mm: float, dpi: float) -> None:
    half = neck_mm / 2
    plug = shapely.box(19.8, 20 - half, 20.2, 20 + half)
    shape = shapely.union_all([shapely.box(8, 12, 19.9, 28), shapely.box(20.1, 12, 32, 28), plug])
    kinds = {f.kind for f in found_in(shape, dpi)}
    assert "thin-line" in kinds


@pytest.mark.parametrize("dpi", [300, 600])
def test_two_discs_that_nearly_touch_leave_a_thin_web(dpi: float) -> None:
    shape = shapely.union_all([disc(13, 20, 6.8), disc(27, 20, 6.8)])
    (finding,) = found_in(shape, dpi)
    assert finding.kind == "thin-web"
    assert finding.width_mm == pytest.approx(0.4, abs=ERROR_MM[int(dpi)])
    assert finding.at_mm == pytest.approx((20, 20), abs=0.3)


@pytest.mark.parametrize("dpi", [300, 600])
def test_thin_bridge_is_one_whose_loss_would_free_film(dpi: float) -> None:
    (only,) = found_in(opened_ring((0.6, 30)), dpi)
    assert only.kind == "thin-bridge"
    assert only.width_mm == pytest.approx(0.6, abs=ERROR_MM[int(dpi)])
    assert only.length_mm == pytest.approx(2, abs=0.5)
    both = found_in(opened_ring((0.6, 30), (0.7, 170)), dpi)
    assert [f.kind for f in both] == ["thin-bridge", "thin-bridge"]
    (beside,) = found_in(opened_ring((0.6, 30), (1.6, 170)), dpi)
    assert beside.kind == "thin-web"


def test_grid_of_thin_lines_is_one_place() -> None:
    lines = [stroke([(5 + 5 * k, 5), (5 + 5 * k, 35)], 0.6) for k in range(7)]
    lines += [stroke([(5, 5 + 5 * k), (35, 5 + 5 * k)], 0.6) for k in range(7)]
    thin = [f for f in found_in(shapely.union_all(lines)) if f.kind == "thin-line"]
    assert len(thin) == 1
    assert thin[0].length_mm == pytest.approx(420, rel=0.1)
    assert thin[0].others_mm


def test_long_thin_spike_is_a_line_and_a_short_one_a_spur() -> None:
    spike = turned(shapely.box(27.8, 19.8, 33, 20.2), 33)
    (line,) = found_in(shapely.union_all([disc(20, 20, 8), spike]))
    assert line.kind == "thin-line"
    short = turned(shapely.box(27.8, 19.9, 28.7, 20.1), 33)
    (spur,) = found_in(shapely.union_all([disc(20, 20, 8), short]))
    assert spur.kind == "spur"


def test_mask_keeps_findings_on_lines_only() -> None:
    shape = shapely.union_all([opened_ring((0.6, 30)), stroke([(2, 38), (20, 38)], 0.5)])
    assert [f.kind for f in found_in(shape)] == ["thin-line", "thin-bridge"]
    assert [f.kind for f in found_in(shape, mode="mask")] == ["thin-line"]


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turn_of_the_picture_gives_the_same_findings(turns: int) -> None:
    shape = shapely.union_all([opened_ring((0.6, 30)), stroke([(2, 38), (20, 37)], 0.5)])
    grey, px_per_mm = scan(shape)
    plain = find_thin(find_ink(grey, px_per_mm), Placement(), Limits())
    rolled = find_thin(find_ink(np.rot90(grey, turns).copy(), px_per_mm), Placement(), Limits())
    assert [f.kind for f in rolled] == [f.kind for f in plain]
    for one, other in zip(plain, rolled, strict=True):
        assert other.width_mm == pytest.approx(one.width_mm, abs=0.01)


def test_scale_of_the_placement_scales_widths() -> None:
    grey, px_per_mm = scan(shapely.union_all([disc(6, 6, 4), bar(0.4)]))
    ink = find_ink(grey, px_per_mm)
    (plain,) = find_thin(ink, Placement(), Limits())
    (double,) = find_thin(ink, Placement(scale=2.0), Limits())
    assert double.width_mm == pytest.approx(2 * (plain.width_mm or 0), abs=0.02)
    assert find_thin(ink, Placement(scale=3.0), Limits()) == []


def test_limits_as_wide_as_they_may_be_are_kept_to() -> None:
    side = round(152.4 * 11.81)
    grey = np.full((side, side), 245, np.uint8)
    grey[300:600, 200:1500] = 20  # a bar of 25.4 mm
    limits = Limits(opening_mm=30.0, web_mm=50.0, bridge_mm=50.0)
    found = find_thin(find_ink(grey, 11.81), Placement(scale=0.5), limits)
    (bar,) = [finding for finding in found if finding.kind == "thin-line"]
    assert bar.width_mm == pytest.approx(300 / 11.81 / 2, abs=0.1)
