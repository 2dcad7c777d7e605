"""Files of a sheet run: one cut file for all its pieces, and the placement sheet to print."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from geometry.limits import BLANKS
from orders import planning
from orders.access import workshop_only, workshop_run
from orders.errors import OrderError, RefusedError
from orders.models import Film, Job, SheetRun, Workshop

from .run_pictures import pieces_by_job
from .views_files import kerf_asked, svg_attachment


@require_GET
@workshop_only
def sheet_cut_file(request: HttpRequest, code: str) -> HttpResponse:
    """One cut file: every blank in its place; of blanks cut to size, the one asked for."""
    from orders import cut_files  # loads the geometry, which other pages do without

    run = workshop_run(request, code)
    kerf_mm = kerf_asked(request, run.film)
    try:
        if run.film.form == Film.Form.BLANK:
            job = _job_asked(request, run)
            cut, name = cut_files.file_for_job(job, kerf_mm), f"{job.code}-blank"
        else:
            cut, name = cut_files.file_for_run(run, kerf_mm), f"sheet-{run.code}"
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-sheet", run.code)
    return svg_attachment(cut.data, f"{name}-kerf-{kerf_mm:g}.svg")


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
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="placement-{run.film.blank_code}.pdf"'
    response["Cache-Control"] = "private, no-store"
    return response


def _job_asked(request: HttpRequest, run: SheetRun) -> Job:
    """Return the job asked for (``?job=CODE``), the first one otherwise."""
    jobs = {job.code: job for job, _ in pieces_by_job(planning.numbered_pieces(run))}
    if not jobs:
        raise RefusedError("Nothing lies on this sheet, so there is no cut file.")
    return jobs.get(request.GET.get("job", ""), next(iter(jobs.values())))
