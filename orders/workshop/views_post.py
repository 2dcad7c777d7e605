"""Post or hand over: what lies packed, by order; tracking numbers, one by one or by CSV."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, F, Min, Prefetch, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from orders import parcels, workflow
from orders.access import workshop_actor, workshop_only, workshop_order, workshop_parcel
from orders.dates import today
from orders.errors import OrderError
from orders.models import Job, Order, Packaging, Parcel, Workshop
from orders.models.jobs import CALLED_OFF
from orders.typed import whole_number
from orders.words import counted

from .forms import PackagingForm, ShipForm, TrackingForm
from .shown import dress

PAGE_SIZE = 12
SENT_SHOWN = 12


@require_GET
@workshop_only
def post(request: HttpRequest) -> HttpResponse:
    return _post_page(request)


@require_POST
@workshop_only
def order_ship(request: HttpRequest, code: str) -> HttpResponse:
    """Send the ticked jobs off: posted with a carrier, or handed over in person."""
    order = workshop_order(request, code)
    from_post = request.POST.get("from") == "post"
    form = ShipForm(request.POST)
    jobs, seen = _ticked(request, order)
    collected = request.POST.get("how") == "collected"
    try:
        if not form.is_valid():
            raise_first(form)
        pieces = _pieces(request, jobs)
        parcel = workflow.ship(
            order,
            workshop_actor(request),
            jobs,
            carrier=form.cleaned_data["carrier"],
            tracking=form.cleaned_data["tracking"],
            collected=collected,
            packaging=form.cleaned_data["packaging"],
            weight_g=_weight(form, jobs, pieces),
            pieces=pieces,
            seen=seen,
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        if from_post:
            return _post_page(request, order, form)
        from .views_order import order_page  # that page shows this form: each needs the other

        return order_page(request, order, form)
    messages.success(request, _sent_words(order, parcel, jobs))
    return redirect("workshop-post" if from_post else reverse("workshop-order", args=[order.code]))


@require_POST
@workshop_only
def parcel_tracking(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Put a posted parcel's carrier and number in, or right."""
    order = workshop_order(request, code)
    parcel = workshop_parcel(request, order, number)
    form = TrackingForm(request.POST)
    try:
        if not form.is_valid():
            raise_first(form)
        parcels.set_tracking(parcel, workshop_actor(request), **form.cleaned_data)
        messages.success(request, f"The parcel of order {order.code} has its number.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-order", order.code)


@require_GET
@workshop_only
def parcels_csv(request: HttpRequest) -> HttpResponse:
    """Give what lies packed as CSV, or with ``?sent=days`` the parcels of so many days."""
    days = whole_number(request.GET.get("sent"))
    if days is None:
        jobs = to_send().exclude(order__delivery=Order.Delivery.COLLECT)
        rows = parcels.waiting_rows(jobs.prefetch_related("order__jobs__version"))
    else:
        since = today().toordinal() - min(days, 366)
        posted = Parcel.objects.filter(withdrawn_at=None, collected=False)
        rows = parcels.sent_rows(posted.filter(sent_on__gte=today().fromordinal(since)))
    response = HttpResponse(parcels.to_csv(rows), content_type="text/csv; charset=utf-8")
    name = "parcels-to-post" if days is None else "parcels-sent"
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


@require_POST
@workshop_only
def parcels_csv_in(request: HttpRequest) -> HttpResponse:
    """Take carriers and tracking numbers from a CSV."""
    given = request.FILES.get("file")
    if given is None:
        messages.error(request, "Choose the CSV file first.")
        return redirect("workshop-post")
    try:
        read = parcels.read_csv(given.read(parcels.LARGEST_CSV + 1), workshop_actor(request))
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-post")
    messages.success(
        request,
        f"{counted(read.posted, 'parcel')} posted, {read.filled} given a new number. "
        "Rows without carrier and number were left alone.",
    )
    for sentence in read.refused[:20]:
        messages.error(request, sentence)
    return redirect("workshop-post")


@require_http_methods(["GET", "POST"])
@workshop_only
def packagings(request: HttpRequest) -> HttpResponse:
    """List what parcels are packed in; one form changes a row or adds one."""
    number = whole_number(request.POST.get("id"))
    row = None if number is None else Packaging.objects.filter(pk=number).first()
    form = PackagingForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, f"{form.instance.name} is kept.")
        return redirect("workshop-packagings")
    fresh = row is None
    rows = Packaging.objects.annotate(parcels=Count("parcel"))
    context = {
        "rows": [
            (one, form if row == one else PackagingForm(instance=one, auto_id=f"p{one.pk}-%s"))
            for one in rows
        ],
        "form": form if fresh else PackagingForm(),
        "bound": form.is_bound,
        "errors": [error for found in form.errors.values() for error in found],
    }
    return render(
        request, "workshop/packagings.html", context, status=422 if form.is_bound else 200
    )


def raise_first(form: ShipForm | TrackingForm) -> None:
    """Raise the first of a form's errors as a sentence."""
    name, errors = next(iter(form.errors.items()))
    label = form.fields[name].label or name
    raise OrderError(f"{label}: {errors[0]}")


def to_send() -> QuerySet[Job]:
    """Jobs with pieces that lie packed, whole or in part, with everything a row shows."""
    return (
        Job.objects.filter(packed__gt=F("shipped"))
        .select_related("order__artist", "version__design", "film")
        .defer("version__report", "version__limits")
        .order_by("promise_on", "order_id", "id")
    )


def last_carrier() -> dict[str, str]:
    """Return the carrier of the last posted parcel, to save typing."""
    last = Parcel.objects.filter(collected=False).exclude(carrier="").order_by("-id").first()
    return {"carrier": last.carrier if last else ""}


def ship_context(
    order: Order, jobs: list[Job], money: Any, workshop: Workshop, packagings: Iterable[Packaging]
) -> dict[str, Any]:
    """Return what the form of a parcel shows besides its fields: weights, address, customs."""
    lines = [(job, job.to_send) for job in jobs]
    film = parcels.film_g(lines)
    abroad = parcels.goes_abroad(order, workshop)
    is_posted = order.delivery == Order.Delivery.POST
    customs = parcels.customs_of(order, lines, money, origin=workshop.country) if abroad else None
    return {
        "film_g": film.quantize(Decimal("0.1")),
        "packagings": [(one, parcels.whole_g(lines, one)) for one in packagings],
        "fault": parcels.address_fault(order) if is_posted else "",
        "customs": customs,
        "country_unknown": is_posted and not workshop.country,
    }


def _ticked(request: HttpRequest, order: Order) -> tuple[list[Job], dict[int, int]]:
    """Return the ticked jobs of this order and the revisions on the page (``CODE.3``)."""
    given = dict(value.partition(".")[::2] for value in request.POST.getlist("job"))
    jobs = list(order.jobs.filter(code__in=given).select_related("version", "film").order_by("id"))
    seen = {job.pk: whole_number(given[job.code]) for job in jobs}
    return jobs, {pk: revision for pk, revision in seen.items() if revision is not None}


def _pieces(request: HttpRequest, jobs: list[Job]) -> dict[int, int]:
    """Return how many pieces of each job go along, where the form says."""
    pieces = {}
    for job in jobs:
        typed = request.POST.get(f"pieces-{job.code}")
        if typed is None:
            continue
        number = whole_number(typed.strip())
        if number is None:
            raise OrderError(f"Type how many pieces of {job} go along, as a number.")
        pieces[job.pk] = number
    return pieces


def _weight(form: ShipForm, jobs: list[Job], pieces: dict[int, int]) -> Decimal | None:
    """Return the scale's word, else film and packaging worked out."""
    if form.cleaned_data["weight_g"] is not None:
        return Decimal(form.cleaned_data["weight_g"])
    lines = [(job, pieces.get(job.pk, job.to_send)) for job in jobs]
    return parcels.whole_g(lines, form.cleaned_data["packaging"])


def _sent_words(order: Order, parcel: Parcel, jobs: list[Job]) -> str:
    words = "handed over" if parcel.collected else "on its way"
    left = workflow.left_to_send(order)
    rest = f" {counted(left, 'piece')} of the order still to send." if left else ""
    told = f"Order {order.code}: {counted(len(jobs), 'job')} {words}.{rest}"
    return f"{told} The mail goes in 2 minutes."


def _post_page(
    request: HttpRequest, failed: Order | None = None, form: ShipForm | None = None
) -> HttpResponse:
    """Show packed pieces by order, first promised first; a refused form keeps what was typed."""
    waiting = Job.objects.filter(packed__gt=F("shipped")).order_by()
    found = request.GET.get("q", "").strip()[:80]
    if found:
        waiting = waiting.filter(
            Q(order__code__icontains=found) | Q(order__ship_name__icontains=found)
        )
    ordered = waiting.values("order").annotate(first=Min("promise_on")).order_by("first", "order")
    page = Paginator(ordered, PAGE_SIZE).get_page(request.GET.get("page"))
    ids = [row["order"] for row in page]
    orders = Order.objects.prefetch_related(
        Prefetch(
            "jobs",
            Job.objects.select_related("version__design", "film")
            .defer("version__report", "version__limits")
            .order_by("id"),
        )
    ).select_related("artist")
    shown = orders.in_bulk(ids)
    money = parcels.money_of(shown.values())
    shop, wraps, carrier = Workshop.current(), list(_wraps()), last_carrier()
    rows = []
    for pk in ids:
        order = shown[pk]
        jobs = dress([job for job in order.jobs.all() if job.to_send], today())
        is_failed = failed is not None and failed.pk == pk
        rows.append(
            {
                "order": order,
                "jobs": jobs,
                "due": jobs[0].due,  # type: ignore[attr-defined]
                "still": _still(order),
                "form": form if is_failed else ShipForm(initial=carrier),
                "told": ship_context(order, jobs, money.get(pk), shop, wraps),
            }
        )
    sent = Parcel.objects.filter(withdrawn_at=None).select_related("order__artist")
    context = {
        "parcels": rows,
        "page": page,
        "found": found,
        "sent": sent.order_by("-sent_at")[:SENT_SHOWN],
    }
    return render(request, "workshop/post.html", context)


def _wraps() -> QuerySet[Packaging]:
    return Packaging.objects.filter(is_active=True)


def _still(order: Order) -> int:
    """Return how many pieces of an order are not packed yet."""
    live = [job for job in order.jobs.all() if job.status not in CALLED_OFF]
    return sum(job.quantity - job.packed for job in live)
