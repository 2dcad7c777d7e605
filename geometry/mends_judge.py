"""What a re-check says of mends: is a finding gone, and what has come that was not there before."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

from geometry.check import Checked
from geometry.findings import KINDS, SEVERITIES, Finding
from geometry.recipe import Stroke

SAME_MM: Final = 0.8
"""A narrow place this near to one of its kind is the same one."""
BESIDE_MM: Final = 2.5
"""A narrow place this near to a stroke came with it."""
SAME_SHARE: Final = 0.75
SAME_SHARE_NEAR: Final = 0.4
"""Areas are one if they have so much in common; less is enough where their middles agree."""
WORSE_MM: Final = 0.04
"""A place that is narrower by so much than before is a new one: more than the caliper errs."""
FAMILIES: Final = {"thin-bridge": "thin-web"}
AREAS: Final = ("island", "flap")


def severity_of(finding: Finding) -> int:
    """Return 0 for what rejects, 1 for a warning, 2 for a note."""
    return SEVERITIES.index(KINDS[finding.kind].severity)


def shape_of(finding: Finding) -> shapely.Geometry:
    """Return what a finding concerns, blank mm."""
    shapes: list[shapely.Geometry] = [Point(finding.at_mm)]
    for line in (finding.outline_mm, *finding.others_mm):
        if len(line) > 2 and finding.area_mm2 is not None:
            shapes.append(shapely.make_valid(Polygon(line)))
        elif len(line) > 1:
            shapes.append(LineString(line))
    return shapely.union_all(shapes)


def same_place(one: Finding, other: Finding) -> bool:
    """Tell whether two findings of two checks are one: of a kind and at the same place."""
    family = FAMILIES.get(one.kind, one.kind)
    if FAMILIES.get(other.kind, other.kind) != family:
        return False
    if one.kind in ("margin", "leaves-blank", "low-resolution"):
        return one.kind == "low-resolution" or _side(one) == _side(other)
    is_near = bool(np.hypot(*np.subtract(one.at_mm, other.at_mm)) <= SAME_MM)
    if one.kind in AREAS:
        return _share(one, other) > (SAME_SHARE_NEAR if is_near else SAME_SHARE)
    if is_near:
        return True
    return bool(shape_of(one).dwithin(Point(other.at_mm), SAME_MM)) or bool(
        shape_of(other).dwithin(Point(one.at_mm), SAME_MM)
    )


def _share(one: Finding, other: Finding) -> float:
    """Return how much of two areas is in both, as a share of the larger island or smaller flap.

    Islands may lie within islands, so that one that only lies in the other is not the same.
    """
    areas = [shapely.make_valid(Polygon(area.outline_mm)) for area in (one, other)]
    if not areas[0].intersects(areas[1]):
        return 0.0
    sizes = [area.area for area in areas]
    whole = max(sizes) if one.kind == "island" else min(sizes)
    return float(areas[0].intersection(areas[1]).area / max(whole, 1e-9))


def _side(finding: Finding) -> tuple[int, bool]:
    """Return which side of the blank a finding at its edge lies at: the axis, and whether far."""
    (x0, y0), (x1, y1) = finding.outline_mm[0], finding.outline_mm[-1]
    axis = 0 if abs(x1 - x0) <= abs(y1 - y0) and x0 == x1 else 1
    return axis, (x0, y0)[axis] > 0


def is_gone(finding: Finding, after: Checked) -> bool:
    """Tell whether a check finds nothing of that kind at that place any more."""
    return not any(same_place(finding, other) for other in after.findings)


def new_findings(before: Sequence[Finding], after: Sequence[Finding]) -> list[Finding]:
    """Return what a later check finds that the one before did not, or found less bad."""
    by_family: dict[str, list[Finding]] = {}
    for finding in before:
        by_family.setdefault(FAMILIES.get(finding.kind, finding.kind), []).append(finding)
    return [
        finding
        for finding in after
        if not any(
            same_place(known, finding) and not _is_worse(known, finding)
            for known in by_family.get(FAMILIES.get(finding.kind, finding.kind), ())
        )
    ]


def _is_worse(known: Finding, finding: Finding) -> bool:
    """Tell whether a place that was found before is clearly worse than it was."""
    if severity_of(finding) < severity_of(known):
        return True
    if finding.kind == "uneven-line" or known.width_mm is None or finding.width_mm is None:
        return False
    return finding.width_mm < known.width_mm - WORSE_MM


def drawn(strokes: Sequence[Stroke]) -> shapely.Geometry:
    """Return what strokes cover, blank mm."""
    return shapely.union_all(
        [
            (
                LineString(stroke.points_mm)
                if len(stroke.points_mm) > 1
                else Point(stroke.points_mm[0])
            ).buffer(stroke.width_mm / 2, 8)
            for stroke in strokes
        ]
    )


def fuses(strokes: Sequence[Stroke], checked: Checked) -> bool:
    """Tell whether black strokes would fill film that a check finds thin: two lines become one."""
    black = [stroke for stroke in strokes if stroke.pen == "black"]
    webs = [one for one in checked.findings if one.kind in ("thin-web", "thin-bridge")]
    if not black or not webs:
        return False
    area = drawn(black)
    return any(bool(area.intersects(shape_of(web))) for web in webs)


def blamed(finding: Finding, areas: Sequence[shapely.Geometry]) -> int | None:
    """Return which of some areas of strokes a new finding came with, None if with none of them."""
    if not areas:
        return None
    is_wide = finding.kind in AREAS or KINDS[finding.kind].severity == "reject"
    shape = shape_of(finding) if is_wide else Point(finding.at_mm)
    away = [area.distance(shape) for area in areas]
    nearest = int(np.argmin(away))
    reach = 1.0 if finding.kind == "uneven-line" else BESIDE_MM
    return nearest if is_wide or away[nearest] <= reach else None


def changed_mm2(
    before: Checked, after: Checked, boxes_mm: Sequence[NDArray[np.float64]] | None = None
) -> tuple[float, float]:
    """Return (ink that became film, film that became ink) between two checks, mm2.

    boxes_mm: (x0, y0, x1, y1) of the blank to look in, all of the drawing by default.
    """
    one, other = before.ink, after.ink
    if one is None or other is None:
        return 0.0, 0.0
    (left, top), pair = _on_one_grid(before, after)
    placement = after.placement
    mm2 = (placement.scale / other.px_per_mm) ** 2
    windows = [np.s_[:, :]]
    if boxes_mm is not None:
        windows = []
        for x0, y0, x1, y1 in boxes_mm:
            corners = placement.to_paper([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
            pixels = corners * other.px_per_mm - 0.5 - (left, top)
            low = np.maximum(np.floor(pixels.min(axis=0)).astype(int), 0)
            high = np.maximum(np.ceil(pixels.max(axis=0)).astype(int) + 1, 0)
            windows.append(np.s_[low[1] : high[1], low[0] : high[0]])
    taken = added = 0
    for window in windows:
        was, now = pair[0][window] < 0, pair[1][window] < 0
        taken += int(np.count_nonzero(was & ~now))
        added += int(np.count_nonzero(now & ~was))
    return taken * mm2, added * mm2


def _on_one_grid(
    before: Checked, after: Checked
) -> tuple[tuple[float, float], tuple[NDArray[np.int16], NDArray[np.int16]]]:
    """Return the origin and both fields on one grid; the later one may have grown."""
    one, other = before.ink, after.ink
    if one is None or other is None:
        raise ValueError("there is no ink")
    if one.f.shape == other.f.shape and one.origin_px == other.origin_px:
        return one.origin_px, (one.f, other.f)
    left = min(one.origin_px[0], other.origin_px[0])
    top = min(one.origin_px[1], other.origin_px[1])
    right = max(ink.origin_px[0] + ink.f.shape[1] for ink in (one, other))
    low = max(ink.origin_px[1] + ink.f.shape[0] for ink in (one, other))
    grids = []
    for ink in (one, other):
        grid = np.ones((int(low - top), int(right - left)), np.int16)
        x, y = int(ink.origin_px[0] - left), int(ink.origin_px[1] - top)
        grid[y : y + ink.f.shape[0], x : x + ink.f.shape[1]] = ink.f
        grids.append(grid)
    return (left, top), (grids[0], grids[1])
