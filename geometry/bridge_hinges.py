"""Where a further bridge keeps a flap or a hinged island from lifting: at its far side."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.findings import Finding
from geometry.graph_kernels import ways_from_chord, ways_within
from geometry.ink import Ink
from geometry.recipe import Placement

PX_PER_MM: Final = 3.0
FAR_MM: Final = 9.0
"""Cost of a place at the neck itself, none at FAR_SHARE of the farthest that can be held."""
FAR_SHARE: Final = 0.95
LONG_MM: Final = 30.0
"""A flap that goes on for this long beyond its bridge is held across itself in the same round."""
STEP_PER_COST: Final = 6.0
"""So many mm of way a place must gain for each mm of its cost. Judgement."""
MOST_FURTHER: Final = 300
LEAST_SHARE: Final = 0.3
LEAST_MM: Final = 6.0
"""Nearer to the neck than this share of the way, and than this, a bridge holds next to nothing."""


Costs = Callable[[NDArray[np.intp], Sequence[int]], NDArray[np.float64]]
"""The cost (n) in mm of places (numbers), once some others are taken too (by number)."""


@dataclass(frozen=True)
class Hinge:
    """Film that hangs on one neck. way (h, w): the share of the way from the neck to its far end.

    -1 outside of it, on a coarse grid; factor, corner: pixel p of the field is (p + 0.5) / factor -
    0.5 - corner there.
    """

    finding: Finding
    way: NDArray[np.float32]
    factor: int
    corner: NDArray[np.int64]

    @property
    def least_share(self) -> float:
        """Of the way, at which a bridge still holds something."""
        return min(LEAST_SHARE, LEAST_MM / max(self.finding.reach_mm or 0.0, 1e-6))

    def share_at(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share of the way at points (n, 2) of the field, -1 outside, within 1 pixel."""
        at = np.rint((points_px + 0.5) / self.factor - 0.5 - self.corner).astype(int)
        height, width = self.way.shape
        best = np.full(len(at), -1.0)
        for step_y in (0, -1, 1):
            for step_x in (0, -1, 1):
                x, y = at[:, 0] + step_x, at[:, 1] + step_y
                inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
                values = np.full(len(at), -1.0)
                values[inside] = self.way[y[inside], x[inside]]
                best = np.where(best < 0, values, best)
        return best


def find_hinges(flaps: Sequence[Finding], ink: Ink, placement: Placement) -> list[Hinge]:
    """Return the flaps of a check with the ways inside of them, the largest first.

    ink, placement: those of the check that found the flaps.
    """
    factor = max(round(ink.px_per_mm / placement.scale / PX_PER_MM), 1)
    return [
        _hinge(flap, ink, placement, factor)
        for flap in sorted(flaps, key=lambda one: -(one.area_mm2 or 0.0))
    ]


def _hinge(flap: Finding, ink: Ink, placement: Placement, factor: int) -> Hinge:
    """Return one flap with the ways inside of it."""
    border = _on_grid(flap.outline_mm, ink, placement, factor)
    neck = _on_grid(flap.others_mm[0], ink, placement, factor)
    low = np.floor(np.minimum(border.min(axis=0), neck.min(axis=0))).astype(np.int64) - 4
    high = np.ceil(np.maximum(border.max(axis=0), neck.max(axis=0))).astype(np.int64) + 5
    width, height = (int(side) for side in high - low)
    region = np.zeros((height, width), np.uint8)
    corners = np.rint((border - low) * 16).astype(np.int32)
    cv2.fillPoly(region, [corners], 1, cv2.LINE_8, 4)
    region &= _film_on_grid(ink, factor, low, (height, width))
    region[:2] = region[-2:] = 0
    region[:, :2] = region[:, -2:] = 0
    straight = ways_from_chord(region, neck - low)
    ways = ways_within(region, np.where(straight < 3.5, straight, np.float32(np.inf)))
    reached = np.isfinite(ways)
    most = float(ways[reached].max()) if reached.any() else 1.0
    way = np.where(reached, ways / max(most, 1e-6), np.float32(-1)).astype(np.float32)
    return Hinge(flap, way, factor, low)


def _on_grid(
    line_mm: Sequence[tuple[float, float]], ink: Ink, placement: Placement, factor: int
) -> NDArray[np.float64]:
    """Return points of the blank (mm) on the grid of a factor."""
    pixels = ink.to_px(placement.to_paper(np.array(line_mm, float)))
    return (pixels + 0.5) / factor - 0.5


def _film_on_grid(
    ink: Ink, factor: int, low: NDArray[np.int64], shape: tuple[int, int]
) -> NDArray[np.uint8]:
    """Return where most of a cell is film: 1, else 0; beyond the field all is film."""
    height, width = shape
    film = np.ones((height * factor, width * factor), np.uint8)
    left, top = (int(value) * factor for value in low)
    part = ink.f[max(top, 0) : top + film.shape[0], max(left, 0) : left + film.shape[1]]
    y, x = max(-top, 0), max(-left, 0)
    film[y : y + part.shape[0], x : x + part.shape[1]] = part >= 0
    cells = film.reshape(height, factor, width, factor).sum(axis=(1, 3))
    return (2 * cells >= factor * factor).astype(np.uint8)


def hold_hinges(
    hinges: Sequence[Hinge],
    ends_px: NDArray[np.float64],
    cost_mm: Costs,
    usable: NDArray[np.bool_],
    apart_px: float,
) -> list[tuple[int, int, tuple[int, ...]]]:
    """Return (place, flap, further places) for the bridges that flaps need, by number.

    ends_px (n, 4), cost_mm: of the places, in the field of the flaps. A place that holds
    several flaps at once is worth more. Where the far end of a long flap, such as the inside of a
    spiral, has nothing but itself beside it, bridges across the flap itself take up the rest of its
    way. Flaps that no usable place could hold are left out.
    """
    shares = [_shares(hinge, ends_px) for hinge in hinges]
    holds = np.array(
        [
            ((share[0] >= 0) ^ (share[1] >= 0)) & (share.max(axis=0) >= hinge.least_share)
            for hinge, share in zip(hinges, shares, strict=True)
        ]
    )
    middles = (ends_px[:, :2] + ends_px[:, 2:]) / 2
    done: list[tuple[int, int, tuple[int, ...]]] = []
    is_held = np.zeros(len(hinges), bool)
    for number, (hinge, share) in enumerate(zip(hinges, shares, strict=True)):
        fits = np.flatnonzero(holds[number] & usable)
        if is_held[number] or not len(fits):
            continue
        ways = share.max(axis=0)[fits]
        near = 1 - np.minimum(ways / (FAR_SHARE * ways.max()), 1.0)
        others = holds[~is_held][:, fits].sum(axis=0) - 1
        cost = cost_mm(fits, [site for site, _, _ in done])
        score = cost + FAR_MM * near - 2.5 * np.minimum(others, 2)
        order = fits[np.argsort(score, kind="stable")]
        is_held |= holds[:, order[0]]
        done.append((int(order[0]), number, tuple(order[1:MOST_FURTHER].tolist())))
        usable = usable & (np.hypot(*(middles - middles[order[0]]).T) >= apart_px)
        held_to = float(share[:, order[0]].max())
        reach_mm = hinge.finding.reach_mm or 0.0
        while (1 - held_to) * reach_mm > LONG_MM:
            site = _across_itself(hinge, share, cost_mm, done, usable, held_to)
            if site is None:
                break
            done.append((site, number, ()))
            usable = usable & (np.hypot(*(middles - middles[site]).T) >= apart_px)
            held_to = float(share[:, site].max())
    return done


def _shares(hinge: Hinge, ends_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (2, n) the share of the way at both ends of places (n, 4), -1 outside of the flap.

    The grid may miss the very edge of the film, so it is asked a bit beyond the ends too.
    """
    found = np.full((2, len(ends_px)), -1.0)
    low = (hinge.corner - 2) * hinge.factor
    high = (hinge.corner + hinge.way.shape[::-1] + 2) * hinge.factor
    both = ends_px.reshape(-1, 2, 2)
    inside = ((both >= low) & (both <= high)).all(axis=2)
    near = np.flatnonzero(np.any(inside, axis=1))
    ends = ends_px[near]
    along = ends[:, 2:] - ends[:, :2]
    along *= 0.5 * PX_PER_MM * hinge.factor / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    for index, (end, outward) in enumerate(((ends[:, :2], -along), (ends[:, 2:], along))):
        at_end = hinge.share_at(end)
        found[index, near] = np.where(at_end >= 0, at_end, hinge.share_at(end + outward))
    return found


def _across_itself(
    hinge: Hinge,
    share: NDArray[np.float64],
    cost_mm: Costs,
    done: Sequence[tuple[int, int, tuple[int, ...]]],
    usable: NDArray[np.bool_],
    held_to: float,
) -> int | None:
    """Return a place from one turn of a long flap to its next, from what is held to the far end.

    share (2, n): of the way, at both ends of the places. It reaches back to what is held already,
    so that no part between two such places hangs on one neck.
    """
    reach_mm = hinge.finding.reach_mm or 0.0
    low, high = share.min(axis=0), share.max(axis=0)
    step = 0.3 * LONG_MM / max(reach_mm, 1e-6)
    fits = np.flatnonzero(usable & (low >= 0) & (low < held_to) & (high > held_to + step))
    if not len(fits):
        return None
    gained_mm = (np.minimum(high[fits], 1.0) - held_to) * reach_mm
    cost = cost_mm(fits, [site for site, _, _ in done])
    return int(fits[np.argmax(gained_mm - STEP_PER_COST * cost)])
