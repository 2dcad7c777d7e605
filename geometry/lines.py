"""Lines: the middle lines of narrow ink or film with their widths, measured with a caliper."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.caliper import is_open_between, measure
from geometry.ink import Ink
from geometry.skeleton import FREE, WIDE, Chains

SPUR_WIDTH_MM = 0.35
LONGEST_SPUR_MM = 1.2


Spur = tuple[NDArray[np.float64], float]
"""The tip x, y and the length of a spur, px."""


@dataclass
class Line:
    """One measured chain: width and caliper (n, 5) in px, way along it (n), px.

    start_px: x, y of one pixel of the chain as a point of the field.
    """

    start_px: NDArray[np.float64]
    caliper: NDArray[np.float64]
    width: NDArray[np.float64]
    way: NDArray[np.float64]
    ends: tuple[int, int]
    joints: tuple[int, int]


def measured_lines(
    chains: Chains,
    field: NDArray[np.int16],
    px_per_mm: float,
    widest_px: float,
    *,
    is_ink: bool,
) -> tuple[list[Line], list[Spur]]:
    """Return the chains with their widths, and spurs that were left out.

    A chain with a free end that is hardly longer than the distance to the edge where it hangs only
    leads into a bump or corner of something wider.
    """
    longest_spur_px = LONGEST_SPUR_MM * px_per_mm / chains.factor
    sign = -1 if is_ink else 1
    ends, turned = _free_end_last(chains)
    wide = ends[:, 0] == WIDE
    radius = np.append(chains.joint_radius, 0)  # of no joint, -1
    hangs = np.where(wide, chains.reach_px, radius[_joints(chains, turned)[:, 0]])
    out_px = np.diff(chains.starts) - hangs
    tip = (ends[:, 1] == FREE) & (ends[:, 0] != FREE)
    spurs: list[Spur] = []
    if is_ink:
        for chain in np.flatnonzero(tip & (out_px > 1) & (out_px <= longest_spur_px)).tolist():
            pixels = _pixels(chains, chain, turned)
            spurs += _spur(chains, field, px_per_mm, pixels, float(hangs[chain]))
    used = np.flatnonzero(~(tip & (out_px < 0.15 * hangs + 3)))
    parts = [_sampled(_pixels(chains, chain, turned)) for chain in used.tolist()]
    if not parts:
        return [], spurs
    pixels = np.concatenate(parts)
    longest, points = 2.0 * widest_px + 4, chains.to_field(pixels)
    calipers = measure(field, points, sign, longest, chains.factor, chains.clear_px(pixels))
    return _lines(chains, used, turned, parts, calipers, field, sign, widest_px), spurs


def _free_end_last(chains: Chains) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """Return the ends (m, 2) of the chains, those that begin free turned round, and which are."""
    turned = (chains.ends[:, 0] == FREE) & (chains.ends[:, 1] != FREE)
    return np.where(turned[:, None], chains.ends[:, ::-1], chains.ends), turned


def _joints(chains: Chains, turned: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return the joints (m, 2) of the chains, some turned round."""
    return np.where(turned[:, None], chains.joint[:, ::-1], chains.joint)


def _pixels(chains: Chains, chain: int, turned: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Return the pixels (n, 2) of a chain, from its other end if it is turned."""
    pixels = chains.pixels[chains.starts[chain] : chains.starts[chain + 1]]
    return pixels[::-1] if turned[chain] else pixels


def _sampled(pixels: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return every other pixel of a long chain, both ends kept."""
    if len(pixels) <= 24:
        return pixels
    kept = pixels[::2]
    return kept if len(pixels) % 2 else np.concatenate([kept, pixels[-1:]])


def _lines(
    chains: Chains,
    used: NDArray[np.intp],
    turned: NDArray[np.bool_],
    parts: Sequence[NDArray[np.int32]],
    calipers: NDArray[np.float64],
    field: NDArray[np.int16],
    sign: int,
    widest_px: float,
) -> list[Line]:
    """Return the lines of some chains from the pixels of each and the calipers (n, 5) of all.

    A line is in pieces where it steps over an edge: a link that is none at full size. What lies
    within half of `widest_px` of such a step is left out, as it only leads up to the edge.
    """
    fits = calipers[:, 0] > 0
    # Also from one chain to the next, where it says nothing and is not looked at.
    is_open = is_open_between(field, calipers[fits, 1:3], sign)
    ends, _ = _free_end_last(chains)
    joints = _joints(chains, turned)
    sizes = np.array([len(part) for part in parts])
    told = _worth_telling(calipers[:, 0], np.cumsum(sizes) - sizes, joints[used], widest_px)
    lines: list[Line] = []
    first = at = 0
    for chain, part, is_told in zip(used.tolist(), parts, told.tolist(), strict=True):
        fit = fits[first : first + len(part)]
        caliper = calipers[first : first + len(part)][fit]
        first, start, at = first + len(part), at, at + len(caliper)
        if not is_told:
            continue
        of_chain = (int(ends[chain, 0]), int(ends[chain, 1]))
        if not len(caliper) or (of_chain == (FREE, FREE) and len(part) < 3):
            continue
        joint = (int(joints[chain, 0]), int(joints[chain, 1]))
        start_px = chains.to_field(part[:1])[0]
        line = _line(start_px, caliper, of_chain, joint)
        steps = np.flatnonzero(~is_open[start : at - 1])
        lines += _pieces(line, steps, widest_px / 2) if steps.size else [line]
    return lines


def _worth_telling(
    widths: NDArray[np.float64],
    firsts: NDArray[np.int64],
    joints: NDArray[np.int32],
    widest_px: float,
) -> NDArray[np.bool_]:
    """Return which chains (m) are somewhere narrower than `widest_px`, or meet one that is.

    widths: (n), -1 where there is none; firsts: (m) where each chain begins; joints: (m, 2).
    """
    least = np.minimum.reduceat(np.where(widths > 0, widths, np.inf), firsts)
    narrow = least < widest_px
    meets = np.zeros(int(joints.max(initial=-1)) + 2, np.bool_)
    meets[joints[narrow].ravel()] = True
    meets[-1] = False  # of no joint, -1
    return np.asarray(narrow | meets[joints].any(axis=1))


def _line(
    start_px: NDArray[np.float64],
    caliper: NDArray[np.float64],
    ends: tuple[int, int],
    joints: tuple[int, int],
) -> Line:
    """Return a line of measured pixels."""
    way = np.zeros(len(caliper))
    steps = caliper[1:, 1:3] - caliper[:-1, 1:3]
    np.cumsum(np.sqrt(steps[:, 0] ** 2 + steps[:, 1] ** 2), out=way[1:])
    return Line(start_px, caliper, caliper[:, 0].copy(), way, ends, joints)


def _pieces(line: Line, steps: NDArray[np.intp], near_px: float) -> list[Line]:
    """Return a line without what lies near the steps after some of its points, in pieces."""
    at = (line.way[steps] + line.way[steps + 1]) / 2
    kept = (np.abs(line.way[:, None] - at).min(axis=1) > near_px).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], kept, [0]])))
    pieces = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        at_start, at_stop = first == 0, stop == len(line.width)
        ends = (line.ends[0] if at_start else FREE, line.ends[1] if at_stop else FREE)
        joints = (line.joints[0] if at_start else -1, line.joints[1] if at_stop else -1)
        caliper = line.caliper[first:stop]
        pieces.append(_line(line.start_px, caliper, ends, joints))
    return pieces


def _spur(
    chains: Chains,
    field: NDArray[np.int16],
    px_per_mm: float,
    pixels: NDArray[np.int32],
    hangs: float,
) -> list[Spur]:
    """Return [(tip, length in px)] if the free end (last) is a thin spur of even width, else []."""
    out = pixels[int(np.ceil(hangs)) :]
    if len(out) < 3:
        return []
    points = chains.to_field(out)
    longest, clear = 4.0 * px_per_mm, chains.clear_px(out)
    widths = measure(field, points, -1, longest, chains.factor + 1, clear)[:, 0]
    middle = float(np.median(widths))
    rise = float(widths[:-1].max() - widths[:-1].min())
    is_even = rise < 0.25 * chains.factor * len(out) and middle < chains.factor * len(out)
    if widths.min() <= 0 or middle > SPUR_WIDTH_MM * px_per_mm or not is_even:
        return []
    return [(points[-1], len(out) * chains.factor + middle / 2)]


def use_hairline_widths(lines: Sequence[Line], ink: Ink, chains: Chains) -> None:
    """Replace the caliper's width by that of a restored hairline where one lies."""
    if not ink.hairlines:
        return
    tree = cKDTree(np.concatenate([hairline.points_px for hairline in ink.hairlines]))
    widths = np.concatenate([hairline.widths_px for hairline in ink.hairlines])
    for line in lines:
        away, nearest = tree.query(line.caliper[:, 1:3], distance_upper_bound=1.5 + chains.factor)
        on = np.isfinite(away) & (line.width < 0.35 * ink.px_per_mm)
        line.width[on] = widths[nearest[on]]
