"""One drawing: whether it will hold, and what to do about it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseStopPolling

from orders import access, editing, limits, workflow
from orders.check_steps import STEPS_SHOWN
from orders.codes import new_token
from orders.drawings import as_mode, at_size
from orders.models import Design, Job, OrderLine, Version
from orders.order_rows import HEAVY
from orders.privacy import remove_design
from orders.shelf import offer_of

from .common import (
    design_to_change,
    drawing_address,
    first_error,
    posted_version,
    told,
    version_to_show,
    whole_number,
)
from .forms import LineForm, SizeForm, TitleForm, sizes_of
from .seeing import see_context
from .showing import is_cropped, is_edge_of_table, is_nearly_empty
from .views_mends import mend_context
from .views_see import follows_paper
from .views_upload import ACCEPTED

FOUND_WORDS = {
    "given": "from the corners that were set",
    "markers": "from the markers on the drawing sheet",
    "paper-edges": "from the edges of the paper",
    "dpi": "from the scan’s own resolution",
    "whole-image": "from the whole picture, as its shape is the paper’s",
}


@require_safe
@never_cache
@follows_paper
def drawing(request: HttpRequest, token: str) -> HttpResponse:
    """Show a drawing with its verdict, or how far the check is."""
    version = version_to_show(request, access.design_for(request, token))
    return render(request, "artist/drawing.html", _context(request, version))


@require_safe
@never_cache
@follows_paper
def drawing_state(request: HttpRequest, token: str) -> HttpResponse:
    """Answer the page's polling: 204 nothing new, 286 (and no more polling) when it is settled."""
    version = version_to_show(request, access.design_for(request, token))
    if not version.is_settled and request.GET.get("seen") == stamp_of(version):
        return HttpResponse(status=204)
    context = _context(request, version) | {"is_fragment": True}
    response = render(request, "artist/drawing_body.html", context)
    return HttpResponseStopPolling(response.content) if version.is_settled else response


@require_POST
def mode(request: HttpRequest, token: str) -> HttpResponse:
    """Read the same file as a mask, or as a stencil after all."""
    design = design_to_change(request, token)
    limits.count_version(request, design)
    version = posted_version(request, design)
    wanted = "mask" if request.POST.get("mode") == "mask" else "stencil"
    with told(request):
        version = as_mode(version, wanted, by=access.person_of(request))
    return _to(version)


@require_POST
def size(request: HttpRequest, token: str) -> HttpResponse:
    """Read the same file at another size of paper or stencil."""
    version = posted_version(request, design_to_change(request, token))
    form = SizeForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Choose a size for the stencil and for the paper from the lists.")
        return _to(version)
    limits.count_version(request, version.design)
    with told(request):
        blank_code = form.cleaned_data["blank"]
        version = at_size(version, blank_code, form.paper_mm, by=access.person_of(request))
    return _to(version)


@require_POST
def rename(request: HttpRequest, token: str) -> HttpResponse:
    """Give a drawing another name: its owner alone, not whoever holds an order's link."""
    design = access.own_design(request, token)
    form = TitleForm(request.POST)
    if form.is_valid():
        design.title = form.cleaned_data["title"]
        design.save(update_fields=["title"])
    else:
        messages.error(request, first_error(form))
    return _to(posted_version(request, design))


@require_POST
def remove(request: HttpRequest, token: str) -> HttpResponse:
    """Take a drawing out of the artist's list: its owner alone, as for its name."""
    design = access.own_design(request, token)
    with told(request):
        remove_design(design, access.artist_actor(request))
        messages.success(
            request,
            f"“{design.title}” is deleted. For 24 hours you can bring it back, under “Mine”.",
        )
        return redirect("mine")
    return _to(design.latest)


@require_POST
def answer(request: HttpRequest, token: str) -> HttpResponse:
    """Send a version to the workshop for a job that waits for the artist."""
    design = design_to_change(request, token)
    version = posted_version(request, design)
    job = _waiting_jobs(request, design).filter(code=request.POST.get("job", "")).first()
    if job is None:
        messages.error(request, "That job does not wait for a drawing any more.")
        return _to(version)
    with told(request):
        seen = whole_number(request.POST.get("seen"))
        workflow.answer(job, version, access.artist_actor(request, job.order), seen=seen)
        messages.success(request, "The workshop has your drawing. Nothing more to do for now.")
        return redirect("order", token=job.order.link_token)
    return _to(version)


def stamp_of(version: Version) -> str:
    """Return what changes whenever the page would look different."""
    return f"{version.status}-{version.step}"


def _waiting_jobs(request: HttpRequest, design: Design) -> Any:
    jobs = access.jobs_of_design(request, design)
    waiting = jobs.filter(status=Job.Status.NEEDS_CHANGES).select_related("order", "version")
    return waiting.defer(*(f"version__{name}" for name in HEAVY))


def _to(version: Version) -> HttpResponse:
    return redirect(drawing_address(version))


def _context(request: HttpRequest, version: Version) -> dict[str, Any]:
    """Everything the drawing page shows; the forms only once the check is settled."""
    context: dict[str, Any] = {
        "design": version.design,
        "version": version,
        "versions": version.design.versions.defer(*HEAVY),
        "stamp": stamp_of(version),
        "step_words": STEPS_SHOWN.get(version.step, "waiting for its turn"),
        "accept": ACCEPTED,
    }
    if version.is_settled:
        context |= _settled_context(request, version)
    return context


def _settled_context(request: HttpRequest, version: Version) -> dict[str, Any]:
    report = version.report or {}
    jobs = _waiting_jobs(request, version.design)
    proposed_for = version.proposed_for
    own_orders = access.own_orders(request)
    is_own = access.own_designs(request).filter(pk=version.design_id).exists()
    return mend_context(request, version) | {
        "see": see_context(version, request.GET.get("view", "")),
        "rejects": [f for f in version.findings if f["severity"] == "reject"],
        "report": report,
        "stencil": report.get("stencil") or {},
        "found_words": FOUND_WORDS.get((report.get("page") or {}).get("found", ""), ""),
        "is_cropped": is_cropped(version),
        "is_edge_table": is_edge_of_table(version),
        "is_nearly_empty": is_nearly_empty(version),
        "is_own": is_own,
        "on_shelf": offer_of(version.design),
        "size_form": SizeForm(initial=sizes_of(version)),
        "title_form": TitleForm(initial={"title": version.design.title}),
        "line_form": _line_form(version) if is_own else None,
        "press": new_token(),
        "strokes_unkept": editing.unkept(version),
        "answers": [
            job
            for job in jobs
            if job.version.blank_code == version.blank_code
            and job.version.mode == version.mode
            and job.version_id != version.pk
            and not version.proposal
        ],
        "proposal_order": own_orders.filter(pk=proposed_for.order_id).first()
        if proposed_for
        else None,
    }


def _line_form(version: Version) -> LineForm | None:
    """Return the form that puts a version into the basket, None where that makes no sense."""
    orderable = (Version.Status.PASSED, Version.Status.REJECTED)
    if version.status not in orderable or version.proposal:
        return None
    return LineForm(instance=OrderLine(version=version))
