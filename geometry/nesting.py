"""Lay blanks on sheets of film: as few sheets as can be found, and how few there must be.

Blanks are rectangles, placed square to the sheet and turned by a quarter where that helps. `gap_mm`
lies between blanks, `edge_mm` round the sheet. Method: the maximal-rectangles heuristic (Jylanki
2010, "A thousand ways to pack the bin") under several orders and rules, with and without the best
pattern of one size (`geometry.nest_pattern`) to begin a sheet; then the fewest of all sheets tried
that hold every blank (`geometry.nest_cover`), with further sheets tried for what is dear; then a
seeded search over orders. It ends when the lower bound of `geometry.nest_bound` is met or a fixed
amount of work is spent: work is counted, not timed, so that the same order gives the same sheets on
every machine.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from geometry.errors import DoesNotFitError, InvalidInputError
from geometry.nest_bound import lower_bound, stacked_bound
from geometry.nest_cover import Pattern, fewest, prices
from geometry.nest_pattern import Place, best_pattern
from geometry.units import describe_size

# Whole nanometres, so that sizes in fractions of an inch add up exactly.
UNITS_PER_MM = 1_000_000
# A blank may be this much too large for its place: rounding of sizes, far below any laser's step.
SLACK_MM = 0.001
MOST_BLANKS = 2_000
# Placements tried in all; 60 blanks take well under a second.
WORK = 40_000
# Orders by size, times rules, with and without patterns: tried even where the first met the bound.
PLAIN_TRIES = 30
RULES = ("top", "left", "short side", "long side", "area")
# Sheets tried for what is dear, so many in each round; more blanks than this are not covered so.
ROUNDS = 5
SHEETS_A_ROUND = 60
MOST_TO_COVER = 400

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
    layout, bound = _Search(kinds, (room[0], room[1]), may_turn).run(bound)
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
        from geometry.nest_kernels import fill_one  # compiled: loaded when something is nested

        self.fill = fill_one
        self.sizes = np.array([kind[:2] for kind in kinds], np.int64).reshape(-1, 2)
        ways = [_ways(kind, room, may_turn) for kind in kinds]
        self.may_lie = np.array([[turn in way for turn in (False, True)] for way in ways], bool)
        self.sides = np.array(room, np.int64)
        self.patterns: dict[int, list[Place]] = {}
        self.tried: dict[Pattern, list[_Spot]] = {}
        self.work = 0

    def run(self, bound: int) -> tuple[Layout, int]:
        """The best layout found, and the bound, raised where it was not met: tries go on past it
        only for a more useful rest."""
        best: Layout = []
        best_score: tuple[int, int] | None = None
        pieces = sum(kind[2] for kind in self.kinds)
        for tries, (order, rule, with_patterns) in enumerate(self._tries(), start=1):
            layout = self._fill_sheets(order, rule, with_patterns)
            score = self._score(layout)
            if best_score is None or score < best_score:
                best, best_score = layout, score
            if tries == PLAIN_TRIES and best_score[0] > bound:
                bound = max(bound, stacked_bound(self.kinds, self.room, may_turn=self.may_turn))
            if tries == PLAIN_TRIES and best_score[0] > max(bound, 2) and pieces <= MOST_TO_COVER:
                covered = self._covered(best_score[0], bound)
                if covered and self._score(covered) < best_score:
                    best, best_score = covered, self._score(covered)
            met = best_score[0] <= bound and (tries >= PLAIN_TRIES or bound <= 1)
            if met or self.work > WORK:
                break
        best.sort(key=lambda spots: -sum(self._area(spot.kind) for spot in spots))
        return best, bound

    def _covered(self, most: int, bound: int) -> Layout:
        """Fewer than `most` sheets out of all that were tried, or nothing; see the module."""
        wanted = [kind[2] for kind in self.kinds]
        present = [index for index, count in enumerate(wanted) if count > 0]
        dice = random.Random(sum(wanted))  # noqa: S311 - a repeatable search, no secret
        found: list[int] = []
        for _ in range(ROUNDS):
            known = list(self.tried)
            worth = prices(known, wanted)
            for _ in range(SHEETS_A_ROUND):
                dear = {
                    kind: worth[kind] / self._area(kind) * dice.uniform(0.7, 1.3)
                    for kind in present
                }
                ranking = sorted(present, key=lambda kind: (-dear[kind], kind))
                order = [kind for kind in ranking for _ in range(wanted[kind])]
                if dice.random() < 0.3:  # some of the dear ones wait, for what fits beside them
                    wait = dice.randint(1, wanted[ranking[0]])
                    order = order[wait:] + order[:wait]
                self._fill_one(order, dice.choice(RULES), self._begun_by_chance(order, dice))
            known = list(self.tried)
            found = fewest(known, wanted)
            if found and len(found) < most and len(found) <= bound:
                break
        return self._taken(found) if found and len(found) < most else []

    def _begun_by_chance(self, order: Sequence[int], dice: random.Random) -> list[_Spot]:
        begun = self._begun(order) if dice.random() < 0.5 else []
        return begun[: dice.randint(0, len(begun))] if dice.random() < 0.5 else begun

    def _taken(self, indices: Sequence[int]) -> Layout:
        """The chosen sheets without what is more than was wanted."""
        known = list(self.tried.values())
        left = [kind[2] for kind in self.kinds]
        layout: Layout = []
        for index in indices:
            kept = []
            for spot in known[index]:
                if left[spot.kind] > 0:
                    left[spot.kind] -= 1
                    kept.append(spot)
            layout.append(kept)
        return [spots for spots in layout if spots]

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
            for rule in RULES:
                for key in keys:
                    yield sorted(every, key=key), rule, with_patterns
        if len(present) <= 4:
            for ranking in permutations(present):
                for rule in RULES:
                    for with_patterns in (False, True):
                        yield sorted(every, key=ranking.index), rule, with_patterns
        dice = random.Random(len(every))  # noqa: S311 - a repeatable search, no secret
        current = sorted(every, key=keys[0])
        while True:
            shuffled = list(current)
            for _ in range(dice.randint(1, 1 + len(shuffled) // 3)):
                a, b = dice.randrange(len(shuffled)), dice.randrange(len(shuffled))
                shuffled[a], shuffled[b] = shuffled[b], shuffled[a]
            yield shuffled, dice.choice(RULES), dice.random() < 0.5

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
        to_skip = len(begun)  # all of the first kind
        rest = []
        for kind in order:
            if to_skip and kind == order[0]:
                to_skip -= 1
            else:
                rest.append(kind)
        lying = np.array([(s.kind, s.x, s.y, s.turned) for s in begun], np.int64).reshape(-1, 4)
        rows, is_left, work = self.fill(
            self.sizes,
            self.may_lie,
            self.sides,
            np.array(rest, np.int64),
            lying,
            RULES.index(rule),
        )
        self.work += work
        spots = [_Spot(kind, x, y, bool(turned)) for kind, x, y, turned in rows.tolist()]
        self._remember(spots)
        return spots, [kind for kind, left in zip(rest, is_left.tolist(), strict=True) if left]

    def _remember(self, spots: Sequence[_Spot]) -> None:
        """Keep one sheet for each way of filling it, to choose from later."""
        counts = [0] * len(self.kinds)
        for spot in spots:
            counts[spot.kind] += 1
        self.tried.setdefault(tuple(counts), list(spots))
