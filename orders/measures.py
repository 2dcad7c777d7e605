"""How long the laser takes for one piece, and what it weighs: estimates for prices and lead times.

The time is the machine's own model (`geometry.cut_time`) on the measures of the report: each
opening begins and ends at rest, and corners within it are not known here. Travel is not planned
either but estimated as the shortest tour of n places strewn over an area A, 0.7124 sqrt(n A)
(Beardwood, Halton and Hammersley 1959, with the constant of Johnson and McGeoch 1996), in n ways
alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from decimal import Decimal

import numpy as np

from geometry.cut_time import DEFAULT_MACHINE, MachineProfile, cut_seconds, travel_seconds
from geometry.limits import BLANKS

from .models import CutMeasure, Film, Version

TOUR = 0.7124
# PET film, published data sheets (ASTM D1505), from memory: 1390 kg/m3. Openings are not taken off.
PET_G_PER_MM3 = 1.39e-3
# Where no piece was ever measured; judgement.
USUAL_SECONDS = 120.0


def measures_of(version_ids: Iterable[int]) -> dict[int, CutMeasure]:
    """Return version id -> measures, of those that were looked at; missing ones are written."""
    wanted = set(version_ids)
    known = CutMeasure.objects.in_bulk(wanted)
    for version in Version.objects.filter(pk__in=wanted - set(known)).only("status", "report"):
        stencil = (version.report or {}).get("stencil")
        if version.is_settled and stencil:
            known[version.pk] = CutMeasure(
                version_id=version.pk,
                outline_mm=float(stencil["outline_mm"]),
                openings=int(stencil["openings"]),
                cut_outs=int(stencil["cut_outs"]),
            )
    fresh = [measure for measure in known.values() if measure._state.adding]
    CutMeasure.objects.bulk_create(fresh, ignore_conflicts=True)
    return known


def seconds_of(
    measure: CutMeasure,
    blank_code: str,
    *,
    with_outline: bool = True,
    machine: MachineProfile = DEFAULT_MACHINE,
) -> float:
    """Return the laser's seconds for one piece, its blank's outline included unless ready cut."""
    width_mm, height_mm = BLANKS[blank_code].size_mm
    ways = max(measure.openings, 1)
    travel_mm = TOUR * math.sqrt(measure.openings * width_mm * height_mm)
    seconds = ways * travel_seconds(travel_mm / ways, machine)
    seconds += measure.outline_mm / machine.cut_mm_per_s
    # half of what a cut loses while it speeds up, and half while it slows down
    at_ends_s = machine.cut_mm_per_s / machine.acceleration_mm_per_s2
    seconds += measure.openings * (machine.start_delay_s + at_ends_s)
    if with_outline:
        corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]])
        seconds += machine.start_delay_s + cut_seconds(corners, machine, closed=True)
    return machine.factor * seconds


def outlines_mm(
    boxes: Iterable[tuple[float, float, float, float]], sheet_mm: tuple[float, float]
) -> float:
    """Return how long the outlines of blanks (left, top, right, bottom) on a sheet are, each
    stretch that two share counted once and none along the sheet's own edge."""
    boxes = list(boxes)
    total = 0.0
    for axis, side_mm in enumerate(sheet_mm):
        lines: dict[float, list[tuple[float, float]]] = {}
        for box in boxes:
            for at in (round(box[axis], 1), round(box[axis + 2], 1)):
                if 0.1 < at < side_mm - 0.1:
                    lines.setdefault(at, []).append((box[1 - axis], box[3 - axis]))
        for spans in lines.values():
            reached = 0.0
            for first, last in sorted(spans):
                total += max(0.0, last - max(first, reached))
                reached = max(reached, last)
    return total


def seconds_by_version(
    sizes: Mapping[int, str], machine: MachineProfile = DEFAULT_MACHINE
) -> dict[int, float]:
    """Return version id -> seconds of a piece; what was not measured takes the mean of the rest.

    `sizes` maps version ids to the codes of their blanks.
    """
    known = {
        pk: seconds_of(measure, sizes[pk], machine=machine)
        for pk, measure in measures_of(sizes.keys()).items()
    }
    mean = sum(known.values()) / len(known) if known else USUAL_SECONDS
    return {pk: known.get(pk, mean) for pk in sizes}


def weight_g(blank_code: str, film: Film) -> Decimal:
    """Return what one piece weighs, in grams to a hundredth."""
    width_mm, height_mm = BLANKS[blank_code].size_mm
    grams = width_mm * height_mm * float(film.thickness_mm) * PET_G_PER_MM3
    return Decimal(f"{grams:.2f}")
