"""Where the numbered marks of findings go on a drawing, in mm of the blank."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

MARK_SHARE = 0.066  # of the blank's width: 24 px on a phone, the least that a thumb can hit
RINGS = 8
_DIRECTIONS = [math.radians(angle) for angle in (-45, -135, 45, 135, -90, 0, 90, 180)]


@dataclass(frozen=True)
class Mark:
    """A numbered mark on the drawing, all in mm of the blank; x, y is the mark's middle."""

    x: float
    y: float
    size: float
    at_x: float
    at_y: float
    path: str

    @property
    def left(self) -> float:
        """Left edge of the mark."""
        return self.x - self.size / 2

    @property
    def top(self) -> float:
        """Upper edge of the mark."""
        return self.y - self.size / 2


def place_marks(
    findings: Iterable[dict[str, Any]], blank_mm: tuple[float, float]
) -> list[Mark | None]:
    """Return a mark for each finding (None where it has no place), each near its spot.

    A mark takes the first free place round its spot, in growing circles, inside the blank; the
    page draws a line from the mark to the spot.
    """
    size = MARK_SHARE * blank_mm[0]
    taken: list[tuple[float, float]] = []
    marks: list[Mark | None] = []
    for finding in findings:
        at = finding.get("at_mm")
        if not at:
            marks.append(None)
            continue
        outline = path_of(finding)
        x, y = _free_place((float(at[0]), float(at[1])), taken, size, blank_mm)
        taken.append((x, y))
        marks.append(_mark(x, y, size, at, outline))
    return marks


def _free_place(
    at: tuple[float, float],
    taken: list[tuple[float, float]],
    size: float,
    blank_mm: tuple[float, float],
) -> tuple[float, float]:
    """Return the nearest place round ``at`` that no other mark covers, or one beside it."""
    half = size / 2
    farthest = size * (0.9 * RINGS + 1)
    taken = [one for one in taken if math.dist(one, at) <= farthest]
    for ring in range(1, RINGS + 1):
        for direction in _DIRECTIONS:
            reach = size * 0.9 * ring
            x, y = at[0] + reach * math.cos(direction), at[1] + reach * math.sin(direction)
            inside = half <= x <= blank_mm[0] - half and half <= y <= blank_mm[1] - half
            if inside and not any(
                abs(x - over) <= size and math.hypot(x - over, y - down) <= size
                for over, down in taken
            ):
                return x, y
    return (
        min(max(at[0], half), blank_mm[0] - half),
        min(max(at[1], half), blank_mm[1] - half),
    )


def _mark(x: float, y: float, size: float, at: list[float], path: str) -> Mark:
    x, y, size, at_x, at_y = (round(float(number), 2) for number in (x, y, size, *at))
    return Mark(x, y, size, at_x, at_y, path)


def path_of(finding: dict[str, Any]) -> str:
    """Return an SVG path of what a finding concerns, "" where it has fewer than two points.

    An area's outline is closed; a line or a web is told by an open one along it.
    """
    outline_mm = finding.get("outline_mm") or []
    if len(outline_mm) < 2:
        return ""
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in outline_mm)
    return f"M{points}Z" if finding.get("area_mm2") is not None else f"M{points}"


ZOOM_MM = 26.0
ZOOM_ROOM = 1.5


def zoom_box(
    finding: dict[str, Any], blank_mm: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Return (x, y, width, height) of the blank that shows a finding close up.

    In the blank's own proportion, 26 mm wide or what the finding takes with room round it, and
    never beyond the blank.
    """
    at = finding.get("at_mm") or (blank_mm[0] / 2, blank_mm[1] / 2)
    points = [*(finding.get("outline_mm") or ()), at]
    xs, ys = [float(x) for x, _ in points], [float(y) for _, y in points]
    ratio = blank_mm[1] / blank_mm[0]
    across = max(max(xs) - min(xs), (max(ys) - min(ys)) / ratio) * ZOOM_ROOM
    width = min(max(across, ZOOM_MM), blank_mm[0])
    height = width * ratio
    x = min(max((min(xs) + max(xs)) / 2 - width / 2, 0.0), blank_mm[0] - width)
    y = min(max((min(ys) + max(ys)) / 2 - height / 2, 0.0), blank_mm[1] - height)
    return round(x, 2), round(y, 2), round(width, 2), round(height, 2)
