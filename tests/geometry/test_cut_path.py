"""The order of cutting: inner before outer, outlines last, little travel."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from geometry.cut_path import containers, measured_path, order_contours
from geometry.cut_time import MachineProfile
from geometry.kerf import Contour, cut_contours
from tests.geometry.stencils import stencil_of, tide_pool, wavy


def square(x_mm: float, y_mm: float, side_mm: float, role: str = "inside") -> Contour:
    """A square contour round a point."""
    half = side_mm / 2
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return Contour(corners + np.array([x_mm, y_mm]), role)  # type: ignore[arg-type]


def centre(contour: Contour) -> tuple[float, float]:
    """The middle of a contour's points."""
    x_mm, y_mm = contour.points_mm.mean(axis=0)
    return round(float(x_mm), 3), round(float(y_mm), 3)


def test_what_lies_inside_is_cut_before_what_holds_it() -> None:
    """Four nested squares given outermost first, and one beside them."""
    nested = [square(50, 50, side) for side in (40, 30, 20, 10)]
    path = order_contours([*nested, square(90, 50, 10)])
    sides = [np.ptp(c.points_mm[:, 0]) for c in path.contours if centre(c) == (50, 50)]
    assert sides == [10, 20, 30, 40]
    assert len(path.contours) == 5


def test_no_contour_is_cut_after_its_container_in_a_crowd() -> None:
    """Sixty rings with discs in them at random places, whatever the shortest way would like."""
    dice = np.random.default_rng(4)
    spots = [(10 + 15 * i, 10 + 15 * j) for i in range(8) for j in range(8)]
    contours = [square(x, y, side) for x, y in spots for side in (12, 8, 3)]
    order = dice.permutation(len(contours))
    path = order_contours([contours[i] for i in order])
    parents = containers(path.contours)
    assert sum(parent >= 0 for parent in parents) == 2 * len(spots)
    assert all(parent == -1 or parent > place for place, parent in enumerate(parents))


def test_marks_come_first_and_the_outline_last() -> None:
    """Even where the outline is nearest."""
    contours = [
        square(50, 50, 100, "outline"),
        square(80, 80, 5),
        square(90, 90, 5, "mark"),
    ]
    assert [c.role for c in order_contours(contours).contours] == ["mark", "inside", "outline"]


def test_every_contour_is_cut_once_and_none_is_changed() -> None:
    """Only the start point of a closed contour moves."""
    before = cut_contours(tide_pool(), 0.15).contours
    after = order_contours(before).contours
    assert len(after) == len(before)

    def points(contour: Contour) -> list[tuple[float, float]]:
        return sorted(map(tuple, contour.points_mm.tolist()))

    assert sorted(map(points, after)) == sorted(map(points, before))
    assert sum(c.length_mm for c in after) == pytest.approx(sum(c.length_mm for c in before))


@pytest.mark.parametrize("seed", range(6))
def test_travel_is_near_the_shortest_there_is(seed: int) -> None:
    """Seven small squares against all 5040 orders of their centres: at most 5 % longer.

    Brute force is the reference; the squares are so small that their start points hardly count.
    """
    places = np.random.default_rng(seed).uniform(10, 140, (7, 2))
    path = order_contours([square(x, y, 0.01) for x, y in places])
    shortest = min(
        math.hypot(*places[order[0]])
        + sum(math.dist(places[a], places[b]) for a, b in itertools.pairwise(order))
        for order in itertools.permutations(range(7))
    )
    assert path.travel_mm <= 1.05 * shortest + 0.1


def test_travel_of_many_is_far_below_the_given_order() -> None:
    """A grid of starfish in a random order: less than a sixth of the way it was given in."""
    dice = np.random.default_rng(2)
    shapes = [wavy(15 + 11 * i, 15 + 11 * j, 3) for i in range(12) for j in range(12)]
    contours = cut_contours(
        stencil_of(*(shapes[i] for i in dice.permutation(len(shapes)))), 0.15
    ).contours
    path = order_contours(contours)
    assert path.travel_mm < measured_path(contours).travel_mm / 6
    # 144 gaps of about 4 mm, and the way there and to the outline
    assert path.travel_mm < 144 * 9


def test_two_thousand_openings_are_ordered_well() -> None:
    """On a grid of 3 mm, 2 mm across, the gaps are 1 mm; at most twice that a contour is travel."""
    dice = np.random.default_rng(5)
    spots = dice.permutation([(3.0 * i, 3.0 * j) for i in range(45) for j in range(45)])
    contours = [square(x, y, 2) for x, y in spots] + [square(x, y, 1) for x, y in spots[:300]]
    path = order_contours(contours)
    assert path.travel_mm < 2 * len(contours)
    assert all(
        parent == -1 or parent > place for place, parent in enumerate(containers(path.contours))
    )


def test_open_lines_may_be_cut_backwards() -> None:
    """The end that is nearer comes first."""
    line = Contour(np.array([[100.0, 0.0], [10.0, 0.0]]), "outline", closed=False)
    path = order_contours([line])
    assert path.contours[0].points_mm.tolist() == [[10.0, 0.0], [100.0, 0.0]]
    assert (path.travel_mm, path.length_mm, path.end_mm) == (10.0, 90.0, (100.0, 0.0))


def test_the_same_contours_give_the_same_path() -> None:
    """Bit for bit."""
    first, second = (order_contours(cut_contours(tide_pool(), 0.15).contours) for _ in range(2))
    assert first.travel_mm == second.travel_mm
    assert all(
        np.array_equal(a.points_mm, b.points_mm)
        for a, b in zip(first.contours, second.contours, strict=True)
    )


def test_seconds_follow_the_machine_profile() -> None:
    """40 mm at 10 mm/s, 5 mm of travel at 100 mm/s, one start of 0.2 s: 4.25 s without mass; the
    factor of the workshop's own runs multiplies it."""
    square_at_5 = Contour(np.array([[5.0, 0], [15, 0], [15, 10], [5, 10]]), "inside")
    path = order_contours([square_at_5])
    machine = MachineProfile(10, 100, 0.2, acceleration_mm_per_s2=math.inf)
    assert path.seconds(machine) == pytest.approx(4.25)
    assert path.seconds(replace(machine, factor=1.2)) == pytest.approx(5.1)


def test_nothing_to_cut_takes_no_time() -> None:
    """An empty path ends where it starts."""
    path = order_contours([])
    assert (path.contours, path.travel_mm, path.length_mm, path.seconds()) == ((), 0.0, 0.0, 0.0)
    assert path.end_mm == (0.0, 0.0)
