"""Outlines: the edges of the ink as closed lines in the blank's frame, with nesting."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.ink import Ink
from geometry.kernels import simplify_loop, smooth_loop
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
    tolerance_px = TOLERANCE_MM / scale
    outlines = []
    for loop in range(len(loops)):
        raw = loops.points_of(loop)
        dense = smooth_loop(raw, SMOOTHING_PASSES) if len(raw) > 12 else raw
        border = (raw == -0.5).any(axis=1) | (raw == (width - 0.5, height - 0.5)).any(axis=1)
        dense[border] = raw[border]
        keep = simplify_loop(dense, tolerance_px)
        x0, y0, x1, y1 = loops.box_px[loop]
        at_edge = x0 <= -0.5 or y0 <= -0.5 or x1 >= width - 0.5 or y1 >= height - 0.5
        parent = int(loops.parent[loop])
        dense_mm = placement.to_blank(ink.to_mm(dense))
        outlines.append(
            Outline(
                points_mm=dense_mm[keep],
                dense_mm=dense_mm,
                is_hole=bool(loops.is_hole[loop]),
                parent=parent if parent >= 0 else None,
                area_mm2=float(loops.area_px2[loop]) * scale**2,
                reaches_paper_edge=bool(at_edge),
            )
        )
    return outlines
