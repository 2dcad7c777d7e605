"""Where a measured line is too narrow in earnest: a neck, or narrow and parallel for a while.

Corners, acute tips, rounded ends and wedges narrow to nothing by nature and are left out.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geometry.lines import Line
from geometry.skeleton import FREE, JOINT, WIDE, Chains

TIP_SLOPE = 0.2
"""A free end that narrows by more than this (mm per mm) is a tip. Judgement; 0.2 is 11 degrees."""
WEDGE_SLOPE = 0.08
"""A run that narrows to a point, and on the whole by more than this, is a wedge. Judgement."""
_JOINT_WIDE = 1.6
OPEN = 1.06
"""A narrow stretch goes on until the width is this many times the limit."""


@dataclass
class Run:
    """A stretch of one line that is narrower than a limit; ends as in Chains; counted: not tip."""

    line: Line
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
    line: Line


def narrow_places(
    lines: Sequence[Line],
    chains: Chains,
    limit_px: float,
    *,
    least_length_px: float,
) -> list[Narrow]:
    """Return the places narrower than `limit_px`, one per set of runs that hang together.

    A set is a place if it is wide at two ends, or if what is left of it without its tips is
    `least_length_px` long or longer.
    """
    lines = _joined_tips(lines)
    met = Counter(joint for line in lines for joint in line.joints if joint >= 0)
    runs = [run for line in lines for run in _runs(line, limit_px, chains, met)]
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


def _joined_tips(lines: Sequence[Line]) -> list[Line]:
    """Return the lines, those with a free end made one with what they go on as.

    Where the third line that met there was left out as a mere bump, the joint is none: a spike
    would be a line without the tip that shows what it is.
    """
    at_joint: dict[int, list[int]] = {}
    for index, line in enumerate(lines):
        for joint in line.joints:
            if joint >= 0:
                at_joint.setdefault(joint, []).append(index)
    kept: list[Line | None] = list(lines)
    for joint, (one, *others) in at_joint.items():
        if len(others) != 1 or others[0] == one:
            continue
        tip, rest = kept[one], kept[others[0]]
        if tip is None or rest is None:
            continue
        if FREE not in tip.ends:
            tip, rest = rest, tip
        if FREE not in tip.ends:
            continue
        kept[one] = kept[others[0]] = None
        kept[one] = _one_line(tip, rest, joint)
    return [line for line in kept if line is not None]


def _one_line(tip: Line, rest: Line, joint: int) -> Line:
    """Return two lines that meet at a joint as one, from the far end of `tip` on."""
    first, last = tip.joints.index(joint), rest.joints.index(joint)
    order, onwards = (1 if first == 1 else -1), (1 if last == 0 else -1)
    caliper = np.concatenate([tip.caliper[::order], rest.caliper[::onwards]])
    return Line(
        rest.chain,
        rest.start_px,
        caliper,
        np.concatenate([tip.width[::order], rest.width[::onwards]]),
        np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(caliper[:, 1:3], axis=0).T))]),
        (tip.ends[1 - first], rest.ends[1 - last]),
        (tip.joints[1 - first], rest.joints[1 - last]),
    )


def middle(values: NDArray[np.float64]) -> float:
    """Return the median of some values; np.median takes ten times as long for a few."""
    ordered = np.sort(values)
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def _smooth(line: Line) -> NDArray[np.float64]:
    """Return the widths after a running median of 3, ends kept."""
    width = line.width
    if len(width) < 5:
        return width
    one, two, three = width[:-2], width[1:-1], width[2:]
    middle = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    return np.concatenate([width[:1], middle, width[-1:]])


def _runs(line: Line, limit_px: float, chains: Chains, met: Mapping[int, int]) -> list[Run]:
    """Return the stretches of a line that go below the limit, each up to where it is passed well.

    Otherwise a line that wavers about the limit would be many necks. met: how many lines come to
    each joint; where nothing else does, as where a tip forks to its corners, the line ends.
    """
    if line.width.min() >= limit_px:
        return []
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
                ends[side] = WIDE if is_wide else JOINT if met[joint] > 1 else FREE
                joints[side] = joint if ends[side] == JOINT else -1
        runs.append(
            Run(line, int(first), int(stop) - 1, (ends[0], ends[1]), (joints[0], joints[1]))
        )
    return runs


def _groups(runs: Sequence[Run], joined: Sequence[tuple[int, int]]) -> list[list[Run]]:
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
    sets: dict[int, list[Run]] = {}
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


def _length(run: Run, chains: Chains) -> float:
    """Return how far the counted part of a run goes, px of the field.

    A middle line stops about half a width before a free end.
    """
    if not run.counted.any():
        return 0.0
    way = run.way[run.counted]
    half = middle(run.width) / 2
    short = half * (run.ends[0] == FREE and bool(run.counted[0]))
    short += half * (run.ends[1] == FREE and bool(run.counted[-1]))
    return float(way[-1] - way[0]) + chains.factor + short


def _without_tips(run: Run) -> NDArray[np.bool_]:
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
    full = float(np.sort(width)[round(0.9 * (len(width) - 1))])
    near = middle(width[: max(len(width) // 6, 1)])
    mostly_full = np.count_nonzero(width > 0.8 * full) / len(width)
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


def _in_cap(run: Run) -> NDArray[np.bool_]:
    """Return which samples (n) lie in the rounded end of a line, where chords are shorter.

    None where that would be all.
    """
    inside = np.zeros(len(run.width), bool)
    reach = 0.8 * middle(run.width)
    if run.ends[0] == FREE:
        inside |= run.way < run.way[0] + reach
    if run.ends[1] == FREE:
        inside |= run.way > run.way[-1] - reach
    return inside & ~(inside | ~run.counted).all()


def _narrowest(group: Sequence[Run], length_px: float, chains: Chains) -> Narrow:
    """Return the place of a set of runs, at its least counted width."""
    best: tuple[float, Run, int] | None = None
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
    return Narrow(width_px, length_px, run.line.caliper[at], _path(run), others, run.line)


def _path(run: Run) -> NDArray[np.float64]:
    """Return the counted middle line of a run (n, 2), px, about one point in ten."""
    kept = np.flatnonzero(run.counted)
    line = run.line.caliper[run.first + kept[0] : run.first + kept[-1] + 1, 1:3]
    step = min(max(len(line) // 4, 1), 10)
    return np.concatenate([line[::step], line[-1:]]) if len(line) > 1 else line
