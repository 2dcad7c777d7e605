"""Crowding: places with so much cut on so little film that the heat of the cuts adds up.

What counts is the length of cut in a round window for each mm2 of film left in it. Where lines lie
side by side that is 2 over the film between two of them, however wide the lines are themselves.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, NamedTuple

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.findings import Finding
from geometry.limits import Limits
from geometry.outlines import Outline

FILM_SHARE: Final = 1 / 3
"""Film counts as at least this share of the window. So one line, web or tip, with an edge of two
diameters at most, reads 12 / (pi r) or less, and webs between openings of over twice their width,
which heat nothing but themselves, read less than 2 over their width."""
CELLS: Final = 10  # a window is so many cells of the raster wide
LEAST_CELL_MM: Final = 0.5
_DOUBT: Final = 0.97  # the raster reads up to so much too low (2 % were seen)
_FINE: Final = 4  # pixels of a place's outline to a cell
_SUB: Final = 16  # samples to a cell along the rim of the window
_SMOOTH_PX: Final = 0.7


class Edges(NamedTuple):
    """Closed loops: their points (n, 2) in mm, where each begins (m + 1), 1 for an opening and -1
    for film (m), and their boxes x0, y0, x1, y1 (m, 4)."""

    points: NDArray[np.float64]
    starts: NDArray[np.int64]
    signs: NDArray[np.float64]
    boxes: NDArray[np.float64]


@dataclass(frozen=True)
class _Place:
    """A place that may be crowded: its outline, area, and where the window reads most, mm."""

    outline_mm: tuple[tuple[float, float], ...]
    area_mm2: float
    at_mm: tuple[float, float]


def find_crowding(
    outlines: Sequence[Outline], blank_mm: tuple[float, float], limits: Limits
) -> list[Finding]:
    """Return crowding findings, one for each connected place; [] for a window of 0.

    A raster of a tenth of the window finds the places (cut edges and film on it are exact), and the
    middle of the worst of each is measured on the outlines, exact for them: at_mm is the middle of
    that window. outline_mm goes round all middles of crowded windows and half a radius more, its
    area is area_mm2. Film ends at the blank's edge, whose own cut does not count. The drawn edges
    stand for the beam's path, which runs half a kerf inside them.
    """
    radius_mm = limits.crowding_window_mm / 2
    if not outlines or radius_mm == 0:
        return []
    edges = edges_of(outlines)
    found = []
    for place in _places(edges, blank_mm, radius_mm, limits.crowding_mm_per_mm2):
        measured = cut_per_film(edges, place.at_mm, radius_mm, blank_mm)
        if measured > limits.crowding_mm_per_mm2 + 1e-9:
            found.append(
                Finding(
                    kind="crowding",
                    at_mm=place.at_mm,
                    outline_mm=place.outline_mm,
                    area_mm2=place.area_mm2,
                    cut_mm_per_mm2=measured,
                    limit_mm_per_mm2=limits.crowding_mm_per_mm2,
                )
            )
    return found


def edges_of(outlines: Sequence[Outline]) -> Edges:
    """Return the edges of outlines, of which there is one at least."""
    points = np.concatenate([outline.points_mm for outline in outlines])
    starts = np.concatenate([[0], np.cumsum([len(outline.points_mm) for outline in outlines])])
    signs = np.array([-1.0 if outline.is_hole else 1.0 for outline in outlines])
    return Edges(points, starts, signs, np.array([outline.box_mm for outline in outlines]))


def cut_per_film(
    edges: Edges, at_mm: tuple[float, float], radius_mm: float, blank_mm: tuple[float, float]
) -> float:
    """Return mm of cut for each mm2 of film within a radius of a point, exact for the polygons."""
    length_mm, open_mm2 = _in_circle(*edges, *at_mm, radius_mm)
    window_mm2 = math.pi * radius_mm**2
    film_mm2 = _blank_in_circle(at_mm, radius_mm, blank_mm) - open_mm2
    return float(length_mm / max(film_mm2, FILM_SHARE * window_mm2))


def _blank_in_circle(
    at_mm: tuple[float, float], radius_mm: float, blank_mm: tuple[float, float]
) -> float:
    """Return how much of a circle lies on the blank, mm2."""
    width, height = blank_mm
    corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
    box = np.array([[0.0, 0.0, width, height]])
    _, area_mm2 = _in_circle(corners, np.array([0, 4]), np.ones(1), box, *at_mm, radius_mm)
    return float(area_mm2)


def _places(
    edges: Edges, blank_mm: tuple[float, float], radius_mm: float, limit: float
) -> Iterator[_Place]:
    """Yield the places where the raster reads the limit, or so little less that it may be."""
    cell_mm = max(2 * radius_mm / CELLS, LEAST_CELL_MM)
    crowded = _on_raster(edges, blank_mm, cell_mm, radius_mm)
    level = _DOUBT * limit
    if float(crowded.max()) <= level:
        return
    reach = radius_mm / 2 / cell_mm
    span = np.arange(-int(reach), int(reach) + 1)
    disc = (np.hypot(span[:, None], span[None, :]) <= reach).astype(np.uint8)
    heated = cv2.dilate(crowded, disc, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(
        (heated > level).astype(np.uint8), connectivity=8
    )
    for label in range(1, count):
        x, y, width, height = (int(value) for value in boxes[label, :4])
        left, top = max(x - 1, 0), max(y - 1, 0)
        box = np.s_[top : y + height + 1, left : x + width + 1]
        own = labels[box] == label
        line, area = _outline(np.where(own | (labels[box] == 0), heated[box], 0), level)
        at_x, at_y = _worst(np.where(own, crowded[box], 0))
        yield _Place(
            outline_mm=tuple(
                (
                    min(float(left + x) * cell_mm, blank_mm[0]),
                    min(float(top + y) * cell_mm, blank_mm[1]),
                )
                for x, y in line
            ),
            area_mm2=area * cell_mm**2,
            at_mm=((left + at_x + 0.5) * cell_mm, (top + at_y + 0.5) * cell_mm),
        )


def _outline(heated: NDArray[Any], level: float) -> tuple[NDArray[np.float64], float]:
    """Return the closed line (n, 2) around what is above a level, and its area; in cells."""
    size = (heated.shape[1] * _FINE, heated.shape[0] * _FINE)
    fine = cv2.resize(heated, size, interpolation=cv2.INTER_LINEAR) > level
    lines, _ = cv2.findContours(fine.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(lines, key=len)
    line = cv2.approxPolyDP(longest, _SMOOTH_PX, closed=True).reshape(-1, 2)
    return (line + 0.5) / _FINE, float(fine.sum()) / _FINE**2


def _worst(cells: NDArray[Any]) -> tuple[int, int]:
    """Return which cell (x, y) of a place is most crowded: of all about equally so, the midmost."""
    rows, columns = np.nonzero(cells >= 0.97 * cells.max())
    off = np.hypot(rows - rows.mean(), columns - columns.mean())
    midmost = int(np.argmin(np.round(off, 6)))
    return int(columns[midmost]), int(rows[midmost])


def _on_raster(
    edges: Edges, blank_mm: tuple[float, float], cell_mm: float, radius_mm: float
) -> NDArray[np.float32]:
    """Return mm of cut for each mm2 of film in the window around each cell's middle (h, w)."""
    columns, rows = (math.ceil(side / cell_mm - 1e-9) for side in blank_mm)
    length, open_share = _on_cells(edges.points / cell_mm, edges.starts, edges.signs, rows, columns)
    film = 1 - open_share
    film[:, -1] -= columns - blank_mm[0] / cell_mm  # of a cell that the blank's edge crosses
    film[-1] -= rows - blank_mm[1] / cell_mm
    film = np.maximum(film, 0)
    window = _window(radius_mm / cell_mm)
    cut, left = (
        cv2.filter2D(one, cv2.CV_32F, window, borderType=cv2.BORDER_CONSTANT)
        for one in (length, film)
    )
    crowded = cut / (np.maximum(left, FILM_SHARE * float(window.sum())) * cell_mm)
    return np.asarray(crowded, np.float32)


@cache
def _window(radius: float) -> NDArray[np.float32]:
    """Return the share of each cell within a radius, in cells, of the middle one's middle."""
    reach = math.ceil(radius - 0.5)
    at = (np.arange((2 * reach + 1) * _SUB) + 0.5) / _SUB - reach - 0.5
    inside = np.hypot(at[:, None], at[None, :]) <= radius
    cells = inside.reshape(2 * reach + 1, _SUB, 2 * reach + 1, _SUB)
    return np.asarray(cells.mean(axis=(1, 3)), np.float32)


@njit(cache=True)
def _signed(points: NDArray[np.float64]) -> float:
    """Return twice the signed area of a closed loop (n, 2)."""
    total = 0.0
    x0, y0 = points[-1]
    for index in range(len(points)):
        x1, y1 = points[index]
        total += x0 * y1 - x1 * y0
        x0, y0 = x1, y1
    return total


@njit(cache=True)
def _on_cells(
    points: NDArray[np.float64],
    starts: NDArray[np.int64],
    signs: NDArray[np.float64],
    rows: int,
    columns: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the length of edge around each cell's middle (rows, columns), each bit of it shared
    out to the four nearest, and the share of the cell that openings cover. Points in cells."""
    length = np.zeros((rows + 2, columns + 2))
    cover = np.zeros((rows, columns + 1))  # adds up from the left
    for loop in range(len(signs)):
        own = points[starts[loop] : starts[loop + 1]]
        sign = -signs[loop] if _signed(own) > 0 else signs[loop]
        x0, y0 = own[-1]
        for index in range(len(own)):
            x1, y1 = own[index]
            dx, dy = x1 - x0, y1 - y0
            long = np.sqrt(dx * dx + dy * dy)
            upper, lower = int(np.floor(min(y0, y1))), int(np.floor(max(y0, y1)))
            for row in range(max(upper, 0), min(lower, rows - 1) + 1):
                start, end = 0.0, 1.0
                if upper != lower:
                    one, other = (row - y0) / dy, (row + 1 - y0) / dy
                    start, end = max(min(one, other), 0.0), min(max(one, other), 1.0)
                pieces = int(abs(dx) * (end - start) * 2) + 1
                step = (end - start) / pieces
                fall, bit = sign * dy * step, long * step
                for piece in range(pieces):
                    share = start + (piece + 0.5) * step
                    x, y = x0 + share * dx, y0 + share * dy
                    if x >= columns:
                        continue
                    if x < 0:
                        cover[row, 0] += fall
                        continue
                    column = int(x)
                    cover[row, column] += fall * (column + 1 - x)
                    cover[row, column + 1] += fall * (x - column)
                    column, line = int(x + 0.5), int(y + 0.5)  # counted from the raster's rim
                    right, down = x + 0.5 - column, y + 0.5 - line
                    length[line, column] += (1 - right) * (1 - down) * bit
                    length[line, column + 1] += right * (1 - down) * bit
                    length[line + 1, column] += (1 - right) * down * bit
                    length[line + 1, column + 1] += right * down * bit
            x0, y0 = x1, y1
    covered = np.empty((rows, columns), np.float32)
    for row in range(rows):
        total = 0.0
        for column in range(columns):
            total += cover[row, column]
            covered[row, column] = min(max(total, 0.0), 1.0)
    return length[1:-1, 1:-1].astype(np.float32), covered


@njit(cache=True)
def _in_circle(
    points: NDArray[np.float64],
    starts: NDArray[np.int64],
    signs: NDArray[np.float64],
    boxes: NDArray[np.float64],
    x: float,
    y: float,
    radius: float,
) -> tuple[float, float]:
    """Return the length of edge and the area of openings within a circle.

    Each edge adds the triangle or sector that it spans with the circle's middle.
    """
    length = area = 0.0
    for loop in range(len(signs)):
        least_x, least_y, most_x, most_y = boxes[loop]
        if not (
            x - radius < most_x
            and x + radius > least_x
            and y - radius < most_y
            and y + radius > least_y
        ):
            continue
        own = points[starts[loop] : starts[loop + 1]]
        spanned = 0.0
        x0, y0 = own[-1, 0] - x, own[-1, 1] - y
        for index in range(len(own)):
            x1, y1 = own[index, 0] - x, own[index, 1] - y
            dx, dy = x1 - x0, y1 - y0
            squared = dx * dx + dy * dy
            start = end = 0.0
            if squared > 0:
                middle = -(x0 * dx + y0 * dy) / squared
                half = middle * middle - (x0 * x0 + y0 * y0 - radius * radius) / squared
                if half > 0:
                    half = np.sqrt(half)
                    start = min(max(middle - half, 0.0), 1.0)
                    end = min(max(middle + half, 0.0), 1.0)
            ax, ay = x0 + start * dx, y0 + start * dy
            bx, by = x0 + end * dx, y0 + end * dy
            spanned += ax * by - ay * bx
            spanned += radius * radius * np.arctan2(x0 * ay - y0 * ax, x0 * ax + y0 * ay)
            spanned += radius * radius * np.arctan2(bx * y1 - by * x1, bx * x1 + by * y1)
            length += (end - start) * np.sqrt(squared)
            x0, y0 = x1, y1
        area += signs[loop] * abs(spanned) / 2
    return length, area
