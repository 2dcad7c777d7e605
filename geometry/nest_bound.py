"""How many sheets any nesting needs at least: a lower bound that knows gap and edge.

Works on whole numbers (any small unit). The sides of the rectangles hold the gap already, the
sheet's sides hold one gap more than is usable, so that plain packing without gaps is meant.

Two bounds are combined, and the better one is taken:
- area, on a sheet cut down to what sums of sides can reach at all (Herz 1972, "Recursive
  computational procedure for two-dimensional stock cutting": positions may be normalised to such
  sums without loss);
- conservative scales by dual feasible functions (Fekete and Schepers 2004, "A general framework for
  bounds for higher-dimensional orthogonal packing problems"), where each rectangle that may be
  turned counts with the smaller of its two scaled areas, which keeps the bound valid.
"""

from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from functools import partial

# One kind of rectangle: width, height, how many.
Kind = tuple[int, int, int]
Scale = Callable[[int], Fraction]


def lower_bound(kinds: Sequence[Kind], sheet: tuple[int, int], *, may_turn: bool = True) -> int:
    """Return a number of sheets that no nesting of `kinds` can stay under.

    kinds: (width, height, count), each fitting the sheet in at least one way. sheet: (width,
    height). An empty order needs no sheet.
    """
    kinds = [kind for kind in kinds if kind[2] > 0]
    if not kinds:
        return 0
    reach = tuple(_reachable(kinds, axis, sheet[axis], may_turn) for axis in (0, 1))
    area = sum(width * height * count for width, height, count in kinds)
    best = _ceil(Fraction(area, reach[0] * reach[1]))
    scales_x, scales_y = (list(_scales(kinds, reach[axis])) for axis in (0, 1))
    for scale_x in scales_x:
        for scale_y in scales_y:
            best = max(best, _ceil(_scaled_area(kinds, reach, scale_x, scale_y, may_turn)))
    return best


def stacked_bound(kinds: Sequence[Kind], sheet: tuple[int, int], *, may_turn: bool = True) -> int:
    """Return a lower bound by blanks too wide to lie beside each other; slower, for hard orders.

    Blanks that take more than half of one side of the sheet, however they lie, can only lie one
    behind the other along its other side: cutting lengths from stock. The linear relaxation over
    all fillings of one sheet (Gilmore and Gomory 1961) gives prices; they are proved in fractions
    here, so that the bound does not hang on rounding. 0 where nothing is so wide.
    """
    best = 0
    for axis in (0, 1):
        lengths: dict[int, int] = {}
        for width, height, count in kinds:
            ways = [(width, height), (height, width)] if may_turn else [(width, height)]
            fitting = [way for way in ways if way[0] <= sheet[0] and way[1] <= sheet[1]]
            if count and fitting and all(2 * way[axis] > sheet[axis] for way in fitting):
                length = min(way[1 - axis] for way in fitting)
                lengths[length] = lengths.get(length, 0) + count
        best = max(best, _lengths_bound(lengths, sheet[1 - axis]))
    return best


def _lengths_bound(lengths: dict[int, int], stock: int) -> int:
    """How many pieces of `stock` the lengths need at least."""
    fillings = _fillings(sorted(lengths, reverse=True), stock)
    if not lengths or not fillings:
        return 0
    from scipy.optimize import linprog

    sides = sorted(lengths, reverse=True)
    wanted = [lengths[side] for side in sides]
    solved = linprog([-count for count in wanted], A_ub=fillings, b_ub=[1.0] * len(fillings))
    if solved.x is None:
        return 0
    worth = [Fraction(max(0.0, float(price))).limit_denominator(10_000) for price in solved.x]
    dearest = max(sum(w * n for w, n in zip(worth, row, strict=True)) for row in fillings)
    if dearest <= 0:
        return 0
    value = sum((w * n for w, n in zip(worth, wanted, strict=True)), Fraction(0))
    return _ceil(value / max(dearest, Fraction(1)))


def _fillings(sides: Sequence[int], stock: int) -> list[list[int]]:
    """All ways of filling one piece of stock with no room left for the last side; few sides."""
    if not sides:
        return []
    rows: list[list[int]] = [[]]
    for place, side in enumerate(sides):
        grown = []
        for row in rows:
            left = stock - sum(n * s for n, s in zip(row, sides, strict=False))
            most = left // side
            least = most if place == len(sides) - 1 else 0
            grown += [[*row, number] for number in range(least, most + 1)]
        rows = grown
        if len(rows) > 5000:
            return []
    return rows


def _reachable(kinds: Sequence[Kind], axis: int, length: int, may_turn: bool) -> int:
    """The longest sum of sides, each used at most as often as there are pieces, within `length`."""
    sides: dict[int, int] = {}
    for width, height, count in kinds:
        for side in {width, height} if may_turn else {(width, height)[axis]}:
            sides[side] = sides.get(side, 0) + count
    sums = {0}
    for side, count in sides.items():
        grown = set(sums)
        for number in range(1, min(count, length // side) + 1):
            grown |= {start + number * side for start in sums if start + number * side <= length}
        sums = grown
        if len(sums) > 20_000:
            return length  # a looser bound is still a bound
    return max(sums)


def _scales(kinds: Sequence[Kind], length: int) -> Iterable[Scale]:
    """Dual feasible functions of a side's share of `length`: shares adding to <= 1 stay so."""
    yield partial(_share, length=length)
    for steps in (1, 2, 3, 4, 5):
        yield partial(_stepped, length=length, steps=steps)
    sides = {side for width, height, _ in kinds for side in (width, height)}
    for small in sorted({min(side, length - side) for side in sides if side < length}):
        if 0 < 2 * small <= length:
            yield partial(_large_counts_whole, length=length, small=small)


def _share(side: int, length: int) -> Fraction:
    return Fraction(side, length)


def _stepped(side: int, length: int, steps: int) -> Fraction:
    """u(k) of Fekete and Schepers: round down to k-ths of k + 1 parts, exact parts kept."""
    if (steps + 1) * side % length == 0:
        return Fraction(side, length)
    return Fraction((steps + 1) * side // length, steps)


def _large_counts_whole(side: int, length: int, small: int) -> Fraction:
    """U(e) of Fekete and Schepers: more than 1 - e counts 1, less than e counts nothing."""
    if side > length - small:
        return Fraction(1)
    if side < small:
        return Fraction(0)
    return Fraction(side, length)


def _scaled_area(
    kinds: Sequence[Kind],
    reach: tuple[int, ...],
    scale_x: Scale,
    scale_y: Scale,
    may_turn: bool,
) -> Fraction:
    """Sum of scaled areas, each piece in its cheaper way of lying."""
    total = Fraction(0)
    for width, height, count in kinds:
        ways = [(width, height), (height, width)] if may_turn else [(width, height)]
        fitting = [(w, h) for w, h in ways if w <= reach[0] and h <= reach[1]]
        total += count * min(scale_x(w) * scale_y(h) for w, h in fitting)
    return total


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)
