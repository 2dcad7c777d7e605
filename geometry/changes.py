"""What differs between two stencils of one blank: ink added and film added, place by place.

Meant for a printed drawing that comes back mended from paper: printing and photographing move
every edge a little, and that is no change. Both stencils are painted on one grid and compared.
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from geometry.findings import place_words
from geometry.stencil import Stencil

PX_PER_MM: Final = 10
LEAST_TOLERANCE_MM: Final = 0.45
"""An edge that moved by no more than this is no change."""
MOST_TOLERANCE_MM: Final = 1.2
WIDE_MM: Final = 0.6
"""What is at least so wide both ways is a change even where it is near an edge."""
LEAST_AREA_MM2: Final = 0.25
MOST_CHANGES: Final = 60
WHITE: Final = "white"
BLACK: Final = "black"
_JOINED_MM: Final = 0.6  # parts of one stroke that are nearer than this are one change
_RING_MM: Final = 0.4

Mask = NDArray[Any]  # uint8, ones and noughts


@dataclass(frozen=True)
class Change:
    """One place that changed. pen: "white" (film added) or "black" (ink added).

    at_mm: a point in it. outlines_mm: closed rings round it, in the blank's frame. told: what it
    does, and where, in an artist's words.
    """

    number: int
    pen: str
    at_mm: tuple[float, float]
    area_mm2: float
    outlines_mm: tuple[tuple[tuple[float, float], ...], ...]
    told: str

    def to_json(self) -> dict[str, Any]:
        """Return the change as plain JSON."""
        return {
            "number": self.number,
            "pen": self.pen,
            "at_mm": list(self.at_mm),
            "area_mm2": self.area_mm2,
            "outlines_mm": [[list(point) for point in ring] for ring in self.outlines_mm],
            "told": self.told,
        }


@dataclass(frozen=True)
class Changes:
    """All changes, the largest first; tolerance_mm: how far an edge may have moved without one.

    left_out: how many there are beyond MOST_CHANGES.
    """

    places: tuple[Change, ...]
    tolerance_mm: float
    left_out: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return them as plain JSON."""
        return {
            "tolerance_mm": self.tolerance_mm,
            "left_out": self.left_out,
            "places": [place.to_json() for place in self.places],
        }


def find_changes(before: Stencil, after: Stencil) -> Changes:
    """Return where ink or film was added between two stencils of the same blank.

    A place is a change where it is farther than the tolerance from every edge that it could have
    come from, or 0.6 mm wide both ways. The tolerance is 0.45 mm, or what 95 of 100 parts of the
    edges moved by and 0.15 mm (a curled sheet), at most 1.2 mm. Raises ValueError where the blanks
    differ in size.
    """
    if not np.allclose(before.blank_mm, after.blank_mm, atol=0.01):
        raise ValueError("only stencils of one blank can be compared")
    old, new = (_painted(stencil) for stencil in (before, after))
    tolerance_mm = _tolerance(old, new)
    places: list[tuple[float, str, Mask]] = []
    for pen, added, other in (
        (WHITE, old & ~new & 1, new),
        (BLACK, new & ~old & 1, old),
    ):
        places += [(area, pen, part) for area, part in _parts(added, other, tolerance_mm)]
    places.sort(key=lambda place: -place[0])
    changes = [
        _change(at + 1, pen, area, part, old, new, after.blank_mm)
        for at, (area, pen, part) in enumerate(places[:MOST_CHANGES])
    ]
    return Changes(tuple(changes), round(tolerance_mm, 2), max(0, len(places) - MOST_CHANGES))


def _painted(stencil: Stencil) -> Mask:
    """Return the openings of a stencil as a mask (h, w) of ones."""
    width, height = (max(1, round(side * PX_PER_MM)) for side in stencil.blank_mm)
    mask = np.zeros((height, width), np.uint8)
    for opening in stencil.openings:
        cv2.fillPoly(mask, _rings(opening), 1, cv2.LINE_8, 4)
    return mask


def _rings(opening: Polygon) -> list[NDArray[np.int32]]:
    return [
        np.rint((np.asarray(ring.coords)[:, :2] * PX_PER_MM - 0.5) * 16).astype(np.int32)
        for ring in (opening.exterior, *opening.interiors)
    ]


def _tolerance(old: Mask, new: Mask) -> float:
    """Return how far an edge may have moved, from how far those moved that did not change."""
    if not old.any() or not new.any():
        return LEAST_TOLERANCE_MM
    away = cv2.distanceTransform(1 - _edge(old), cv2.DIST_L2, 5)
    moved = away[_edge(new) > 0] / PX_PER_MM
    moved = moved[moved < MOST_TOLERANCE_MM]  # farther off is a stroke of the pen
    usual = float(np.percentile(moved, 95)) if moved.size else 0.0
    return min(max(LEAST_TOLERANCE_MM, usual + 0.15), MOST_TOLERANCE_MM)


def _edge(mask: Mask) -> Mask:
    return cv2.morphologyEx(mask, cv2.MORPH_GRADIENT, np.ones((2, 2), np.uint8))


def _parts(added: Mask, other: Mask, tolerance_mm: float) -> list[tuple[float, Mask]]:
    """Return (area in mm2, mask) of each part of what was added that is a change."""
    away = cv2.distanceTransform(1 - other, cv2.DIST_L2, 5) / PX_PER_MM
    inside = cv2.distanceTransform(added, cv2.DIST_L2, 5) / PX_PER_MM
    # half the width of a strip that an edge may leave as it moves, and of what is wide; a painted
    # gap is a pixel narrower than the gap
    wide_mm = max((WIDE_MM - 1 / PX_PER_MM) / 2, tolerance_mm / 2 + 0.03)
    sure = ((added > 0) & ((away > tolerance_mm) | (inside > wide_mm))).astype(np.uint8)
    if not sure.any():
        return []
    # of a part, what is near its sure core belongs to it; slivers that trail away do not
    near = cv2.dilate(sure, _disc(tolerance_mm)) & added
    joined = cv2.dilate(near, _disc(_JOINED_MM / 2))
    count, labels = cv2.connectedComponents(joined, connectivity=8)
    found = []
    for label in range(1, count):
        part = ((labels == label) & (near > 0)).astype(np.uint8)
        area = float(part.sum()) / PX_PER_MM**2
        if area >= LEAST_AREA_MM2:
            found.append((area, part))
    return found


def _disc(radius_mm: float) -> Mask:
    radius = max(1, round(radius_mm * PX_PER_MM))
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return (x * x + y * y <= radius * radius + radius).astype(np.uint8)


def _change(
    number: int,
    pen: str,
    area: float,
    part: Mask,
    old: Mask,
    new: Mask,
    blank_mm: tuple[float, float],
) -> Change:
    deep = cv2.distanceTransform(np.pad(part, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    y, x = np.unravel_index(int(deep.argmax()), deep.shape)
    at_mm = (round((int(x) + 0.5) / PX_PER_MM, 1), round((int(y) + 0.5) / PX_PER_MM, 1))
    edges, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rings = tuple(
        tuple(
            (round((px + 0.5) / PX_PER_MM, 2), round((py + 0.5) / PX_PER_MM, 2))
            for px, py in cv2.approxPolyDP(edge, 1.2, closed=True)[:, 0].tolist()
        )
        for edge in edges
    )
    told = _white_words(part, old, new) if pen == WHITE else _black_words(part, old)
    where = place_words(at_mm, blank_mm)
    return Change(number, pen, at_mm, round(area, 2), rings, f"{told}, {where}.")


def _white_words(part: Mask, old: Mask, new: Mask) -> str:
    """Say what added film does: it crosses a line, covers one, or takes from its edge."""
    ring, window = _ring(part)
    if not (ring & new[window]).any():
        return "A black place covered with white"
    sides = _count(ring & (1 - old[window]) & (1 - new[window]))
    if sides >= 2:
        return "White added across the line"
    return "White added at the edge or end of a line"


def _black_words(part: Mask, old: Mask) -> str:
    """Say what added ink does: a line of its own, a longer one, or a gap closed."""
    ring, window = _ring(part)
    touched = _count(ring & old[window])
    if touched == 0:
        return "Something new in black"
    if touched == 1:
        return "A line made longer or wider"
    return "Black added that joins two lines or closes a gap"


def _ring(part: Mask) -> tuple[Mask, tuple[slice, slice]]:
    """Return what lies just round a part, in a window, and the window."""
    x, y, width, height = cv2.boundingRect(part)
    pad = round(3 * _RING_MM * PX_PER_MM)
    rows = slice(max(0, y - pad), y + height + pad)
    columns = slice(max(0, x - pad), x + width + pad)
    inner = part[rows, columns]
    near = cv2.dilate(inner, _disc(0.15))  # an edge may have moved by a pixel or two
    around = np.asarray(cv2.dilate(near, _disc(_RING_MM)), np.uint8)
    return around & np.asarray(1 - near, np.uint8), (rows, columns)


def _count(mask: Mask) -> int:
    """Return how many parts a mask has, crumbs apart."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    return sum(int(stats[label, cv2.CC_STAT_AREA]) >= 4 for label in range(1, count))
