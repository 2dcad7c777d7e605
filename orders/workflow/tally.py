"""What was cut and spoiled, one row a count and reason, for the figures of the day.

The job's own counts say how it stands now; these rows say when it came about, why, and how long
the laser took. They go with their event: an undone count is not counted.
"""

from __future__ import annotations

from collections.abc import Mapping

from django.utils import timezone

from geometry.limits import BLANKS
from orders.models import Event, Film, Job, Piece, SheetRun, SheetTally, Tally


def tally(
    event: Event, job: Job, *, good: int, spoiled: int, reasons: Mapping[str, int] | None = None
) -> None:
    """Write down what one count came to. What was spoiled without a reason is "something else"."""
    by_reason = dict(reasons or {})
    unsaid = spoiled - sum(by_reason.values())
    if unsaid:
        other = Piece.Reason.OTHER.value
        by_reason[other] = by_reason.get(other, 0) + unsaid
    each = _seconds_of(job)
    on = timezone.localdate(event.at)
    rows = [Tally(event=event, job=job, on=on, good=good, seconds=good * each)] if good else []
    rows += [
        Tally(event=event, job=job, on=on, spoiled=count, reason=why, seconds=count * each)
        for why, count in by_reason.items()
        if count
    ]
    Tally.objects.bulk_create(rows)


def tally_sheet(run: SheetRun) -> None:
    """Write down what became of a finished sheet's film; anew where it was written before.

    An offcut is film that an earlier run took from the shelf: it counts as no sheet.
    """
    pieces = list(run.pieces.values_list("job__version__blank_code", "result"))
    areas = [(_area_mm2(code), result) for code, result in pieces]
    is_sheet = run.film.form == Film.Form.SHEET
    width_mm, height_mm = run.sheet_mm
    SheetTally.objects.update_or_create(
        run=run,
        defaults={
            "on": timezone.localdate(run.ended_at),
            "sheets": (0 if run.offcut_id else 1) if is_sheet else len(pieces),
            "film_mm2": width_mm * height_mm if is_sheet else sum(area for area, _ in areas),
            "good_mm2": sum(area for area, result in areas if result == Piece.Result.GOOD),
        },
    )


def _area_mm2(blank_code: str) -> float:
    width_mm, height_mm = BLANKS[blank_code].size_mm
    return width_mm * height_mm


def _seconds_of(job: Job) -> float:
    """Return the laser's seconds for one piece, 0 where the drawing was never measured."""
    # It loads the geometry, which pages do without.
    from orders.measures import measures_of, seconds_of

    measure = measures_of([job.version_id]).get(job.version_id)
    if measure is None:
        return 0.0
    with_outline = job.film.form == Film.Form.SHEET
    return seconds_of(measure, job.version.blank_code, with_outline=with_outline)
