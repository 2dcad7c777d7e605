"""Bands: the places of a picture's ink or film that may be narrow, on a raster of its own.

All that is costly about widths is done there and nowhere else. Everything here looks only a few
pixels far, so a part of the picture gives what the whole gives there.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

STEEPEST = 2.0
"""What the way to the edge may gain within SEEN_PX of a place that may be narrow, px.

Beside a straight edge of something wide it gains SEEN_PX or more; along a line or a neck nothing,
into a tip of 80 degrees about this. Blunter corners are left out, as they are never narrow.
"""
SEEN_PX = 3
BLOCK_PX = 4
_FARTHEST = 170
"""Greatest way to the edge that is worked out, px: its square and that of a step fit 16 bits."""
FARTHEST_PX = 160
"""What a reach may be: some pixels more are looked at."""


@dataclass(frozen=True)
class Band:
    """One phase on its raster.

    mask: (h, w) uint8, 1 in the phase. ways2: (h, w) uint16, square of the way to the nearest pixel
    outside, exact up to `reach` (px) and 3 more. zone: uint8 by blocks of BLOCK_PX each way, 1
    where it may be narrow, with all around it up to what is wide.
    """

    mask: NDArray[np.uint8]
    ways2: NDArray[np.uint16]
    zone: NDArray[np.uint8]
    reach: float


@njit(cache=True)
def _add_ink(ink: NDArray[np.int16], line: NDArray[np.int16]) -> None:
    """Count the ink of one more row of pixels (n)."""
    for x in range(len(line)):
        ink[x] += np.int16(line[x] < 0)


@njit(cache=True)
def _add_pairs(ink: NDArray[np.int16]) -> None:
    """Put the sums of pixels two and two into the first half: what most scans are pooled by."""
    for x in range(len(ink) // 2):
        ink[x] = ink[2 * x] + ink[2 * x + 1]


@njit(cache=True)
def pool(
    field: NDArray[np.int16], factor: int, box: tuple[int, int, int, int]
) -> NDArray[np.uint8]:
    """Return how blocks of factor x factor pixels are filled: 0 film, 1 ink, 2 half and half.

    box: the blocks to return, first x, first y, last x and last y, the lasts not included; it may
    go beyond the field, where all is film. Blocks at the field's far sides may be smaller.
    """
    rows, columns = -(-field.shape[0] // factor), -(-field.shape[1] // factor)
    left, top = max(box[0], 0), max(box[1], 0)
    right, low = min(box[2], columns), min(box[3], rows)
    filled = np.zeros((box[3] - box[1], box[2] - box[0]), np.uint8)
    if right <= left or low <= top:
        return filled
    height, width = min(low * factor, field.shape[0]), min(right * factor, field.shape[1])
    width -= left * factor
    columns = right - left
    ink = np.empty(width, np.int16)
    for row in range(top, low):
        ink[:] = 0
        bottom = min((row + 1) * factor, height)
        for y in range(row * factor, bottom):
            _add_ink(ink, field[y, left * factor : left * factor + width])
        deep = bottom - row * factor
        last = ink[(columns - 1) * factor :].sum()
        if factor == 2:
            _add_pairs(ink)
        elif factor > 2:
            for column in range(columns - 1):
                ink[column] = ink[column * factor : (column + 1) * factor].sum()
        whole = np.int16(factor * deep)
        line, sums = filled[row - box[1], left - box[0] :], ink[: columns - 1]
        for x in range(len(sums)):
            twice = np.int16(2 * sums[x])
            line[x] = np.uint8(twice > whole) + np.uint8(2 * (twice == whole))
        whole = deep * (width - (columns - 1) * factor)
        line[columns - 1] = 2 if 2 * last == whole else 2 * last > whole
    return filled


@njit(cache=True)
def _down(mask: NDArray[np.uint8], farthest: int) -> NDArray[np.uint8]:
    """Return the way to the nearest 0 up or down its column, at most `farthest`, px."""
    height, width = mask.shape
    way = np.empty((height, width), np.uint8)
    most = np.uint8(farthest)
    one = np.uint8(1)
    for x in range(width):
        way[0, x] = most if mask[0, x] else 0
    for y in range(1, height):
        above, here, inside = way[y - 1], way[y], mask[y]
        for x in range(width):
            here[x] = min(np.uint8(above[x] + one), most) if inside[x] else np.uint8(0)
    for y in range(height - 2, -1, -1):
        below, here = way[y + 1], way[y]
        for x in range(width):
            here[x] = min(here[x], np.uint8(below[x] + one))
    return way


@njit(cache=True)
def _range(line: NDArray[Any]) -> tuple[int, int]:
    """Return the least and the greatest; written so that it is done in wide registers."""
    least = greatest = line[0]
    for x in range(len(line)):
        if line[x] < least:
            least = line[x]
        if line[x] > greatest:
            greatest = line[x]
    return least, greatest


@njit(cache=True)
def _nearer(line: NDArray[np.uint16], squares: NDArray[np.uint16], step: int, out: int) -> None:
    """Lower each value (n) of `line` to that of the squares `step` before or after, `step` on."""
    far = np.uint16(step * step)
    left = squares[out - step : out - step + len(line)]
    right = squares[out + step : out + step + len(line)]
    for x in range(len(line)):
        line[x] = min(line[x], np.uint16(min(left[x], right[x]) + far))


@njit(cache=True)
def ways_to_edge(mask: NDArray[np.uint8], farthest: int) -> NDArray[np.uint16]:
    """Return the square of the way (px) of each pixel to the nearest 0, at most farthest squared.

    Exact; beyond the picture all goes on as at its border. farthest is 170 at most.
    """
    height, width = mask.shape
    down = _down(mask, farthest)
    ways = np.empty((height, width), np.uint16)
    most = np.uint16(farthest * farthest)
    block = 64
    squares = np.full(width + 2 * farthest, most, np.uint16)
    for y in range(height):
        line, column = ways[y], down[y]
        inner = squares[farthest : farthest + width]
        for x in range(width):
            inner[x] = np.uint16(column[x]) * np.uint16(column[x])
            line[x] = inner[x]
        for start in range(0, width, block):
            stop = min(start + block, width)
            greatest = _range(column[start:stop])[1]
            if greatest == 0:
                continue
            if greatest == farthest:
                nearest = _range(column[max(start - farthest, 0) : stop + farthest])[0]
                if nearest == farthest:
                    continue
            part, around = line[start:stop], squares[start : stop + 2 * farthest]
            for step in range(1, greatest):
                _nearer(part, around, step, farthest)
                if step % 3 == 0 and _range(part)[1] <= step * step:
                    break
    return ways


@njit(cache=True)
def _seeds(
    ways: NDArray[np.uint16],
    greatest: NDArray[np.uint16],
    mask: NDArray[np.uint8],
    most: int,
    bound: NDArray[np.uint16],
) -> NDArray[np.uint8]:
    """Return the blocks where the way is short somewhere and gains little nearby, as 0 and 1.

    bound: by square of the way, the greatest square nearby that is little gain.
    """
    height, width = mask.shape
    seeds = np.zeros((-(-height // BLOCK_PX), -(-width // BLOCK_PX)), np.uint8)
    for y in range(height):
        way, near, inside, seed = ways[y], greatest[y], mask[y], seeds[y // BLOCK_PX]
        for x in range(width):
            if inside[x] and way[x] <= most and near[x] <= bound[way[x]]:
                seed[x // BLOCK_PX] = 1
    return seeds


def influence_px(reach: float) -> int:
    """Return how far what is there can change a band of that reach, px."""
    return 2 * (int(np.ceil(reach)) + SEEN_PX + BLOCK_PX) + SEEN_PX


def find_band(mask: NDArray[np.uint8], reach: float) -> Band:
    """Return where a phase (h, w), 1 inside, may be narrower than about twice `reach` px.

    Raises ValueError for a reach well above FARTHEST_PX.
    """
    farthest = int(np.ceil(reach)) + SEEN_PX + 1
    if farthest > _FARTHEST:
        raise ValueError("the raster is too fine for so wide a limit")
    ways = ways_to_edge(mask, farthest)
    side = 2 * SEEN_PX + 1
    greatest = np.asarray(cv2.dilate(ways, np.ones((side, side), np.uint8)), np.uint16)
    square = np.arange(farthest**2 + 1)
    bound = np.minimum((np.sqrt(square) + STEEPEST) ** 2, 65535).astype(np.uint16)
    seeds = _seeds(ways, greatest, mask, int(reach * reach), bound)
    side = 2 * -(-(int(np.ceil(reach)) + SEEN_PX) // BLOCK_PX) + 1
    zone = np.asarray(cv2.dilate(seeds, np.ones((side, side), np.uint8)), np.uint8)
    return Band(mask, ways, zone, reach)
