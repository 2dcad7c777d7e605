"""Findings: what is wrong or worth knowing at one place, and the words for it.

One table, KINDS, holds each kind's severity and wording: what will happen, where, what to do.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from geometry.limits import DEFAULT_BLANK

REJECT, WARN, NOTE = "reject", "warn", "note"
SEVERITIES = (REJECT, WARN, NOTE)
KEY_GRID_MM = 0.5
CRUMB_MM2 = 0.05
"""Specks of film below this are counted together: a dry marker leaves dozens. Judgement."""

PointMm = tuple[float, float]


@dataclass(frozen=True)
class Finding:
    """One finding. All positions in blank mm; measures are None where they do not apply.

    at_mm: the place itself. outline_mm: what it concerns, a closed line for areas, an open one
    along a line or web. others_mm: further lines that hang together with it. detail: which wording
    of the kind applies ("edge" for an island cut off by the blank's edge). remedy_mm: a width that
    the remedy names. The rest is set by `number`.
    """

    kind: str
    at_mm: PointMm
    outline_mm: tuple[PointMm, ...] = ()
    others_mm: tuple[tuple[PointMm, ...], ...] = ()
    width_mm: float | None = None
    usual_mm: float | None = None
    length_mm: float | None = None
    area_mm2: float | None = None
    neck_mm: float | None = None
    reach_mm: float | None = None
    lift_mm: float | None = None
    distance_mm: float | None = None
    px_per_mm: float | None = None
    limit_mm: float | None = None
    limit_mm2: float | None = None
    limit_px_per_mm: float | None = None
    cut_mm_per_mm2: float | None = None
    limit_mm_per_mm2: float | None = None
    remedy_mm: float | None = None
    count: int | None = None
    detail: str = ""
    id: int = 0
    key: str = ""
    severity: str = ""
    message: str = ""
    remedy: str = ""


@dataclass(frozen=True)
class Kind:
    """Severity, short title and words of one kind of finding.

    message and remedy take the finding and the words for its place ("near the top left").
    """

    severity: str
    title: str
    message: Callable[[Finding, str], str]
    remedy: Callable[[Finding, str], str]


def place_words(at_mm: PointMm, blank_mm: tuple[float, float]) -> str:
    """Return where a point lies on the blank, in thirds: "near the top left", "in the middle"."""
    across = ("left", "", "right")[_third(at_mm[0], blank_mm[0])]
    down = ("top", "", "bottom")[_third(at_mm[1], blank_mm[1])]
    if not across and not down:
        return "in the middle"
    return f"near the {' '.join(word for word in (down, across) if word)}"


def _third(value: float, whole: float) -> int:
    """Return 0, 1 or 2: the third of `whole` that `value` lies in, ends included."""
    return min(max(int(3 * value / whole), 0), 2) if whole > 0 else 0


def _mm(value: float | None) -> str:
    """Return a length in words, to 0.01 mm below 1 mm and to 0.1 mm above."""
    value = value or 0.0
    digits = 2 if value < 0.9995 else 1
    return f"{value:.{digits}f}".rstrip("0").rstrip(".") + " mm"


def _mm2(value: float | None) -> str:
    """Return an area in words: to 0.01 mm2 below 1, to 0.1 below 10, else whole."""
    value = value or 0.0
    if value < 0.01:
        return "under 0.01 mm²"
    digits = 2 if value < 1 else 1 if value < 10 else 0
    text = f"{value:.{digits}f}"
    return (text.rstrip("0").rstrip(".") if digits else text) + " mm²"


ONE_PLACE_MM: Final = 12.0


def _island(finding: Finding, place: str) -> str:
    if finding.detail == "edge":
        return (
            f"The piece of film {place} will fall off: "
            "a line that runs off the edge cuts it from the rest."
        )
    if (finding.area_mm2 or 0) < 12:
        return f"The small inside of this loop {place} will fall out."
    return f"The inside of this loop {place} will fall out."


def _island_remedy(finding: Finding, _: str) -> str:
    gap = f"Leave a white gap of {_mm(finding.remedy_mm or 1.5)} across the line"
    if finding.detail == "edge":
        return f"{gap}, or end the line before the edge."
    across_mm = [max(values) - min(values) for values in zip(*finding.outline_mm, strict=True)]
    # As bridges are proposed: on one bridge anything longer than a flap's limit would swing.
    places = "one place" if max(across_mm, default=0.0) <= ONE_PLACE_MM else "two places at least"
    return f"{gap} in {places}."


def _below_kerf(finding: Finding, place: str) -> str:
    return (
        f"This line {place} cannot be cut: at {_mm(finding.width_mm)} it is finer than the beam, "
        f"which takes away {_mm(finding.limit_mm)}."
    )


def _thin_line(finding: Finding, place: str) -> str:
    words = f"This line {place} is only {_mm(finding.width_mm)} wide"
    if finding.detail == "heat":
        return (
            f"{words}: both passes of the beam heat the same film, and little paint gets through."
        )
    return f"{words}: little paint will get through it."


def _thin_web(finding: Finding, place: str) -> str:
    return (
        f"The film between two cuts {place} is only {_mm(finding.width_mm)} wide: "
        "heat may melt it through or the sponge may tear it."
    )


def _thin_bridge(finding: Finding, place: str) -> str:
    return (
        f"This bridge {place} is only {_mm(finding.width_mm)} wide. If it melts or tears, "
        "the part it holds will fall out."
    )


def _crowding(finding: Finding, place: str) -> str:
    between_mm = round(2 / (finding.cut_mm_per_mm2 or 1.0), 1)
    return (
        f"The cuts {place} crowd together, as tight as lines with {_mm(between_mm)} of film "
        "between them: their heat adds up, and the film there may melt together or curl."
    )


def _crowding_remedy(finding: Finding, _: str) -> str:
    # A tenth more than the limit asks, as one window of a hatching may read so much too high.
    apart_mm = math.ceil(22 / (finding.limit_mm_per_mm2 or 1.0) - 1e-6) / 10
    return (
        f"Leave out a few lines there, or draw them wider apart: about {_mm(apart_mm)} of white "
        "between them is enough."
    )


def _uneven(finding: Finding, place: str) -> str:
    width, usual = finding.width_mm or 0, finding.usual_mm or 0
    how = "swells" if width > usual else "thins"
    return f"This line {place} {how} from {_mm(usual)} to {_mm(width)} and will be cut as it is."


def _uneven_remedy(finding: Finding, _: str) -> str:
    is_blob = (finding.width_mm or 0) > (finding.usual_mm or 0)
    how = "trim it with white" if is_blob else "go over it again with black"
    return f"Nothing to do if it is meant so; otherwise {how}."


def _speck(finding: Finding, place: str) -> str:
    if finding.count:
        return (
            f"{finding.count} crumbs of film (together {_mm2(finding.area_mm2)}), the largest "
            f"{place}, will drop out of the lines around them; they are too small to matter."
        )
    if finding.detail == "film":
        return (
            f"A crumb of film ({_mm2(finding.area_mm2)}) {place} will drop out of the line around "
            "it; it is too small to matter."
        )
    return f"A dot of {_mm2(finding.area_mm2)} {place} was taken for dust and will not be cut."


def _speck_remedy(finding: Finding, _: str) -> str:
    if finding.count:
        return "Nothing to do, or fill the white dots with black."
    if finding.detail == "film":
        return "Nothing to do, or fill the white dot with black."
    return f"Nothing to do. To have it cut, make it larger than {_mm2(finding.limit_mm2)}."


def _flap(finding: Finding, place: str) -> str:
    return (
        f"This tongue of film {place} is held only here and may lift under the sponge: it reaches "
        f"{_mm(finding.reach_mm)} from a neck of {_mm(finding.neck_mm)}."
    )


def _lift(finding: Finding, place: str) -> str:
    lift = f"by about {_mm(finding.lift_mm)} (estimated)"
    if finding.detail == "hangs free":
        return f"The film {place} hangs free: a dab of the sponge may lift it {lift}."
    return f"The film {place} may lift under the sponge, {lift}, and let paint creep under it."


KINDS: dict[str, Kind] = {
    "island": Kind(REJECT, "Falls out", _island, _island_remedy),
    "line-below-kerf": Kind(
        REJECT,
        "Too fine to cut",
        _below_kerf,
        lambda finding, _: (
            f"Draw it at least {_mm(finding.remedy_mm or 1.0)} wide, or leave it out."
        ),
    ),
    "leaves-blank": Kind(
        REJECT,
        "Runs off the film",
        lambda finding, place: (
            f"The drawing runs off the edge of the film {place}, so the stencil would be cut open "
            "there."
        ),
        lambda finding, _: (
            f"Move or shrink the drawing, or end it at least {_mm(finding.limit_mm)} from the edge."
        ),
    ),
    "thin-bridge": Kind(
        WARN,
        "Weak bridge",
        _thin_bridge,
        lambda finding, _: f"Make the white gap {_mm(finding.remedy_mm or 1.5)} wide.",
    ),
    "thin-line": Kind(
        WARN,
        "Thin line",
        _thin_line,
        lambda finding, _: f"Thicken it to {_mm(finding.limit_mm)} or more.",
    ),
    "thin-web": Kind(
        WARN,
        "Thin film",
        _thin_web,
        lambda finding, _: f"Move the two lines {_mm(finding.limit_mm)} or more apart.",
    ),
    "flap": Kind(
        WARN,
        "May lift",
        _flap,
        lambda finding, _: (
            f"Hold its far end too: leave a white gap of {_mm(finding.remedy_mm or 1.5)} across "
            "the line around it, or let it hang if it lies flat enough."
        ),
    ),
    "lift": Kind(
        WARN,
        "May lift",
        _lift,
        lambda finding, _: (
            f"Leave a white gap of {_mm(finding.remedy_mm or 1.5)} across a line beside it, so "
            "that the film is held on another side too."
        ),
    ),
    "crowding": Kind(WARN, "Crowded cuts", _crowding, _crowding_remedy),
    "margin": Kind(
        WARN,
        "Close to the edge",
        lambda finding, place: (
            f"Only {_mm(finding.distance_mm)} of film is left between the drawing and the edge "
            f"{place}: there is little to hold and it bends easily."
        ),
        lambda finding, _: (
            f"Leave {_mm(finding.limit_mm)} clear: move or shrink the drawing, or take larger film."
        ),
    ),
    "half-covered": Kind(
        WARN,
        "Half covered",
        lambda finding, place: (
            f"A white mark {place} still shows grey: the black under it may be cut."
        ),
        lambda finding, _: "Go over it again with white, or draw the gap here with the white pen.",
    ),
    "low-resolution": Kind(
        WARN,
        "Coarse picture",
        lambda finding, _: (
            f"The picture has only {finding.px_per_mm or 0:.1f} dots per mm, so edges will be "
            "rough and fine gaps may be missed."
        ),
        lambda finding, _: (
            "Scan it at 300 dpi, or photograph it closer so that the paper fills the picture."
        ),
    ),
    "speck": Kind(NOTE, "Dust", _speck, _speck_remedy),
    "spur": Kind(
        NOTE,
        "Spur",
        lambda finding, place: (
            f"A small spur ({_mm(finding.length_mm)}) sticks out of the line {place} and will be "
            "cut as it is."
        ),
        lambda finding, _: "Nothing to do, or cover it with white.",
    ),
    "uneven-line": Kind(NOTE, "Uneven line", _uneven, _uneven_remedy),
}


def with_crumbs_counted(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings with all crumbs of film (specks below 0.05 mm2) as one, if several.

    It lies at the largest of them, has the area of all together and their outlines in others_mm.
    """
    kept: list[Finding] = []
    crumbs: list[Finding] = []
    for finding in findings:
        is_crumb = finding.kind == "speck" and finding.detail == "film" and not finding.count
        is_crumb = is_crumb and (finding.area_mm2 or 0) < CRUMB_MM2
        (crumbs if is_crumb else kept).append(finding)
    if len(crumbs) < 2:
        return kept + crumbs
    crumbs.sort(key=lambda crumb: (-(crumb.area_mm2 or 0), crumb.at_mm[::-1]))
    largest, *others = crumbs
    one = replace(
        largest,
        area_mm2=sum(crumb.area_mm2 or 0.0 for crumb in crumbs),
        others_mm=tuple(crumb.outline_mm for crumb in others),
        count=len(crumbs),
    )
    return [*kept, one]


def number(
    findings: Iterable[Finding], blank_mm: tuple[float, float] = DEFAULT_BLANK.size_mm
) -> list[Finding]:
    """Return the findings in order with id, key, severity, message and remedy set.

    Rejects come first, then warnings, then notes; in the order of KINDS, then from the top down.
    A key is the kind and the place on a grid of 0.5 mm, so that it outlives a re-check; findings
    that share one get -2, -3 behind it.
    """
    order = {kind: index for index, kind in enumerate(KINDS)}
    severity = {kind: SEVERITIES.index(row.severity) for kind, row in KINDS.items()}
    ordered = sorted(
        findings,
        key=lambda f: (severity[f.kind], order[f.kind], round(f.at_mm[1], 3), round(f.at_mm[0], 3)),
    )
    taken: dict[str, int] = {}
    done = []
    for index, finding in enumerate(ordered, start=1):
        row = KINDS[finding.kind]
        place = place_words(finding.at_mm, blank_mm)
        key = finding.kind + "".join(
            f"-{round(value / KEY_GRID_MM) * KEY_GRID_MM + 0.0:.1f}" for value in finding.at_mm
        )
        taken[key] = taken.get(key, 0) + 1
        done.append(
            replace(
                finding,
                id=index,
                key=key if taken[key] == 1 else f"{key}-{taken[key]}",
                severity=row.severity,
                message=row.message(finding, place),
                remedy=row.remedy(finding, place),
            )
        )
    return done


def is_rejected(findings: Iterable[Finding]) -> bool:
    """Tell whether any finding rejects the drawing."""
    return any(KINDS[finding.kind].severity == REJECT for finding in findings)


def to_json(finding: Finding) -> dict[str, Any]:
    """Return a numbered finding as a JSON object; measures that do not apply are left out."""
    data: dict[str, Any] = {
        "id": finding.id,
        "key": finding.key,
        "kind": finding.kind,
        "severity": finding.severity,
        "at_mm": _rounded(finding.at_mm),
        "outline_mm": _rounded_line(finding.outline_mm),
    }
    if finding.others_mm:
        data["others_mm"] = [_rounded_line(line) for line in finding.others_mm]
    for name in (
        "width_mm",
        "usual_mm",
        "length_mm",
        "neck_mm",
        "reach_mm",
        "lift_mm",
        "area_mm2",
        "distance_mm",
        "px_per_mm",
        "limit_mm",
        "limit_mm2",
        "limit_px_per_mm",
        "cut_mm_per_mm2",
        "limit_mm_per_mm2",
    ):
        value = getattr(finding, name)
        if value is not None:
            data[name] = round(float(value), 4)
    if finding.count is not None:
        data["count"] = finding.count
    return data | {"message": finding.message, "remedy": finding.remedy}


def _rounded_line(line: Sequence[PointMm]) -> list[list[float]]:
    """Return the points of a line for JSON, to a thousandth of a millimetre."""
    rounded: list[list[float]] = (np.round(np.array(line, float), 3) + 0.0).tolist()
    return rounded


def _rounded(point: PointMm) -> list[float]:
    """Return a point for JSON, to a thousandth of a millimetre."""
    return [round(float(value), 3) + 0.0 for value in point]
