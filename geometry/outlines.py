"""Outlines: the edges of the ink as closed lines in the blank's frame, with nesting."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.ink import Ink
from geometry.kernels import simplify_loops, smooth_loops
from geometry.recipe import Placement

TOLERANCE_MM = 0.01
SMOOTHING_PASSES = 2


@dataclass(frozen=True)
class Outline:
    """One closed edge; the first point is not repeated at the end.

    points_mm: (n, 2) x, y in blank mm, simplified. dense_mm: (k, 2), about one point a pixel, for
    measuring. is_hole: film inside ink. parent: index in the same list of what it lies in (a hole's
    opening, or the hole around an opening), None at the top. area_mm2: enclosed, on the dense line
    before smoothing. reaches_paper_edge: it runs along the border of the picture.
    """

    points_mm: NDArray[np.float64]
    dense_mm: NDArray[np.float64]
    is_hole: bool
    parent: int | None
    area_mm2: float
    reaches_paper_edge: bool


def trace(
    ink: Ink, placement: Placement, blank_mm: tuple[float, float] | None = None
) -> list[Outline]:
    """Return every edge of the ink in the blank's frame (mm, y down); [] for none.

    Sub-pixel zero crossings of the field, smoothed twice by 1 2 1 over 4 around the loop (which
    rounds a sharp corner by about a pixel), simplified within 0.01 mm (Douglas and Peucker).
    Nothing is clipped to the blank, whose size is not needed.
    """
    loops = ink.loops
    height, width = ink.f.shape
    scale = placement.scale / ink.px_per_mm
    dense = smooth_loops(loops.points, loops.starts, SMOOTHING_PASSES, (width - 0.5, height - 0.5))
    keep = simplify_loops(dense, loops.starts, TOLERANCE_MM / scale)
    dense_mm = placement.to_blank(ink.to_mm(dense))
    x0, y0, x1, y1 = loops.box_px.T
    at_edge = (x0 <= -0.5) | (y0 <= -0.5) | (x1 >= width - 0.5) | (y1 >= height - 0.5)
    outlines = []
    for loop, parent in enumerate(loops.parent.tolist()):
        span = slice(int(loops.starts[loop]), int(loops.starts[loop + 1]))
        outlines.append(
            Outline(
                points_mm=dense_mm[span][keep[span]],
                dense_mm=dense_mm[span],
                is_hole=bool(loops.is_hole[loop]),
                parent=parent if parent >= 0 else None,
                area_mm2=float(loops.area_px2[loop]) * scale**2,
                reaches_paper_edge=bool(at_edge[loop]),
            )
        )
    return outlines
