"""The laser's own page, and the times of its runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from orders import machine_time, measures
from orders.access import workshop_actor, workshop_only, workshop_run
from orders.errors import OrderError
from orders.models import Film, Machine, Piece, SheetRun

from .forms_machine import MachineForm, TookForm


@require_http_methods(["GET", "POST"])
@workshop_only
def machine(request: HttpRequest) -> HttpResponse:
    """Show and change the laser's figures, with what its finished sheets taught."""
    row = Machine.current()
    form = MachineForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        stored, typed = Machine.current(), form.cleaned_data
        changed = [name for name in form.fields if getattr(stored, name) != typed[name]]
        machine_time.change_machine(row, workshop_actor(request), changed)
        messages.success(request, "Saved. Estimates and cut files from now on use it.")
        return redirect("workshop-machine")
    runs = machine_time.teaching_runs()
    context = {
        "form": form,
        "machine": Machine.current(),  # as stored: the form writes what was typed into its row
        "least_runs": machine_time.LEAST_RUNS,
        "bed": _bed(Machine.current()),
        "runs": [_compared(run) for run in runs[:12]],
        "runs_by_clock": sum(run.took_is_clock for run in runs),
        "films": Film.objects.exclude(cut_mm_per_s=None),
    }
    return render(request, "workshop/machine.html", context)


@require_POST
@workshop_only
def sheet_stopped(request: HttpRequest, code: str) -> HttpResponse:
    """Take down that the laser has just stopped."""
    run = workshop_run(request, code)
    try:
        machine_time.laser_stopped(run, workshop_actor(request))
    except OrderError as error:
        messages.error(request, error.sentence)
    else:
        took = machine_time.minutes_words(run.took_s or 0)
        messages.success(request, f"The laser took {took}. Next: say how each piece came out.")
    return redirect("workshop-sheet", run.code)


@require_POST
@workshop_only
def sheet_took(request: HttpRequest, code: str) -> HttpResponse:
    """Take down how long the laser ran, as typed."""
    run = workshop_run(request, code)
    form = TookForm(request.POST)
    try:
        if not form.is_valid():
            raise OrderError("Write the time in whole minutes and seconds, such as 12 and 30.")
        machine_time.type_time(run, form.in_seconds(), workshop_actor(request))
    except OrderError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, "The time is written down; estimates learn from it.")
    return redirect("workshop-sheet", run.code)


def time_shown(run: SheetRun, pieces: Sequence[Piece]) -> dict[str, Any]:
    """Return what a sheet's page says about its time: told before, taken after.

    Before a sheet is started its time is told by the lengths alone, without the corners.
    """
    told, took = run.told_s, run.took_s
    if run.status == SheetRun.Status.PLANNED:
        told = _about_s(run, pieces)
    seconds = round(took) if took else None
    return {
        "told": machine_time.minutes_words(told) if told else "",
        "took": machine_time.minutes_words(took) if took else "",
        "took_is_clock": run.took_is_clock,
        "typed_minutes": None if seconds is None else seconds // 60,
        "typed_seconds": None if seconds is None else seconds % 60,
    }


def _bed(row: Machine) -> dict[str, float] | None:
    """Where a sheet of the first film lies on the bed, mm from its top left; None if not whole."""
    film = Film.objects.filter(form=Film.Form.SHEET, is_active=True).first()
    width_mm, height_mm = film.sheet_mm if film else (304.8, 609.6)
    free_x = row.bed_width_mm - width_mm - row.offset_x_mm
    free_y = row.bed_height_mm - height_mm - row.offset_y_mm
    if min(free_x, free_y) < 0:
        return None
    right, low = row.origin.endswith("right"), row.origin.startswith("bottom")
    return {
        "view_width_mm": row.bed_width_mm + 32,
        "view_height_mm": row.bed_height_mm + 32,
        "x_mm": free_x if right else row.offset_x_mm,
        "y_mm": free_y if low else row.offset_y_mm,
        "width_mm": width_mm,
        "height_mm": height_mm,
        "corner_x_mm": row.bed_width_mm if right else 0.0,
        "corner_y_mm": row.bed_height_mm if low else 0.0,
    }


def _about_s(run: SheetRun, pieces: Sequence[Piece]) -> float:
    sizes = {p.job.version_id: p.job.version.blank_code for p in pieces}
    known = measures.measures_of(sizes)
    profile = machine_time.profile_of(run.film)
    each = {
        pk: measures.seconds_of(known[pk], code, with_outline=False, machine=profile)
        if pk in known
        else measures.USUAL_SECONDS
        for pk, code in sizes.items()
    }
    seconds = sum(each[piece.job.version_id] for piece in pieces)
    if run.film.form == Film.Form.SHEET:
        boxes = [
            (p.x_mm, p.y_mm, p.x_mm + p.width_mm, p.y_mm + p.height_mm)  # type: ignore[attr-defined]
            for p in pieces
        ]
        along_s = measures.outlines_mm(boxes, run.sheet_mm) / profile.cut_mm_per_s
        seconds += profile.factor * (along_s + len(boxes) * profile.start_delay_s)
    return seconds


def _compared(run: SheetRun) -> dict[str, Any]:
    told, took = run.estimated_s or 0.0, run.took_s or 0.0
    return {
        "run": run,
        "told": machine_time.minutes_words(told),
        "took": machine_time.minutes_words(took),
        "ratio": took / told if told else 0.0,
    }
