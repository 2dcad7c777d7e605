"""What is left of a sheet once its blanks are cut: rectangles worth keeping.

The largest free rectangle is taken first, then the largest of what is then free, so that the kept
ones never overlap. Free rectangles are found on the grid of all edges of blanks and sheet, on which
every largest empty rectangle has its sides (Naamad, Lee and Hsu 1984, "On the maximum empty
rectangle problem").
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

BoxMm = tuple[float, float, float, float]

MOST = 3


def offcuts(
    sheet_mm: tuple[float, float],
    taken: Sequence[BoxMm],
    *,
    least_mm: tuple[float, float],
    apart_mm: float = 0.0,
    most: int = MOST,
) -> list[BoxMm]:
    """Return rectangles (left, top, right, bottom) of the sheet that no blank lies on, largest
    first, none smaller than `least_mm` either way round, `apart_mm` from every blank."""
    taken = [
        (left - apart_mm, top - apart_mm, right + apart_mm, bottom + apart_mm)
        for left, top, right, bottom in taken
    ]
    kept: list[BoxMm] = []
    while len(kept) < most:
        found = _largest(sheet_mm, [*taken, *kept], least_mm)
        if found is None:
            break
        kept.append(found)
    return kept


def _largest(
    sheet_mm: tuple[float, float], taken: Sequence[BoxMm], least_mm: tuple[float, float]
) -> BoxMm | None:
    xs, ys = (
        _edges(side, [(box[axis], box[axis + 2]) for box in taken])
        for axis, side in enumerate(sheet_mm)
    )
    full = np.zeros((len(xs) - 1, len(ys) - 1), dtype=bool)
    middles_x, middles_y = (xs[:-1] + xs[1:]) / 2, (ys[:-1] + ys[1:]) / 2
    for left, top, right, bottom in taken:
        across = (middles_x > left) & (middles_x < right)
        full |= across[:, None] & ((middles_y > top) & (middles_y < bottom))[None, :]
    best: tuple[int, int, int, int] | None = None
    best_area = 0.0
    short, long = sorted(least_mm)
    for first in range(len(xs) - 1):
        column = np.zeros(len(ys) - 1, dtype=bool)
        for last in range(first, len(xs) - 1):
            column |= full[last]
            width = float(xs[last + 1] - xs[first])
            for top, bottom in _runs(column):
                height = float(ys[bottom] - ys[top])
                sides = sorted((width, height))
                if width * height > best_area and sides[0] >= short and sides[1] >= long:
                    best_area = width * height
                    best = (first, top, last + 1, bottom)
    if best is None:
        return None
    first, top, last, bottom = best
    return float(xs[first]), float(ys[top]), float(xs[last]), float(ys[bottom])


def _edges(side_mm: float, spans: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    """Where a side of the sheet is parted by its own ends and by the edges of blanks."""
    return np.unique(np.clip([0.0, side_mm, *(end for span in spans for end in span)], 0, side_mm))


def _runs(full: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one past the last of each run of free cells."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], full, [True]]).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
