"""The most rectangles of one size that fit on a sheet: cuts right across, and one pinwheel.

Blanks of one size lie best in blocks. Tables over all useful block sizes (sums of the rectangle's
sides, Herz 1972) tell how many fit when blocks are parted by cuts right across; the whole sheet may
besides be parted into the five blocks of a pinwheel (Bischoff and Dowsland 1982, "An application of
the micro to product design and distribution"). No proof of the most, but seldom less.
"""

import numpy as np
from numpy.typing import NDArray

# With more useful sizes the tables grow slow, and plain heuristics waste little on small pieces.
MOST_SIZES = 70
MOST_PINWHEELS = 6_000_000

Place = tuple[int, int, bool]
Counts = NDArray[np.int64]


def best_pattern(
    size: tuple[int, int], sheet: tuple[int, int], *, may_turn: bool = True
) -> list[Place]:
    """Return (x, y, turned) of as many rectangles of `size` as were found to fit on `sheet`.

    All in one whole unit, the corner of each nearest to the origin. Empty where nothing fits or
    where the sheet is so large that the tables would be slow.
    """
    table = _Table(size, sheet, may_turn)
    return [] if table.too_large else table.places()


class _Table:
    """How many rectangles fit on every useful block, and how each block is parted."""

    def __init__(self, size: tuple[int, int], sheet: tuple[int, int], may_turn: bool) -> None:
        self.size = size
        self.may_turn = may_turn
        self.xs, self.ys = (
            _sums(size if may_turn else (size[axis],), sheet[axis]) for axis in (0, 1)
        )
        self.too_large = max(len(self.xs), len(self.ys)) > MOST_SIZES
        if not self.too_large:
            # rest[i, k]: the useful size that is left of size i behind a cut at size k
            self.rest_x, self.rest_y = _rests(self.xs), _rests(self.ys)
            self._fill()

    def _fill(self) -> None:
        """Tables from small blocks to large: the best cut of each, or a single rectangle."""
        shape = (len(self.xs), len(self.ys))
        self.count: Counts = np.zeros(shape, dtype=np.int64)
        self.cut_x: Counts = np.zeros(shape, dtype=np.int64)
        self.cut_y: Counts = np.zeros(shape, dtype=np.int64)
        for i in range(len(self.xs)):
            self.count[i] = [self._single(int(self.xs[i]), int(y)) is not None for y in self.ys]
            if i > 1:
                at = np.arange(1, i)
                both = self.count[at] + self.count[self.rest_x[i, at]]
                best = both.argmax(axis=0)
                found = both[best, np.arange(shape[1])]
                better = found > self.count[i]
                self.cut_x[i] = np.where(better, at[best], 0)
                self.count[i] = np.where(better, found, self.count[i])
            for j in range(2, len(self.ys)):
                at = np.arange(1, j)
                both = self.count[i, at] + self.count[i, self.rest_y[j, at]]
                best = int(both.argmax())
                if both[best] > self.count[i, j]:
                    self.count[i, j] = both[best]
                    self.cut_x[i, j], self.cut_y[i, j] = 0, at[best]

    def _single(self, width: int, height: int) -> bool | None:
        """Whether one rectangle on this block is turned; None where it does not fit."""
        if self.size[0] <= width and self.size[1] <= height:
            return False
        turned = self.may_turn and self.size[1] <= width and self.size[0] <= height
        return True if turned else None

    def places(self) -> list[Place]:
        """Where the rectangles lie on the whole sheet."""
        last = (len(self.xs) - 1, len(self.ys) - 1)
        blocks = self._pinwheel() or [(0, 0, *last)]
        return [place for block in blocks for place in self._unfolded(*block)]

    def _unfolded(self, x: int, y: int, i: int, j: int) -> list[Place]:
        """The rectangles of the block of sizes i, j at (x, y)."""
        if self.count[i, j] == 0:
            return []
        if cut := int(self.cut_x[i, j]):
            rest = int(self.rest_x[i, cut])
            right = x + int(self.xs[cut])
            return self._unfolded(x, y, cut, j) + self._unfolded(right, y, rest, j)
        if cut := int(self.cut_y[i, j]):
            rest = int(self.rest_y[j, cut])
            below = y + int(self.ys[cut])
            return self._unfolded(x, y, i, cut) + self._unfolded(x, below, i, rest)
        return [(x, y, bool(self._single(int(self.xs[i]), int(self.ys[j]))))]

    def _pinwheel(self) -> list[tuple[int, int, int, int]] | None:
        """Five blocks round a middle (x, y, size i, size j each) where they hold more than cuts."""
        wide, high = len(self.xs) - 1, len(self.ys) - 1
        if (wide * high) ** 2 > MOST_PINWHEELS or wide < 2 or high < 2:
            return None
        count, rest_x, rest_y = self.count, self.rest_x, self.rest_y
        best, parts = int(count[wide, high]), None
        y1, y2 = np.triu_indices(high, k=1)
        y1, y2 = y1[y1 > 0], y2[y1 > 0]
        if len(y1) == 0:
            return None
        for x1 in range(1, wide):
            x2 = np.arange(x1 + 1, wide)[:, None]
            if len(x2) == 0:
                break
            total = (
                count[x1, y2]
                + count[rest_x[wide, x1], y1]
                + count[rest_x[x2, x1], rest_y[y2, y1]]
                + count[rest_x[wide, x2], rest_y[high, y1]]
                + count[x2, rest_y[high, y2]]
            )
            if total.max() > best:
                best = int(total.max())
                row, column = np.unravel_index(int(total.argmax()), total.shape)
                parts = (x1, int(x2[row, 0]), int(y1[column]), int(y2[column]))
        return None if parts is None else self._five_blocks(*parts)

    def _five_blocks(self, x1: int, x2: int, y1: int, y2: int) -> list[tuple[int, int, int, int]]:
        wide, high = len(self.xs) - 1, len(self.ys) - 1
        at_x1, at_x2 = int(self.xs[x1]), int(self.xs[x2])
        at_y1, at_y2 = int(self.ys[y1]), int(self.ys[y2])
        return [
            (0, 0, x1, y2),
            (at_x1, 0, int(self.rest_x[wide, x1]), y1),
            (at_x1, at_y1, int(self.rest_x[x2, x1]), int(self.rest_y[y2, y1])),
            (at_x2, at_y1, int(self.rest_x[wide, x2]), int(self.rest_y[high, y1])),
            (0, at_y2, x2, int(self.rest_y[high, y2])),
        ]


def _sums(sides: tuple[int, ...], length: int) -> Counts:
    """All sums of the sides up to `length`, from 0 on; cut short once there are too many."""
    sums = {0}
    front = [0]
    while front and len(sums) <= MOST_SIZES:
        front = sorted({one + side for one in front for side in sides} - sums)
        front = [one for one in front if one <= length]
        sums.update(front)
    return np.array(sorted(sums), dtype=np.int64)


def _rests(sizes: Counts) -> Counts:
    """rest[i, k]: index of the largest useful size within sizes[i] - sizes[k], 0 if negative."""
    rest = np.maximum(sizes[:, None] - sizes[None, :], 0)
    return np.searchsorted(sizes, rest, side="right") - 1
