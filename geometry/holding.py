"""Holding: whether the loss of thin webs would free a part of the film."""

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.skeleton import Chains

Web = tuple[NDArray[np.int32], int, NDArray[np.float64]]


def holds_film(
    chains: Chains, webs: Sequence[Web], chain_of: Sequence[int], *, least_area_px: float
) -> list[bool]:
    """Return, per web, whether film joined to the frame would be freed if all the webs were lost.

    webs: (pixels of the chain, index of the narrowest, its caliper in px of the field). All are cut
    across at once, so two thin bridges of one part both hold it, and a thin one beside a good one
    does not. A part counts from `least_area_px` (px2 of the field) on.
    """
    if not webs:
        return []
    _, before = cv2.connectedComponents(chains.mask, connectivity=4)
    cut = chains.mask.copy()
    for _, _, caliper in webs:
        half = caliper[0] / 2 + 1.5 * chains.factor
        across = [caliper[1:3] + side * half * caliper[3:5] for side in (-1, 1)]
        on_grid = [(end + 0.5) / chains.factor - 0.5 + chains.pad_px for end in across]
        first, last = (tuple(np.rint(16 * end).astype(int).tolist()) for end in on_grid)
        cv2.line(cut, first, last, 0, 2, cv2.LINE_4, 4)
    _, after, stats, _ = cv2.connectedComponentsWithStats(cut, connectivity=4)
    frame_before, frame_after = before[0, 0], after[0, 0]
    least = least_area_px / chains.factor**2
    held = []
    for (pixels, index, _), chain in zip(webs, chain_of, strict=True):
        sides = _sides(chains, chain, pixels, index)
        labels = [_label_near(after, side) for side in sides]
        joined = any(_label_near(before, side) == frame_before for side in sides)
        freed = [
            label
            for label in labels
            if label > 0 and label != frame_after and stats[label, cv2.CC_STAT_AREA] >= least
        ]
        held.append(bool(joined and freed))
    return held


def _sides(
    chains: Chains, chain: int, pixels: NDArray[np.int32], index: int
) -> list[tuple[int, int]]:
    """Return a pixel on either side of a web's narrowest place, past its end where it is short."""
    ends = [chains.beyond[chain, :2], chains.beyond[chain, 2:]]
    if np.abs(ends[0] - pixels[0]).max() > np.abs(ends[1] - pixels[0]).max():
        ends.reverse()
    sides = []
    for step, last in ((-1, 0), (1, len(pixels) - 1)):
        path = pixels[last:index:-step] if step > 0 else pixels[:index]
        away = np.abs(path - pixels[index]).max(axis=1) if len(path) else np.empty(0)
        far = path[away >= 5] if len(path) else path
        if len(far):
            nearest = far[np.argmin(np.abs(far - pixels[index]).max(axis=1))]
        else:
            end = ends[0] if step < 0 else ends[1]
            along = end - pixels[index]
            nearest = end + np.rint(3 * along / max(np.abs(along).max(), 1)).astype(int)
        sides.append((int(nearest[0]), int(nearest[1])))
    return sides


def _label_near(labels: NDArray[Any], at: tuple[int, int]) -> int:
    """Return the label at a pixel, or the commonest one within two pixels of it; 0 for none."""
    x, y = at
    if 0 <= y < labels.shape[0] and 0 <= x < labels.shape[1] and labels[y, x] > 0:
        return int(labels[y, x])
    near = labels[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3]
    near = near[near > 0]
    return int(np.bincount(near).argmax()) if near.size else 0
