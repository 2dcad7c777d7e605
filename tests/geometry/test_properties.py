"""What must hold for any drawing: moved, turned, mirrored, scaled, bridged. Few examples, quick."""

from typing import NamedTuple

import numpy as np
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from geometry.findings import Finding
from geometry.ink import Ink, find_ink, with_strokes
from geometry.islands import find_islands
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.recipe import Placement, Stroke
from geometry.widths import find_thin
from tests.geometry.scans import disc, scan, stroke

Grey = NDArray[np.uint8]


class Spot(NamedTuple):
    """What is found: kind, place and measure (mm, mm2), and how far off its like may lie, mm."""

    kind: str
    x: float
    y: float
    size: float
    reach: float


SIDE_MM = 50.0
PX_PER_MM = 200 / 25.4
few = settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


@st.composite
def drawings(draw: st.DrawFn) -> shapely.Geometry:
    """Rings, discs, hairlines, necks and pairs of bars on a 3 x 3 grid, none touching another."""
    shapes = []
    for row in range(3):
        for column in range(3):
            x, y = 12.5 + 12.5 * column, 12.5 + 12.5 * row
            size = draw(st.floats(0, 1))
            match draw(st.sampled_from(["", "ring", "disc", "neck", "bars", "nest"])):
                case "ring":
                    shapes.append(disc(x, y, 4.5).difference(disc(x, y, 1.5 + 1.5 * size)))
                case "disc":
                    shapes.append(disc(x, y, 1 + 3 * size))
                case "neck":
                    ends = [disc(x - 3, y, 1.9), disc(x + 3, y, 1.9)]
                    width = 0.35 + 0.4 * size
                    shapes.append(
                        shapely.union_all([*ends, stroke([(x - 3, y), (x + 3, y)], width)])
                    )
                case "bars":
                    gap = 0.35 + 0.4 * size
                    bar = shapely.box(x - 4, y + gap / 2, x + 4, y + gap / 2 + 1.8)
                    shapes += [bar, shapely.affinity.translate(bar, 0, -gap - 1.8)]
                case "nest":
                    ring = disc(x, y, 5).difference(disc(x, y, 3.7))
                    shapes.append(ring.union(disc(x, y, 1 + size)))
    shapes.append(shapely.box(4, 45, 8 + 4 * draw(st.floats(0, 1)), 47))  # never symmetric
    return shapely.union_all(shapes)


def pictured(shape: shapely.Geometry) -> Grey:
    return scan(shape, (SIDE_MM, SIDE_MM), 200, noise=1.0)[0]


def found(ink: Ink, side_mm: float = SIDE_MM, limits: Limits | None = None) -> list[Finding]:
    limits = limits or Limits()
    outlines = trace(ink, Placement())
    islands = find_islands(outlines, ink, Placement(), (side_mm, side_mm), limits)
    return [f for f in islands + find_thin(ink, Placement(), limits) if f.kind != "spur"]


def spots(findings: list[Finding]) -> list[Spot]:
    """Kind, place and measure of findings. An island's place is the middle of its outline.

    (at_mm lies on the film: of a ring's film it is any point on it.) A neck as wide all along may
    be least anywhere along itself.
    """
    listed = []
    for one in findings:
        x, y = one.at_mm
        if one.kind == "island":
            middle = shapely.Polygon(one.outline_mm).centroid
            x, y = middle.x, middle.y
        size = one.width_mm or one.area_mm2 or 0.0
        listed.append(Spot(one.kind, x, y, size, _reach(one)))
    return listed


def _reach(finding: Finding) -> float:
    """Return how far the same finding may lie off, mm."""
    return 0.3 if finding.kind == "island" else 0.6 + (finding.length_mm or 0.0)


def assert_same(one: list[Spot], other: list[Spot], *, measure: float = 0.03) -> None:
    """Each of one has its like in the other: kind, place, measure within 1 % or 0.03."""
    left = list(other)
    for spot in one:
        like = [
            its
            for its in left
            if its.kind == spot.kind
            and np.hypot(its.x - spot.x, its.y - spot.y) < spot.reach
            and abs(its.size - spot.size) <= max(measure, 0.01 * spot.size)
        ]
        assert like, (spot, left)
        left.remove(like[0])
    assert not left


@few
@given(drawings(), st.integers(-20, 20), st.integers(-20, 20))
def test_a_shift_moves_the_findings_and_changes_nothing_else(
    shape: shapely.Geometry, right_px: int, down_px: int
) -> None:
    grey = pictured(shape)
    moved = np.roll(grey, (down_px, right_px), axis=(0, 1))
    before = spots(found(find_ink(grey, PX_PER_MM)))
    after = spots(found(find_ink(moved, PX_PER_MM)))
    dx, dy = right_px / PX_PER_MM, down_px / PX_PER_MM
    assert_same([spot._replace(x=spot.x + dx, y=spot.y + dy) for spot in before], after)


@few
@given(drawings(), st.integers(1, 3), st.booleans())
def test_quarter_turn_and_mirror_give_the_same_findings(
    shape: shapely.Geometry, quarters: int, mirrored: bool
) -> None:
    grey = pictured(shape)
    side_mm = grey.shape[0] / PX_PER_MM
    before = spots(found(find_ink(grey, PX_PER_MM)))
    turned = np.rot90(grey[:, ::-1] if mirrored else grey, -quarters)  # clockwise
    after = spots(found(find_ink(np.ascontiguousarray(turned), PX_PER_MM)))
    expected = []
    for spot in before:
        x, y = side_mm - spot.x if mirrored else spot.x, spot.y
        for _ in range(quarters):
            x, y = side_mm - y, x
        expected.append(spot._replace(x=x, y=y))
    assert_same(expected, after)


@few
@given(drawings())
def test_twice_the_scale_is_twice_every_width(shape: shapely.Geometry) -> None:
    """The same picture said to be of half the resolution, against limits twice as large."""
    grey = pictured(shape)
    plain = find_ink(grey, PX_PER_MM)
    twice = Ink(plain.f, PX_PER_MM / 2, plain.level, plain.contrast)
    single = Ink(plain.f, PX_PER_MM, plain.level, plain.contrast)
    limits = Limits(kerf_mm=0.3, opening_mm=2.0, web_mm=2.0, bridge_mm=2.0, island_mm2=4.0)
    small = [f for f in found(single) if f.width_mm]
    large = [f for f in found(twice, 2 * SIDE_MM, limits) if f.width_mm]
    halved = [
        spot._replace(x=spot.x / 2, y=spot.y / 2, size=spot.size / 2) for spot in spots(large)
    ]
    assert_same(spots(small), halved)


@few
@given(drawings())
def test_reading_the_ink_changes_no_input_and_says_the_same_twice(shape: shapely.Geometry) -> None:
    grey = pictured(shape)
    before = grey.copy()
    one, other = find_ink(grey, PX_PER_MM), find_ink(grey, PX_PER_MM)
    field = one.f.copy()
    assert found(one) == found(other)
    assert np.array_equal(grey, before)
    assert np.array_equal(one.f, field)


@few
@given(drawings(), st.lists(st.floats(5, 45), min_size=4, max_size=4), st.floats(0.3, 4))
def test_a_bridge_never_adds_an_island(
    shape: shapely.Geometry, ends: list[float], width_mm: float
) -> None:
    """A white line joins film to film, or lies in ink alone: then it is film of its own."""
    ink = find_ink(pictured(shape), PX_PER_MM)
    line = shapely.LineString([(ends[0], ends[1]), (ends[2] + 0.01, ends[3])])
    bridge = Stroke("white", tuple(line.coords), width_mm)
    crossed = with_strokes(ink, [bridge], Placement())
    before = [f for f in found(ink) if f.kind == "island"]
    after = [f for f in found(crossed) if f.kind == "island"]
    inside = shape.contains(line.buffer(width_mm / 2 + 0.2))
    assert len(after) <= len(before) + inside
