"""An artist's own side of the shelf: the consent, withdrawing it, the statements of shares."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Case, When
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from orders import access, shelf, shelf_money
from orders.errors import RefusedError
from orders.models import Design, Person, ShelfOffer, ShelfPayee, Workshop
from orders.pdf_answer import statement_pdf
from orders.shelf_money import Statement
from orders.workflow import UNDO_WITHIN

from .common import first_error, told
from .forms_shelf import OfferForm, PayeeForm
from .shelf_shown import prices_of_today, undo_until

ON_A_PAGE = 12


@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def offer(request: HttpRequest, token: str) -> HttpResponse:
    """Ask for the consent to put a drawing on the shelf, and keep it."""
    design = access.own_design(request, token)
    person = access.person_of(request)
    if person is None or design.owner != person:
        # somebody is owed money: that needs an address, proved by a mailed code
        return render(request, "artist/shelf_offer_who.html", {"design": design})
    standing = shelf.offer_of(design)
    if standing is not None:
        return redirect(f"{reverse('mine-shelf')}#{standing.code}")
    versions, percent = shelf.offerable(design), Workshop.current().shelf_share_percent
    options: dict[str, Any] = {"versions": versions, "share_percent": percent}
    if request.method != "POST":
        form = OfferForm(initial=_initial(person, versions), **options)
        return _consent_page(request, design, form)
    form = OfferForm(request.POST, **options)
    if not form.is_valid():
        return _consent_page(request, design, form, status=422)
    try:
        row = shelf.offer(
            design,
            access.artist_actor(request),
            form.chosen,
            shown_name=form.cleaned_data["shown_name"],
            payee_name=form.cleaned_data["payee_name"],
            pay_to=form.cleaned_data["pay_to"],
            agreed_percent=form.cleaned_data["percent"],
        )
    except RefusedError as error:
        form.add_error(None, error.sentence)
        return _consent_page(request, design, form, status=422)
    messages.success(request, f"“{design.title}” is on the shelf. Thank you for sharing it.")
    return redirect("shelf-design", code=row.code)


@require_safe
@never_cache
def mine_shelf(request: HttpRequest) -> HttpResponse:
    """List one's own offers, what was sold, and what is owed by month."""
    return _mine_page(request)


@require_POST
def withdraw(request: HttpRequest, code: str) -> HttpResponse:
    """Take one's own drawing off the shelf."""
    row = access.own_offer(request, code)
    with told(request):
        shelf.withdraw(row, access.artist_actor(request))
        title = row.design.title if row.design else "It"
        messages.success(request, f"“{title}” is off the shelf. Nobody can order it from now on.")
    return redirect("mine-shelf")


@require_POST
def undo(request: HttpRequest, code: str) -> HttpResponse:
    """Put it back, within a quarter of an hour."""
    row = access.own_offer(request, code)
    with told(request):
        shelf.undo_withdraw(row, access.artist_actor(request))
        messages.success(request, "It is on the shelf again, as before.")
    return redirect("mine-shelf")


@require_POST
def payee(request: HttpRequest) -> HttpResponse:
    """Keep where one's share is sent."""
    person = access.person_of(request)
    if person is None or not access.own_offers(request).exists():
        raise Http404
    form = PayeeForm(request.POST)
    if form.is_valid():
        try:
            data = form.cleaned_data
            shelf.change_payee(person, name=data["payee_name"], pay_to=data["pay_to"])
            messages.success(request, "Kept. The workshop pays it there from now on.")
            return redirect("mine-shelf")
        except RefusedError as error:
            form.add_error("pay_to", error.sentence)
    return _mine_page(request, form)


@require_safe
@never_cache
def month(request: HttpRequest, month: str) -> HttpResponse:
    """Show the statement of one month, line by line."""
    rows = _statements(request, month)
    return render(request, "artist/shelf_month.html", {"statements": rows, "month": rows[0].month})


@require_safe
@never_cache
def month_csv(request: HttpRequest, month: str) -> HttpResponse:
    """Give the statement of one month as CSV."""
    rows = _statements(request, month)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    name = f"shares-{rows[0].month:%Y-%m}"
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    writer = csv.writer(response)
    writer.writerow(shelf_money.OWN_COLUMNS)
    for row in rows:
        writer.writerows(shelf_money.own_rows(row))
    return response


@require_safe
def month_pdf(request: HttpRequest, month: str) -> HttpResponse:
    """Print the statement of one month."""
    return statement_pdf(request, _statements(request, month))


def _statements(request: HttpRequest, text: str) -> list[Statement]:
    person, first = access.person_of(request), shelf_money.month_of(text)
    if person is None or first is None:
        raise Http404
    rows = shelf_money.statements(person, first)
    if not rows:
        raise Http404
    return rows


def _mine_page(request: HttpRequest, form: PayeeForm | None = None) -> HttpResponse:
    person = access.person_of(request)
    context: dict[str, Any] = {"offers": [], "statements": []}
    if person is not None:
        statements = shelf_money.statements(person)
        own = access.own_offers(request).order_by(_standing_first(), "-consented_at", "-id")
        page = Paginator(own, ON_A_PAGE).get_page(request.GET.get("page"))
        context = {
            "offers": _offers(page.object_list, statements),
            "page": page,
            "statements": statements,
            "owed": shelf_money.owed_sums(statements).items(),
            "form": form or PayeeForm(initial=_payee_of(person)),
            "error": first_error(form) if form is not None else "",
        }
    return render(request, "artist/mine_shelf.html", context, status=422 if form else 200)


def _offers(rows: Iterable[ShelfOffer], statements: list[Statement]) -> list[dict[str, Any]]:
    """Return what is shown of one's own offers, with the pieces sent of each."""
    sent: dict[int, int] = {}
    for statement in statements:
        for line in statement.lines:
            sent[line.sale.offer_id] = sent.get(line.sale.offer_id, 0) + line.pieces
    rows = list(rows)
    versions = shelf.sizes_by_offer(rows)
    return [
        {
            "offer": row,
            "versions": versions.get(row.pk, []),
            "sent": sent.get(row.pk, 0),
            "undo_until": undo_until(row),
        }
        for row in rows
    ]


def _standing_first() -> Case:
    """What can be put back on top, so that undo is at hand; then what stands; then what ended."""
    just_now = When(revoked_at__gte=timezone.now() - UNDO_WITHIN, then=0)
    return Case(just_now, When(revoked_at=None, taken_down_at=None, then=1), default=2)


def _consent_page(
    request: HttpRequest, design: Design, form: OfferForm, *, status: int = 200
) -> HttpResponse:
    shop, prices = Workshop.current(), prices_of_today()
    percent = shop.shelf_share_percent
    ticked = {str(pk) for pk in form["sizes"].value() or []}
    context = {
        "design": design,
        "form": form,
        "rows": [
            (
                version,
                str(version.pk) in ticked,
                prices.one(version.blank_code),
                prices.share(version.blank_code, percent),
            )
            for version in form.versions.values()
        ],
        "currency": prices.currency,
        "percent": percent,
        "sentences": shelf.consent_sentences(percent, shop.name),
    }
    return render(request, "artist/shelf_offer.html", context, status=status)


def _initial(person: Person, versions: list[Any]) -> dict[str, Any]:
    names = {"shown_name": person.name, "payee_name": person.name}
    last = person.shelf_offers.first()
    if last is not None:
        names["shown_name"] = last.shown_name
    return names | _payee_of(person) | {"sizes": [version.pk for version in versions]}


def _payee_of(person: Person) -> dict[str, str]:
    row = ShelfPayee.objects.filter(person=person).first()
    return {"payee_name": row.name, "pay_to": row.pay_to} if row else {}
