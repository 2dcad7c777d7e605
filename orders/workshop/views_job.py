"""One job: take it one step on. The page, its steps, overrides and photos."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.core.exceptions import BadRequest
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import photos, workflow
from orders.access import workshop_actor, workshop_job, workshop_only
from orders.dates import today
from orders.errors import OrderError
from orders.messages import WORKSHOP, mark_seen
from orders.models import Event, Job, Version
from orders.payments import held_back, unpaid_words
from orders.planning import pieces_left
from orders.shelf_sales import sale_of
from orders.standing import steps_of

from .forms import (
    CountForm,
    FoundSpoiledForm,
    OverrideForm,
    PackForm,
    PhotoForm,
    QueueForm,
    ReasonForm,
)
from .hold import hold_of
from .shown import NEXT, dress, events_of, findings_shown, sheets_of
from .steps import JOB_STEPS
from .undo import undo_words
from .views_messages import thread_context


@require_GET
@workshop_only
def job(request: HttpRequest, code: str) -> HttpResponse:
    """Show a job; whoever opens it has seen the messages of its order."""
    shown = workshop_job(request, code)
    response = _page(request, shown)
    mark_seen(shown.order, WORKSHOP)
    return response


@require_POST
@workshop_only
def job_step(request: HttpRequest, code: str, action: str) -> HttpResponse:
    """Take a job one step on; what was typed stays on the page when that is refused."""
    job = workshop_job(request, code)
    step = JOB_STEPS.get(action)
    if step is None:
        raise BadRequest("There is no such step.")
    form = step.form(request.POST)
    if not form.is_valid():
        return _page(request, job, {action: form})
    try:
        step.take(job, workshop_actor(request), **form.cleaned_data)
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, workshop_job(request, code), {action: form})
    messages.success(request, f"Job {job.code} {step.done}")
    return redirect("workshop-job", job.code)


@require_POST
@workshop_only
def job_override(request: HttpRequest, code: str) -> HttpResponse:
    """Let one finding stand, with a reason."""
    job = workshop_job(request, code)
    form = OverrideForm(request.POST)
    if not form.is_valid():
        return _page(request, job, {"override": form})
    key, why = form.cleaned_data["key"], form.cleaned_data["why"]
    try:
        workflow.override(job.version, key, workshop_actor(request), why=why)
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, job, {"override": form})
    messages.success(request, "The finding stands; the reason stays with the drawing.")
    return redirect("workshop-job", job.code)


@require_POST
@workshop_only
def job_photo_add(request: HttpRequest, code: str) -> HttpResponse:
    """Add a photo of a cut piece; the artist sees it on the order page."""
    job = workshop_job(request, code)
    form = PhotoForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, job, {"photo": form})
    data = form.cleaned_data
    try:
        photos.add_photo(job, data["photo"], workshop_actor(request), press=data["press"])
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, job)
    messages.success(request, "The photo is added; the artist sees it on the order page.")
    return redirect("workshop-job", job.code)


def _page(
    request: HttpRequest, job: Job, bound: dict[str, forms.Form] | None = None
) -> HttpResponse:
    """Show the job; ``bound`` are forms that came back, by their action."""
    bound = bound or {}
    version = job.version
    overrides = {row.finding_key: row for row in version.overrides.select_related("by")}
    left = pieces_left(job)
    form_errors = [
        error for form in bound.values() for errors in form.errors.values() for error in errors
    ]
    context = {
        "job": dress([job], today())[0],
        "version": version,
        "findings": findings_shown(
            version.findings,
            overrides,
            version.blank.size_mm,
            kept={row.finding_key: row for row in version.kept.select_related("by")},
        ),
        "rejects_left": len(version.unsettled_rejects),
        "hold": hold_of(job),
        "steps": steps_of(job),
        "sale": sale_of(job),
        "next_sentence": NEXT[job.status],
        "actions": _actions(job),
        "undo_words": undo_words(job),
        "unpaid": unpaid_words(job.order) if job.status == Job.Status.RECEIVED else "",
        "hold_unpaid": held_back(),
        "left": left,
        "sheets": sheets_of(job),
        "history": events_of(job),
        "proposals": job.proposals.order_by("-number"),
        "photos": job.photos.order_by("-id"),
        "forms": {name.replace("-", "_"): form for name, form in (_forms() | bound).items()},
        "bound": set(bound),
        "form_errors": form_errors,
        "order_jobs": job.order.jobs.exclude(pk=job.pk).order_by("id"),
        "more_versions": version.design.versions.filter(
            number__gt=version.number, proposal=Version.Proposal.NONE
        ).exists(),
    }
    context |= thread_context(job.order, job=job)
    return render(request, "workshop/job.html", context)


def _forms() -> dict[str, forms.Form]:
    """Return the empty forms; each field's id is prefixed by its action."""
    fresh: dict[str, forms.Form] = {
        "count": CountForm(auto_id="count-%s", initial={"good": 0, "spoiled": 0}),
        "found-spoiled": FoundSpoiledForm(auto_id="found-%s"),
        "pack": PackForm(auto_id="pack-%s"),
        "photo": PhotoForm(auto_id="photo-%s"),
        "queue": QueueForm(auto_id="queue-%s"),
    }
    for action in ("hold", "ask-changes", "decline", "call-off"):
        fresh[action] = ReasonForm(auto_id=f"{action}-%s")
    return fresh


def _actions(job: Job) -> set[str]:
    """Return what the workshop may do with a job now, less what its sheet does for it."""
    actions = set(workflow.actions_from("job", job.status, Event.Role.WORKSHOP))
    if workflow.planned_pieces(job):
        actions -= {"start", "stop"}
    if sale_of(job) is not None:
        actions -= {"ask-changes", "propose"}
    return actions
