"""A reader's own: drawings and orders to find again, to order again, to take along, to erase."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth import logout
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from geometry.limits import BLANKS
from orders import access, export, limits, privacy
from orders.dates import today
from orders.drawings import copy_at_size
from orders.errors import OrderError
from orders.messages import ARTIST, unseen_counts
from orders.models import Design, Job, Version
from orders.models.jobs import CALLED_OFF, OVER
from orders.ordering_again import put_in_again
from orders.shelf import offer_of
from orders.standing import standing_of

from .common import first_error, told, version_to_show
from .forms_mine import FindForm, NoteForm

DRAWINGS_ON_A_PAGE = 24
ORDERS_ON_A_PAGE = 20
NEWEST_ORDERS = 3
FIND_FROM = 13  # so many are seen at a glance; below that a search is only in the way


@require_safe
@never_cache
def mine(request: HttpRequest) -> HttpResponse:
    """Show one's own drawings, each with its orders; search and filters live in the address."""
    designs = access.own_designs(request)
    form = FindForm(request.GET)
    choice = form.choice()
    found = choice.narrow(designs)
    page = Paginator(found, DRAWINGS_ON_A_PAGE).get_page(request.GET.get("page"))
    total = page.paginator.count if not choice.is_any else designs.count()
    orders = access.own_orders(request)
    context = {
        "cards": _cards(request, list(page.object_list)),
        "page": page,
        "total": total,
        "form": form,
        "choice": choice,
        "find": total >= FIND_FROM,
        "newest_orders": _order_rows(orders[:NEWEST_ORDERS]),
        "order_count": orders.count(),
        "removed": _removed(request),
    }
    return render(request, "artist/mine.html", context)


@require_safe
@never_cache
def orders(request: HttpRequest) -> HttpResponse:
    """List one's own orders, those with news first told by their mark."""
    page = Paginator(access.own_orders(request), ORDERS_ON_A_PAGE).get_page(request.GET.get("page"))
    context = {"orders": _order_rows(page.object_list), "page": page}
    return render(request, "artist/mine_orders.html", context)


@require_safe
@never_cache
def drawing(request: HttpRequest, token: str) -> HttpResponse:
    """Show what belongs to one drawing: name, note, orders, other sizes, deleting it."""
    return _drawing_page(request, access.own_design(request, token))


@require_POST
def note(request: HttpRequest, token: str) -> HttpResponse:
    """Keep a drawing's name and private note."""
    design = access.own_design(request, token)
    form = NoteForm(request.POST, instance=design)
    if not form.is_valid():
        return _drawing_page(request, access.own_design(request, token), form)
    form.save()
    messages.success(request, "Kept.")
    return redirect("mine-drawing", token=token)


@require_POST
def copy(request: HttpRequest, token: str) -> HttpResponse:
    """Make a new drawing of the same file at another size."""
    design = access.own_design(request, token)
    version = version_to_show(request, design)
    limits.count_version(request, design)
    with told(request):
        by, blank = access.person_of(request), request.POST.get("blank", "")
        made = copy_at_size(version, blank, owner=design, by=by)
        messages.success(
            request,
            f"“{made.design.title}” is a drawing of its own, checked for that size. "
            f"“{design.title}” stays as it is.",
        )
        return redirect("drawing", token=made.design.token)
    return redirect("mine-drawing", token=token)


@require_POST
def remove(request: HttpRequest, token: str) -> HttpResponse:
    """Delete a drawing: out of the lists now, erased in 24 hours unless it is brought back."""
    design = access.removed_designs(request).filter(token=token).first() or access.own_design(
        request, token
    )
    with told(request):
        privacy.remove_design(design, access.artist_actor(request))
        return redirect("mine")
    return redirect("mine-drawing", token=token)


@require_POST
def restore(request: HttpRequest, token: str) -> HttpResponse:
    """Bring a deleted drawing back; pressed twice it is there all the same."""
    design = access.own_designs(request).filter(token=token).first()
    if design is None:
        design = access.removed_design(request, token)
        try:
            privacy.restore_design(design, access.artist_actor(request))
        except OrderError as error:
            messages.error(request, error.sentence)
            return redirect("mine")
        messages.success(request, f"“{design.title}” is back.")
    return redirect("mine-drawing", token=token)


@require_POST
def order_again(request: HttpRequest, code: str) -> HttpResponse:
    """Put an order's stencils, or one of them, into the basket once more."""
    order = access.own_order(request, code)
    jobs = order.jobs.select_related("version__design", "film", "shelf_sale").order_by("id")
    if request.POST.get("job"):
        jobs = jobs.filter(code=request.POST["job"])
    basket = access.basket_of(request, make=True)
    if basket is None:
        return redirect("mine-orders")
    put = put_in_again(basket, order, list(jobs))
    for sentence in put.left_out:
        messages.warning(request, sentence)
    if not put.lines:
        return redirect("mine-orders")
    what = "It is" if put.lines == 1 else f"{put.lines} stencils are"
    messages.success(request, f"{what} in your basket again, at today’s prices.")
    return redirect("basket")


@require_safe
@never_cache
def data(request: HttpRequest) -> HttpResponse:
    """Tell what is kept of the reader, offer all of it as a file, and erase it."""
    return _data_page(request)


@require_safe
@never_cache
def download(request: HttpRequest) -> HttpResponseBase:
    """Stream everything of the reader as one zip."""
    limits.count(request, "export")
    everything = export.everything_of(
        access.whole_designs(request), access.whole_orders(request), access.person_of(request)
    )
    name = f"holdfast-{today().isoformat()}.zip"
    response = StreamingHttpResponse(export.zip_of(everything), content_type="application/zip")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@require_POST
def erase(request: HttpRequest) -> HttpResponse:
    """Erase the account, or what this browser put in, once the word is typed."""
    if request.POST.get("word", "").strip().lower() != privacy.ERASE_WORD:
        return _data_page(request, wrong_word=request.POST.get("word", "")[:40], status=422)
    person, key = access.person_of(request), access.visitor_key(request)
    try:
        if person is None:
            privacy.erase_visitor(key)
        else:
            privacy.erase_account(person, key, access.artist_actor(request))
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("mine-data")
    logout(request)  # and with it the session by which this browser owned anything
    messages.success(request, "It is erased. Thank you for drawing with us.")
    return redirect("landing")


def _data_page(
    request: HttpRequest, *, wrong_word: str | None = None, status: int = 200
) -> HttpResponse:
    designs, orders = access.whole_designs(request), access.whole_orders(request)
    making = Job.objects.filter(order__in=orders).exclude(status__in=OVER)
    context = {
        "drawing_count": designs.filter(removed_at=None).count(),
        "order_count": orders.count(),
        "making": making.select_related("order", "version__design")[:12],
        "word": privacy.ERASE_WORD,
        "wrong_word": wrong_word,
        "person": access.person_of(request),
        "has_adopted": designs.exclude(owner=None).exists() or orders.exists(),
    }
    return render(request, "account/data.html", context, status=status)


def _drawing_page(
    request: HttpRequest, design: Design, form: NoteForm | None = None
) -> HttpResponse:
    version = version_to_show(request, design)
    jobs = access.jobs_of_design(request, design).select_related("order", "film", "version")
    context = {
        "design": design,
        "version": version,
        "form": form or NoteForm(instance=design),
        "jobs": jobs.order_by("-id")[:50],
        "is_being_made": jobs.exclude(status__in=OVER).exists(),
        "blanks": [blank for code, blank in BLANKS.items() if code != version.blank_code],
        "copies": access.own_designs(request).filter(made_from__design=design),
        "copied_from": access.own_designs(request).filter(versions__copies=design).first(),
        "kept": privacy.kept_for(design),
        "on_shelf": offer_of(design),
        "error": first_error(form) if form is not None and form.errors else "",
    }
    return render(request, "artist/mine_drawing.html", context, status=422 if form else 200)


def _cards(request: HttpRequest, designs: list[Design]) -> list[dict[str, Any]]:
    """Return what each card shows; three queries for a page, however many drawings there are."""
    latest = _latest_versions(designs)
    jobs: dict[int, list[Job]] = {}
    rows = Job.objects.filter(
        order__in=access.own_orders(request), version__design__in=[d.pk for d in designs]
    )
    for job in rows.select_related("order", "version").defer("version__report", "version__limits"):
        jobs.setdefault(job.version.design_id, []).append(job)
    return [
        {
            "design": design,
            "version": latest[design.pk],
            "jobs": sorted(jobs.get(design.pk, []), key=lambda job: -job.pk),
        }
        for design in designs
    ]


def _latest_versions(designs: list[Design]) -> dict[int, Any]:
    rows = Version.objects.filter(design__in=[design.pk for design in designs])
    latest: dict[int, Any] = {}
    for version in rows.defer("report", "limits").order_by("number"):
        latest[version.design_id] = version
    by_pk = {design.pk: design for design in designs}
    for pk, version in latest.items():
        version.design = by_pk[pk]
    return latest


def _order_rows(orders: Any) -> list[dict[str, Any]]:
    rows = list(orders.prefetch_related("jobs__version__design", "quotes"))
    new = unseen_counts([order.pk for order in rows], ARTIST)
    shown = []
    for order in rows:
        jobs = list(order.jobs.all())
        live = [job for job in jobs if job.status not in CALLED_OFF]
        shown.append(
            {
                "order": order,
                "standing": standing_of(order),
                "jobs": live,
                "off": len(jobs) - len(live),
                "new": new.get(order.pk, 0),
                "may_again": bool(jobs),
            }
        )
    return shown


def _removed(request: HttpRequest) -> list[dict[str, Any]]:
    """Return what was deleted in the last 24 hours, with when and why it goes or stays."""
    recent = access.removed_designs(request).filter(
        removed_at__gt=timezone.now() - privacy.BACK_WITHIN
    )
    return [
        {
            "design": design,
            "erased_at": (design.removed_at or timezone.now()) + privacy.BACK_WITHIN,
            "kept": privacy.kept_for(design) if design.kept_until else None,
        }
        for design in recent.order_by("-removed_at")[:50]
    ]
