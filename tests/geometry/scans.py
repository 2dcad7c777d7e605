"""Shapes in mm (shapely) turned into scans: exact truth, with blur, noise and pencil."""

import cv2
import numpy as np
import shapely
from numba import njit
from numpy.typing import NDArray
from shapely import Polygon

from geometry.outlines import Outline

SUB_ROWS = 16  # lines sampled a pixel; along each of them coverage is exact
INK, PAPER = 35, 235


@njit(cache=True)
def _add_ring(total: NDArray[np.float64], ring: NDArray[np.float64]) -> None:
    """Add a closed ring (n, 2) in pixels to a picture of differences along x."""
    height, width = total.shape
    for index in range(len(ring)):
        x0, y0 = ring[index]
        x1, y1 = ring[(index + 1) % len(ring)]
        sign = 1.0 if y1 > y0 else -1.0
        if y1 < y0:
            x0, y0, x1, y1 = x1, y1, x0, y0
        first = max(int(np.ceil(y0 * SUB_ROWS - 0.5)), 0)
        last = min(int(np.ceil(y1 * SUB_ROWS - 0.5)), height * SUB_ROWS)
        for line in range(first, last):
            y = (line + 0.5) / SUB_ROWS
            x = min(max(x0 + (x1 - x0) * (y - y0) / (y1 - y0), 0.0), width - 1.001)
            column = int(x)
            total[line // SUB_ROWS, column] += sign * (column + 1 - x) / SUB_ROWS
            total[line // SUB_ROWS, column + 1] += sign * (x - column) / SUB_ROWS


def coverage(
    shape: shapely.Geometry, size_mm: tuple[float, float], px_per_mm: float
) -> NDArray[np.float32]:
    """Return the share (h, w) of each pixel that a shape covers, by signed areas."""
    width, height = (round(side * px_per_mm) for side in size_mm)
    total = np.zeros((height, width + 1))
    for part in shapely.get_parts(shape):
        for index, ring in enumerate((part.exterior, *part.interiors)):
            step = 1 if ring.is_ccw == (index == 0) else -1
            points = np.asarray(ring.coords)[:-1, :2] * px_per_mm
            _add_ring(total, np.ascontiguousarray(points[::step]))
    return np.abs(np.cumsum(total, axis=1)[:, :width]).astype(np.float32)


def scan(
    black: shapely.Geometry,
    size_mm: tuple[float, float] = (40.0, 40.0),
    dpi: float = 300,
    *,
    pencil: shapely.Geometry | None = None,
    pencil_contrast: float = 0.45,
    blur_px: float = 0.6,
    noise: float = 3.0,
    seed: int = 1,
) -> tuple[NDArray[np.uint8], float]:
    """Return (grey, px_per_mm) of black shapes on white paper, with pencil of part contrast."""
    px_per_mm = dpi / 25.4
    dark = coverage(black, size_mm, px_per_mm)
    if pencil is not None:
        dark = np.maximum(dark, pencil_contrast * coverage(pencil, size_mm, px_per_mm))
    dark = cv2.GaussianBlur(dark, (0, 0), blur_px)
    grey = PAPER - (PAPER - INK) * dark
    grey += np.random.default_rng(seed).normal(0, noise, grey.shape)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8), px_per_mm


def stroke(points: list[tuple[float, float]], width_mm: float) -> Polygon:
    """Return a round-ended stroke, mm."""
    return shapely.LineString(points).buffer(width_mm / 2, quad_segs=32)


def disc(x: float, y: float, radius_mm: float) -> Polygon:
    """Return a disc, mm."""
    return shapely.Point(x, y).buffer(radius_mm, quad_segs=64)


def outlines_of(shape: shapely.Geometry) -> list[Outline]:
    """Outlines that are exactly the polygons of a shape."""
    found = []
    for part in shapely.get_parts(shape):
        for index, ring in enumerate((part.exterior, *part.interiors)):
            points = np.asarray(ring.coords)[:-1, :2]
            area_mm2 = shapely.Polygon(ring).area
            found.append(Outline(points, points, index > 0, None, area_mm2, False))
    return found
