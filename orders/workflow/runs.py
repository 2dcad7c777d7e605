"""Steps of a sheet run; the jobs on it follow."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from orders import machine_time, stock
from orders.errors import NotNowError, RefusedError
from orders.models import Event, Film, Job, Machine, Offcut, Piece, SheetRun, SheetTally
from orders.words import counted

from .jobs import COUNTED_BY_SHEET, count, planned_pieces
from .moves import Actor, move, record
from .tally import tally_sheet

CAN_BE_LAID = (Job.Status.QUEUED, Job.Status.CUTTING)


@dataclass(frozen=True)
class Place:
    """Where one piece of a job lies on a sheet, in mm from its top left."""

    job: Job
    x_mm: float
    y_mm: float
    turned: bool = False


def plan_run(
    film: Film, places: Sequence[Place], actor: Actor, *, offcut: Offcut | None = None
) -> SheetRun:
    """Make a planned run of pieces that still have to be cut, on a sheet or on an offcut of it."""
    with transaction.atomic():
        _check_all_can_be_laid(film, places)
        if offcut is not None:
            _check_is_free(Offcut.objects.select_for_update().get(pk=offcut.pk), film)
        run = SheetRun.objects.create(film=film, offcut=offcut, created_by=actor.person)
        _lay(run, places)
        record("run", "plan", actor, status=run.status, run=run)
    return run


def arrange_run(
    run: SheetRun, places: Mapping[int, Place], actor: Actor, *, seen: int | None = None
) -> Event:
    """Lay the pieces (by id) of a planned sheet in other places; the rest stay where they are."""
    with transaction.atomic():
        event, is_new = _once(run, "arrange", actor, seen, {})
        if is_new:
            for piece in run.pieces.filter(pk__in=places):
                place = places[piece.pk]
                piece.x_mm, piece.y_mm, piece.turned = place.x_mm, place.y_mm, place.turned
                piece.save(update_fields=["x_mm", "y_mm", "turned"])
    return event


def add_pieces(
    run: SheetRun, places: Sequence[Place], actor: Actor, *, seen: int | None = None
) -> Event:
    """Lay further pieces, still to be cut and of the same film, on a planned sheet."""
    with transaction.atomic():
        event, is_new = _once(run, "add", actor, seen, {})
        if is_new:
            _check_all_can_be_laid(run.film, places)
            _lay(run, places)
    return event


def start_run(
    run: SheetRun, actor: Actor, *, seen: int | None = None, estimated_s: float | None = None
) -> Event:
    """Put a sheet on the laser: its jobs are being cut from now on.

    estimated_s: what the machine's bare figures tell of it, kept to be compared afterwards.
    """
    with transaction.atomic():
        jobs = _jobs_of(run)
        if not jobs:
            raise RefusedError("Nothing lies on this sheet.")
        for job in jobs:
            if job.status not in CAN_BE_LAID or not job.version.may_be_cut:
                raise RefusedError(
                    f"{str(job).capitalize()} is “{job.get_status_display()}” and cannot be cut. "
                    "Take it off the sheet first."
                )
        changes = {
            "started_at": timezone.now(),
            "estimated_s": estimated_s,
            "estimate_factor": machine_time.used_factor(Machine.current()),
        }
        event, is_new = _once(run, "start", actor, seen, changes)
        if is_new:
            stock.take_for(run, actor)
        for job in jobs if is_new else ():
            if job.status == Job.Status.QUEUED:
                move(job, "start", actor)
    return event


def stop_run(run: SheetRun, actor: Actor, *, seen: int | None = None) -> Event:
    """Take a sheet off the laser uncut; its jobs go back into the queue."""
    with transaction.atomic():
        changes = {
            "started_at": None,
            "estimated_s": None,
            "took_s": None,
            "took_is_clock": False,
        }
        event, is_new = _once(run, "stop", actor, seen, changes)
        if is_new:
            stock.give_back(run, actor)
        run.pieces.update(result="", spoiled_why="")
        for job in _jobs_of(run):
            elsewhere = job.pieces.filter(run__status=SheetRun.Status.CUTTING).exists()
            if job.status == Job.Status.CUTTING and not elsewhere:
                move(job, "stop", actor)
    return event


def mark_piece(piece: Piece, result: str, actor: Actor, *, why: str = "") -> Piece:
    """Say of one piece on the laser that it was cut well or spoiled. Safe to repeat."""
    if result not in Piece.Result.values:
        raise RefusedError("A piece is cut well, spoiled, or not yet cut.")
    if result == Piece.Result.SPOILED and why not in Piece.Reason.values:
        raise RefusedError("Say what went wrong with the piece.")
    with transaction.atomic():
        run = SheetRun.objects.select_for_update().get(pk=piece.run_id)
        if run.status != SheetRun.Status.CUTTING:
            raise NotNowError(f"Sheet {run.code} is “{run.get_status_display()}” now.")
        piece.result = result
        piece.spoiled_why = why if result == Piece.Result.SPOILED else ""
        piece.save(update_fields=["result", "spoiled_why"])
    return piece


def finish_run(run: SheetRun, actor: Actor, *, seen: int | None = None) -> Event:
    """End a run; every piece has its result, and the jobs' counts follow."""
    with transaction.atomic():
        open_pieces = run.pieces.filter(result="").count()
        if open_pieces:
            raise RefusedError(
                f"Say how {counted(open_pieces, 'more piece')} came out, then finish the sheet."
            )
        event, is_new = _once(run, "finish", actor, seen, {"ended_at": timezone.now()})
        if is_new:
            _count_pieces(run, actor, sign=1)
            machine_time.end_time(run)
            machine_time.learn()
            tally_sheet(run)
    return event


def reopen_run(run: SheetRun, actor: Actor, *, seen: int | None = None) -> Event:
    """Take the end of a run back, with its counts, to correct a result."""
    with transaction.atomic():
        for job in _jobs_of(run):
            if job.status not in (Job.Status.CUT, Job.Status.QUEUED, Job.Status.CUTTING):
                raise NotNowError(
                    f"{str(job).capitalize()} is “{job.get_status_display()}” already. "
                    "Unpack it before the sheet is corrected."
                )
        by_clock = {"took_s": None, "took_is_clock": False} if run.took_is_clock else {}
        event, is_new = _once(run, "reopen", actor, seen, {"ended_at": None, **by_clock})
        if is_new:
            _count_pieces(run, actor, sign=-1)
            machine_time.learn()
            SheetTally.objects.filter(run=run).delete()
    return event


def abandon_run(run: SheetRun, actor: Actor, *, seen: int | None = None) -> Event:
    """Take a planned sheet apart; its pieces may be laid on another."""
    return move(run, "abandon", actor, changes={"ended_at": timezone.now()}, seen=seen)


def take_off(piece: Piece, actor: Actor) -> None:
    """Take one piece off a sheet that is still being planned."""
    with transaction.atomic():
        run = SheetRun.objects.select_for_update().get(pk=piece.run_id)
        if run.status != SheetRun.Status.PLANNED:
            raise NotNowError(f"Sheet {run.code} is “{run.get_status_display()}” now.")
        if piece.pk is not None:
            record("run", "take-off", actor, status=run.status, run=run, why=piece.job.code)
            piece.delete()


def _check_is_free(offcut: Offcut, film: Film) -> None:
    if offcut.film_id != film.pk or offcut.status != Offcut.Status.KEPT:
        raise RefusedError(f"Offcut {offcut.number} is {offcut.get_status_display()}.")
    if offcut.runs.filter(status__in=(SheetRun.Status.PLANNED, SheetRun.Status.CUTTING)).exists():
        raise RefusedError(f"Pieces are laid on offcut {offcut.number} already.")


def _check_all_can_be_laid(film: Film, places: Sequence[Place]) -> None:
    if not places:
        raise RefusedError("Choose at least one piece for the sheet.")
    wanted = Counter(place.job.pk for place in places)
    jobs = {j.pk: j for j in Job.objects.select_for_update().filter(pk__in=wanted)}
    for pk, pieces in wanted.items():
        _check_can_be_laid(jobs[pk], film, pieces)


def _lay(run: SheetRun, places: Sequence[Place]) -> None:
    Piece.objects.bulk_create(
        Piece(run=run, job_id=p.job.pk, x_mm=p.x_mm, y_mm=p.y_mm, turned=p.turned) for p in places
    )


def _once(
    run: SheetRun, action: str, actor: Actor, seen: int | None, changes: Mapping[str, Any]
) -> tuple[Event, bool]:
    # held, so that of the same press made twice at once only one is new
    held: Any = SheetRun.objects.select_for_update()
    run.refresh_from_db(from_queryset=held)
    before = run.revision
    event = move(run, action, actor, changes=dict(changes), seen=seen)
    return event, run.revision != before


def _count_pieces(run: SheetRun, actor: Actor, *, sign: int) -> None:
    results: dict[int, Counter[str]] = {}
    reasons: dict[int, Counter[str]] = {}
    for job_id, result, why in run.pieces.values_list("job_id", "result", "spoiled_why"):
        results.setdefault(job_id, Counter())[result] += 1
        if why:
            reasons.setdefault(job_id, Counter())[why] += sign
    for job in _jobs_of(run):
        tally = results[job.pk]
        count(
            job,
            actor,
            good=sign * tally[Piece.Result.GOOD],
            spoiled=sign * tally[Piece.Result.SPOILED],
            why=f"{COUNTED_BY_SHEET}{run.code}",
            reasons=reasons.get(job.pk),
        )


def _jobs_of(run: SheetRun) -> list[Job]:
    return list(Job.objects.filter(pieces__run=run).distinct().select_related("version"))


def _check_can_be_laid(job: Job, film: Film, pieces: int) -> None:
    called = str(job).capitalize()
    if job.status not in CAN_BE_LAID:
        raise RefusedError(f"{called} is “{job.get_status_display()}”, not in the queue.")
    if job.film_id != film.pk:
        raise RefusedError(f"{called} is wanted in another film than {film}.")
    left = job.to_cut - planned_pieces(job)
    if pieces > left:
        raise RefusedError(f"{called} has {counted(left, 'piece')} left to lay, not {pieces}.")
