"""Stencils made of plain shapes with known areas, for the tests of cutting."""

import numpy as np
from shapely.geometry import LineString, Point, Polygon, box

from geometry.stencil import Stencil

SIX_INCH_MM = (152.4, 152.4)


def stencil_of(*openings: Polygon, blank_mm: tuple[float, float] = SIX_INCH_MM) -> Stencil:
    """A stencil with these openings."""
    return Stencil(blank_mm, "stencil", openings)


def wavy(x_mm: float, y_mm: float, radius_mm: float, lobes: int = 5) -> Polygon:
    """A smooth starfish outline round a point."""
    turn = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    radius = radius_mm * (1 + 0.15 * np.sin(lobes * turn))
    return Polygon(np.column_stack([x_mm + radius * np.cos(turn), y_mm + radius * np.sin(turn)]))


def tide_pool() -> Stencil:
    """Curves, corners, a ring with a disc of film in it and an opening in that, thin strokes."""
    ring = Polygon(
        Point(110, 40).buffer(25, quad_segs=48).exterior,
        [Point(110, 40).buffer(15, quad_segs=48).exterior],
    )
    strokes = [
        LineString([(20, 90 + 8 * row), (60, 100 + 6 * row), (130, 92 + 8 * row)]).buffer(1.0)
        for row in range(5)
    ]
    return stencil_of(
        wavy(45, 45, 22, 5),
        ring,
        Point(110, 40).buffer(6, quad_segs=48),
        box(20, 78, 40, 84),
        wavy(50, 81, 1.2, 4),
        *strokes,
    )
