"""Outlines: the edges of the ink as closed lines in the blank's frame, with nesting."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geometry.ink import Ink, Loops
from geometry.kernels import simplify_loops, smooth_loops
from geometry.recipe import Placement

TOLERANCE_MM = 0.006
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

    @cached_property
    def box_mm(self) -> tuple[float, float, float, float]:
        """The box around the dense line: x0, y0, x1, y1."""
        x0, y0 = self.dense_mm.min(axis=0).tolist()
        x1, y1 = self.dense_mm.max(axis=0).tolist()
        return x0, y0, x1, y1


def trace(
    ink: Ink,
    placement: Placement,
    blank_mm: tuple[float, float] | None = None,
    *,
    before: tuple[Loops, list[Outline]] | None = None,
) -> list[Outline]:
    """Return every edge of the ink in the blank's frame (mm, y down); [] for none.

    Sub-pixel zero crossings of the field, smoothed twice by 1 2 1 over 4 around the loop (which
    rounds a sharp corner by about a pixel), simplified within 0.006 mm (Douglas and Peucker).
    Nothing is clipped to the blank, whose size is not needed. before: edges of a field of the same
    size and place with their outlines; edges that are the same keep theirs.
    """
    loops = ink.loops
    height, width = ink.f.shape
    scale = placement.scale / ink.px_per_mm
    known = _known(loops, before)
    new = np.array([loop for loop in range(len(loops)) if loop not in known], int)
    sizes = np.diff(loops.starts)
    is_new = np.zeros(len(loops), bool)
    is_new[new] = True
    points, starts = loops.points, loops.starts
    if known:
        points = points[np.repeat(is_new, sizes)]
        starts = np.concatenate([[0], np.cumsum(sizes[is_new])])
    dense = smooth_loops(points, starts, SMOOTHING_PASSES, (width - 0.5, height - 0.5))
    keep = simplify_loops(dense, starts, TOLERANCE_MM / scale)
    dense_mm = placement.to_blank(ink.to_mm(dense))
    x0, y0, x1, y1 = loops.box_px.T
    at_edge = (x0 <= -0.5) | (y0 <= -0.5) | (x1 >= width - 0.5) | (y1 >= height - 0.5)
    outlines = []
    at = 0
    for loop, parent in enumerate(loops.parent.tolist()):
        within = parent if parent >= 0 else None
        if not is_new[loop]:
            same = known[loop]
            outlines.append(same if same.parent == within else replace(same, parent=within))
            continue
        span = slice(int(starts[at]), int(starts[at + 1]))
        at += 1
        outlines.append(
            Outline(
                points_mm=dense_mm[span][keep[span]],
                dense_mm=dense_mm[span],
                is_hole=bool(loops.is_hole[loop]),
                parent=within,
                area_mm2=float(loops.area_px2[loop]) * scale**2,
                reaches_paper_edge=bool(at_edge[loop]),
            )
        )
    return outlines


def _known(loops: Loops, before: tuple[Loops, list[Outline]] | None) -> dict[int, Outline]:
    """Return the outlines, by number, of edges that are point for point the same as before."""
    if before is None:
        return {}
    old, outlines = before
    at = {tuple(place): loop for loop, place in enumerate(_marks(old))}
    known = {}
    for loop, place in enumerate(_marks(loops)):
        same = at.get(tuple(place))
        if same is None:
            continue
        points = loops.points[loops.starts[loop] : loops.starts[loop + 1]]
        if np.array_equal(points, old.points[old.starts[same] : old.starts[same + 1]]):
            known[loop] = outlines[same]
    return known


def _marks(loops: Loops) -> list[list[int]]:
    """Return what tells edges apart at a glance: where one begins, which side, how many points."""
    sizes = np.diff(loops.starts)
    return np.column_stack([loops.first_ink, loops.is_hole, sizes]).tolist()
