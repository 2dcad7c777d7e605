"""Skeletons: the middle lines of narrow ink or film, as chains of pixels between wide places.

Only a band along the edges is thinned. What is wider stays whole and ends a chain ("wide").
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

FREE, WIDE, JOINT = 0, 1, 2
FINEST_PX_PER_MM: Final = 12.0
_AROUND_X: Final = np.array([1, 1, 0, -1, -1, -1, 0, 1])
_AROUND_Y: Final = np.array([0, -1, -1, -1, 0, 1, 1, 1])


def _simple_table(*, diagonal: bool) -> NDArray[np.bool_]:
    """Return, per pattern of 8 neighbours, whether taking the middle away splits or joins nothing.

    Yokoi's connectivity number is 1 (Yokoi, Toriwaki and Fukumura 1975); diagonal neighbours count
    as connected or not.
    """
    table = np.zeros(256, np.bool_)
    for pattern in range(256):
        bits = [(pattern >> k) & 1 for k in range(8)]
        seen = [1 - bit for bit in bits] if diagonal else bits
        turns = sum(
            seen[k] - seen[k] * seen[(k + 1) % 8] * seen[(k + 2) % 8] for k in range(0, 8, 2)
        )
        table[pattern] = turns == 1
    return table


_SIMPLE_8 = _simple_table(diagonal=True)
_SIMPLE_4 = _simple_table(diagonal=False)


@dataclass(frozen=True)
class Chains:
    """Middle lines of the narrow parts of one phase (ink or film), on a grid of its own.

    pixels: (n, 2) x, y, chain after chain, each in order; starts (m + 1). ends: (m, 2) FREE, WIDE
    or JOINT at the first and the last pixel; joint: (m, 2) index of the joint or -1. beyond: (m, 4)
    x, y of the wide or joint pixel next to the first and the last pixel, or that pixel itself.
    joint_radius: (j) greatest distance to the edge in a joint, px; joint_wide: (j) it touches a
    wide part. radius: (n) distance to the edge, px. mask: (h, w) uint8 of the phase around all ink;
    pad_px: (2) x, y on it of the field's first block. factor: pixels of the field per pixel here.
    reach_px: what is farther from the edge is wide.
    """

    pixels: NDArray[np.int32]
    starts: NDArray[np.int64]
    ends: NDArray[np.int8]
    joint: NDArray[np.int32]
    beyond: NDArray[np.int32]
    joint_radius: NDArray[np.float32]
    joint_wide: NDArray[np.bool_]
    radius: NDArray[np.float32]
    mask: NDArray[np.uint8]
    pad_px: NDArray[np.int64]
    factor: int
    reach_px: float

    def __len__(self) -> int:
        return len(self.ends)

    def to_field(self, pixels: NDArray[Any]) -> NDArray[Any]:
        """Return pixels (n, 2) of this grid as points of the field, pixel centres at integers."""
        return (pixels - self.pad_px + 0.5) * self.factor - 0.5


@njit(cache=True)
def _pool(
    field: NDArray[np.int16], factor: int, is_ink: bool, pad: int, outside: int
) -> NDArray[np.uint8]:
    """Return a mask of the blocks at least half in the phase, with a rim of `outside`."""
    height, width = field.shape
    rows = (height + factor - 1) // factor
    columns = (width + factor - 1) // factor
    mask = np.full((rows + 2 * pad, columns + 2 * pad), np.uint8(outside))
    ink = np.empty(width, np.int16)
    for row in range(rows):
        ink[:] = 0
        bottom = min((row + 1) * factor, height)
        for y in range(row * factor, bottom):
            for x in range(width):
                ink[x] += field[y, x] < 0
        for column in range(columns):
            right = min((column + 1) * factor, width)
            count = 0
            for x in range(column * factor, right):
                count += ink[x]
            whole = (right - column * factor) * (bottom - row * factor)
            if not is_ink:
                count = whole - count
            mask[row + pad, column + pad] = 2 * count >= whole
    return mask


def _around_ink(mask: NDArray[np.uint8], is_ink: bool, rim: int) -> tuple[slice, slice]:
    """Return the part of a mask that holds all ink with a rim about it."""
    has_ink = (mask > 0) == is_ink
    spans = []
    for axis in (1, 0):
        at = np.flatnonzero(has_ink.any(axis=axis))
        first, last = (int(at[0]), int(at[-1])) if at.size else (0, has_ink.shape[1 - axis])
        spans.append(slice(max(first - rim, 0), last + rim + 1))
    return spans[0], spans[1]


def _near_distance(mask: NDArray[np.uint8], reach: float) -> NDArray[np.float32]:
    """Return the distance of each pixel of the mask to the nearest outside it, exact up to `reach`.

    Farther ones are right to some percent: exact ones are only sought near the edge.
    """
    rough = np.asarray(cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5), np.float32)
    _make_exact(mask, rough, reach)
    return rough


@njit(cache=True)
def _make_exact(mask: NDArray[np.uint8], distance: NDArray[np.float32], reach: float) -> None:
    """Replace distances up to a little over `reach` by exact ones, in place."""
    height, width = mask.shape
    for y in range(height):
        for x in range(width):
            if mask[y, x] == 0 or distance[y, x] <= 1.0 or distance[y, x] > 1.1 * reach + 1:
                continue
            least = int(4 * (reach + 2) * (reach + 2)) + 4
            out = int(1.1 * distance[y, x]) + 2
            for far in range(out):
                if far * far >= least:
                    break
                for side in range(-1, 2, 2):
                    row = y + side * far
                    if row < 0 or row >= height:
                        continue
                    span = 0
                    while span * span + far * far < least:
                        left, right = x - span, x + span
                        if (left >= 0 and mask[row, left] == 0) or (
                            right < width and mask[row, right] == 0
                        ):
                            least = span * span + far * far
                            break
                        span += 1
            distance[y, x] = np.sqrt(np.float32(least))


@njit(cache=True)
def _pattern(mask: NDArray[np.uint8], x: int, y: int) -> int:
    """Return the 8 neighbours as bits: east first, then on through north."""
    return (
        (mask[y, x + 1] > 0)
        | (mask[y - 1, x + 1] > 0) << 1
        | (mask[y - 1, x] > 0) << 2
        | (mask[y - 1, x - 1] > 0) << 3
        | (mask[y, x - 1] > 0) << 4
        | (mask[y + 1, x - 1] > 0) << 5
        | (mask[y + 1, x] > 0) << 6
        | (mask[y + 1, x + 1] > 0) << 7
    )


@njit(cache=True)
def _thin(
    mask: NDArray[np.uint8],
    distance: NDArray[np.float32],
    reach: float,
    simple: NDArray[np.bool_],
    simple_after: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Thin the band (distance <= reach) of a mask in place; return y * width + x of what stays.

    Pixels go in order of distance, in turn from the four sides so that no line is eaten from its
    end, and each only if nothing is split or joined and it ends no line. A last pass takes the
    corners of stairs.
    """
    height, width = mask.shape
    levels = int(reach * 4) + 2
    counts = np.zeros(levels + 1, np.int64)
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            if mask[y, x] and distance[y, x] <= reach:
                counts[int(distance[y, x] * 4) + 1] += 1
    for level in range(levels):
        counts[level + 1] += counts[level]
    order = np.empty(counts[levels], np.int64)
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            if mask[y, x] and distance[y, x] <= reach:
                level = int(distance[y, x] * 4)
                order[counts[level]] = y * width + x
                counts[level] += 1
    ones = np.zeros(256, np.int64)
    for pattern in range(256):
        for bit in range(8):
            ones[pattern] += (pattern >> bit) & 1
    first = 0
    border = np.empty(len(order), np.int64)
    sides = np.array([-width, width, -1, 1])
    flat = mask.reshape(-1)
    for level in range(levels):
        stop = counts[level]
        changed = stop > first
        while changed:
            changed = False
            for side in range(4):
                found = 0
                for index in range(first, stop):
                    place = order[index]
                    if flat[place] and not flat[place + sides[side]]:
                        border[found] = place
                        found += 1
                for index in range(found):
                    place = border[index]
                    pattern = _pattern(mask, place % width, place // width)
                    if simple[pattern] and ones[pattern] > 1:
                        flat[place] = 0
                        changed = True
        first = stop
    count = 0
    for place in order:
        pattern = _pattern(mask, place % width, place // width)
        if flat[place]:
            if simple_after[pattern] and ones[pattern] > 1:
                flat[place] = 0
            else:
                order[count] = place
                count += 1
    return order[:count]


@njit(cache=True)
def _chains(
    mask: NDArray[np.uint8], kept: NDArray[np.int64], distance: NDArray[np.float32], reach: float
) -> tuple[
    NDArray[np.int32],
    NDArray[np.int64],
    NDArray[np.int8],
    NDArray[np.int32],
    NDArray[np.int32],
    NDArray[np.float32],
    NDArray[np.bool_],
]:
    """Return the fields of Chains from a thinned mask; the mask is used up.

    In the mask: 1 wide or unsorted, then 2 line, 3 joint, 4 line already in a chain, 5 joint with a
    number.
    """
    width = mask.shape[1]
    around_x = np.array([1, 1, 0, -1, -1, -1, 0, 1])
    around_y = np.array([0, -1, -1, -1, 0, 1, 1, 1])
    for place in kept:
        mask[place // width, place % width] = 2
    for place in kept:
        y, x = place // width, place % width
        lines = 0
        for k in range(8):
            near = mask[y + around_y[k], x + around_x[k]]
            lines += near >= 2
        if lines >= 3:
            mask[y, x] = 3
    radius = np.zeros(len(kept), np.float32)
    wide = np.zeros(len(kept), np.bool_)
    joint_at = {np.int64(-1): np.int32(-1)}
    joints = 0
    stack = np.empty(len(kept) + 1, np.int64)
    for index in range(len(kept)):
        place = kept[index]
        if mask[place // width, place % width] != 3:
            continue
        stack[0] = place
        depth = 1
        mask[place // width, place % width] = 5
        while depth > 0:
            depth -= 1
            at = stack[depth]
            joint_at[at] = np.int32(joints)
            y, x = at // width, at % width
            radius[joints] = max(radius[joints], distance[y, x])
            for k in range(8):
                near_y, near_x = y + around_y[k], x + around_x[k]
                if mask[near_y, near_x] == 3:
                    mask[near_y, near_x] = 5
                    stack[depth] = near_y * width + near_x
                    depth += 1
                elif mask[near_y, near_x] == 1:
                    wide[joints] = True
        joints += 1
    pixels = np.empty((len(kept), 2), np.int32)
    starts = np.zeros(len(kept) + 1, np.int64)
    ends = np.zeros((len(kept), 2), np.int8)
    joint = np.full((len(kept), 2), -1, np.int32)
    beyond = np.zeros((len(kept), 4), np.int32)
    chains = 0
    count = 0
    for turn in range(2):
        for index in range(len(kept)):
            place = kept[index]
            y, x = place // width, place % width
            if mask[y, x] != 2:
                continue
            lines = 0
            for k in range(8):
                lines += mask[y + around_y[k], x + around_x[k]] == 2
            if turn == 0 and lines > 1:
                continue
            first = count
            at_y, at_x = y, x
            while True:
                mask[at_y, at_x] = 4
                pixels[count, 0], pixels[count, 1] = at_x, at_y
                count += 1
                found = False
                for k in (0, 2, 4, 6, 1, 3, 5, 7):
                    if mask[at_y + around_y[k], at_x + around_x[k]] == 2:
                        at_y, at_x = at_y + around_y[k], at_x + around_x[k]
                        found = True
                        break
                if not found:
                    break
            used = np.int64(-1)
            for end in range(2):
                last = first if end == 0 else count - 1
                end_x, end_y = pixels[last, 0], pixels[last, 1]
                beyond[chains, 2 * end], beyond[chains, 2 * end + 1] = end_x, end_y
                for k in (0, 2, 4, 6, 1, 3, 5, 7):
                    near_y, near_x = end_y + around_y[k], end_x + around_x[k]
                    near = np.int64(near_y) * width + near_x
                    value = mask[near_y, near_x]
                    if first == count - 1 and end == 1:
                        if value == 5 and joint_at[near] == joint[chains, 0]:
                            continue
                        if value == 1 and ends[chains, 0] == 1 and _next_to(near, used, width):
                            continue
                    if value == 1 or value == 5:
                        beyond[chains, 2 * end] = near_x
                        beyond[chains, 2 * end + 1] = near_y
                        used = near
                        if value == 1:
                            ends[chains, end] = 1
                        else:
                            ends[chains, end] = 2
                            joint[chains, end] = joint_at[near]
                        break
            chains += 1
            starts[chains] = count
    return (
        pixels[:count].copy(),
        starts[: chains + 1].copy(),
        ends[:chains].copy(),
        joint[:chains].copy(),
        beyond[:chains].copy(),
        radius[:joints].copy(),
        wide[:joints].copy(),
    )


@njit(cache=True)
def _next_to(one: Any, other: Any, width: int) -> bool:
    """Tell whether two places are the same pixel or neighbours."""
    if other < 0:
        return False
    return abs(one // width - other // width) <= 1 and abs(one % width - other % width) <= 1


def find_chains(
    field: NDArray[np.int16], px_per_mm: float, widest_mm: float, *, is_ink: bool
) -> Chains:
    """Return the middle lines of all ink (or film) that is narrower than `widest_mm` or a bit more.

    Works on about 12 px per mm, where a block is of the phase if half of it is, so that no neck of
    two pixels of the field is lost; a caliper on the field has to confirm each. The film goes on
    outside the picture.
    """
    factor = max(round(px_per_mm / FINEST_PX_PER_MM), 1)
    reach = widest_mm / 2 * px_per_mm / factor + 1.5
    pad = int(reach) + 4
    mask = _pool(field, factor, is_ink, pad, 0 if is_ink else 1)
    part = _around_ink(mask, is_ink, pad)
    mask = np.ascontiguousarray(mask[part])
    whole = mask.copy()
    if not is_ink:
        mask[:1], mask[-1:], mask[:, :1], mask[:, -1:] = 0, 0, 0, 0
    distance = _near_distance(whole, reach)
    if not is_ink:
        for strip in (np.s_[:3], np.s_[-3:], np.s_[:, :3], np.s_[:, -3:]):
            distance[strip] = np.where(mask[strip] > 0, reach + 1, 0)
    simple = _SIMPLE_8 if is_ink else _SIMPLE_4
    kept = _thin(mask, distance, reach, simple, _SIMPLE_8)
    pixels, starts, ends, joint, beyond, joint_radius, joint_wide = _chains(
        mask, kept, distance, reach
    )
    radius = distance[pixels[:, 1], pixels[:, 0]]
    return Chains(
        pixels,
        starts,
        ends,
        joint,
        beyond,
        joint_radius,
        joint_wide,
        radius,
        whole,
        np.array([pad - part[1].start, pad - part[0].start]),
        factor,
        reach,
    )


def film_skeleton(field: NDArray[np.int16], px_per_mm: float, finest_px_per_mm: float) -> Chains:
    """Return the middle lines of all the film, however wide, on about `finest_px_per_mm`.

    Film that meets at a corner only is parted first, as a corner holds nothing. A WIDE end is the
    film around the picture.
    """
    factor = max(round(px_per_mm / finest_px_per_mm), 1)
    pad = 4
    mask = _pool(field, factor, False, pad, 1)
    _part_corners(mask)
    whole = mask.copy()
    mask[:1], mask[-1:], mask[:, :1], mask[:, -1:] = 0, 0, 0, 0
    distance: NDArray[Any] = cv2.distanceTransform(whole, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    distance = np.minimum(distance, max(mask.shape) / 2).astype(np.float32, copy=False)
    reach = float(distance.max())
    for strip in (np.s_[:3], np.s_[-3:], np.s_[:, :3], np.s_[:, -3:]):
        distance[strip] = np.where(mask[strip] > 0, reach + 1, 0)
    # Without corners that meet, film is 4-connected where it is 8-connected.
    kept = _thin(mask, distance, reach, _SIMPLE_8, _SIMPLE_8)
    parts = _chains(mask, kept, distance, reach)
    pixels, starts, ends, joint, beyond, joint_radius, joint_wide = parts
    radius = distance[pixels[:, 1], pixels[:, 0]]
    return Chains(
        pixels,
        starts,
        ends,
        joint,
        beyond,
        joint_radius,
        joint_wide,
        radius,
        whole,
        np.array([pad, pad]),
        factor,
        reach,
    )


@njit(cache=True)
def _part_corners(mask: NDArray[np.uint8]) -> None:
    """Take pixels away until none meet at a corner only."""
    height, width = mask.shape
    changed = True
    while changed:
        changed = False
        for y in range(height - 1):
            for x in range(width - 1):
                one, right = mask[y, x], mask[y, x + 1]
                below, across = mask[y + 1, x], mask[y + 1, x + 1]
                if one and across and not right and not below:
                    mask[y + 1, x + 1] = 0
                    changed = True
                elif right and below and not one and not across:
                    mask[y + 1, x] = 0
                    changed = True
