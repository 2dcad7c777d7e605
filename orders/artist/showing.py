"""Findings as a page shows them: where the numbered marks go, and the measure in words.

The report keeps every finding; a page shows at most twenty of a kind and says how many more.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from geometry.findings import KINDS
from orders.models import Version
from orders.templatetags.holdfast import in_mm

SHOWN_OF_A_KIND = 20
MARK_SHARE = 0.066  # of the blank's width: 24 px on a phone, the least that a thumb can hit
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


@dataclass(frozen=True)
class FindingShown:
    """One line of the list and its mark."""

    id: int
    kind: str
    key: str
    severity: str
    message: str
    remedy: str
    measure: str
    mark: Mark | None


@dataclass(frozen=True)
class FindingsShown:
    """What the list shows, and sentences about those it leaves out."""

    findings: list[FindingShown]
    left_out: list[str]
    left_out_paths: list[tuple[str, str]]  # (severity, path): outlined, without a number


def findings_shown(version: Version) -> FindingsShown:
    """Return the findings of a version as its page shows them, marks placed clear of each other."""
    by_kind: dict[str, int] = defaultdict(int)
    chosen: list[dict[str, Any]] = []
    rest: list[dict[str, Any]] = []
    for finding in version.findings:
        by_kind[finding["kind"]] += 1
        (chosen if by_kind[finding["kind"]] <= SHOWN_OF_A_KIND else rest).append(finding)
    marks = place_marks(chosen, version.blank.size_mm)
    shown = [_shown(finding, mark) for finding, mark in zip(chosen, marks, strict=True)]
    left_out = [
        f"And {count - SHOWN_OF_A_KIND} more of the same, “{_title_of(kind)}”: "
        "they are outlined on the drawing."
        for kind, count in by_kind.items()
        if count > SHOWN_OF_A_KIND
    ]
    paths = [(str(finding["severity"]), _path(finding)) for finding in rest]
    return FindingsShown(shown, left_out, paths)


def _title_of(kind: str) -> str:
    known = KINDS.get(kind)
    return known.title.lower() if known else kind.replace("-", " ")


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
        outline = _path(finding)
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
    for ring in range(1, 9):
        for direction in _DIRECTIONS:
            reach = size * 0.9 * ring
            x, y = at[0] + reach * math.cos(direction), at[1] + reach * math.sin(direction)
            inside = half <= x <= blank_mm[0] - half and half <= y <= blank_mm[1] - half
            if inside and all(math.dist((x, y), other) > size for other in taken):
                return x, y
    return (
        min(max(at[0], half), blank_mm[0] - half),
        min(max(at[1], half), blank_mm[1] - half),
    )


def _mark(x: float, y: float, size: float, at: list[float], path: str) -> Mark:
    x, y, size, at_x, at_y = (round(float(number), 2) for number in (x, y, size, *at))
    return Mark(x, y, size, at_x, at_y, path)


def _path(finding: dict[str, Any]) -> str:
    """Return an SVG path of what a finding concerns, "" where it has fewer than two points.

    An area's outline is closed; a line or a web is told by an open one along it.
    """
    outline_mm = finding.get("outline_mm") or []
    if len(outline_mm) < 2:
        return ""
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in outline_mm)
    return f"M{points}Z" if finding.get("area_mm2") is not None else f"M{points}"


def _shown(finding: dict[str, Any], mark: Mark | None) -> FindingShown:
    return FindingShown(
        id=int(finding["id"]),
        kind=str(finding["kind"]),
        key=str(finding["key"]),
        severity=str(finding["severity"]),
        message=str(finding["message"]),
        remedy=str(finding.get("remedy") or ""),
        measure=measure_of(finding),
        mark=mark,
    )


def measure_of(finding: dict[str, Any]) -> str:
    """Return the measure against its limit in words, "" where there is nothing to compare."""
    limit = finding.get("limit_mm")
    for key, name in (("width_mm", "wide"), ("distance_mm", "from the edge")):
        if finding.get(key) is not None:
            words = f"{in_mm(float(finding[key]))} {name}"
            return f"{words}; {in_mm(float(limit))} or more is wanted" if limit else words
    if finding.get("kind") == "island" and finding.get("area_mm2") is not None:
        area = float(finding["area_mm2"])
        return f"{area:,.0f} mm² of film" if area >= 10 else f"{area:.1f} mm² of film"
    return ""
