"""Flaps: film held on one side only is found and measured; film held on two sides is none.

Truth is arithmetic on the shapes, or shapely's areas of them.
"""

import math

import networkx
import numpy as np
import pytest
import shapely
from shapely import LineString, affinity

from geometry.findings import Finding
from geometry.flaps import find_flaps
from geometry.graph_kernels import hanging_links
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.recipe import Placement
from tests.geometry.scans import disc, scan

SIZE_MM = (60.0, 60.0)
CENTRE = (30, 30)
ANGLES = (0, 17, 45, 90, 200)


def flaps_of(shape: shapely.Geometry, dpi: float = 300, **more: str) -> list[Finding]:
    grey, px_per_mm = scan(shape, SIZE_MM, dpi)
    return find_flaps(find_ink(grey, px_per_mm), Placement(), Limits(), **more)


def u_slot(neck: float, reach: float, line: float = 1.2) -> shapely.Geometry:
    """A slot around a tongue of film: `neck` wide, `reach` long from the slot's square ends."""
    half = (neck + line) / 2
    far = 30 - reach / 2 - line / 2
    near = 30 + reach / 2
    path = [(30 - half, near), (30 - half, far), (30 + half, far), (30 + half, near)]
    return LineString(path).buffer(line / 2, cap_style="flat", join_style="mitre")


def c_slot(neck: float, radius: float, line: float = 1.0) -> shapely.Geometry:
    ring = disc(30, 30, radius + line).difference(disc(30, 30, radius))
    return ring.difference(shapely.box(30 - neck / 2, 30, 30 + neck / 2, 60))


def turned(shape: shapely.Geometry, angle: float) -> shapely.Geometry:
    return affinity.rotate(shape, angle, origin=CENTRE)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("neck", "reach"), [(4, 16), (2, 20), (8, 24), (0.8, 14), (6, 13)])
def test_tongue_is_measured_at_any_turn(neck: float, reach: float, angle: float) -> None:
    (flap,) = flaps_of(turned(u_slot(neck, reach), angle))
    assert flap.kind == "flap"
    assert flap.neck_mm == pytest.approx(neck, abs=0.06)
    assert flap.reach_mm == pytest.approx(reach, rel=0.03, abs=0.25)
    assert flap.area_mm2 == pytest.approx(neck * reach, rel=0.04, abs=0.8)
    x, y = affinity.rotate(shapely.Point(flap.at_mm), -angle, origin=CENTRE).coords[0]
    assert math.dist((x, y), (30, 30 + reach / 2)) < 0.7


@pytest.mark.parametrize("dpi", [200, 600])
def test_tongue_is_measured_at_any_resolution(dpi: float) -> None:
    (flap,) = flaps_of(turned(u_slot(5, 18), 30), dpi)
    assert flap.neck_mm == pytest.approx(5, abs=0.05)
    assert flap.reach_mm == pytest.approx(18, rel=0.03)
    assert flap.area_mm2 == pytest.approx(90, rel=0.04)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("neck", "radius"), [(3, 8), (6, 14), (1.2, 7)])
def test_disc_on_one_neck_is_measured(neck: float, radius: float, angle: float) -> None:
    (flap,) = flaps_of(turned(c_slot(neck, radius), angle))
    assert flap.neck_mm == pytest.approx(neck, abs=0.06)
    at_line = math.sqrt(radius**2 - neck**2 / 4)
    assert at_line + radius - 0.3 <= flap.reach_mm <= at_line + radius + 1.0 + 0.5
    inside = disc(30, 30, radius).area
    assert inside - 1 <= flap.area_mm2 <= 1.02 * inside + 1.2 * neck


@pytest.mark.parametrize("angle", [0, 33, 90])
def test_disc_held_on_two_sides_is_no_flap(angle: float) -> None:
    slot = c_slot(3, 10).difference(shapely.box(28.5, 0, 31.5, 30))
    assert flaps_of(turned(slot, angle)) == []


@pytest.mark.parametrize("apart", [20, 40, 120])
def test_parallel_links_are_no_flap(apart: float) -> None:
    slot = c_slot(2, 12)
    second = affinity.rotate(shapely.box(29, 30, 31, 60), apart, origin=CENTRE)
    assert flaps_of(slot.difference(second)) == []


def test_tongue_with_its_far_end_held_is_no_flap() -> None:
    assert flaps_of(u_slot(5, 20).difference(shapely.box(29, 0, 31, 30))) == []


@pytest.mark.parametrize(("neck", "reach"), [(3, 11.5), (9, 17.2), (12, 20)])
def test_short_or_broad_tongue_is_no_flap(neck: float, reach: float) -> None:
    assert flaps_of(u_slot(neck, reach)) == []


@pytest.mark.parametrize("dpi", [300, 600])
def test_comb_has_one_flap_a_tooth(dpi: float) -> None:
    slots = [shapely.box(12 + 6 * k, 20, 13.2 + 6 * k, 40) for k in range(6)]
    comb = shapely.union_all([*slots, shapely.box(12, 20, 43.2, 21.2)])
    flaps = flaps_of(comb, dpi)
    assert len(flaps) == 5
    for flap in flaps:
        assert flap.neck_mm == pytest.approx(4.8, abs=0.06)
        assert flap.reach_mm == pytest.approx(18.8, rel=0.03)
        assert flap.area_mm2 == pytest.approx(4.8 * 18.8, rel=0.04)


@pytest.mark.parametrize("angle", [0, 50])
def test_spiral_is_one_flap_as_long_as_its_film(angle: float) -> None:
    turns, pitch, line, start = 3.0, 6.0, 1.5, 2.0
    t = np.linspace(0, 2 * np.pi * turns, 900)
    reach = start + pitch * t / (2 * np.pi)
    points = np.stack([30 + reach * np.cos(t), 30 + reach * np.sin(t)], axis=1)
    slot = LineString(points).buffer(line / 2, quad_segs=16)
    (flap,) = flaps_of(turned(slot, angle))
    # The shortest way along the film keeps to the slot's outer edge, one turn inside its end.
    wall = (t <= 2 * np.pi * (turns - 1)) & (t >= 0.25 * np.pi)
    taut, middle = (
        LineString(np.stack([(reach + off) * np.cos(t), (reach + off) * np.sin(t)], 1)[wall]).length
        for off in (line / 2, pitch / 2)
    )
    assert flap.neck_mm == pytest.approx(pitch - line, abs=0.15)
    assert 0.97 * taut < flap.reach_mm < middle + pitch


def test_flap_with_openings_in_it_counts_film_alone() -> None:
    hole = disc(30, 26, 2)
    (flap,) = flaps_of(shapely.union_all([u_slot(9, 24), hole]))
    assert flap.area_mm2 == pytest.approx(9 * 24 - hole.area, rel=0.04)


def test_neck_inside_a_flap_is_told_apart() -> None:
    outer = u_slot(10, 40)
    waist = shapely.box(24, 24, 29.2, 26).union(shapely.box(30.8, 24, 36, 26))
    flaps = flaps_of(shapely.union_all([outer, waist]))
    assert sorted(round(flap.neck_mm) for flap in flaps) == [2, 10]


def test_island_and_mask_have_no_flap() -> None:
    ring = disc(30, 30, 15).difference(disc(30, 30, 14))
    assert flaps_of(ring) == []
    assert flaps_of(u_slot(4, 20), mode="mask") == []


def test_limits_are_kept_by_reach_and_neck() -> None:
    grey, px_per_mm = scan(u_slot(4, 16), SIZE_MM)
    ink = find_ink(grey, px_per_mm)
    assert find_flaps(ink, Placement(), Limits(flap_reach_mm=17)) == []
    assert find_flaps(ink, Placement(), Limits(flap_necks=4.2)) == []
    (larger,) = find_flaps(ink, Placement(scale=1.5), Limits())
    assert larger.reach_mm == pytest.approx(24, rel=0.03)


def test_bridges_of_random_graphs_are_those_of_networkx() -> None:
    """Reference: networkx.bridges, parallel links subdivided."""
    rng = np.random.default_rng(5)
    for _ in range(60):
        nodes = int(rng.integers(2, 25))
        links = rng.integers(0, nodes, (int(rng.integers(1, 40)), 2))
        graph = networkx.Graph()
        graph.add_nodes_from(range(nodes))
        for index, (one, other) in enumerate(links.tolist()):
            graph.add_edge(one, ("link", index))
            graph.add_edge(("link", index), other)
        reached = networkx.node_connected_component(graph, 0)
        cut = set(map(frozenset, networkx.bridges(graph)))
        wanted = [
            one in reached and one != other and frozenset((one, ("link", index))) in cut
            for index, (one, other) in enumerate(links.tolist())
        ]
        is_bridge, *_ = hanging_links(links, np.ones(len(links)), nodes)
        assert is_bridge.tolist() == wanted
