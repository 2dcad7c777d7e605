"""Fill one sheet with what is most urgent, then with what else fits, round pieces that stay.

The same free rectangles and rules as in `geometry.nesting`, under many orders: all blanks of one
urgency before those of the next. The layout that holds most area of the most urgent is kept, ties
going to the next urgency, and so on. Seeded, so that the same wish gives the same sheet.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geometry.nesting import RULES, SLACK_MM, UNITS_PER_MM, Placed

TRIES = 200


@dataclass(frozen=True)
class Wanted:
    """So many blanks of a size; urgency 0 comes first. `code` names them in the result."""

    code: str
    width_mm: float
    height_mm: float
    count: int
    urgency: int = 0


@dataclass(frozen=True)
class Filled:
    """What lies on the sheet (without what was pinned), and how many of each code are left."""

    placed: tuple[Placed, ...]
    left: dict[str, int]


def fill_sheet(
    wanted: Sequence[Wanted],
    sheet_mm: tuple[float, float],
    *,
    edge_mm: float = 0.0,
    gap_mm: float = 0.0,
    pinned: Sequence[Placed] = (),
) -> Filled:
    """Return one sheet filled from `wanted`; `pinned` blanks stay where they lie.

    A blank that fits on no empty sheet is left over, as is one for which there is no room.
    """
    from geometry.nest_kernels import fill_one

    gap = _units(gap_mm)
    room = np.array([_units(side - 2 * edge_mm + SLACK_MM) + gap for side in sheet_mm], np.int64)
    sizes = np.array(
        [(_units(w) + gap, _units(h) + gap) for w, h in _all_sizes(wanted, pinned)], np.int64
    ).reshape(-1, 2)
    turned = sizes[:, ::-1]
    ways = np.stack([(sizes <= room).all(1), (turned <= room).all(1)], axis=1)
    ways[sizes[:, 0] == sizes[:, 1], 1] = False
    begun = np.array(
        [
            (len(wanted) + n, _units(p.x_mm - edge_mm), _units(p.y_mm - edge_mm), 0)
            for n, p in enumerate(pinned)
        ],
        np.int64,
    ).reshape(-1, 4)
    areas = sizes.prod(axis=1)
    urgencies = sorted({one.urgency for one in wanted})
    best: np.ndarray | None = None
    best_score: tuple[float, ...] = ()
    for order, rule in _tries(wanted, areas.tolist()):
        spots, _, _ = fill_one(sizes, ways, room, np.array(order, np.int64), begun, rule)
        spots = spots[len(pinned) :]
        laid = [wanted[kind] for kind in spots[:, 0].tolist()]
        score = tuple(
            sum(one.width_mm * one.height_mm for one in laid if one.urgency == urgency)
            for urgency in urgencies
        )
        if best is None or score > best_score:
            best, best_score = spots, score
        if len(laid) == len(order):
            break
    return _filled(wanted, [] if best is None else best.tolist(), edge_mm)


def _all_sizes(wanted: Sequence[Wanted], pinned: Sequence[Placed]) -> list[tuple[float, float]]:
    sizes = [(one.width_mm, one.height_mm) for one in wanted]
    return sizes + [(one.width_mm, one.height_mm) for one in pinned]


def _tries(wanted: Sequence[Wanted], areas: Sequence[int]) -> list[tuple[list[int], int]]:
    """Orders of kinds with a rule each: largest first, longest first, then shuffled ones."""
    kinds = [kind for kind, one in enumerate(wanted) for _ in range(one.count)]
    by_area = sorted(kinds, key=lambda k: (wanted[k].urgency, -areas[k], k))
    by_side = sorted(
        kinds, key=lambda k: (wanted[k].urgency, -max(wanted[k].width_mm, wanted[k].height_mm), k)
    )
    tries = [(order, rule) for order in (by_area, by_side) for rule in range(len(RULES))]
    dice = random.Random(len(kinds))  # noqa: S311 - a repeatable search, no secret
    for _ in range(TRIES):
        weight = {k: areas[k] * dice.uniform(0.4, 1.6) for k in set(kinds)}
        order = sorted(kinds, key=lambda k: (wanted[k].urgency, -weight[k], k))
        tries.append((order, dice.randrange(len(RULES))))
    return tries


def _filled(wanted: Sequence[Wanted], spots: Sequence[Sequence[int]], edge_mm: float) -> Filled:
    left = {one.code: one.count for one in wanted}
    placed = []
    for kind, x, y, turned in sorted(spots, key=lambda spot: (spot[2], spot[1])):
        one = wanted[kind]
        size = (one.height_mm, one.width_mm) if turned else (one.width_mm, one.height_mm)
        x_mm, y_mm = (round(edge_mm + value / UNITS_PER_MM, 6) for value in (x, y))
        placed.append(Placed(one.code, x_mm, y_mm, bool(turned), *size))
        left[one.code] -= 1
    return Filled(tuple(placed), left)


def _units(length_mm: float) -> int:
    return round(length_mm * UNITS_PER_MM)
