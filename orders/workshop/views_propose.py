"""Propose a version: place, turn, scale, ink level and strokes, looked at before it is sent."""

from __future__ import annotations

from base64 import b64encode
from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from geometry.errors import GeometryError, RecipeError
from geometry.recipe import Recipe
from orders import drawings, workflow
from orders.access import workshop_actor, workshop_job, workshop_only
from orders.errors import OrderError, RefusedError
from orders.models import Event, Job, Version
from orders.shelf_sales import sale_of
from orders.workflow.jobs import SHELF_AS_IT_IS

from .forms_propose import ProposeForm, StrokeFormSet, changes_of, initial_of, typed_form
from .shown import Grouped, findings_shown

if TYPE_CHECKING:
    from geometry.check import Checked


@require_http_methods(["GET", "POST"])
@workshop_only
def job_propose(request: HttpRequest, code: str) -> HttpResponse:
    """Show the form; look at what it makes; or offer it to the artist."""
    job = workshop_job(request, code)
    if "propose" not in workflow.actions_from("job", job.status, Event.Role.WORKSHOP):
        messages.error(
            request,
            f"Job {job.code} is “{job.get_status_display()}” now, so nothing can be proposed.",
        )
        return redirect("workshop-job", job.code)
    if sale_of(job) is not None:
        messages.error(request, SHELF_AS_IT_IS)
        return redirect("workshop-job", job.code)
    recipe = Recipe.from_json(job.version.recipe)
    initial = initial_of(recipe, _centre_mm(job.version))
    if request.method == "GET":
        form = ProposeForm(initial=typed_form(initial))
        return _page(request, job, form, StrokeFormSet(prefix="stroke"), initial)
    form, rows = ProposeForm(request.POST), StrokeFormSet(request.POST, prefix="stroke")
    if not (form.is_valid() and rows.is_valid()):
        return _page(request, job, form, rows, initial)
    strokes = [stroke for row in rows for stroke in [row.stroke()] if stroke]
    changes = changes_of(form, strokes, recipe, initial)
    try:
        looked = look(job.version, changes)
        if request.POST.get("do") == "propose":
            return _propose(request, job, changes, form, looked)
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, job, form, rows, initial)
    except NotPassedError as error:
        messages.error(request, error.sentence)
    return _page(request, job, form, rows, initial, looked)


class NotPassedError(Exception):
    """The changed version would not pass; the page shows it, and why."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


def look(version: Version, changes: dict[str, Any]) -> Checked:
    """Return the check of a version with some recipe keys changed; nothing is stored."""
    from orders.checking import check_version_file  # loads the geometry

    changed = {key: value for key, value in changes.items() if value is not None}
    dropped = {key for key, value in changes.items() if value is None}
    kept = {key: value for key, value in version.recipe.items() if key not in dropped}
    try:
        recipe = Recipe.from_json({**kept, **changed}).to_json()
        return check_version_file(
            Version(upload=version.upload, recipe=recipe, limits=version.limits)
        )
    except (RecipeError, GeometryError) as error:
        raise RefusedError(str(error)) from error


def _propose(
    request: HttpRequest, job: Job, changes: dict[str, Any], form: ProposeForm, looked: Checked
) -> HttpResponse:
    if not changes:
        raise RefusedError("Nothing differs from the artist's version. Change something first.")
    report = looked.report
    if report["verdict"] != "passed":
        raise NotPassedError(f"As changed it would not pass: {_first_reject(report)} Not sent.")
    drawings.propose_version(
        job,
        workshop_actor(request),
        changes,
        reason=form.cleaned_data["reason"],
        seen=form.cleaned_data["seen"],
    )
    messages.success(
        request,
        f"The changed version of job {job.code} is offered to the artist. "
        "The mail goes in 2 minutes; until then undo withdraws it.",
    )
    return redirect("workshop-job", job.code)


def _first_reject(report: dict[str, Any]) -> str:
    if report.get("error"):
        return str(report["error"]["message"])
    rejects = [f["message"] for f in report["findings"] if f["severity"] == "reject"]
    return str(rejects[0]) if rejects else "it could not be read."


def _page(
    request: HttpRequest,
    job: Job,
    form: ProposeForm,
    rows: Any,
    initial: dict[str, Any],
    looked: Checked | None = None,
) -> HttpResponse:
    """Show the form with the picture of what was looked at, or of the artist's version."""
    if looked:  # what was typed, and three empty rows more
        typed = [row.cleaned_data for row in rows if row.cleaned_data.get("pen")]
        rows = StrokeFormSet(initial=typed, prefix="stroke")
    shown = form.cleaned_data if looked else initial
    blank = job.version.blank
    context = {
        "job": job,
        "version": job.version,
        "form": form,
        "rows": rows,
        "looked": looked.report if looked else None,
        "picture": _data_address(looked.film_png) if looked and looked.film_png else "",
        "findings": _findings(job.version, looked) if looked else None,
        "shown": {key: shown.get(key) for key in ("x_mm", "y_mm", "scale_percent", "turn_deg")},
        "is_form_wrong": bool(form.errors or (rows.is_bound and not rows.is_valid())),
        "inner": (blank.width_mm - 2 * blank.margin_mm, blank.height_mm - 2 * blank.margin_mm),
        "older_strokes": len(job.version.recipe.get("strokes", [])),
    }
    return render(request, "workshop/propose.html", context)


def _findings(version: Version, looked: Checked) -> Grouped:
    return findings_shown(looked.report["findings"], {}, version.blank.size_mm)


def _centre_mm(version: Version) -> tuple[float, float]:
    """Return the middle of what is cut now, in blank mm; the blank's own where nothing is."""
    from orders.checking import stencil_of  # loads the geometry

    try:
        boxes = [opening.bounds for opening in stencil_of(version).openings]
    except (FileNotFoundError, ValueError):
        boxes = []
    if not boxes:
        return version.blank.width_mm / 2, version.blank.height_mm / 2
    left, top = min(box[0] for box in boxes), min(box[1] for box in boxes)
    right, bottom = max(box[2] for box in boxes), max(box[3] for box in boxes)
    return (left + right) / 2, (top + bottom) / 2


def _data_address(png: bytes) -> str:
    return "data:image/png;base64," + b64encode(png).decode()
