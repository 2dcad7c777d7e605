"""Files of a sheet run: one cut file for all its pieces, and the placement sheet to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from geometry.limits import BLANKS
from orders import planning
from orders.access import workshop_only, workshop_run
from orders.errors import OrderError, RefusedError
from orders.models import Film, Job, SheetRun, Workshop
from orders.pdf_answer import pdf_of
from orders.typed import whole_number

from .run_pictures import pieces_by_job
from .views_files import cut_attachment, format_asked, kerf_asked

if TYPE_CHECKING:
    from geometry.kerf import Contour


@dataclass(frozen=True)
class Stage:
    """Contours cut one after the other: of which operation, of which piece, first to last."""

    what: str
    label: str
    first: int
    last: int


@require_GET
@workshop_only
def sheet_cut_file(request: HttpRequest, code: str) -> HttpResponse:
    """One cut file: every blank in its place; of blanks cut to size, the one asked for.

    ``?as=dxf|pdf``, ``?mark=1`` marks each piece with its job's code, ``?piece=ID`` is one piece to
    be cut again in its place, ``?kerf=0`` leaves the kerf to the machine's software.
    """
    from orders import cut_files  # loads the geometry, which other pages do without

    run = workshop_run(request, code)
    kerf_mm = kerf_asked(request, run.film)
    kind, with_mark = format_asked(request), "mark" in request.GET
    try:
        if run.film.form == Film.Form.BLANK:
            job = _job_asked(request, run)
            cut = cut_files.file_for_job(job, kerf_mm, kind, with_mark=with_mark)
            name = f"{job.code}-blank"
        else:
            only = whole_number(request.GET.get("piece"))
            cut = cut_files.file_for_run(run, kerf_mm, kind, with_mark=with_mark, only=only)
            name = f"sheet-{run.code}" + (f"-piece-{only}" if only else "")
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-sheet", run.code)
    return cut_attachment(cut.data, f"{name}-kerf-{kerf_mm:g}.{cut.format}")


@require_GET
@workshop_only
def sheet_order(request: HttpRequest, code: str) -> HttpResponse:
    """The order of cutting: a still picture with its contours numbered, and the stages."""
    from orders import cut_files, machine_time

    run = workshop_run(request, code)
    try:
        plan = cut_files.plan_of_run(run, run.film.kerf_mm, smooth=False)
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-sheet", run.code)
    seconds = plan.path.seconds(machine_time.profile_of(run.film))
    context = {
        "run": run,
        "film": run.film,
        "stages": order_stages(plan.path.contours, plan.labels),
        "contours": len(plan.path.contours),
        "cut_m": plan.path.length_mm / 1000,
        "travel_m": plan.path.travel_mm / 1000,
        "told": machine_time.minutes_words(seconds),
    }
    return render(request, "workshop/sheet_order.html", context)


@require_GET
@workshop_only
def sheet_order_picture(request: HttpRequest, code: str) -> HttpResponse:
    """The numbered picture itself, as SVG."""
    from geometry.order_picture import order_picture
    from orders import cut_files

    run = workshop_run(request, code)
    try:
        plan = cut_files.plan_of_run(run, run.film.kerf_mm)
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-sheet", run.code)
    picture = order_picture(plan, run.sheet_mm, f"Order of cutting, sheet {run.code}")
    response = HttpResponse(picture, content_type="image/svg+xml")
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    return response


def order_stages(contours: Sequence[Contour], labels: Sequence[str]) -> list[Stage]:
    """Return the runs of contours of one operation and piece, first and last number of each."""
    stages: list[Stage] = []
    for number, contour in enumerate(contours, start=1):
        what = {"mark": "marks", "inside": "inside", "outline": "outlines"}[contour.role]
        label = labels[contour.piece] if contour.role == "inside" else ""
        if stages and (stages[-1].what, stages[-1].label) == (what, label):
            stages[-1] = replace(stages[-1], last=number)
        else:
            stages.append(Stage(what, label, number, number))
    return stages


@require_GET
@workshop_only
def sheet_placement(request: HttpRequest, code: str) -> HttpResponse:
    """The placement sheet at true size: where the film lies on the laser's bed."""
    from orders.prints import placement_sheet  # reportlab is only loaded to print

    run = workshop_run(request, code)
    paper = request.GET.get("paper", "letter")
    paper = paper if paper in placement_sheet.PLACEMENT_PAPERS else "letter"
    try:
        if run.film.form == Film.Form.SHEET:
            raise RefusedError("A placement sheet is only for blanks that are cut to size.")
        data = placement_sheet.render(
            BLANKS[run.film.blank_code],
            paper=paper,
            workshop_name=Workshop.current().name,
            film_name=str(run.film),
            code=run.code,
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-sheet", run.code)
    return pdf_of(data, f"placement-{run.film.blank_code}")


def _job_asked(request: HttpRequest, run: SheetRun) -> Job:
    """Return the job asked for (``?job=CODE``), the first one otherwise."""
    jobs = {job.code: job for job, _ in pieces_by_job(planning.numbered_pieces(run))}
    if not jobs:
        raise RefusedError("Nothing lies on this sheet, so there is no cut file.")
    return jobs.get(request.GET.get("job", ""), next(iter(jobs.values())))
