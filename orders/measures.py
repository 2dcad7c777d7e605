"""How long the laser takes for one piece, and what it weighs: estimates for prices and lead times.

The time is the machine's own model (cut / speed + travel / travel speed + starts x delay) on the
measures of the check's report. Travel is not planned here but estimated as the shortest tour of n
places strewn over an area A, 0.7124 sqrt(n A) (Beardwood, Halton and Hammersley 1959, with the
constant of Johnson and McGeoch 1996).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from decimal import Decimal

from geometry.cut_path import DEFAULT_MACHINE, MachineProfile
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
    cut_mm, starts = measure.outline_mm, measure.openings
    travel_mm = TOUR * math.sqrt(measure.openings * width_mm * height_mm)
    if with_outline:
        cut_mm, starts = cut_mm + 2 * (width_mm + height_mm), starts + 1
    return (
        cut_mm / machine.cut_mm_per_s
        + travel_mm / machine.travel_mm_per_s
        + starts * machine.start_delay_s
    )


def seconds_by_version(sizes: Mapping[int, str]) -> dict[int, float]:
    """Return version id -> seconds of a piece; what was not measured takes the mean of the rest.

    `sizes` maps version ids to the codes of their blanks.
    """
    known = {
        pk: seconds_of(measure, sizes[pk]) for pk, measure in measures_of(sizes.keys()).items()
    }
    mean = sum(known.values()) / len(known) if known else USUAL_SECONDS
    return {pk: known.get(pk, mean) for pk in sizes}


def weight_g(blank_code: str, film: Film) -> Decimal:
    """Return what one piece weighs, in grams to a hundredth."""
    width_mm, height_mm = BLANKS[blank_code].size_mm
    grams = width_mm * height_mm * float(film.thickness_mm) * PET_G_PER_MM3
    return Decimal(f"{grams:.2f}")
