"""What the laser is told to take, and what its finished runs teach about it.

A run's estimate is kept as the machine's bare figures told it when it was started; what it took is
typed in, or counted from its start to the moment the laser stopped. The factor is the median of
took / told over the last runs: one run with a tea break in it moves it little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from statistics import median

from django.utils import timezone

from geometry.cut_time import MachineProfile

from .errors import RefusedError
from .models import Event, Film, Machine, SheetRun
from .workflow.moves import Actor, record

LEAST_RUNS = 3
LAST_RUNS = 50
# Of values spread as a bell, the standard deviation is 1.4826 times the median distance from the
# median (Rousseeuw and Croux 1993, "Alternatives to the median absolute deviation").
AS_DEVIATION = 1.4826
LONGEST_RUN = timedelta(hours=24)


@dataclass(frozen=True)
class Learnt:
    """The factor of some runs, its spread (as a standard deviation), and their number."""

    factor: float
    spread: float
    runs: int


def profile_of(film: Film | None = None, *, bare: bool = False) -> MachineProfile:
    """Return the machine's profile with this film's own speed; bare: without the factor."""
    row = Machine.current()
    return MachineProfile(
        cut_mm_per_s=(film.cut_mm_per_s if film else None) or row.cut_mm_per_s,
        travel_mm_per_s=row.travel_mm_per_s,
        start_delay_s=row.start_delay_s,
        acceleration_mm_per_s2=row.acceleration_mm_per_s2,
        corner_jump_mm_per_s=row.corner_jump_mm_per_s,
        factor=1.0 if bare else used_factor(row),
    )


def profiles_by_film(films: Sequence[Film]) -> dict[int, MachineProfile]:
    """Return film id -> profile; the machine's row is read once."""
    usual = profile_of()
    return {
        film.pk: replace(usual, cut_mm_per_s=film.cut_mm_per_s) if film.cut_mm_per_s else usual
        for film in films
    }


def used_factor(row: Machine) -> float:
    """Return the factor that multiplies estimates: 1 until enough runs have taught one."""
    return row.factor if row.uses_factor and row.factor_runs >= LEAST_RUNS else 1.0


def learnt_from(pairs: Sequence[tuple[float, float]]) -> Learnt:
    """Return the factor of (told, took) seconds of runs.

    >>> learnt_from([(100, 110), (200, 240), (50, 500)]).factor
    1.2
    """
    ratios = [took / told for told, took in pairs if told > 0 and took > 0]
    if not ratios:
        return Learnt(1.0, 0.0, 0)
    middle = median(ratios)
    spread = AS_DEVIATION * median(abs(ratio - middle) for ratio in ratios)
    return Learnt(middle, spread, len(ratios))


def teaching_runs() -> list[SheetRun]:
    """Return the finished runs that teach, newest first.

    Runs that somebody timed, where there are enough; else those timed by the clock from start to
    end as well, which hold the judging of the pieces too.
    """
    row = Machine.current()
    runs = SheetRun.objects.filter(
        status=SheetRun.Status.DONE,
        estimated_s__gt=0,
        took_s__gt=0,
    )
    if row.learns_from is not None:
        runs = runs.filter(started_at__gte=row.learns_from)
    found = list(runs.select_related("film").order_by("-ended_at", "-id")[:LAST_RUNS])
    timed = [run for run in found if not run.took_is_clock]
    return timed if len(timed) >= LEAST_RUNS else found


def learn() -> Machine:
    """Work the factor out anew from the finished runs and keep it."""
    row = Machine.current()
    learnt = learnt_from([(run.estimated_s or 0.0, run.took_s or 0.0) for run in teaching_runs()])
    row.factor, row.factor_spread, row.factor_runs = learnt.factor, learnt.spread, learnt.runs
    row.save(update_fields=["factor", "factor_spread", "factor_runs"])
    return row


def laser_stopped(run: SheetRun, actor: Actor) -> SheetRun:
    """Take down that the laser has just stopped; the second press changes nothing."""
    now = timezone.now()
    if run.started_at is None or run.status != SheetRun.Status.CUTTING:
        raise RefusedError(f"Sheet {run.code} is not on the laser, so there is no time to stop.")
    seconds = (now - run.started_at).total_seconds()
    changed = SheetRun.objects.filter(pk=run.pk, status=run.status, took_s=None)
    if changed.update(took_s=seconds):
        record("run", "laser-stopped", actor, status=run.status, run=run)
    run.refresh_from_db()
    return run


def type_time(run: SheetRun, seconds: float | None, actor: Actor) -> SheetRun:
    """Take down what the laser took as the cutter typed it; None forgets it again."""
    if run.status not in (SheetRun.Status.CUTTING, SheetRun.Status.DONE):
        raise RefusedError("A time can be written down once the sheet has been on the laser.")
    if seconds is not None and not 0 < seconds <= LONGEST_RUN.total_seconds():
        raise RefusedError("Write the time that the laser ran, from a second to 24 hours.")
    before = run.took_s
    if before != seconds:
        SheetRun.objects.filter(pk=run.pk).update(took_s=seconds, took_is_clock=False)
        words = "forgotten" if seconds is None else f"{minutes_words(seconds)}"
        record("run", "laser-time", actor, status=run.status, run=run, why=words)
        run.refresh_from_db()
        learn()
    return run


def end_time(run: SheetRun) -> None:
    """A finished run that nobody timed took from its start to its end, judging pieces included."""
    if run.took_s is None and run.started_at and run.ended_at:
        SheetRun.objects.filter(pk=run.pk).update(
            took_s=(run.ended_at - run.started_at).total_seconds(), took_is_clock=True
        )
        run.refresh_from_db()


def change_machine(row: Machine, actor: Actor, changed: Sequence[str]) -> Machine:
    """Keep the machine's new figures; new speeds are learnt from new runs only."""
    row.changed_at, row.changed_by = timezone.now(), actor.person
    if set(changed) & set(Machine.SPEEDS):
        row.learns_from = timezone.now()
        row.factor, row.factor_spread, row.factor_runs = 1.0, 0.0, 0
    row.save()
    record(Event.Life.MACHINE, "change", actor, why=", ".join(changed)[:500])
    return row


def minutes_words(seconds: float) -> str:
    """Return "45 s", "12 min" or "1 h 5 min"; below ten minutes with its seconds.

    >>> minutes_words(192)
    '3 min 12 s'
    """
    whole = max(1, round(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 10:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(whole / 60), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"
