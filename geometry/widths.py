"""Widths: lines, webs and bridges that are too narrow, measured with a caliper.

A place is narrow in earnest only if it is a neck (wide at both ends) or runs on narrow and nearly
parallel for a while. Corners, acute tips, rounded ends and wedges narrow to nothing by nature and
are never findings.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.cusps import Neck, find_necks, opens_both_ways, without_pinholes
from geometry.findings import Finding
from geometry.holding import holds_film
from geometry.ink import Ink
from geometry.limits import Limits
from geometry.lines import Line, measured_lines
from geometry.narrow import Narrow, narrow_places
from geometry.recipe import Placement
from geometry.skeleton import (
    FINEST_PX_PER_MM,
    Chains,
    Raster,
    find_chains,
    rasterise,
)

SPUR_LENGTH_MM = 0.3
SHORT_NECK_MM = 0.55
"""What is shorter has to be seen to widen to both sides: else it is a step beside a tip."""
CUSP_ERROR_PX = 1.0
"""What the width of a neck between two cusps may err, so that a doubt does not reject."""


def find_thin(
    ink: Ink, placement: Placement, limits: Limits, *, mode: str = "stencil"
) -> list[Finding]:
    """Return line-below-kerf, thin-line, thin-web, thin-bridge and spur findings, one per place.

    width_mm is the least width of the place and length_mm how far it is narrow. Error of a width:
    about 0.01 mm at 300 dpi and 0.005 mm at 600 dpi from 0.2 mm on; black hairlines below that are
    measured by their summed darkness. In a mask only the cuts count, as the film is not kept whole.
    """
    if not len(ink.loops):
        return []
    scale = placement.scale / ink.px_per_mm
    raster = _raster(ink.f, ink, limits, placement)
    found = _ink_findings(ink, raster, placement, limits, scale)
    if mode != "mask":
        found += _film_findings(ink, raster, placement, limits, scale)
    return found


def _raster(field: NDArray[np.int16], ink: Ink, limits: Limits, placement: Placement) -> Raster:
    """Return ink and film of a field on about 12 px per mm."""
    boxes = ink.loops.box_px
    box = np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
    widest_mm = max(limits.opening_mm, limits.kerf_mm, limits.web_mm, limits.bridge_mm)
    rim_mm = widest_mm / 2 / placement.scale + 6 / FINEST_PX_PER_MM
    return rasterise(field, ink.px_per_mm, FINEST_PX_PER_MM, box, rim_mm)


def _ink_findings(
    ink: Ink, raster: Raster, placement: Placement, limits: Limits, scale: float
) -> list[Finding]:
    """Return the findings on lines."""
    widest_mm = max(limits.opening_mm, limits.kerf_mm) / placement.scale
    solid = replace(ink, f=without_pinholes(ink))
    if solid.f is not ink.f:
        raster = _raster(solid.f, ink, limits, placement)
    chains = find_chains(raster, ink.px_per_mm, widest_mm, is_ink=True)
    lines, spurs = measured_lines(chains, solid, widest_mm * ink.px_per_mm, is_ink=True)
    _use_hairline_widths(lines, ink, chains)
    slack_px = _slack_px(ink)
    necks = find_necks(ink, widest_mm * ink.px_per_mm - slack_px, is_ink=True)
    below = narrow_places(
        lines,
        chains,
        limits.kerf_mm / scale - _kerf_slack_px(ink),
        least_length_px=limits.speck_length_mm / scale,
    )
    thin = narrow_places(
        lines,
        chains,
        limits.opening_mm / scale - slack_px,
        least_length_px=limits.opening_mm / scale,
    )
    below, thin = _true_places(below, necks, solid, -1), _true_places(thin, necks, solid, -1)
    found = _neck_findings(necks, ink, placement, limits)
    for place in below:
        found.append(
            _finding("line-below-kerf", place, ink, placement, limits.kerf_mm, limits.opening_mm)
        )
    for place in thin:
        same = [other for other in below if other.line is place.line]
        if same and place.length_px < 1.5 * max(other.length_px for other in same) + 2 / scale:
            continue
        detail = "heat" if place.width_px * scale < 2 * limits.kerf_mm else ""
        found.append(_finding("thin-line", place, ink, placement, limits.opening_mm, detail=detail))
    for at_px, length_px in spurs:
        at_mm = placement.to_blank(ink.to_mm([at_px]))[0]
        if SPUR_LENGTH_MM <= length_px * scale <= limits.speck_length_mm:
            found.append(
                Finding(
                    kind="spur",
                    at_mm=(float(at_mm[0]), float(at_mm[1])),
                    length_mm=length_px * scale,
                    limit_mm=limits.speck_length_mm,
                )
            )
    return found


def _film_findings(
    ink: Ink, raster: Raster, placement: Placement, limits: Limits, scale: float
) -> list[Finding]:
    """Return the findings on webs and bridges."""
    widest_mm = max(limits.web_mm, limits.bridge_mm) / placement.scale
    chains = find_chains(raster, ink.px_per_mm, widest_mm, is_ink=False)
    lines, _ = measured_lines(chains, ink, widest_mm * ink.px_per_mm, is_ink=False)
    places = narrow_places(
        lines,
        chains,
        widest_mm * ink.px_per_mm - _slack_px(ink),
        least_length_px=widest_mm * ink.px_per_mm,
    )
    necks = find_necks(ink, widest_mm * ink.px_per_mm - _slack_px(ink), is_ink=False)
    necks = [neck for neck in necks if not neck.is_link]
    places = _true_places(places, necks, ink, 1)
    holding = holds_film(
        ink.loops,
        np.array([place.caliper for place in places]).reshape(-1, 5),
        least_area_px=limits.island_mm2 / scale**2,
    )
    found = _neck_findings(necks, ink, placement, limits, is_ink=False)
    for place, holds in zip(places, holding, strict=True):
        kind, limit_mm = ("thin-bridge", limits.bridge_mm) if holds else ("thin-web", limits.web_mm)
        if place.width_px * scale < limit_mm:
            remedy_mm = limits.bridge_proposed_mm if holds else None
            found.append(_finding(kind, place, ink, placement, limit_mm, remedy_mm))
    return found


def _true_places(
    places: Sequence[Narrow], necks: Sequence[Neck], ink: Ink, sign: int
) -> list[Narrow]:
    """Return the places that are not what a neck between two cusps looks like (a long line that
    runs through one is a place of its own), nor a step of pixels beside the tip of a cusp."""
    kept = []
    for place in places:
        middle, half = place.caliper[1:3], place.caliper[0] / 2 * place.caliper[3:5]
        is_short = place.length_px < 3 * place.width_px + 6
        near = any(
            np.hypot(*(neck.middle_px - middle)) < max(place.width_px, neck.width_px)
            for neck in necks
        )
        if is_short and near:
            continue
        ends = np.stack([middle - half, middle + half])
        if place.length_px < SHORT_NECK_MM * ink.px_per_mm and not opens_both_ways(
            ink.f, ends, sign
        ):
            continue
        kept.append(place)
    return kept


def _neck_findings(
    necks: Sequence[Neck], ink: Ink, placement: Placement, limits: Limits, *, is_ink: bool = True
) -> list[Finding]:
    """Return the findings on necks between two cusps; a link of film across ink is a web."""
    scale = placement.scale / ink.px_per_mm
    found = []
    for neck in necks:
        ends = [(float(x), float(y)) for x, y in placement.to_blank(ink.to_mm(neck.ends_px))]
        at = placement.to_blank(ink.to_mm(neck.middle_px[None]))[0]
        width_mm = neck.width_px * scale
        kind, limit_mm = ("thin-line", limits.opening_mm) if is_ink else ("thin-web", limits.web_mm)
        if is_ink and neck.is_link:
            kind, limit_mm = "thin-web", limits.web_mm
        elif is_ink and neck.width_px < limits.kerf_mm / scale - CUSP_ERROR_PX:
            kind, limit_mm = "line-below-kerf", limits.kerf_mm
        if width_mm >= limit_mm:
            continue
        is_hot = kind == "thin-line" and width_mm < 2 * limits.kerf_mm
        found.append(
            Finding(
                kind=kind,
                at_mm=(float(at[0]), float(at[1])),
                outline_mm=tuple(ends),
                width_mm=width_mm,
                length_mm=width_mm,
                limit_mm=limit_mm,
                remedy_mm=limits.opening_mm if kind == "line-below-kerf" else None,
                detail="heat" if is_hot else "",
            )
        )
    return found


def _slack_px(ink: Ink) -> float:
    """Return how far below a limit a width must lie: what the caliper may err, so that a line drawn
    exactly at the limit passes."""
    return min(0.3, 0.03 * ink.px_per_mm)


def _kerf_slack_px(ink: Ink) -> float:
    """Return how far below the kerf a line's width must lie to reject: twice what it may err.

    The least width along a true 0.15 mm line reads 0.140 to 0.148 mm at 300 dpi and 0.142 to 0.149
    mm at 600 dpi (blur of 0.3 to 1.3 px); a doubt is the artist's. 0.012 mm at 300, 0.009 at 600.
    """
    return 0.075 + 0.006 * ink.px_per_mm


def _finding(
    kind: str,
    place: Narrow,
    ink: Ink,
    placement: Placement,
    limit_mm: float,
    remedy_mm: float | None = None,
    detail: str = "",
) -> Finding:
    """Return the finding for a narrow place."""
    scale = placement.scale / ink.px_per_mm
    at = placement.to_blank(ink.to_mm(place.caliper[None, 1:3]))[0]
    line, *others = (
        tuple((float(x), float(y)) for x, y in placement.to_blank(ink.to_mm(path)))
        for path in (place.line_px, *place.others_px)
    )
    return Finding(
        kind=kind,
        at_mm=(float(at[0]), float(at[1])),
        outline_mm=line,
        others_mm=tuple(others),
        width_mm=place.width_px * scale,
        length_mm=place.length_px * scale,
        limit_mm=limit_mm,
        remedy_mm=remedy_mm,
        detail=detail,
    )


def _use_hairline_widths(lines: Sequence[Line], ink: Ink, chains: Chains) -> None:
    """Replace the caliper's width by that of a restored hairline where one lies."""
    if not ink.hairlines:
        return
    tree = cKDTree(np.concatenate([hairline.points_px for hairline in ink.hairlines]))
    widths = np.concatenate([hairline.widths_px for hairline in ink.hairlines])
    for line in lines:
        away, nearest = tree.query(line.caliper[:, 1:3], distance_upper_bound=1.5 + chains.factor)
        on = np.isfinite(away) & (line.width < 0.35 * ink.px_per_mm)
        line.width[on] = widths[nearest[on]]
