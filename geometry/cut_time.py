"""How long a laser takes for a way through the material, from its speeds and its acceleration.

The beam speeds up and slows down evenly (a trapezoid of speed over time, as drives are usually
set), stands still where a cut begins and ends, and takes corners slower the more it turns there:

* at a corner the speed may change at once by at most `corner_jump_mm_per_s`. A turn by the angle t
  at speed v changes it by 2 v sin(t / 2), so v is at most jump / (2 sin(t / 2)): half the jump for
  turning right round, jump / sqrt(2) for a right angle, no limit straight on;
* on a curve of radius r the way inward takes v^2 / r, which is no more than the acceleration, so v
  is at most sqrt(acceleration x r). The radius at a point of a polyline is that of the circle which
  turns as much on the mean of its two lengths. It never slows below half the jump, at which the
  beam may even turn right round.

Both are school mechanics of a point that moves; no figure of a particular machine is in here.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.errors import InvalidInputError

Points = NDArray[np.float64]


@dataclass(frozen=True)
class MachineProfile:
    """How fast one laser works. Speeds in mm/s, acceleration in mm/s2, the delay in s.

    start_delay_s: how long the beam stands at the start of every cut. factor: what the workshop's
    own runs took, as a share of what the rest of the profile says. An acceleration of math.inf
    leaves only lengths / speeds + starts x delay. The figures to begin with are judgement for thin
    PET on a small CO2 laser; the workshop sets its own. Raises InvalidInputError for a speed that
    is not above 0.
    """

    cut_mm_per_s: float = 20.0
    travel_mm_per_s: float = 200.0
    start_delay_s: float = 0.15
    acceleration_mm_per_s2: float = 1000.0
    corner_jump_mm_per_s: float = 10.0
    factor: float = 1.0

    def __post_init__(self) -> None:
        speeds = (self.cut_mm_per_s, self.travel_mm_per_s, self.acceleration_mm_per_s2, self.factor)
        if not all(value > 0 for value in speeds):
            raise InvalidInputError("Speeds, acceleration and factor of a laser are above 0.")
        if not (self.start_delay_s >= 0 and self.corner_jump_mm_per_s >= 0):
            raise InvalidInputError("The start delay and the jump at corners are not below 0.")


DEFAULT_MACHINE = MachineProfile()


def cut_seconds(points_mm: Points, machine: MachineProfile, *, closed: bool) -> float:
    """Return the seconds of one cut along `points_mm` (n, 2), from standstill to standstill.

    Neither the start delay nor the factor is in it. A closed cut comes back to its first point.
    """
    points = np.vstack([points_mm, points_mm[:1]]) if closed else np.asarray(points_mm)
    steps = np.diff(points, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    steps, lengths = steps[lengths > 0], lengths[lengths > 0]
    if len(lengths) == 0:
        return 0.0
    speed = machine.cut_mm_per_s
    if math.isinf(machine.acceleration_mm_per_s2):
        return float(lengths.sum() / speed)
    allowed = np.concatenate([[0.0], _corner_speeds(steps, lengths, machine), [0.0]])
    twice = 2 * machine.acceleration_mm_per_s2
    way = np.concatenate([[0.0], np.cumsum(lengths)])
    # What is reached from, and must be slowed down to, every other point: u_j = min over k of
    # v_k^2 + 2 a |s_j - s_k|, here as two running minima.
    squares = np.minimum(allowed, speed) ** 2
    reached = np.minimum.accumulate(squares - twice * way) + twice * way
    slowed = np.minimum.accumulate((squares + twice * way)[::-1])[::-1] - twice * way
    speeds = np.sqrt(np.maximum(np.minimum(reached, slowed), 0.0))
    return _seconds_of_stretches(speeds[:-1], speeds[1:], lengths, speed, twice / 2)


def travel_seconds(length_mm: float, machine: MachineProfile) -> float:
    """Return the seconds of one way without cutting, from standstill to standstill."""
    acceleration, speed = machine.acceleration_mm_per_s2, machine.travel_mm_per_s
    if math.isinf(acceleration):
        return length_mm / speed
    if length_mm * acceleration >= speed * speed:
        return length_mm / speed + speed / acceleration
    return 2 * math.sqrt(length_mm / acceleration)


def _corner_speeds(steps: Points, lengths: Points, machine: MachineProfile) -> Points:
    """The most that each inner point allows, mm/s."""
    ways = steps / lengths[:, None]
    # |difference of two unit vectors| = 2 sin(t / 2), exact for small turns and for right round
    turns = np.hypot(*np.diff(ways, axis=0).T)
    jump = machine.corner_jump_mm_per_s
    with np.errstate(divide="ignore"):
        at_once = jump / turns
        radius = (lengths[:-1] + lengths[1:]) / 2 / turns
    at_once[turns < 1e-9] = np.inf
    on_curve = np.sqrt(machine.acceleration_mm_per_s2 * radius)
    return np.minimum(at_once, np.maximum(on_curve, jump / 2))


def _seconds_of_stretches(
    first: Points, last: Points, lengths: Points, speed: float, acceleration: float
) -> float:
    """Seconds of straight stretches that begin and end at given speeds, `speed` at most."""
    highest = (2 * acceleration * lengths + first**2 + last**2) / 2
    top = np.maximum(np.minimum(np.sqrt(highest), speed), np.maximum(first, last))
    changing = (2 * top - first - last) / acceleration
    even_mm = lengths - (2 * top**2 - first**2 - last**2) / (2 * acceleration)
    return float((changing + np.maximum(even_mm, 0.0) / top).sum())
