"""Widths: lines, webs and bridges that are too narrow, measured with a caliper.

A place is narrow in earnest only if it is a neck (wide at both ends) or runs on narrow and nearly
parallel for a while. Corners, acute tips, rounded ends and wedges narrow to nothing by nature and
are never findings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.caliper import is_open_between, measure
from geometry.findings import Finding
from geometry.holding import holds_film
from geometry.ink import Ink
from geometry.limits import Limits
from geometry.recipe import Placement
from geometry.skeleton import FREE, JOINT, WIDE, Chains, find_chains

TIP_SLOPE = 0.2
"""A free end that narrows by more than this (mm per mm) is a tip. Judgement; 0.2 is 11 degrees."""
WEDGE_SLOPE = 0.08
"""A run that narrows to a point, and on the whole by more than this, is a wedge. Judgement."""
SPUR_WIDTH_MM = 0.35
SPUR_LENGTH_MM = 0.3
LONGEST_SPUR_MM = 1.2
_JOINT_WIDE = 1.6
OPEN = 1.06
"""A narrow stretch goes on until the width is this many times the limit."""


@dataclass
class _Line:
    """One measured chain: pixels (n, 2), width and caliper (n, 5) in px, way along it (n), px."""

    chain: int
    pixels: NDArray[np.int32]
    caliper: NDArray[np.float64]
    width: NDArray[np.float64]
    way: NDArray[np.float64]
    ends: tuple[int, int]
    joints: tuple[int, int]


@dataclass
class _Run:
    """A stretch of one line that is narrower than a limit; ends as in Chains; counted: not tip."""

    line: _Line
    first: int
    last: int
    ends: tuple[int, int]
    joints: tuple[int, int]
    counted: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))

    @property
    def width(self) -> NDArray[np.float64]:
        return self.line.width[self.first : self.last + 1]

    @property
    def way(self) -> NDArray[np.float64]:
        return self.line.way[self.first : self.last + 1]


@dataclass(frozen=True)
class Narrow:
    """One narrow place: least width and length, px; the caliper there; the line along it and others
    that hang together with it."""

    width_px: float
    length_px: float
    caliper: NDArray[np.float64]
    line_px: NDArray[np.float64]
    others_px: list[NDArray[np.float64]]
    line: _Line
    index: int


def find_thin(
    ink: Ink, placement: Placement, limits: Limits, *, mode: str = "stencil"
) -> list[Finding]:
    """Return line-below-kerf, thin-line, thin-web, thin-bridge and spur findings, one per place.

    width_mm is the least width of the place and length_mm how far it is narrow. Error of a width:
    about 0.01 mm at 300 dpi and 0.005 mm at 600 dpi from 0.2 mm on; black hairlines below that are
    measured by their summed darkness. In a mask only the cuts count, as the film is not kept whole.
    """
    scale = placement.scale / ink.px_per_mm
    found = _ink_findings(ink, placement, limits, scale)
    if mode != "mask":
        found += _film_findings(ink, placement, limits, scale)
    return found


def _ink_findings(ink: Ink, placement: Placement, limits: Limits, scale: float) -> list[Finding]:
    """Return the findings on lines."""
    widest_mm = max(limits.opening_mm, limits.kerf_mm) / placement.scale
    chains = find_chains(ink.f, ink.px_per_mm, widest_mm, is_ink=True)
    lines, spurs = _measured(chains, ink, widest_mm * ink.px_per_mm, is_ink=True)
    _use_hairline_widths(lines, ink, chains)
    slack_px = _slack_px(ink)
    below = narrow_places(
        lines,
        chains,
        limits.kerf_mm / scale - min(0.08, 0.008 * ink.px_per_mm),
        least_length_px=limits.speck_length_mm / scale,
    )
    thin = narrow_places(
        lines,
        chains,
        limits.opening_mm / scale - slack_px,
        least_length_px=limits.opening_mm / scale,
    )
    found = []
    for place in below:
        found.append(
            _finding("line-below-kerf", place, ink, placement, limits.kerf_mm, limits.opening_mm)
        )
    for place in thin:
        same = [other for other in below if other.line is place.line]
        if same and place.length_px < 1.5 * max(other.length_px for other in same) + 2 / scale:
            continue
        detail = "heat" if place.width_px * scale < 2 * limits.kerf_mm else ""
        found.append(_finding("thin-line", place, ink, placement, limits.opening_mm, detail=detail))
    for at_px, length_px in spurs:
        at_mm = placement.to_blank(ink.to_mm([at_px]))[0]
        if SPUR_LENGTH_MM <= length_px * scale <= limits.speck_length_mm:
            found.append(
                Finding(
                    kind="spur",
                    at_mm=(float(at_mm[0]), float(at_mm[1])),
                    length_mm=length_px * scale,
                    limit_mm=limits.speck_length_mm,
                )
            )
    return found


def _film_findings(ink: Ink, placement: Placement, limits: Limits, scale: float) -> list[Finding]:
    """Return the findings on webs and bridges."""
    widest_mm = max(limits.web_mm, limits.bridge_mm) / placement.scale
    chains = find_chains(ink.f, ink.px_per_mm, widest_mm, is_ink=False)
    lines, _ = _measured(chains, ink, widest_mm * ink.px_per_mm, is_ink=False)
    places = narrow_places(
        lines,
        chains,
        widest_mm * ink.px_per_mm - _slack_px(ink),
        least_length_px=widest_mm * ink.px_per_mm,
    )
    holding = holds_film(
        chains,
        [(place.line.pixels, place.index, place.caliper) for place in places],
        [place.line.chain for place in places],
        least_area_px=limits.island_mm2 / scale**2,
    )
    found = []
    for place, holds in zip(places, holding, strict=True):
        kind, limit_mm = ("thin-bridge", limits.bridge_mm) if holds else ("thin-web", limits.web_mm)
        if place.width_px * scale < limit_mm:
            remedy_mm = limits.bridge_proposed_mm if holds else None
            found.append(_finding(kind, place, ink, placement, limit_mm, remedy_mm))
    return found


def _slack_px(ink: Ink) -> float:
    """Return how far below a limit a width must lie: what the caliper may err, so that a line drawn
    exactly at the limit passes."""
    return min(0.3, 0.03 * ink.px_per_mm)


def _finding(
    kind: str,
    place: Narrow,
    ink: Ink,
    placement: Placement,
    limit_mm: float,
    remedy_mm: float | None = None,
    detail: str = "",
) -> Finding:
    """Return the finding for a narrow place."""
    scale = placement.scale / ink.px_per_mm
    at = placement.to_blank(ink.to_mm(place.caliper[None, 1:3]))[0]
    line, *others = (
        tuple((float(x), float(y)) for x, y in placement.to_blank(ink.to_mm(path)))
        for path in (place.line_px, *place.others_px)
    )
    return Finding(
        kind=kind,
        at_mm=(float(at[0]), float(at[1])),
        outline_mm=line,
        others_mm=tuple(others),
        width_mm=place.width_px * scale,
        length_mm=place.length_px * scale,
        limit_mm=limit_mm,
        remedy_mm=remedy_mm,
        detail=detail,
    )


def _measured(
    chains: Chains, ink: Ink, widest_px: float, *, is_ink: bool
) -> tuple[list[_Line], list[tuple[NDArray[np.float64], float]]]:
    """Return the chains with their widths, and spurs (at, length in px) that were left out.

    A chain with a free end that is hardly longer than the distance to the edge where it hangs only
    leads into a bump or corner of something wider.
    """
    factor = chains.factor
    longest_spur_px = LONGEST_SPUR_MM * ink.px_per_mm
    sign = -1 if is_ink else 1
    lines = []
    spurs: list[tuple[NDArray[np.float64], float]] = []
    length = np.diff(chains.starts)
    for chain in range(len(chains)):
        first, stop = int(chains.starts[chain]), int(chains.starts[chain + 1])
        ends = (int(chains.ends[chain, 0]), int(chains.ends[chain, 1]))
        pixels = chains.pixels[first:stop]
        if ends[0] == FREE and ends[1] != FREE:
            pixels, ends = pixels[::-1], ends[::-1]
            turned = True
        else:
            turned = False
        joints = (int(chains.joint[chain, 0]), int(chains.joint[chain, 1]))
        joints = joints[::-1] if turned else joints
        if ends[1] == FREE and ends[0] != FREE:
            hangs = chains.reach_px if ends[0] == WIDE else chains.joint_radius[joints[0]]
            out_px = float(length[chain]) - hangs
            if is_ink and 1 < out_px <= longest_spur_px / factor:
                spurs += _spur(chains, ink, pixels, hangs)
            if out_px < 0.15 * hangs + 3:
                continue
        step = 1 if len(pixels) <= 24 else 2
        pixels = (
            pixels[::step]
            if (len(pixels) - 1) % step == 0
            else np.concatenate([pixels[::step], pixels[-1:]])
        )
        points = chains.to_field(pixels)
        caliper = measure(ink.f, points, sign, 2.0 * widest_px + 4, factor)
        fits = caliper[:, 0] > 0
        if not fits.any() or (ends == (FREE, FREE) and len(pixels) < 3):
            continue
        line = _line(chain, pixels[fits], caliper[fits], ends, joints)
        lines += _pieces(line, ink, sign, widest_px / 2)
    return lines, spurs


def _line(
    chain: int,
    pixels: NDArray[np.int32],
    caliper: NDArray[np.float64],
    ends: tuple[int, int],
    joints: tuple[int, int],
) -> _Line:
    """Return a line of measured pixels."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(caliper[:, 1:3], axis=0).T))])
    return _Line(chain, pixels, caliper, caliper[:, 0].copy(), way, ends, joints)


def _pieces(line: _Line, ink: Ink, sign: int, near_px: float) -> list[_Line]:
    """Return a line in pieces where it steps over an edge: a link that is none at full size.

    What lies within `near_px` of such a step is left out, as it only leads up to the edge.
    """
    steps = np.flatnonzero(~is_open_between(ink.f, line.caliper[:, 1:3], sign))
    if not steps.size:
        return [line]
    at = (line.way[steps] + line.way[steps + 1]) / 2
    kept = (np.abs(line.way[:, None] - at).min(axis=1) > near_px).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], kept, [0]])))
    pieces = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        at_start, at_stop = first == 0, stop == len(line.width)
        ends = (line.ends[0] if at_start else FREE, line.ends[1] if at_stop else FREE)
        joints = (line.joints[0] if at_start else -1, line.joints[1] if at_stop else -1)
        pixels, caliper = line.pixels[first:stop], line.caliper[first:stop]
        pieces.append(_line(line.chain, pixels, caliper, ends, joints))
    return pieces


def _spur(
    chains: Chains, ink: Ink, pixels: NDArray[np.int32], hangs: float
) -> list[tuple[NDArray[np.float64], float]]:
    """Return [(tip, length in px)] if the free end (last) is a thin spur of even width, else []."""
    out = pixels[int(np.ceil(hangs)) :]
    if len(out) < 3:
        return []
    points = chains.to_field(out)
    widths = measure(ink.f, points, -1, 4.0 * ink.px_per_mm, chains.factor + 1)[:, 0]
    middle = float(np.median(widths))
    rise = float(widths[:-1].max() - widths[:-1].min())
    is_even = rise < 0.25 * chains.factor * len(out) and middle < chains.factor * len(out)
    if widths.min() <= 0 or middle > SPUR_WIDTH_MM * ink.px_per_mm or not is_even:
        return []
    return [(points[-1], len(out) * chains.factor + middle / 2)]


def _use_hairline_widths(lines: Sequence[_Line], ink: Ink, chains: Chains) -> None:
    """Replace the caliper's width by that of a restored hairline where one lies."""
    if not ink.hairlines:
        return
    tree = cKDTree(np.concatenate([hairline.points_px for hairline in ink.hairlines]))
    widths = np.concatenate([hairline.widths_px for hairline in ink.hairlines])
    for line in lines:
        away, nearest = tree.query(line.caliper[:, 1:3], distance_upper_bound=1.5 + chains.factor)
        on = np.isfinite(away) & (line.width < 0.35 * ink.px_per_mm)
        line.width[on] = widths[nearest[on]]


def narrow_places(
    lines: Sequence[_Line],
    chains: Chains,
    limit_px: float,
    *,
    least_length_px: float,
) -> list[Narrow]:
    """Return the places narrower than `limit_px`, one per set of runs that hang together.

    A set is a place if it is wide at two ends, or if what is left of it without its tips is
    `least_length_px` long or longer.
    """
    runs = [run for line in lines for run in _runs(line, limit_px, chains)]
    places = []
    for group in _groups(runs, _close_joints(chains)):
        ends = [end for run in group for end in run.ends]
        is_neck = ends.count(WIDE) >= 2
        for run in group:
            run.counted = np.ones(len(run.width), bool) if is_neck else _without_tips(run)
        length_px = sum(_length(run, chains) for run in group)
        if (is_neck or length_px >= least_length_px) and any(run.counted.any() for run in group):
            place = _narrowest(group, length_px, chains)
            if place.width_px < limit_px:
                places.append(place)
    return places


def _smooth(line: _Line) -> NDArray[np.float64]:
    """Return the widths after a running median of 3, ends kept."""
    width = line.width
    if len(width) < 5:
        return width
    middle = np.median(np.stack([width[:-2], width[1:-1], width[2:]]), axis=0)
    return np.concatenate([width[:1], middle, width[-1:]])


def _runs(line: _Line, limit_px: float, chains: Chains) -> list[_Run]:
    """Return the stretches of a line that go below the limit, each up to where it is passed well.

    Otherwise a line that wavers about the limit would be many necks.
    """
    width = line.width if len(line.width) < 8 else _smooth(line)
    edges = np.flatnonzero(
        np.diff(np.concatenate([[False], width < OPEN * limit_px, [False]]).astype(np.int8))
    )
    runs = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        if width[first:stop].min() >= limit_px:
            continue
        ends, joints = [WIDE, WIDE], [-1, -1]
        to_end = (line.way[first], line.way[-1] - line.way[stop - 1])
        for side, is_end in enumerate((first == 0, stop == len(width))):
            joint = line.joints[side]
            radius_px = float(chains.joint_radius[joint]) * chains.factor if joint >= 0 else 0.0
            if not is_end and to_end[side] > 1.5 * radius_px:
                continue
            ends[side] = line.ends[side]
            if line.ends[side] == JOINT:
                is_wide = chains.joint_wide[joint] or 2 * radius_px > _JOINT_WIDE * limit_px
                ends[side] = WIDE if is_wide else JOINT
                joints[side] = -1 if is_wide else joint
        runs.append(
            _Run(line, int(first), int(stop) - 1, (ends[0], ends[1]), (joints[0], joints[1]))
        )
    return runs


def _groups(runs: Sequence[_Run], joined: Sequence[tuple[int, int]]) -> list[list[_Run]]:
    """Return the runs in sets that meet at joints, or at two joints that are one crossing."""
    group = list(range(len(runs)))

    def top(index: int) -> int:
        while group[index] != index:
            group[index] = group[group[index]]
            index = group[index]
        return index

    at_joint: dict[int, int] = {}
    for index, run in enumerate(runs):
        for joint in run.joints:
            if joint >= 0:
                group[top(index)] = top(at_joint.setdefault(joint, index))
    for one, other in joined:
        if one in at_joint and other in at_joint:
            group[top(at_joint[one])] = top(at_joint[other])
    sets: dict[int, list[_Run]] = {}
    for index, run in enumerate(runs):
        sets.setdefault(top(index), []).append(run)
    return list(sets.values())


def _close_joints(chains: Chains) -> list[tuple[int, int]]:
    """Return pairs of joints that a chain shorter than their own width joins."""
    between = np.flatnonzero((chains.ends == JOINT).all(axis=1))
    one, other = chains.joint[between].T
    near = np.diff(chains.starts)[between] < 1.5 * np.maximum(
        chains.joint_radius[one], chains.joint_radius[other]
    )
    return list(zip(one[near].tolist(), other[near].tolist(), strict=True))


def _length(run: _Run, chains: Chains) -> float:
    """Return how far the counted part of a run goes, px of the field.

    A middle line stops about half a width before a free end.
    """
    if not run.counted.any():
        return 0.0
    way = run.way[run.counted]
    half = float(np.median(run.width)) / 2
    short = half * (run.ends[0] == FREE and bool(run.counted[0]))
    short += half * (run.ends[1] == FREE and bool(run.counted[-1]))
    return float(way[-1] - way[0]) + chains.factor + short


def _without_tips(run: _Run) -> NDArray[np.bool_]:
    """Return which samples of a run (n) count: none of a wedge, and not those in a free tip."""
    counted = np.ones(len(run.width), bool)
    for side in (0, 1):
        if run.ends[side] != FREE:
            continue
        width = run.width if side == 0 else run.width[::-1]
        way = run.way - run.way[0] if side == 0 else run.way[-1] - run.way[::-1]
        tip = len(width) if _is_wedge(width, way) else _tip(width, way)
        if side == 0:
            counted[:tip] = False
        else:
            counted[len(counted) - tip :] = False
    return counted


def _is_wedge(width: NDArray[np.float64], way: NDArray[np.float64]) -> bool:
    """Tell whether a run narrows from its far end to a point at its near end (index 0)."""
    if len(width) < 4 or way[-1] <= 0:
        return True
    full = float(np.percentile(width, 90))
    near = float(np.median(width[: max(len(width) // 6, 1)]))
    mostly_full = np.mean(width > 0.8 * full)
    return bool(near < 0.5 * full and mostly_full < 0.5 and full - near > WEDGE_SLOPE * way[-1])


def _tip(width: NDArray[np.float64], way: NDArray[np.float64]) -> int:
    """Return how many samples from a free end (index 0) on lie in a tip or a rounded end."""
    count = 0
    reach = max(len(width) // 12, 3)
    while count + 2 < len(width):
        stop = min(count + reach + 1, len(width))
        rise = width[stop - 1] - width[count]
        if rise < TIP_SLOPE * (way[stop - 1] - way[count]):
            break
        count += 1
    return count if count + 2 < len(width) else len(width)


def _in_cap(run: _Run) -> NDArray[np.bool_]:
    """Return which samples (n) lie in the rounded end of a line, where chords are shorter.

    None where that would be all.
    """
    inside = np.zeros(len(run.width), bool)
    reach = 0.8 * float(np.median(run.width))
    if run.ends[0] == FREE:
        inside |= run.way < run.way[0] + reach
    if run.ends[1] == FREE:
        inside |= run.way > run.way[-1] - reach
    return inside & ~(inside | ~run.counted).all()


def _narrowest(group: Sequence[_Run], length_px: float, chains: Chains) -> Narrow:
    """Return the place of a set of runs, at its least counted width."""
    best: tuple[float, _Run, int] | None = None
    for run in group:
        smooth = run.width if len(run.width) < 8 else _smooth(run.line)[run.first : run.last + 1]
        width = np.where(run.counted, smooth, np.inf)
        index = int(np.argmin(np.where(_in_cap(run), np.inf, width)))
        if best is None or width[index] < best[0]:
            best = float(width[index]), run, index
    if best is None:
        raise ValueError("a place has at least one run")
    width_px, run, index = best
    at = run.first + index
    others = [_path(other) for other in group if other is not run and other.counted.any()]
    return Narrow(width_px, length_px, run.line.caliper[at], _path(run), others, run.line, at)


def _path(run: _Run) -> NDArray[np.float64]:
    """Return the counted middle line of a run (n, 2), px, about one point in ten."""
    kept = np.flatnonzero(run.counted)
    line = run.line.caliper[run.first + kept[0] : run.first + kept[-1] + 1, 1:3]
    step = min(max(len(line) // 4, 1), 10)
    return np.concatenate([line[::step], line[-1:]]) if len(line) > 1 else line
