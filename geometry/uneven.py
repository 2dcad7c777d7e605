"""Uneven lines: where a line swells into a blob or is starved to less than it is on both sides.

A note and no fault: the stencil is cut as it is drawn. What narrows on one side only is a tip, a
wedge or a brush's taper and is none; nor is a place where lines meet, or one that is a thin line
anyhow.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.bands import find_band
from geometry.caliper import measure
from geometry.findings import Finding
from geometry.ink import Ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.skeleton import (
    FREE,
    JOINT,
    WIDE,
    Chains,
    block_px,
    blocks_around,
    find_chains,
    rasterise,
)

PX_PER_MM: Final = 6.0
"""Lines are followed on about this raster; what is found there is measured on the full field."""
WIDEST_MM: Final = 3.5
"""What is wider is a shape and no line. Judgement."""
RATIO: Final = 1.5
"""How many times wider, or narrower, than the line on both sides. Judgement."""
LEAST_MM: Final = 0.35
"""It must also be off by so much. Judgement."""
REACH_MM: Final = 5.0
"""So near the line must be as it was again. Judgement."""
EVEN_MM: Final = 2.0
EVEN: Final = 0.2
"""Beyond that it must keep its width within this share for EVEN_MM. Judgement."""
STEPS_MM: Final = 0.2
"""What the raster's own steps may add to a change of width."""
NEAR: Final = 4
"""The widest or narrowest place is sought within so many samples of the raster's."""
STRAIGHT: Final = 0.6
"""Least cosine between the ways to and from the place, 53 degrees: a line that turns is wider."""


@dataclass(frozen=True)
class _Line:
    """One line: pixels (n, 2) of the raster, its width and the way along it (n), px of it."""

    pixels: NDArray[np.int32]
    width: NDArray[np.float64]
    way: NDArray[np.float64]


def find_uneven(ink: Ink, placement: Placement, limits: Limits) -> list[Finding]:
    """Return an uneven-line note for each line, at the place where it is most off its usual width.

    width_mm is the width there and usual_mm what the line has on both sides of it, by caliper,
    within 0.02 mm. A line is ink up to 3.5 mm wide between two meetings, ends or wider shapes.
    """
    factor = block_px(ink.px_per_mm, PX_PER_MM)
    scale = placement.scale / ink.px_per_mm * factor
    reach = WIDEST_MM / 2 / scale + 1.5
    blocks = blocks_around(ink.loops.around_px, factor, int(np.ceil(reach)) + 6)
    raster = rasterise(ink.f, factor, blocks)
    chains = find_chains(raster, find_band(raster.ink(), reach), is_ink=True)
    found = []
    for line in _lines(chains, scale):
        place = _most_uneven(line, scale)
        if place is None:
            continue
        finding = _measured(line, place, chains, ink, placement, limits)
        if finding is not None:
            found.append(finding)
    return found


def _measured(
    line: _Line,
    place: tuple[int, int, int],
    chains: Chains,
    ink: Ink,
    placement: Placement,
    limits: Limits,
) -> Finding | None:
    """Return the finding for (there, before, after) of a line, by caliper, or None."""
    there, before, after = place
    near = np.arange(max(there - NEAR, 0), min(there + NEAR + 1, len(line.pixels)))
    pixels = line.pixels[[before, after, *near]]
    points, clear = chains.to_field(pixels), chains.clear_px(pixels)
    longest_px = 1.5 * WIDEST_MM / placement.scale * ink.px_per_mm
    widths = measure(ink.f, points, -1, longest_px, chains.factor, clear)[:, 0]
    caliper = widths * placement.scale / ink.px_per_mm
    if caliper.min() <= 0:
        return None
    usual = float(caliper[:2].mean())
    off_most = int(np.argmax(np.abs(caliper[2:] - usual)))
    width = float(caliper[2 + off_most])
    # What is starved below the limit is a thin line already.
    if width < min(usual, limits.opening_mm) or not _is_off(width, usual):
        return None
    at = placement.to_blank(ink.to_mm(points[[0, 2 + off_most, 1]]))
    first, middle, last = ((float(x), float(y)) for x, y in at)
    return Finding(
        kind="uneven-line",
        at_mm=middle,
        outline_mm=(first, middle, last),
        width_mm=width,
        usual_mm=usual,
        length_mm=float(np.hypot(*np.diff(at, axis=0).T).sum()),
    )


@njit(cache=True)
def _is_off(width: float, usual: float, slack: float = 0.0) -> bool:
    """Tell whether a width is off the usual one by the ratio and by the least, mm."""
    low, high = min(width, usual) - slack / 2, max(width, usual) + slack / 2
    return high >= RATIO * low and high - low >= LEAST_MM


def _lines(chains: Chains, scale: float) -> Iterator[_Line]:
    """Return the lines without the stretch at each end where another line or shape has a say.

    Branches that only lead into a bump of the edge are left out, and the two lines that meet there
    are one. scale: mm of the blank to a pixel of the raster. Even lines are left out.
    """
    lengths = np.diff(chains.starts)
    radius = np.append(chains.joint_radius, 0.0)  # the last one for those that end at none
    hangs = radius[chains.joint].max(axis=1)
    is_bump = (chains.ends == FREE).any(axis=1) & (chains.ends == JOINT).any(axis=1)
    is_bump &= lengths < 1.15 * hangs + 3
    at_joint: dict[int, list[int]] = {}
    for chain in np.flatnonzero(~is_bump):
        for joint in chains.joint[chain]:
            if joint >= 0:
                at_joint.setdefault(int(joint), []).append(int(chain))
    through = {joint: pair for joint, pair in at_joint.items() if len(pair) == 2}
    # Most are even by themselves, which is told for all of them at once.
    goes_on = np.isin(chains.joint, list(through)).any(axis=1)
    cuts = _cuts(chains)
    even = (
        _are_even(chains.pixels, chains.radius, chains.starts, cuts, scale)
        & ~goes_on
        & ~_are_rings(chains)
    )
    left = {int(chain) for chain in np.flatnonzero(~is_bump & ~even)}
    while left:
        way = _followed(chains, min(left), through)
        left -= {chain for chain, _ in way}
        yield from _line(chains, way, through, cuts)


def _cuts(chains: Chains) -> NDArray[np.float64]:
    """Return how far (m, 2) from each end of a chain something else has a say, px of the raster; -1
    at a free end, where it is the line's own width."""
    radius = np.append(chains.joint_radius, 0.0)
    cuts = np.where(chains.ends == JOINT, 2.5 * radius[chains.joint], -1.0)
    return np.where(chains.ends == WIDE, 2 * chains.reach_px, cuts).astype(np.float64)


def _are_rings(chains: Chains) -> NDArray[np.bool_]:
    """Return which chains (m) begin next to where they end."""
    first, last = chains.pixels[chains.starts[:-1]], chains.pixels[chains.starts[1:] - 1]
    return np.asarray((np.abs(first - last).max(axis=1) <= 1) & (np.diff(chains.starts) > 8))


@njit(cache=True)
def _are_even(
    pixels: NDArray[np.int32],
    radius: NDArray[np.float32],
    starts: NDArray[np.int64],
    cuts: NDArray[np.float64],
    scale: float,
) -> NDArray[np.bool_]:
    """Return which chains (m) are even enough between their cuts, as lines by themselves."""
    even = np.ones(len(starts) - 1, np.bool_)
    for chain in range(len(starts) - 1):
        first, stop = starts[chain], starts[chain + 1]
        usual = 2.0 * np.median(radius[first:stop]) - 1.0
        along = np.zeros(stop - first)
        for k in range(1, stop - first):
            step = pixels[first + k] - pixels[first + k - 1]
            along[k] = along[k - 1] + np.sqrt(np.float64(step[0] * step[0] + step[1] * step[1]))
        low = cuts[chain, 0] if cuts[chain, 0] >= 0 else usual
        high = along[-1] - (cuts[chain, 1] if cuts[chain, 1] >= 0 else usual)
        kept = np.flatnonzero((along >= low) & (along <= high))
        if len(kept) <= 8:
            continue
        width = 2.0 * radius[first + kept].astype(np.float64) - 1.0
        evened, is_off = _evened(width, scale)
        even[chain] = not is_off or _most_off(evened, along[kept] * scale)[0] < 0
    return even


def _followed(chains: Chains, chain: int, through: dict[int, list[int]]) -> list[tuple[int, bool]]:
    """Return the chains that are one line with this, in order, and which of them are turned."""
    way = [(chain, False)]
    for side in (1, 0):  # on from its last end, then back from its first
        here, end = chain, side
        while True:
            pair = through.get(int(chains.joint[here, end]))
            if pair is None or pair[0] == pair[1]:
                break
            there = pair[1] if pair[0] == here else pair[0]
            if any(there == known for known, _ in way):
                break
            enters = int(chains.joint[there, 1] == chains.joint[here, end])
            step = (there, bool(enters == side))
            way = [*way, step] if side else [step, *way]
            here, end = there, 1 - enters
    return way


def _line(
    chains: Chains,
    way: list[tuple[int, bool]],
    through: dict[int, list[int]],
    cuts: NDArray[np.float64],
) -> Iterator[_Line]:
    """Return the line along some chains, its ends left out, if anything is left."""
    order = [
        np.arange(chains.starts[chain], chains.starts[chain + 1])[:: -1 if turned else 1]
        for chain, turned in way
    ]
    index = np.concatenate(order)
    ends = chains.pixels[index[[0, -1]]]
    joints = {
        int(chains.joint[chain, int(turned) if side == 0 else 1 - int(turned)])
        for side, (chain, turned) in enumerate((way[0], way[-1]))
    }
    is_ring = len(index) > 8 and bool(
        np.abs(ends[0] - ends[1]).max() <= 1 or (len(joints) == 1 and joints <= set(through))
    )
    if is_ring:  # half of it again, so that each place has the line on both sides
        index = np.concatenate([index, index[: len(index) // 2]])
    radius = chains.radius[index]
    usual = 2.0 * float(np.partition(radius, len(radius) // 2)[len(radius) // 2]) - 1.0
    cut = [0.0, 0.0]
    for side, (chain, turned) in enumerate((way[0], way[-1])):
        own = float(cuts[chain, int(turned) if side == 0 else 1 - int(turned)])
        cut[side] = 0.0 if is_ring else own if own >= 0 else usual
    pixels = chains.pixels[index]
    width = 2.0 * radius.astype(np.float64) - 1.0
    steps = np.hypot(*np.diff(pixels, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    kept = (along >= cut[0]) & (along <= along[-1] - cut[1])
    if np.count_nonzero(kept) > 8:
        yield _Line(pixels[kept], width[kept], along[kept])


def _most_uneven(line: _Line, scale: float) -> tuple[int, int, int] | None:
    """Return (there, before, after): the sample most off, and one of the even line on both sides.

    None where the line is even enough. scale: mm of the blank to a pixel of the raster.
    """
    width, is_off = _evened(line.width, scale)
    if not is_off:
        return None
    there, before, after = _most_off(width, line.way * scale)
    if there < 0:
        return None
    level = there + int(np.argmax(np.append(width[there:] != width[there], True))) - 1
    middle = (there + level) // 2
    there = min(middle, after - 1)
    to, on = np.diff(line.pixels[[before, there, after]], axis=0).astype(float)
    is_bend = to @ on < STRAIGHT * np.hypot(*to) * np.hypot(*on)
    return None if is_bend else (there, before, after)


@njit(cache=True)
def _evened(width: NDArray[np.float64], scale: float) -> tuple[NDArray[np.float64], bool]:
    """Return the widths (n), mm, after a running median of 3, and whether any is off another."""
    evened = width * scale
    for k in range(1, len(width) - 1):
        one, here, other = width[k - 1], width[k], width[k + 1]
        evened[k] = scale * max(min(one, here), min(max(one, here), other))
    return evened, _is_off(evened.min(), evened.max(), STEPS_MM)


@njit(cache=True)
def _most_off(width: NDArray[np.float64], way: NDArray[np.float64]) -> tuple[int, int, int]:
    """Return the sample most off and the even ones before and after it, -1 where there is none."""
    best, found = 0.0, (-1, -1, -1)
    for there in range(1, len(width) - 1):
        if width[there] == width[there - 1]:
            continue
        before = _even_again(width, way, there, -1)
        if before < 0:
            continue
        after = _even_again(width, way, there, 1)
        if after < 0:
            continue
        low, high = min(width[before], width[after]), max(width[before], width[after])
        if high > (1 + 2 * EVEN) * low or (width[there] - low) * (width[there] - high) < 0:
            continue
        usual = (low + high) / 2
        off_by = max(width[there], usual) / min(width[there], usual)
        if off_by > best:
            best, found = off_by, (there, before, after)
    return found


@njit(cache=True)
def _even_again(
    width: NDArray[np.float64], way: NDArray[np.float64], there: int, sense: int
) -> int:
    """Return the middle sample of the nearest even stretch to one side of a place whose width is
    well off that of the place, or -1."""
    at = there
    while True:
        at += sense
        if at < 0 or at >= len(width) or abs(way[at] - way[there]) > REACH_MM:
            return -1
        if not _is_off(width[there], width[at], STEPS_MM):
            continue
        least = most = width[at]
        on = at
        while 0 <= on + sense < len(width) and abs(way[on] - way[at]) < EVEN_MM:
            on += sense
            least, most = min(least, width[on]), max(most, width[on])
        if abs(way[on] - way[at]) >= EVEN_MM and most - least <= EVEN * width[at] + STEPS_MM:
            return (at + on) // 2
