"""Where a measured line is too narrow in earnest: a neck, or narrow and parallel for a while.

Corners, acute tips, rounded ends and wedges narrow to nothing by nature and are left out.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geometry.lines import Line
from geometry.narrow_kernels import counted_length, narrowest, smooth, stretches, without_tips
from geometry.skeleton import FREE, JOINT, WIDE, Chains

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
    def free(self) -> tuple[bool, bool]:
        """Which of its ends end freely."""
        return self.ends[0] == FREE, self.ends[1] == FREE

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
            free = (False, False) if is_neck else run.free
            run.counted = without_tips(run.width, run.way, free)
        lengths = [counted_length(run.width, run.way, run.counted, run.free) for run in group]
        length_px = sum(length + chains.factor for length in lengths if length >= 0)
        if (is_neck or length_px >= least_length_px) and max(lengths) >= 0:
            place = _narrowest(group, length_px)
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
        rest.start_px,
        caliper,
        np.concatenate([tip.width[::order], rest.width[::onwards]]),
        np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(caliper[:, 1:3], axis=0).T))]),
        (tip.ends[1 - first], rest.ends[1 - last]),
        (tip.joints[1 - first], rest.joints[1 - last]),
    )


def _runs(line: Line, limit_px: float, chains: Chains, met: Mapping[int, int]) -> list[Run]:
    """Return the stretches of a line that go below the limit, each up to where it is passed well.

    Otherwise a line that wavers about the limit would be many necks. met: how many lines come to
    each joint; where nothing else does, as where a tip forks to its corners, the line ends.
    """
    runs = []
    for first, last in stretches(line.width, limit_px, OPEN * limit_px).tolist():
        ends, joints = [WIDE, WIDE], [-1, -1]
        to_end = (line.way[first], line.way[-1] - line.way[last])
        for side, is_end in enumerate((first == 0, last == len(line.width) - 1)):
            joint = line.joints[side]
            radius_px = float(chains.joint_radius[joint]) * chains.factor if joint >= 0 else 0.0
            if not is_end and to_end[side] > 1.5 * radius_px:
                continue
            ends[side] = line.ends[side]
            if line.ends[side] == JOINT:
                is_wide = chains.joint_wide[joint] or 2 * radius_px > _JOINT_WIDE * limit_px
                ends[side] = WIDE if is_wide else JOINT if met[joint] > 1 else FREE
                joints[side] = joint if ends[side] == JOINT else -1
        runs.append(Run(line, first, last, (ends[0], ends[1]), (joints[0], joints[1])))
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


def _narrowest(group: Sequence[Run], length_px: float) -> Narrow:
    """Return the place of a set of runs, at its least counted width."""
    best: tuple[float, Run, int] | None = None
    for run in group:
        evened = smooth(run.line.width)[run.first : run.last + 1]
        if len(run.width) < 8:
            evened = run.width
        index = narrowest(run.width, evened, run.way, run.counted, run.free)
        if index >= 0 and (best is None or evened[index] < best[0]):
            best = float(evened[index]), run, index
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
