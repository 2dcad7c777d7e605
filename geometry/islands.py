"""Islands: film that no longer hangs on the frame once the ink is cut away."""

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from geometry.findings import Finding
from geometry.ink import Ink, Loops, find_loops
from geometry.kernels import UNIT
from geometry.limits import Limits
from geometry.margins import AT_EDGE_MM
from geometry.outlines import Outline
from geometry.recipe import Placement

_LARGEST_CANVAS_PX = 60_000_000
"""What 12 x 12 in at 600 dpi take; above it the film is traced on larger pixels."""


def find_islands(
    outlines: Sequence[Outline],
    ink: Ink,
    placement: Placement,
    blank_mm: tuple[float, float],
    limits: Limits,
    *,
    mode: str = "stencil",
) -> list[Finding]:
    """Return an island finding for every part of the film that is not joined to the frame.

    Film is 4-connected and ink 8-connected at full resolution, so the count is exact. The area is
    that of the film alone, without openings inside it. Parts below limits.island_mm2 are noted as
    specks of film. Where a cut reaches the blank's edge, the film is traced on the blank itself and
    the largest part that touches the edge is the frame; the others are islands cut off by the edge.
    A mask has none: its pieces are the product.
    """
    if mode == "mask":
        return []
    if cuts_edge(outlines, blank_mm):
        parts = _film_parts_on_blank(ink, placement, blank_mm)
    else:
        inside: dict[int, list[Outline]] = {}
        for outline in outlines:
            if outline.parent is not None and not outline.is_hole:
                inside.setdefault(outline.parent, []).append(outline)
        parts = [
            (outline.points_mm, *_net(outline, inside.get(index, ())), "")
            for index, outline in enumerate(outlines)
            if outline.is_hole
        ]
    return [_finding(*part, limits) for part in parts]


def _finding(
    points_mm: NDArray[np.float64],
    area_mm2: float,
    inside_mm: list[NDArray[np.float64]],
    detail: str,
    limits: Limits,
) -> Finding:
    """Return the finding for one loose part of the film with its outline."""
    is_island = area_mm2 >= limits.island_mm2
    return Finding(
        kind="island" if is_island else "speck",
        at_mm=_inner_point(points_mm, inside_mm),
        outline_mm=tuple((float(x), float(y)) for x, y in points_mm),
        area_mm2=area_mm2,
        limit_mm2=limits.island_mm2,
        remedy_mm=limits.bridge_proposed_mm,
        detail=detail if is_island else "film",
    )


def _net(hole: Outline, inside: Sequence[Outline]) -> tuple[float, list[NDArray[np.float64]]]:
    """Return the area of a hole's film without the openings that lie in it, and their lines."""
    area_mm2 = hole.area_mm2 - sum(outline.area_mm2 for outline in inside)
    return area_mm2, [outline.points_mm for outline in inside]


def _inner_point(
    points_mm: NDArray[np.float64], inside_mm: Sequence[NDArray[np.float64]]
) -> tuple[float, float]:
    """Return the centroid of a part of the film, or a point on it where the centroid is not."""
    area, moment = _moment(points_mm)
    for line in inside_mm:
        own_area, own_moment = _moment(line)
        area, moment = area - own_area, moment - own_moment
    if area > 0:
        x, y = (float(value) for value in moment / area)
        if _is_within(points_mm, x, y) and not any(_is_within(line, x, y) for line in inside_mm):
            return x, y
    if len(points_mm) < 3:
        return float(points_mm[0, 0]), float(points_mm[0, 1])
    part = shapely.make_valid(Polygon(points_mm))
    cuts = [shapely.make_valid(Polygon(line)) for line in inside_mm if len(line) >= 3]
    left = part.difference(shapely.union_all(cuts)) if cuts else part
    point = (part if left.is_empty else left).representative_point()
    return float(point.x), float(point.y)


def _moment(points: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Return (area, area times centroid (2)) of a closed line (n, 2), whichever way it goes round.

    The shoelace formula, about its first point so that no digits are lost.
    """
    one = points - points[0]
    other = np.roll(one, -1, axis=0)
    cross = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    area = float(cross.sum()) / 2
    moment = ((one + other) * cross[:, None]).sum(axis=0) / 6 + area * points[0]
    return abs(area), moment * np.sign(area)


def _is_within(points: NDArray[np.float64], x: float, y: float) -> bool:
    """Tell whether a point lies inside a closed line (n, 2)."""
    line = points.astype(np.float32)[:, None]
    return len(points) >= 3 and cv2.pointPolygonTest(line, (x, y), False) > 0


def cuts_edge(outlines: Sequence[Outline], blank_mm: tuple[float, float]) -> bool:
    """Tell whether any cut touches or crosses the blank's edge."""
    boxes = np.array([outline.box_mm for outline in outlines if not outline.is_hole])
    if not len(boxes):
        return False
    far_mm = np.subtract(blank_mm, AT_EDGE_MM)
    return bool(boxes[:, :2].min() <= AT_EDGE_MM or (boxes[:, 2:].max(axis=0) >= far_mm).any())


def _film_parts_on_blank(
    ink: Ink, placement: Placement, blank_mm: tuple[float, float]
) -> list[tuple[NDArray[np.float64], float, list[NDArray[np.float64]], str]]:
    """Return (outline in blank mm, area_mm2, openings in it, "edge" or "") of all but the frame.

    Everything outside the blank is taken for cut, so that every part of the film is a hole.
    """
    canvas = blank_canvas(ink, placement, blank_mm)
    loops = find_loops(canvas.f)
    scale = placement.scale / ink.px_per_mm
    net = loops.area_px2.copy()
    for loop in range(len(loops)):
        if not loops.is_hole[loop] and loops.parent[loop] >= 0:
            net[loops.parent[loop]] -= loops.area_px2[loop]
    holes = [loop for loop in range(len(loops)) if loops.is_hole[loop]]
    touches = {loop: _touches_edge(loops, loop, canvas, placement, blank_mm) for loop in holes}
    frame = max((h for h in holes if touches[h]), key=lambda h: net[h], default=None)
    lines: dict[int, NDArray[np.float64]] = {}
    for loop in range(len(loops)):
        points = placement.to_blank(canvas.to_mm(loops.points_of(loop))).astype(np.float32)
        lines[loop] = cv2.approxPolyDP(points[:, None], 0.02, True)[:, 0].astype(float)
    parts = []
    for loop in holes:
        if loop != frame:
            inside = [lines[int(inner)] for inner in np.flatnonzero(loops.parent == loop)]
            detail = "edge" if touches[loop] else ""
            parts.append((lines[loop], float(net[loop]) * scale**2, inside, detail))
    return parts


def _touches_edge(
    loops: Loops, loop: int, canvas: Ink, placement: Placement, blank_mm: tuple[float, float]
) -> bool:
    """Tell whether a part of the film reaches the blank's edge, within about a pixel."""
    points = placement.to_blank(canvas.to_mm(loops.points_of(loop)))
    near_mm = 0.8 * placement.scale / canvas.px_per_mm
    return bool(
        points.min() <= near_mm or (points.max(axis=0) >= np.subtract(blank_mm, near_mm)).any()
    )


def _coarser(ink: Ink, by: int) -> Ink:
    """Return the ink on pixels that are `by` times larger, for a small drawing on a large blank."""
    rows, columns = (side // by * by for side in ink.f.shape)
    size = (max(columns // by, 1), max(rows // by, 1))
    f = cv2.resize(ink.f[: rows or None, : columns or None], size, interpolation=cv2.INTER_AREA)
    origin_px = (ink.origin_px[0] / by, ink.origin_px[1] / by)
    return replace(ink, f=f.astype(np.int16), px_per_mm=ink.px_per_mm / by, origin_px=origin_px)


def blank_canvas(ink: Ink, placement: Placement, blank_mm: tuple[float, float]) -> Ink:
    """Return a field that covers the blank and a ring of two pixels, ink outside the blank."""
    width_mm, height_mm = blank_mm
    corners_mm = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], float)
    corners = ink.to_px(placement.to_paper(corners_mm))
    low = np.floor(corners.min(axis=0)).astype(int) - 2
    high = np.ceil(corners.max(axis=0)).astype(int) + 3
    width, height = (int(side) for side in high - low)
    if width * height > _LARGEST_CANVAS_PX:
        by = int(np.ceil(np.sqrt(width * height / _LARGEST_CANVAS_PX)))
        return blank_canvas(_coarser(ink, by), placement, blank_mm)
    f = np.full((height, width), UNIT // 2, np.int16)
    left, top = max(-low[0], 0), max(-low[1], 0)
    source = ink.f[max(low[1], 0) : max(high[1], 0), max(low[0], 0) : max(high[0], 0)]
    f[top : top + source.shape[0], left : left + source.shape[1]] = source
    columns = np.arange(width)[None, :] + low[0]
    rows = np.arange(height)[:, None] + low[1]
    matrix, scale = placement.matrix, ink.px_per_mm
    x_paper = (columns + ink.origin_px[0] + 0.5) / scale
    y_paper = (rows + ink.origin_px[1] + 0.5) / scale
    outside = np.zeros(f.shape, bool)
    for axis, side_mm in enumerate(blank_mm):
        on_blank = matrix[axis, 0] * x_paper + matrix[axis, 1] * y_paper + matrix[axis, 2]
        outside |= (on_blank <= 0) | (on_blank >= side_mm)
    f[outside] = -UNIT // 2
    origin_px = (ink.origin_px[0] + int(low[0]), ink.origin_px[1] + int(low[1]))
    return replace(ink, f=f, origin_px=origin_px)
