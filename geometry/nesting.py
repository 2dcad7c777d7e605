"""Lay blanks on sheets of film: as few sheets as can be found, and how few there must be.

Blanks are rectangles, placed square to the sheet and turned by a quarter where that helps. `gap_mm`
lies between blanks, `edge_mm` round the sheet. Method: the maximal-rectangles heuristic (Jylanki
2010, "A thousand ways to pack the bin") under several orders and rules, with and without the best
pattern of one size (`geometry.nest_pattern`) to begin a sheet, then a seeded search over orders
until the lower bound of `geometry.nest_bound` is met or a fixed amount of work is spent. The work
is counted, not timed, so that the same order gives the same sheets on every machine.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

from geometry.errors import DoesNotFitError, InvalidInputError
from geometry.nest_bound import lower_bound
from geometry.nest_pattern import Place, best_pattern
from geometry.units import describe_size

# Whole nanometres, so that sizes in fractions of an inch add up exactly.
UNITS_PER_MM = 1_000_000
# A blank may be this much too large for its place: rounding of sizes, far below any laser's step.
SLACK_MM = 0.001
MOST_BLANKS = 2_000
# Placements tried in all; 60 blanks take well under a second.
WORK = 60_000
# Orders by size, times rules, with and without patterns: tried even where the first met the bound.
PLAIN_TRIES = 30

NestItem = tuple[str, float, float, int]


@dataclass(frozen=True)
class Placed:
    """One blank on a sheet: its top left corner from the sheet's top left, y down, and its size as
    it lies. `turned` means a quarter turn clockwise as seen: the blank's top edge is at the right.
    """

    code: str
    x_mm: float
    y_mm: float
    turned: bool
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Nesting:
    """Sheets with what lies on each; `used` is the blanks' share (0..1) of the sheets' area."""

    sheets: tuple[tuple[Placed, ...], ...]
    lower_bound: int
    used: float
    sheet_mm: tuple[float, float]
    edge_mm: float
    gap_mm: float


@dataclass(frozen=True)
class _Spot:
    """A rectangle of kind `kind` at (x, y) in whole units, gap included."""

    kind: int
    x: int
    y: int
    turned: bool


Rectangle = tuple[int, int, int, int]  # left, top, right, bottom
Layout = list[list[_Spot]]


def nest(
    items: Sequence[NestItem],
    sheet_mm: tuple[float, float],
    *,
    edge_mm: float = 0.0,
    gap_mm: float = 0.0,
    may_turn: bool = True,
) -> Nesting:
    """Return where every blank lies, on as few sheets as were found.

    items: (code, width_mm, height_mm, count) each. sheet_mm: (width, height). Deterministic.
    `lower_bound` in the result is a number of sheets that cannot be undercut; where it equals
    len(sheets) the nesting is the best possible.
    Raises DoesNotFitError (one sentence) for a blank larger than the sheet less its edges, and
    InvalidInputError for sizes that are not positive, negative gaps, or more than 2000 blanks.

    >>> [len(sheet) for sheet in nest([("6x6in", 152.4, 152.4, 9)], (304.8, 609.6)).sheets]
    [8, 1]
    """
    _refuse_odd_values(items, sheet_mm, edge_mm, gap_mm)
    gap = _units(gap_mm)
    room = tuple(_units(side - 2 * edge_mm + SLACK_MM) + gap for side in sheet_mm)
    kinds = [(_units(w) + gap, _units(h) + gap, count) for _, w, h, count in items]
    for item, kind in zip(items, kinds, strict=True):
        if item[3] > 0 and not _ways(kind, room, may_turn):
            raise DoesNotFitError(_refusal(item, sheet_mm, edge_mm))
    bound = lower_bound(kinds, (room[0], room[1]), may_turn=may_turn)
    layout = _Search(kinds, (room[0], room[1]), may_turn).run(bound)
    sheets = tuple(_placed(spots, items, edge_mm) for spots in layout)
    area = sum(w * h * count for _, w, h, count in items)
    used = area / (len(sheets) * sheet_mm[0] * sheet_mm[1]) if sheets else 0.0
    return Nesting(sheets, bound, used, sheet_mm, edge_mm, gap_mm)


def _units(length_mm: float) -> int:
    return round(length_mm * UNITS_PER_MM)


def _refuse_odd_values(
    items: Sequence[NestItem], sheet_mm: tuple[float, float], edge_mm: float, gap_mm: float
) -> None:
    if not (0 <= edge_mm < 1000 and 0 <= gap_mm < 1000):
        raise InvalidInputError("Edge and gap are lengths from 0 to 1000 mm; write them so.")
    if min(sheet_mm) <= 0 or any(min(w, h) <= 0 for _, w, h, _ in items):
        raise InvalidInputError("Sheets and blanks need a width and a height above 0 mm.")
    if any(count < 0 for *_, count in items):
        raise InvalidInputError("The number of blanks cannot be below 0.")
    if sum(count for *_, count in items) > MOST_BLANKS:
        raise InvalidInputError(
            f"That is more than {MOST_BLANKS} blanks at once; nest them in several parts."
        )


def _refusal(item: NestItem, sheet_mm: tuple[float, float], edge_mm: float) -> str:
    code, width_mm, height_mm, _ = item
    edges = f" less its edges of {edge_mm:g} mm" if edge_mm else ""
    return (
        f"A blank {code} ({width_mm:g} x {height_mm:g} mm) does not fit on a sheet of "
        f"{describe_size(sheet_mm)}{edges}; choose a larger sheet or a smaller blank."
    )


def _ways(kind: tuple[int, ...], room: tuple[int, ...], may_turn: bool) -> list[bool]:
    """Which of not turned, turned fit the empty sheet; a square is never turned."""
    width, height = kind[:2]
    ways = [False] if width <= room[0] and height <= room[1] else []
    if may_turn and width != height and height <= room[0] and width <= room[1]:
        ways.append(True)
    return ways


def _placed(
    spots: Sequence[_Spot], items: Sequence[NestItem], edge_mm: float
) -> tuple[Placed, ...]:
    """Spots in mm from the sheet's corner, row by row."""
    placed = []
    for spot in sorted(spots, key=lambda spot: (spot.y, spot.x)):
        code, width_mm, height_mm, _ = items[spot.kind]
        if spot.turned:
            width_mm, height_mm = height_mm, width_mm
        x_mm, y_mm = (edge_mm + value / UNITS_PER_MM for value in (spot.x, spot.y))
        placed.append(
            Placed(code, round(x_mm, 6), round(y_mm, 6), spot.turned, width_mm, height_mm)
        )
    return tuple(placed)


class _Search:
    """Tries orders and rules until the bound is met or the work is spent; keeps the best."""

    def __init__(
        self, kinds: Sequence[tuple[int, int, int]], room: tuple[int, int], may_turn: bool
    ) -> None:
        self.kinds = kinds
        self.room = room
        self.may_turn = may_turn
        self.ways = [_ways(kind, room, may_turn) for kind in kinds]
        self.patterns: dict[int, list[Place]] = {}
        self.work = 0

    def run(self, bound: int) -> Layout:
        """The best layout found: tries go on past `bound` sheets only for a more useful rest."""
        best: Layout | None = None
        best_score: tuple[int, int] | None = None
        for tries, (order, rule, with_patterns) in enumerate(self._tries(), start=1):
            layout = self._fill_sheets(order, rule, with_patterns)
            score = self._score(layout)
            if best_score is None or score < best_score:
                best, best_score = layout, score
            met = best_score[0] <= bound and (tries >= PLAIN_TRIES or bound <= 1)
            if met or self.work > WORK:
                break
        return sorted(best or [], key=lambda spots: -sum(self._area(spot.kind) for spot in spots))

    def _score(self, layout: Layout) -> tuple[int, int]:
        """Fewest sheets first; then the emptiest last sheet."""
        fills = [sum(self._area(spot.kind) for spot in spots) for spots in layout]
        return len(layout), min(fills, default=0)

    def _area(self, kind: int) -> int:
        return self.kinds[kind][0] * self.kinds[kind][1]

    def _tries(self) -> Iterator[tuple[list[int], str, bool]]:
        """Orders of kinds with rules: the usual ones, all orders of few kinds, then seeded ones."""
        present = [index for index, kind in enumerate(self.kinds) if kind[2] > 0]
        every = [index for index in present for _ in range(self.kinds[index][2])]
        keys = (
            lambda i: (-self._area(i), i),
            lambda i: (-max(self.kinds[i][:2]), -min(self.kinds[i][:2]), i),
            lambda i: (-min(self.kinds[i][:2]), -max(self.kinds[i][:2]), i),
        )
        for with_patterns in (False, True):
            for rule in _RULES:
                for key in keys:
                    yield sorted(every, key=key), rule, with_patterns
        if len(present) <= 4:
            for ranking in permutations(present):
                for rule in _RULES:
                    for with_patterns in (False, True):
                        yield sorted(every, key=ranking.index), rule, with_patterns
        dice = random.Random(len(every))  # noqa: S311 - a repeatable search, no secret
        current = sorted(every, key=keys[0])
        while True:
            shuffled = list(current)
            for _ in range(dice.randint(1, 1 + len(shuffled) // 3)):
                a, b = dice.randrange(len(shuffled)), dice.randrange(len(shuffled))
                shuffled[a], shuffled[b] = shuffled[b], shuffled[a]
            yield shuffled, dice.choice(_RULES), dice.random() < 0.5

    def _fill_sheets(self, order: Sequence[int], rule: str, with_patterns: bool) -> Layout:
        """Fill one sheet after the other: each takes, in `order`, whatever still fits on it."""
        layout: Layout = []
        left = list(order)
        while left:
            begun = self._begun(left) if with_patterns else []
            spots, left = self._fill_one(left, rule, begun)
            layout.append(spots)
            taken = sorted(spot.kind for spot in spots)
            # A sheet that can be had again is had again: long runs cost one search.
            while left and sorted(left[: len(taken)]) == taken:
                layout.append(list(spots))
                left = left[len(taken) :]
        return layout

    def _begun(self, order: Sequence[int]) -> list[_Spot]:
        """The best pattern of the first kind, as far as there are pieces of it."""
        kind = order[0]
        if kind not in self.patterns:
            pattern = best_pattern(self.kinds[kind][:2], self.room, may_turn=self.may_turn)
            self.patterns[kind] = sorted(pattern, key=lambda place: (place[1], place[0]))
        places = self.patterns[kind][: order.count(kind)]
        return [_Spot(kind, *place) for place in places]

    def _fill_one(
        self, order: Sequence[int], rule: str, begun: Sequence[_Spot]
    ) -> tuple[list[_Spot], list[int]]:
        """One sheet on which `begun` lies already, and what is left of the order after it."""
        free: list[Rectangle] = [(0, 0, self.room[0], self.room[1])]
        for spot in begun:
            free = _without(free, self._rectangle(spot))
        spots = list(begun)
        left: list[int] = []
        full: set[int] = set()
        to_skip = len(begun)  # all of the first kind
        for kind in order:
            if to_skip and kind == order[0]:
                to_skip -= 1
                continue
            found = None if kind in full else self._best_spot(kind, free, rule)
            if found is None:
                full.add(kind)  # room only shrinks: what did not fit will not fit later
                left.append(kind)
                continue
            spots.append(found)
            free = _without(free, self._rectangle(found))
        return spots, left

    def _rectangle(self, spot: _Spot) -> Rectangle:
        width, height, _ = self.kinds[spot.kind]
        if spot.turned:
            width, height = height, width
        return spot.x, spot.y, spot.x + width, spot.y + height

    def _best_spot(self, kind: int, free: Sequence[Rectangle], rule: str) -> _Spot | None:
        """The place with the lowest score by `rule`, at the top left of a free rectangle."""
        self.work += 1
        best, best_score = None, None
        for turned in self.ways[kind]:
            width, height, _ = self.kinds[kind]
            if turned:
                width, height = height, width
            for left, top, right, bottom in free:
                spare_x, spare_y = right - left - width, bottom - top - height
                if spare_x < 0 or spare_y < 0:
                    continue
                score = _score_of_place(rule, left, top, spare_x, spare_y, width, height)
                if best_score is None or score < best_score:
                    best, best_score = _Spot(kind, left, top, turned), score
        return best


_RULES = ("top", "left", "short side", "long side", "area")


def _score_of_place(
    rule: str, left: int, top: int, spare_x: int, spare_y: int, width: int, height: int
) -> tuple[int, ...]:
    """Lower is better; ties go to the upper, then the left place."""
    if rule == "top":
        return top + height, left, top
    if rule == "left":
        return left + width, top, left
    if rule == "short side":
        return min(spare_x, spare_y), max(spare_x, spare_y), top, left
    if rule == "long side":
        return max(spare_x, spare_y), min(spare_x, spare_y), top, left
    whole = (spare_x + width) * (spare_y + height)
    return whole - width * height, min(spare_x, spare_y), top, left


def _without(free: Sequence[Rectangle], taken: Rectangle) -> list[Rectangle]:
    """The largest free rectangles that remain once `taken` is covered."""
    left, top, right, bottom = taken
    kept: list[Rectangle] = []
    cut: list[Rectangle] = []
    for rectangle in free:
        r_left, r_top, r_right, r_bottom = rectangle
        if r_left >= right or r_right <= left or r_top >= bottom or r_bottom <= top:
            kept.append(rectangle)
            continue
        if left > r_left:
            cut.append((r_left, r_top, left, r_bottom))
        if right < r_right:
            cut.append((right, r_top, r_right, r_bottom))
        if top > r_top:
            cut.append((r_left, r_top, r_right, top))
        if bottom < r_bottom:
            cut.append((r_left, bottom, r_right, r_bottom))
    for index, piece in enumerate(cut):
        others = cut[:index] + [other for other in cut[index + 1 :] if other != piece]
        if not any(_holds(other, piece) for other in kept) and not any(
            _holds(other, piece) for other in others
        ):
            kept.append(piece)
    return kept


def _holds(outer: Rectangle, inner: Rectangle) -> bool:
    return (
        outer[0] <= inner[0]
        and outer[1] <= inner[1]
        and outer[2] >= inner[2]
        and outer[3] >= inner[3]
    )
