"""Widths: lines, webs and bridges that are too narrow, measured with a caliper.

A place is narrow in earnest only if it is a neck (wide at both ends) or runs on narrow and nearly
parallel for a while. Corners, acute tips, rounded ends and wedges narrow to nothing by nature and
are never findings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geometry.cusps import Neck, find_necks, opens_both_ways, without_pinholes
from geometry.findings import Finding
from geometry.holding import holds_film
from geometry.ink import Ink
from geometry.limits import Limits
from geometry.narrow import Narrow
from geometry.places import Asked, Places, find_places
from geometry.recipe import Placement

SPUR_LENGTH_MM = 0.3
SHORT_NECK_MM = 0.55
"""What is shorter has to be seen to widen to both sides: else it is a step beside a tip."""
CUSP_ERROR_PX = 1.0
"""What the width of a neck between two cusps may err, so that a doubt does not reject."""


@dataclass(frozen=True)
class Widths:
    """The narrow places of lines and of webs, before it is told which are findings.

    solid: the field with pinholes filled, in which lines were measured. film: None in a mask.
    """

    ink: Places
    film: Places | None
    solid: NDArray[np.int16] = field(repr=False)


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
    widths = measure_widths(ink, placement, limits, mode=mode)
    return thin_findings(widths, ink, placement, limits)


def measure_widths(
    ink: Ink,
    placement: Placement,
    limits: Limits,
    *,
    mode: str = "stencil",
    before: Widths | None = None,
    changed_px: NDArray[np.float64] | None = None,
) -> Widths:
    """Return all narrow places of ink, which has some.

    before, changed_px: see places.find_places.
    """
    scale = placement.scale / ink.px_per_mm
    solid = without_pinholes(ink)
    of_ink = find_places(
        solid,
        ink,
        max(limits.opening_mm, limits.kerf_mm) / placement.scale,
        (
            Asked(limits.kerf_mm / scale - _kerf_slack_px(ink), limits.speck_length_mm / scale),
            Asked(limits.opening_mm / scale - _slack_px(ink), limits.opening_mm / scale),
        ),
        is_ink=True,
        before=before.ink if before else None,
        changed_px=changed_px,
    )
    if mode == "mask":
        return Widths(of_ink, None, solid)
    widest_mm = max(limits.web_mm, limits.bridge_mm) / placement.scale
    widest_px = widest_mm * ink.px_per_mm
    of_film = find_places(
        ink.f,
        ink,
        widest_mm,
        (Asked(widest_px - _slack_px(ink), widest_px),),
        is_ink=False,
        before=before.film if before else None,
        changed_px=changed_px,
    )
    return Widths(of_ink, of_film, solid)


def thin_findings(widths: Widths, ink: Ink, placement: Placement, limits: Limits) -> list[Finding]:
    """Return the findings of measured widths."""
    found = _ink_findings(widths.ink, widths.solid, ink, placement, limits)
    if widths.film is not None:
        found += _film_findings(widths.film, ink, placement, limits)
    return found


def _ink_findings(
    places: Places,
    solid: NDArray[np.int16],
    ink: Ink,
    placement: Placement,
    limits: Limits,
) -> list[Finding]:
    """Return the findings on lines."""
    scale = placement.scale / ink.px_per_mm
    widest_px = max(limits.opening_mm, limits.kerf_mm) / scale
    necks = find_necks(ink, widest_px - _slack_px(ink), is_ink=True)
    below, thin = (_true_places(some, necks, solid, ink, -1) for some in places.by_limit)
    found = _neck_findings(necks, ink, placement, limits)
    longest: dict[int, float] = {}
    for place in below:
        line = id(place.line)
        longest[line] = max(longest.get(line, 0.0), place.length_px)
        found.append(
            _finding("line-below-kerf", place, ink, placement, limits.kerf_mm, limits.opening_mm)
        )
    for place in thin:
        same = longest.get(id(place.line))
        if same is not None and place.length_px < 1.5 * same + 2 / scale:
            continue
        detail = "heat" if place.width_px * scale < 2 * limits.kerf_mm else ""
        found.append(_finding("thin-line", place, ink, placement, limits.opening_mm, detail=detail))
    for at_px, length_px in places.spurs:
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


def _film_findings(places: Places, ink: Ink, placement: Placement, limits: Limits) -> list[Finding]:
    """Return the findings on webs and bridges."""
    scale = placement.scale / ink.px_per_mm
    widest_px = max(limits.web_mm, limits.bridge_mm) / scale
    necks = find_necks(ink, widest_px - _slack_px(ink), is_ink=False)
    necks = [neck for neck in necks if not neck.is_link]
    webs = _true_places(places.by_limit[0], necks, ink.f, ink, 1)
    holding = holds_film(
        ink.loops,
        np.array([place.caliper for place in webs]).reshape(-1, 5),
        least_area_px=limits.island_mm2 / scale**2,
    )
    found = _neck_findings(necks, ink, placement, limits, is_ink=False)
    for place, holds in zip(webs, holding, strict=True):
        kind, limit_mm = ("thin-bridge", limits.bridge_mm) if holds else ("thin-web", limits.web_mm)
        if place.width_px * scale < limit_mm:
            remedy_mm = limits.bridge_proposed_mm if holds else None
            found.append(_finding(kind, place, ink, placement, limit_mm, remedy_mm))
    return found


def _true_places(
    places: Sequence[Narrow],
    necks: Sequence[Neck],
    inside: NDArray[np.int16],
    ink: Ink,
    sign: int,
) -> list[Narrow]:
    """Return the places that are not what a neck between two cusps looks like (a long line that
    runs through one is a place of its own), nor a step of pixels beside the tip of a cusp."""
    at_px = np.array([neck.middle_px for neck in necks]).reshape(-1, 2)
    across_px = np.array([neck.width_px for neck in necks])
    kept = []
    for place in places:
        middle, half = place.caliper[1:3], place.caliper[0] / 2 * place.caliper[3:5]
        if place.length_px < 3 * place.width_px + 6:
            away = np.hypot(*(at_px - middle).T)
            if (away < np.maximum(place.width_px, across_px)).any():
                continue
        is_short = place.length_px < SHORT_NECK_MM * ink.px_per_mm
        if is_short and not opens_both_ways(inside, np.stack([middle - half, middle + half]), sign):
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
