"""One place per flap or span: the tops of a map of compliance, and the film that belongs to each.

Places are taken from the most yielding down. Film that joins two tops at no less than a share of
the lower one makes them one; otherwise the lower is a flap or span of its own.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

SEPARATE: Final = 0.7
"""Film between two places less yielding than this share of the lower parts them. Judgement."""


@dataclass(frozen=True)
class Places:
    """rows, columns (n) of the tops, most yielding first; region (h, w): whose film, -1 in none."""

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    region: NDArray[np.int32]


def find_places(
    compliance: NDArray[np.float32],
    owner: NDArray[np.int32],
    nodes: NDArray[np.int32],
    *,
    separate: float = SEPARATE,
) -> Places:
    """Return the places of a map (h, w), NaN off the film; owner and nodes: each sample's part.

    Samples side by side belong together in one part, or where their parts (p, 4) share a node: the
    two sides of a slit do not.
    """
    flat = compliance.ravel()
    film = np.flatnonzero(owner.ravel() >= 0)
    order = film[np.argsort(-flat[film], kind="stable")]
    tops, region = _climb(flat, owner, nodes, order, separate)
    width = compliance.shape[1]
    return Places(tops // width, tops % width, region)


@njit(cache=True)
def _together(owner: NDArray[np.int32], nodes: NDArray[np.int32], one: int, other: int) -> bool:
    """Tell whether two samples' parts are one or share a node."""
    first, second = owner[one], owner[other]
    if first == second:
        return True
    for i in range(4):
        for j in range(4):
            if nodes[first, i] == nodes[second, j] and nodes[first, i] != -1:
                return True
    return False


@njit(cache=True)
def _top_of(tree: NDArray[np.int64], sample: int) -> int:
    while tree[sample] != sample:
        tree[sample] = tree[tree[sample]]
        sample = tree[sample]
    return sample


@njit(cache=True)
def _climb(
    value: NDArray[np.float32],
    owners: NDArray[np.int32],
    nodes: NDArray[np.int32],
    order: NDArray[np.int64],
    separate: float,
) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return (tops, region): the tops from the highest down, and whose each sample is."""
    height, width = owners.shape
    owner = owners.ravel()
    tree = np.full(height * width, -1, np.int64)
    into = np.full(height * width, -1, np.int64)  # of a top: what it went into, itself if kept
    belongs = np.full(height * width, -1, np.int64)
    for sample in order:
        y, x = sample // width, sample % width
        tree[sample] = sample
        into[sample] = sample
        for turn in range(4):
            to_y = y + (turn == 0) - (turn == 1)
            to_x = x + (turn == 2) - (turn == 3)
            if to_y < 0 or to_y >= height or to_x < 0 or to_x >= width:
                continue
            beside = to_y * width + to_x
            if tree[beside] < 0 or not _together(owner, nodes, sample, beside):
                continue
            one, other = _top_of(tree, sample), _top_of(tree, beside)
            if one == other:
                continue
            high, low = one, other
            if value[low] > value[high]:
                high, low = low, high
            tree[low] = high
            if value[sample] > separate * value[low]:
                into[low] = high
        belongs[sample] = _top_of(tree, sample)
    number = np.full(height * width, -1, np.int32)
    tops = np.empty(len(order), np.int64)
    count = 0
    region = np.full((height, width), -1, np.int32)
    for sample in order:
        top = belongs[sample]
        while into[top] != top:
            top = into[top]
        if number[top] < 0:
            number[top] = count
            tops[count] = top
            count += 1
        region[sample // width, sample % width] = number[top]
    return tops[:count].copy(), region
