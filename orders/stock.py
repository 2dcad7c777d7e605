"""Film in stock: the count follows the sheets, and is never below nothing.

A sheet leaves the stock when it is started (blanks cut to size: as many as lie on the run), and
comes back when it is taken off the laser uncut. Planning takes nothing, since plans are taken
apart; finishing takes nothing more, since what was cut is gone however it came out. The one guarded
UPDATE below decides, so that of two sheets started at the same moment on the last film one is
refused. A film whose count was never typed is not counted.
"""

from __future__ import annotations

from collections import Counter
from functools import lru_cache

from django.db import IntegrityError, transaction
from django.db.models import F, Max

from geometry.errors import GeometryError
from geometry.limits import BLANKS
from geometry.nesting import nest

from .errors import RefusedError
from .models import Film, Job, Offcut, SheetRun, StockMovement
from .words import counted
from .workflow.moves import Actor

OPEN = (Job.Status.QUEUED, Job.Status.CUTTING)
MOST_LOOKED_AT = 400


def unit_of(film: Film) -> str:
    """Return what the film is counted in."""
    return "sheet" if film.form == Film.Form.SHEET else "blank"


def take_for(run: SheetRun, actor: Actor) -> None:
    """Take a run's film out of stock as it starts. Raises RefusedError where there is none left."""
    if run.offcut_id:
        used = Offcut.objects.filter(pk=run.offcut_id, status=Offcut.Status.KEPT)
        if not used.update(status=Offcut.Status.USED):
            raise RefusedError(
                f"Offcut {run.offcut} is {run.offcut.get_status_display()}; "  # type: ignore[union-attr]
                "lay the pieces on another sheet."
            )
        return
    _move(run.film, -_needed(run), StockMovement.Kind.STARTED, actor, run=run)


def give_back(run: SheetRun, actor: Actor) -> None:
    """Put a run's film back as it is taken off the laser uncut."""
    if run.offcut_id:
        Offcut.objects.filter(pk=run.offcut_id).update(status=Offcut.Status.KEPT)
        return
    taken = StockMovement.objects.filter(run=run)
    change = -sum(taken.values_list("change", flat=True))
    if change:
        _move(run.film, change, StockMovement.Kind.STOPPED, actor, run=run)


def bought(film: Film, pieces: int, actor: Actor, *, why: str = "") -> None:
    """Add what came in."""
    if pieces < 1:
        raise RefusedError(f"Write how many {unit_of(film)}s came in, from 1 on.")
    Film.objects.filter(pk=film.pk, in_stock=None).update(in_stock=0)
    _move(film, pieces, StockMovement.Kind.BOUGHT, actor, why=why)


def count_by_hand(film: Film, there: int, actor: Actor, *, why: str, seen: int | None) -> None:
    """Set the count to what lies there, with a reason; `seen` is the count on the page."""
    if there < 0:
        raise RefusedError("There cannot be less than nothing in stock.")
    if not why.strip():
        raise RefusedError("Write why the count is corrected; it stays in the film's history.")
    with transaction.atomic():
        before = Film.objects.filter(pk=film.pk, in_stock=seen)
        if not before.update(in_stock=there):
            film.refresh_from_db()
            raise RefusedError(
                f"The count changed a moment ago: {film.in_stock} now. Nothing was corrected; "
                "look again and press once more if it still applies."
            )
        film.refresh_from_db()
        _record(film, there - (seen or 0), StockMovement.Kind.COUNTED, actor, why=why.strip())


def keep_offcut(run: SheetRun, width_mm: float, height_mm: float, actor: Actor) -> Offcut:
    """Keep a rectangle of a finished sheet under the next number."""
    sides, room = sorted((width_mm, height_mm)), sorted(run.sheet_mm)
    if run.film.form != Film.Form.SHEET or not (sides[0] > 0 and sides[1] <= room[1] + 0.1):
        raise RefusedError("An offcut is a part of this sheet; write its sides in mm.")
    if sides[0] > room[0] + 0.1:
        raise RefusedError("An offcut is no larger than its sheet; write its sides in mm.")
    for _ in range(20):
        number = (Offcut.objects.aggregate(last=Max("number"))["last"] or 0) + 1
        try:
            with transaction.atomic():
                return Offcut.objects.create(
                    number=number,
                    film=run.film,
                    width_mm=round(width_mm, 1),
                    height_mm=round(height_mm, 1),
                    came_from=run,
                    by=actor.person,
                )
        except IntegrityError:  # somebody else took that number a moment ago
            continue
    raise RefusedError("The offcut could not be numbered; press once more.")


def free_offcuts(film: Film) -> list[Offcut]:
    """Return the kept offcuts of a film that no planned sheet lies on, smallest first."""
    open_runs = (SheetRun.Status.PLANNED, SheetRun.Status.CUTTING)
    laid = SheetRun.objects.filter(status__in=open_runs).exclude(offcut=None).values("offcut")
    kept = film.offcuts.filter(status=Offcut.Status.KEPT).exclude(pk__in=laid)
    return sorted(kept, key=lambda one: one.width_mm * one.height_mm)


def needed_by_queue(film: Film) -> int:
    """Return how many sheets (or blanks) the queue and the planned sheets still need."""
    planned = SheetRun.objects.filter(film=film, status=SheetRun.Status.PLANNED)
    jobs = Job.objects.filter(film=film, status__in=OPEN).values_list(
        "version__blank_code", "quantity", "cut", "pk"
    )
    if film.form == Film.Form.BLANK:
        on_laser = SheetRun.objects.filter(film=film, status=SheetRun.Status.CUTTING)
        cutting = sum(run.pieces.count() for run in on_laser)
        return max(0, sum(max(0, quantity - cut) for _, quantity, cut, _ in jobs) - cutting)
    laid = Counter(
        SheetRun.objects.filter(film=film, status__in=("planned", "cutting")).values_list(
            "pieces__job", flat=True
        )
    )
    wanted: Counter[str] = Counter()
    for blank, quantity, cut, pk in jobs:
        wanted[blank] += max(0, quantity - cut - laid[pk])
    sheets = _sheets_for(tuple(sorted(wanted.items())), film.sheet_mm, film.edge_mm, film.gap_mm)
    return planned.filter(offcut=None).count() + sheets


def warning_for(film: Film, needed: int | None = None) -> str:
    """Return a sentence where the film runs short of what the queue needs or is low, or "".

    needed: as `needed_by_queue` has told already.
    """
    if film.in_stock is None:
        return ""
    needed, unit = needed_by_queue(film) if needed is None else needed, unit_of(film)
    if needed > film.in_stock:
        return (
            f"The queue needs {counted(needed, unit)} of {film}, and "
            f"{counted(film.in_stock, unit)} {'is' if film.in_stock == 1 else 'are'} in stock."
        )
    if film.in_stock <= film.low_stock:
        return f"Only {counted(film.in_stock, unit)} of {film} in stock."
    return ""


@lru_cache(maxsize=256)
def _sheets_for(
    wanted: tuple[tuple[str, int], ...],
    sheet_mm: tuple[float, float],
    edge_mm: float,
    gap_mm: float,
) -> int:
    """Sheets that the pieces need; of very many, by area, since nobody waits for a nesting then."""
    items = [(code, *BLANKS[code].size_mm, pieces) for code, pieces in wanted if pieces]
    if not items:
        return 0
    if sum(item[3] for item in items) > MOST_LOOKED_AT:
        area = sum(w * h * pieces for _, w, h, pieces in items)
        return int(-(-area // (sheet_mm[0] * sheet_mm[1])))
    try:
        return len(nest(items, sheet_mm, edge_mm=edge_mm, gap_mm=gap_mm).sheets)
    except GeometryError:
        return 0


def _needed(run: SheetRun) -> int:
    return 1 if run.film.form == Film.Form.SHEET else run.pieces.count()


def _move(
    film: Film,
    change: int,
    kind: str,
    actor: Actor,
    *,
    run: SheetRun | None = None,
    why: str = "",
) -> None:
    """Change the count by one guarded UPDATE and write the movement down."""
    with transaction.atomic():
        counted_films = Film.objects.filter(pk=film.pk, in_stock__isnull=False)
        if not counted_films.filter(in_stock__gte=-change).update(in_stock=F("in_stock") + change):
            film.refresh_from_db()
            if film.in_stock is None:
                return
            raise RefusedError(
                f"By the count there {'is' if film.in_stock == 1 else 'are'} "
                f"{counted(film.in_stock, unit_of(film))} of {film} in stock, and {-change} "
                f"{'is' if change == -1 else 'are'} needed. Correct the count on the film's page, "
                "if more lie there, and start again."
            )
        film.refresh_from_db()
        _record(film, change, kind, actor, run=run, why=why)


def _record(
    film: Film,
    change: int,
    kind: str,
    actor: Actor,
    *,
    run: SheetRun | None = None,
    why: str = "",
) -> None:
    StockMovement.objects.create(
        film=film,
        kind=kind,
        change=change,
        left=film.in_stock or 0,
        run=run,
        why=why[:240],
        by=actor.person,
    )
