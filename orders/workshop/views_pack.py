"""The packing bench: what is to be packed, by order; the right pieces into the right envelope."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import BadRequest, PermissionDenied
from django.core.paginator import Paginator
from django.db.models import F, Min, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from orders.access import (
    order_job,
    person_of,
    workshop_actor,
    workshop_code,
    workshop_only,
    workshop_order,
)
from orders.dates import today
from orders.errors import OrderError
from orders.models import Job, JobTick, Order, Piece, SheetRun
from orders.models.jobs import CALLED_OFF
from orders.words import counted

from .forms import FoundSpoiledForm, PackForm, PackPartForm
from .shown import dress
from .steps import BENCH_STEPS
from .undo import undo_words

PAGE_SIZE = 25
WAITING = {
    "": "all",
    "whole": "whole orders",
    "part": "partly cut",
}


@require_GET
@workshop_only
def pack(request: HttpRequest) -> HttpResponse:
    """Show orders with pieces to pack, first promised first; ``?ready=whole|part`` narrows."""
    ready = request.GET.get("ready", "")
    ready = ready if ready in WAITING else ""
    orders = _to_pack(ready).values("order").annotate(first=Min("promise_on"))
    page = Paginator(orders.order_by("first", "order"), PAGE_SIZE).get_page(request.GET.get("page"))
    ids = [row["order"] for row in page]
    jobs = dress(_jobs().filter(order__in=ids).exclude(status__in=CALLED_OFF), today())
    by_order: dict[int, list[Job]] = {pk: [] for pk in ids}
    for job in jobs:
        by_order[job.order_id].append(job)
    context = {
        "rows": [_row(rows) for rows in by_order.values() if rows],
        "page": page,
        "ready": ready,
        "choices": WAITING,
    }
    return render(request, "workshop/pack.html", context)


@require_GET
@workshop_only
def pack_order(request: HttpRequest, code: str) -> HttpResponse:
    """Show one order at the bench: each job with its pieces, checklist and next press."""
    return _order_page(request, workshop_order(request, code))


@require_POST
@workshop_only
def pack_step(request: HttpRequest, code: str, job_code: str, action: str) -> HttpResponse:
    """Take a job of the order a step on; what was typed stays when that is refused."""
    order = workshop_order(request, code)
    job = order_job(order, job_code)
    step = BENCH_STEPS.get(action)
    if step is None:
        raise BadRequest("There is no such step.")
    form = step.form(request.POST)
    if not form.is_valid():
        return _order_page(request, order, {job.code: {action: form}})
    try:
        step.take(job, workshop_actor(request), **form.cleaned_data)
    except OrderError as error:
        messages.error(request, error.sentence)
        return _order_page(request, order, {job.code: {action: form}})
    messages.success(request, f"Job {job.code} {step.done}")
    return redirect(f"{reverse('workshop-pack-order', args=[order.code])}#{job.code}")


@require_POST
@workshop_only
def pack_tick(request: HttpRequest, code: str, job_code: str) -> HttpResponse:
    """Keep a job's checklist as it is ticked."""
    order = workshop_order(request, code)
    job = order_job(order, job_code)
    person = person_of(request)
    if person is None:
        raise PermissionDenied
    ticked = {what for what in request.POST.getlist("tick") if what in JobTick.What.values}
    job.ticks.exclude(what__in=ticked).delete()
    for what in sorted(ticked):
        JobTick.objects.get_or_create(job=job, what=what, defaults={"by": person})
    if request.headers.get("X-Requested-With") == "fetch":
        return HttpResponse(status=204)
    messages.success(request, f"The checklist of job {job.code} is kept.")
    return redirect(f"{reverse('workshop-pack-order', args=[order.code])}#{job.code}")


@require_GET
@workshop_only
def scan(request: HttpRequest, code: str = "") -> HttpResponse:
    """Lead from a code that was scanned or typed to the next step of what bears it.

    A scanner types the whole address of a QR code; its last part is the code.
    """
    typed = (code or request.GET.get("code", "")).strip()[:200]
    found = workshop_code(request, re.sub(r"^.*/(?=.)", "", typed.rstrip("/")).upper())
    if found is None:
        messages.error(
            request,
            f"No job, order or sheet has the code “{typed[:40]}”. "
            "A code is five letters and figures, a job's has a dash and a number after it."
            if typed
            else "Scan or type a code first.",
        )
        return redirect("workshop-pack")
    return redirect(_next_address(found))


def _next_address(found: Job | Order | SheetRun) -> str:
    """Return where the next step of a job, an order or a sheet is taken."""
    if isinstance(found, SheetRun):
        return reverse("workshop-sheet", args=[found.code])
    if isinstance(found, Order):
        return _next_of_order(found)
    bench = f"{reverse('workshop-pack-order', args=[found.order.code])}#{found.code}"
    if found.to_pack and found.status in PACKED_FROM:
        return bench
    if found.status == Job.Status.PACKED:
        return f"{reverse('workshop-order', args=[found.order.code])}#send"
    if found.status in (Job.Status.QUEUED, Job.Status.CUTTING):
        piece = found.pieces.filter(run__status__in=OPEN).order_by("-run").first()
        if piece is not None:
            return reverse("workshop-sheet", args=[piece.run.code])
    return reverse("workshop-job", args=[found.code])


def _next_of_order(order: Order) -> str:
    jobs = list(order.jobs.exclude(status__in=CALLED_OFF))
    if any(job.to_pack and job.status in PACKED_FROM for job in jobs):
        return reverse("workshop-pack-order", args=[order.code])
    sends = "#send" if any(job.to_send for job in jobs) else ""
    return reverse("workshop-order", args=[order.code]) + sends


PACKED_FROM = (Job.Status.QUEUED, Job.Status.CUTTING, Job.Status.CUT)
OPEN = (SheetRun.Status.PLANNED, SheetRun.Status.CUTTING)


def _to_pack(ready: str) -> QuerySet[Job]:
    """Jobs with pieces cut and not packed; of orders with all pieces cut, or with some to come."""
    jobs = Job.objects.filter(cut__gt=F("packed"), status__in=PACKED_FROM).order_by()
    if not ready:
        return jobs
    short = Job.objects.filter(cut__lt=F("quantity")).exclude(status__in=CALLED_OFF)
    coming = Q(order__in=short.values("order"))
    return jobs.exclude(coming) if ready == "whole" else jobs.filter(coming)


def _jobs() -> QuerySet[Job]:
    return (
        Job.objects.select_related("order__artist", "version__design", "film")
        .defer("version__report", "version__limits")
        .order_by("id")
    )


def _row(jobs: list[Job]) -> dict[str, Any]:
    """Return one order of the list: what lies ready and what is still to come."""
    due = min(jobs, key=lambda job: job.promise_on)
    coming = sum(max(0, job.quantity - job.cut) for job in jobs)
    return {
        "order": jobs[0].order,
        "jobs": jobs,
        "due": due.due,  # type: ignore[attr-defined]
        "to_pack": sum(job.to_pack for job in jobs),
        "coming": coming,
        "packed": sum(job.to_send for job in jobs),
    }


def _order_page(
    request: HttpRequest, order: Order, bound: dict[str, dict[str, forms.Form]] | None = None
) -> HttpResponse:
    """Show the bench of an order; ``bound`` are forms that came back, by job and action."""
    bound = bound or {}
    jobs = dress(
        _jobs()
        .filter(order=order)
        .exclude(status__in=CALLED_OFF)
        .prefetch_related("ticks__by", "parcel_lines__parcel"),
        today(),
    )
    errors = [
        error
        for of_job in bound.values()
        for form in of_job.values()
        for found in form.errors.values()
        for error in found
    ]
    context = {
        "order": order,
        "cards": [_card(job, bound.get(job.code, {})) for job in jobs],
        "form_errors": errors,
        "to_send": sum(job.to_send for job in jobs),
        "to_pack": sum(job.to_pack for job in jobs),
        "coming": sum(max(0, job.quantity - job.cut) for job in jobs),
        "all_packed": bool(jobs) and all(job.packed == job.quantity for job in jobs),
    }
    return render(request, "workshop/pack_order.html", context)


def _card(job: Job, bound: dict[str, forms.Form]) -> dict[str, Any]:
    """Return a job as the bench shows it, without a query of its own but for undo."""
    ticks = {tick.what: tick for tick in job.ticks.all()}
    sent_cut_outs = sum(
        line.cut_outs or 0 for line in job.parcel_lines.all() if line.parcel.withdrawn_at is None
    )
    in_bag = None if job.cut_outs_bagged is None else max(0, job.cut_outs_bagged - sent_cut_outs)
    return {
        "job": job,
        "pieces": _pieces(job),
        "words": _words(job),
        "ticks": [(w.value, w.label, ticks.get(w.value)) for w in JobTick.What],
        "per_piece": job.cut_outs_expected // job.quantity,
        "expected_here": job.cut_outs_expected // job.quantity * job.to_pack,
        "in_bag": in_bag,
        "may_pack": job.status == Job.Status.CUT and job.to_pack,
        "may_part": job.status in PACKED_FROM and job.to_pack and job.cut < job.quantity,
        "may_split": job.status == Job.Status.CUT and job.to_pack > 1,
        "may_remake": job.status in PACKED_FROM and job.to_pack,
        "may_unpack": job.to_send,
        "reasons": Piece.Reason.choices,
        "undo": undo_words(job),
        "asked": "pack" in bound or "pack-part" in bound,
        "pack": bound.get("pack") or PackForm(auto_id=f"pack-{job.code}-%s"),
        "part": bound.get("pack-part")
        or PackPartForm(
            auto_id=f"part-{job.code}-%s",
            initial={"pieces": min(job.to_pack, max(1, job.quantity - job.packed - 1))},
        ),
        "spoiled": bound.get("found-spoiled") or FoundSpoiledForm(auto_id=f"bad-{job.code}-%s"),
    }


def _pieces(job: Job) -> list[str]:
    """Return each piece that is wanted by how far it is, sent first: the squares of the card."""
    counts = (
        ("sent", job.shipped),
        ("packed", job.packed - job.shipped),
        ("cut", job.cut - job.packed),
        ("coming", max(0, job.quantity - job.cut)),
    )
    return [name for name, count in counts for _ in range(count)]


def _words(job: Job) -> str:
    """Return how far the pieces are, in words."""
    parts = [
        (job.shipped, "sent"),
        (job.to_send, "packed"),
        (job.to_pack, "to pack"),
        (max(0, job.quantity - job.cut), "still to be cut"),
    ]
    told = [f"{count} {words}" for count, words in parts if count]
    spoiled = f"; {counted(job.spoiled, 'piece')} spoiled on the way" if job.spoiled else ""
    return f"{counted(job.quantity, 'piece')} wanted: {', '.join(told)}{spoiled}."
