"""Where the numbers of findings stand round a printed drawing, outside of what is read again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from geometry.limits import Blank
from geometry.markers import GAP_MM, MARKER_MM
from geometry.printed_code import CODE_MM, QUIET_MM, code_corner_mm

PITCH_MM: Final = 6.4  # from number to number
SIDE_MM: Final = 6.5  # from the blank's side to the middle of a number beside it
ROOM_MM: Final = SIDE_MM + PITCH_MM / 2  # what a row of numbers needs beside the blank

Point = tuple[float, float]


@dataclass(frozen=True)
class PrintedMark:
    """A number outside of the blank and the place that it is about, in mm of the blank."""

    number: int
    severity: str
    x: float
    y: float
    at: Point


def places_round(blank: Blank, side_room_mm: float) -> list[Point]:
    """Return where numbers may stand: between the corner marks, and beside where there is room."""
    width, height = blank.size_mm
    above, below = -GAP_MM - MARKER_MM / 2, height + GAP_MM + MARKER_MM / 2
    clear = MARKER_MM + PITCH_MM * 0.75
    code_left = code_corner_mm(blank)[0] - QUIET_MM - PITCH_MM / 2
    code_right = code_left + CODE_MM + 2 * QUIET_MM + PITCH_MM
    found = [(x, above) for x in _spread(clear, width - clear)]
    found += [(x, below) for x in (*_spread(clear, code_left), *_spread(code_right, width - clear))]
    if side_room_mm >= ROOM_MM:
        rows = _spread(2.0, height - 2.0)
        found += [(x, y) for y in rows for x in (-SIDE_MM, width + SIDE_MM)]
    return found


def place_numbers(
    findings: Sequence[dict[str, Any]], blank: Blank, side_room_mm: float
) -> list[PrintedMark]:
    """Return a mark for each finding that has a place, as far as there is room, the gravest first.

    All lines from numbers to places together are as short as they can be, so that none cross
    (an assignment of least cost; two lines that cross could be swapped for shorter ones).
    """
    from scipy.optimize import linear_sum_assignment

    places = places_round(blank, side_room_mm)
    placed = [finding for finding in findings if finding.get("at_mm")][: len(places)]
    if not placed:
        return []
    cost = [[math.dist(_point(finding), place) for place in places] for finding in placed]
    rows, columns = linear_sum_assignment(cost)
    return [
        PrintedMark(
            int(placed[row]["id"]),
            str(placed[row]["severity"]),
            places[column][0],
            places[column][1],
            _point(placed[row]),
        )
        for row, column in zip(rows, columns, strict=True)
    ]


def _point(finding: dict[str, Any]) -> Point:
    x, y = finding["at_mm"]
    return float(x), float(y)


def _spread(start: float, end: float) -> list[float]:
    """Return places from start to end, at least a pitch apart."""
    if end < start:
        return []
    count = int((end - start) // PITCH_MM) + 1
    step = (end - start) / (count - 1) if count > 1 else 0.0
    return [start + number * step for number in range(count)]
