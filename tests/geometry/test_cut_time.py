"""Seconds of cuts against arithmetic by hand: school mechanics, written out beside each number."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geometry.cut_path import order_contours
from geometry.cut_time import MachineProfile, cut_seconds, travel_seconds
from geometry.errors import InvalidInputError
from geometry.kerf import Contour

SQUARE_40_MM = np.array([[0.0, 0.0], [40, 0], [40, 40], [0, 40]])


def machine(jump: float = 0.0, **values: float) -> MachineProfile:
    """20 mm/s, 100 mm/s2."""
    return MachineProfile(20, 200, 0.15, 100, jump, **values)


def circle(radius_mm: float, sides: int = 720) -> np.ndarray:
    turns = np.arange(sides) * 2 * math.pi / sides
    return radius_mm * np.column_stack([np.cos(turns), np.sin(turns)])


def test_a_square_that_stops_at_every_corner() -> None:
    """Each side: 20 mm/s is reached after 20 / 100 = 0.2 s and 0.2 x 20 / 2 = 2 mm, and lost over
    the same again; 40 - 4 = 36 mm at 20 mm/s take 1.8 s. 4 x (0.2 + 1.8 + 0.2) = 8.8 s."""
    assert cut_seconds(SQUARE_40_MM, machine(), closed=True) == pytest.approx(8.8, abs=1e-9)


def test_a_square_with_a_jump_at_its_corners() -> None:
    """A right angle changes v by v sqrt(2), so a jump of 10 sqrt(2) lets it pass at 10 mm/s.

    From 10 to 20 mm/s: 0.1 s and (20^2 - 10^2) / 200 = 1.5 mm. First and last side: 2 + 1.5 mm in
    0.3 s and 36.5 mm in 1.825 s, 2.125 s. The two between: 3 mm in 0.2 s and 37 mm in 1.85 s,
    2.05 s. In all 2 x 2.125 + 2 x 2.05 = 8.35 s."""
    jump = 10 * math.sqrt(2)
    assert cut_seconds(SQUARE_40_MM, machine(jump), closed=True) == pytest.approx(8.35, abs=1e-9)


def test_a_cut_too_short_to_reach_its_speed() -> None:
    """1 mm from rest to rest at 100 mm/s2: 2 sqrt(1 / 100) = 0.2 s, at most 10 mm/s."""
    line = np.array([[0.0, 0.0], [1.0, 0.0]])
    assert cut_seconds(line, machine(), closed=False) == pytest.approx(0.2, abs=1e-9)


def test_a_large_circle_is_cut_at_full_speed() -> None:
    """Radius 10: sqrt(100 x 10) = 31.6 mm/s are allowed. 2 pi 10 / 20 + 20 / 100 = 3.3416 s."""
    seconds = cut_seconds(circle(10), machine(10), closed=True)
    assert seconds == pytest.approx(2 * math.pi * 10 / 20 + 0.2, rel=1e-3)


@pytest.mark.parametrize("sides", [90, 360, 3600])
def test_a_small_circle_slows_down_however_finely_it_is_drawn(sides: int) -> None:
    """Radius 1: sqrt(100 x 1) = 10 mm/s. 2 pi / 10 + 10 / 100 = 0.7283 s."""
    seconds = cut_seconds(circle(1, sides), machine(4), closed=True)
    assert seconds == pytest.approx(2 * math.pi / 10 + 0.1, rel=0.015)


def test_a_sharper_turn_takes_longer() -> None:
    """Two sides of 40 mm, turned between by 0 (no corner), 30, 90, 150 and 180 degrees; the last
    passes at half the jump: 80 mm alone would take 4 + 0.2 s."""
    told = []
    for degrees in (0, 30, 90, 150, 180):
        turn = math.radians(degrees)
        end = 40 + 40 * math.cos(turn), 40 * math.sin(turn)
        told.append(cut_seconds(np.array([(0, 0), (40, 0), end]), machine(10), closed=False))
    assert told[0] == pytest.approx(4.2)
    assert told == sorted(told)
    # turned right round at 5 mm/s: each side 0.2 + 0.15 s and 40 - 2 - 1.875 = 36.125 mm at 20
    assert told[-1] == pytest.approx(2 * (0.35 + 36.125 / 20))


def test_travel_speeds_up_and_slows_down() -> None:
    """500 mm at 200 mm/s and 100 mm/s2: 200 mm each to speed up and slow down, 100 mm between:
    2 + 0.5 + 2 s. 100 mm never reach it: 2 sqrt(100 / 100) = 2 s. Both meet at 400 mm: 4 s."""
    told = [travel_seconds(length, machine()) for length in (500, 100, 400, 0)]
    assert told == pytest.approx([4.5, 2, 4, 0])


def test_a_path_is_starts_and_travel_and_cuts() -> None:
    """The square 100 mm off: 0.15 s to begin, 2 s to come there, 8.8 s to cut; times the factor."""
    path = order_contours([Contour(SQUARE_40_MM + np.array([100, 0]), "inside")])
    assert path.seconds(machine()) == pytest.approx(10.95)
    assert path.seconds(machine(factor=1.5)) == pytest.approx(1.5 * 10.95)


def test_no_mass_is_length_by_speed() -> None:
    light = MachineProfile(20, 200, 0.15, math.inf)
    assert cut_seconds(SQUARE_40_MM, light, closed=True) == pytest.approx(8)
    assert travel_seconds(100, light) == pytest.approx(0.5)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=2, max_size=30))
def test_never_faster_than_its_speed_and_the_same_backwards(
    corners: list[tuple[float, float]],
) -> None:
    points = np.array(corners)
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    there = cut_seconds(points, machine(5), closed=False)
    assert there >= length / 20 - 1e-6
    assert cut_seconds(points[::-1], machine(5), closed=False) == pytest.approx(there, abs=1e-6)


@pytest.mark.parametrize("wrong", [{"cut_mm_per_s": 0}, {"factor": -1}, {"start_delay_s": -0.1}])
def test_a_machine_that_does_not_move_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InvalidInputError):
        MachineProfile(**wrong)
