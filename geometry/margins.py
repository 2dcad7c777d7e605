"""Margins: cuts that leave the blank, and clear film too narrow along its sides."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geometry.findings import Finding
from geometry.limits import Limits
from geometry.outlines import Outline

AT_EDGE_MM = 0.17
"""A cut nearer to the side than this is on it: half a pixel of the coarsest picture read."""


def find_margin_faults(
    outlines: Sequence[Outline], blank_mm: tuple[float, float], limits: Limits
) -> list[Finding]:
    """Return leaves-blank and margin findings, at most one of the two per side of the blank.

    The distance is that of the nearest edge of any opening to the side, exact on the dense line. A
    cut on the side itself (within 0.17 mm), or beyond it, leaves the blank. outline_mm: the part
    of that side along which the cuts are nearer than the margin, from first to last.
    """
    width_mm, height_mm = blank_mm
    openings = []
    for outline in outlines:
        x0, y0, x1, y1 = outline.box_mm
        nearest_mm = min(x0, y0, width_mm - x1, height_mm - y1)
        if not outline.is_hole and nearest_mm < limits.margin_mm:
            openings.append(outline.dense_mm)
    if not openings:
        return []
    points = np.concatenate(openings)
    found = []
    for axis, side_mm, sign in ((0, 0.0, 1), (0, width_mm, -1), (1, 0.0, 1), (1, height_mm, -1)):
        distance = sign * (points[:, axis] - side_mm)
        nearest = float(distance.min())
        if nearest >= limits.margin_mm - 1e-9:
            continue
        leaves = nearest <= AT_EDGE_MM
        near = points[distance <= (AT_EDGE_MM if leaves else limits.margin_mm)]
        at = points[_middle_of_nearest(points, distance, nearest, 1 - axis)]
        at_mm = np.clip(at, 0, blank_mm)
        along = np.clip(near[:, 1 - axis], 0, blank_mm[1 - axis])
        ends = np.full((2, 2), side_mm)
        ends[:, 1 - axis] = along.min(), along.max()
        found.append(
            Finding(
                kind="leaves-blank" if leaves else "margin",
                at_mm=(float(at_mm[0]), float(at_mm[1])),
                outline_mm=tuple((float(x), float(y)) for x, y in ends),
                distance_mm=max(nearest, 0.0) if not leaves else min(nearest, 0.0),
                limit_mm=limits.margin_mm,
            )
        )
    return found


def _middle_of_nearest(
    points: NDArray[np.float64], distance: NDArray[np.float64], nearest: float, along: int
) -> int:
    """Return the index of the point midmost along the side among those nearest to it."""
    ties = np.nonzero(distance <= nearest + 0.05)[0]
    order = np.argsort(points[ties, along], kind="stable")
    return int(ties[order[len(order) // 2]])
