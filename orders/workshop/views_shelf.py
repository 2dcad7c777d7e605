"""The shelf as the workshop sees it: offers and takedowns, shares owed and paid, CSV."""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import date
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Sum
from django.db.models.functions import Coalesce
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import shelf, shelf_money, shelf_sales
from orders.access import workshop_actor, workshop_offer, workshop_only
from orders.codes import new_token
from orders.errors import OrderError
from orders.models import Person, ShareLine, SharePayout, ShelfOffer, Workshop
from orders.pdf_answer import statement_pdf
from orders.shelf_money import MonthSums, Statement
from orders.typed import whole_number

ON_A_PAGE = 12
MONTHS_ON_A_PAGE = 50


class PaidForm(forms.Form):
    """A month marked as paid; ``press`` is new on every page, so that pressing twice marks once."""

    currency = forms.CharField(max_length=3)
    reference = forms.CharField(max_length=80, required=False)
    press = forms.CharField(max_length=40)


@require_GET
@workshop_only
def offers(request: HttpRequest) -> HttpResponse:
    """List what is on the shelf and what was, with consent, sales and the way to take it down."""
    rows = ShelfOffer.objects.select_related("design", "artist", "taken_down_by")
    is_past = request.GET.get("state") == "past"
    live = shelf_sales.live()
    if is_past:
        ended = Coalesce("taken_down_at", "revoked_at").desc(nulls_last=True)
        rows = rows.exclude(pk__in=live.values("pk")).order_by(ended, "-id")
    else:
        rows = rows.filter(pk__in=live)
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "rows": _offer_rows(list(page.object_list)),
        "is_past": is_past,
        "state": "past" if is_past else "",
        "live_count": live.count(),
        "past_count": ShelfOffer.objects.exclude(pk__in=live.values("pk")).count(),
        "owed": [(c, sum_) for c, sum_ in shelf_money.owed_today().items() if sum_],
        "percent": Workshop.current().shelf_share_percent,
    }
    return render(request, "workshop/shelf.html", context)


@require_POST
@workshop_only
def offer_down(request: HttpRequest, code: str) -> HttpResponse:
    """Take an offer down, with a reason that is mailed to its artist."""
    offer = workshop_offer(request, code)
    try:
        why = request.POST.get("why", "")[:1000]
        shelf.take_down(offer, workshop_actor(request), why=why)
        messages.success(
            request, "It is off the shelf. The mail goes in 2 minutes; until then undo stops it."
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return redirect("workshop-shelf")
    return redirect(f"{request.path.removesuffix(f'{code}/down/')}?state=past#{code}")


@require_POST
@workshop_only
def offer_undo(request: HttpRequest, code: str) -> HttpResponse:
    """Put an offer back that was taken down just now."""
    offer = workshop_offer(request, code)
    try:
        shelf.undo_take_down(offer, workshop_actor(request))
        messages.success(request, "It is on the shelf again; the mail is withdrawn.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-shelf")


@require_GET
@workshop_only
def shares(request: HttpRequest) -> HttpResponse:
    """Show what is owed to whom, month by month, and what was paid."""
    sums = shelf_money.month_sums()
    page = Paginator(sums, MONTHS_ON_A_PAGE).get_page(request.GET.get("page"))
    people = Person.objects.in_bulk({row.artist_id for row in sums})
    context = {
        "owed": shelf_money.owed_sums(sums).items(),
        "artists": _artists(sums, people),
        "page": page,
        "statements": [(people[row.artist_id], row) for row in page.object_list],
    }
    return render(request, "workshop/shares.html", context)


@require_GET
@workshop_only
def shares_csv(request: HttpRequest) -> HttpResponse:
    """Give every line as CSV, or with ``?what=paid`` the marks of what was paid."""
    if request.GET.get("what") == "paid":
        payouts = SharePayout.objects.select_related("artist").order_by("id")
        return _csv("shares-paid", shelf_money.PAYOUT_COLUMNS, shelf_money.payout_rows(payouts))
    lines = ShareLine.objects.select_related("artist", "sale__job__version__design")
    lines = lines.defer("sale__job__version__report", "sale__job__version__limits").order_by("id")
    return _csv("shares", shelf_money.COLUMNS, shelf_money.line_rows(lines))


@require_GET
@workshop_only
def share_month(request: HttpRequest, person: int, month: str) -> HttpResponse:
    """Show one artist's month line by line: mark it as paid, take shares back."""
    artist, first, rows = _month(person, month)
    context = {
        "artist": artist,
        "payee": shelf_money.payees([artist]).get(artist.pk),
        "month": first,
        "statements": [(row, _lines(row)) for row in rows],
        "press": new_token(),
    }
    return render(request, "workshop/share_month.html", context)


@require_GET
@workshop_only
def share_month_pdf(request: HttpRequest, person: int, month: str) -> HttpResponse:
    """Print the statement of one artist's month, as the artist gets it."""
    return statement_pdf(request, _month(person, month)[2])


@require_POST
@workshop_only
def share_pay(request: HttpRequest, person: int, month: str) -> HttpResponse:
    """Mark what is owed of a month as paid."""
    artist, first, _ = _month(person, month)
    form = PaidForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Write a reference of up to 80 signs, and press again.")
        return redirect("workshop-share-month", person, month)
    try:
        data = form.cleaned_data
        payout = shelf_money.pay(
            artist,
            first,
            data["currency"],
            workshop_actor(request),
            reference=data["reference"],
            press=f"{data['press']}-{data['currency']}",
        )
        said = "paid. The artist is mailed in 2 minutes." if payout.amount > 0 else "set off."
        messages.success(request, f"Marked as {said}")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-share-month", person, month)


@require_POST
@workshop_only
def share_unpay(request: HttpRequest, number: int) -> HttpResponse:
    """Take a mark back by a counter-entry."""
    payout = get_object_or_404(SharePayout.objects.select_related("artist"), pk=number)
    try:
        shelf_money.unpay(payout, workshop_actor(request))
        messages.success(request, "The mark is taken back; the month is owed again.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-share-month", payout.artist_id, f"{payout.month:%Y-%m}")


@require_POST
@workshop_only
def share_back(request: HttpRequest, number: int) -> HttpResponse:
    """Take shares of pieces back whose money was paid back."""
    line = get_object_or_404(ShareLine.objects.select_related("sale", "artist"), pk=number)
    try:
        shelf_money.take_back_by_hand(
            line,
            whole_number(request.POST.get("pieces")) or 0,
            workshop_actor(request),
            why=request.POST.get("why", "")[:300],
            press=f"by-hand-{request.POST.get('press', '')[:40] or new_token()}-{number}",
        )
        messages.success(request, "Taken back by a line of today; the old one stays as it is.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-share-month", line.artist_id, f"{line.booked_on:%Y-%m}")


def _offer_rows(rows: list[ShelfOffer]) -> list[dict[str, Any]]:
    sums = ShareLine.objects.filter(sale__offer__in=rows).values_list("sale__offer")
    sent = dict(sums.annotate(pieces=Sum("pieces")).order_by())
    versions = shelf.sizes_by_offer(rows)
    return [
        {
            "offer": row,
            "versions": versions.get(row.pk, []),
            "sent": sent.get(row.pk, 0),
            "may_undo": row.taken_down_at is not None and shelf.may_undo(row),
        }
        for row in rows
    ]


def _artists(sums: list[MonthSums], people: dict[int, Person]) -> list[dict[str, Any]]:
    """What is owed to each artist in all, who is owed most first, and where it goes."""
    payees = shelf_money.payees(people.values())
    own: dict[int, list[MonthSums]] = defaultdict(list)
    for each in sums:
        own[each.artist_id].append(each)
    found = []
    for pk, artist in people.items():
        for currency, sum_ in shelf_money.owed_sums(own[pk]).items():
            row = {"artist": artist, "payee": payees.get(pk), "currency": currency, "owed": sum_}
            found.append(row)
    return sorted(found, key=lambda row: (row["currency"], -row["owed"]))


def _lines(statement: Statement) -> list[tuple[ShareLine, int]]:
    """Each line with the pieces of it that can still be taken back."""
    is_booked = ShareLine.Kind.BOOKED
    return [
        (line, shelf_sales.left_of(line) if line.kind == is_booked else 0)
        for line in statement.lines
    ]


def _month(person: int, text: str) -> tuple[Person, date, list[Statement]]:
    artist = get_object_or_404(Person, pk=person)
    first = shelf_money.month_of(text)
    rows = shelf_money.statements(artist, first) if first else []
    if first is None or not rows:
        raise Http404
    return artist, first, rows


def _csv(name: str, columns: Any, rows: Any) -> HttpResponse:
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    writer = csv.writer(response)
    writer.writerow(columns)
    writer.writerows(rows)
    return response
