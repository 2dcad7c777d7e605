"""What is owed and by whom; one order's money: payments, corrections, invoice, credit notes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Exists, OuterRef, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_POST

from orders import invoices, payments
from orders.access import workshop_actor, workshop_only, workshop_order
from orders.codes import new_token
from orders.dates import today
from orders.errors import OrderError
from orders.models import Invoice, Job, Order, Payment
from orders.payments import Account
from orders.pdf_answer import paper_of, pdf_of

RECENT = 20
ON_A_PAGE = 25


class PayForm(forms.Form):
    """One payment; ``press`` is new on every page, so that pressing twice records once."""

    kind = forms.ChoiceField(
        label="What it is",
        choices=[(k.value, k.label) for k in Payment.Kind if k != Payment.Kind.CORRECTION],
        initial=Payment.Kind.PAYMENT,
    )
    amount = forms.DecimalField(
        label="Amount",
        max_digits=12,
        decimal_places=4,
        min_value=Decimal("0.0001"),
        error_messages={
            "required": "Enter the amount.",
            "invalid": "Enter a number such as 12.50.",
            "min_value": "Enter an amount above nothing.",
        },
    )
    method = forms.ChoiceField(label="How", choices=Payment.Method.choices)
    paid_on = forms.DateField(
        label="On", widget=forms.DateInput(attrs={"type": "date"}), initial=today
    )
    reference = forms.CharField(
        label="Reference",
        max_length=80,
        required=False,
        help_text="The bank's line or the slip's number. Never a card number.",
    )
    press = forms.CharField(max_length=40, widget=forms.HiddenInput, initial=new_token)


class CreditForm(forms.Form):
    """A credit note over a part of the invoice, tax included, at one of its rates."""

    gross = forms.DecimalField(
        label="Amount with tax", max_digits=12, decimal_places=4, min_value=Decimal("0.0001")
    )
    rate = forms.TypedChoiceField(label="At the tax rate of", coerce=Decimal)
    why = forms.CharField(label="What is taken back, and why", max_length=300)
    press = forms.CharField(max_length=40, widget=forms.HiddenInput, initial=new_token)

    def __init__(self, *args: Any, rates: list[Decimal], **options: Any) -> None:
        super().__init__(*args, **options)
        rate: Any = self.fields["rate"]
        rate.choices = [(f"{value:f}", f"{value:f} %") for value in rates]


@require_GET
@workshop_only
def money(request: HttpRequest) -> HttpResponse:
    """Show what is owed, by whom, since when, oldest first; and what came in last."""
    accounts = payments.unsettled_accounts()
    owing = [account for account in accounts if account.owed > 0]
    sums: dict[str, Decimal] = {}
    for account in owing:
        sums[account.currency] = sums.get(account.currency, Decimal(0)) + account.owed
    page = Paginator(owing, ON_A_PAGE).get_page(request.GET.get("page"))
    not_invoiced = list(_not_invoiced()[: ON_A_PAGE + 1])
    context = {
        "page": page,
        "owing": _with_orders(list(page.object_list)),
        "sums": sums.items(),
        "to_return": _with_orders([account for account in accounts if account.owed < 0]),
        "recent": Payment.objects.select_related("order__artist").order_by("-number")[:RECENT],
        "not_invoiced": not_invoiced[:ON_A_PAGE],
        "are_more": len(not_invoiced) > ON_A_PAGE,
    }
    return render(request, "workshop/money.html", context)


@require_GET
@workshop_only
def order_money(request: HttpRequest, code: str) -> HttpResponse:
    return _page(request, workshop_order(request, code))


@require_POST
@workshop_only
def order_pay(request: HttpRequest, code: str) -> HttpResponse:
    """Record a deposit, a payment or a refund."""
    order = workshop_order(request, code)
    form = PayForm(request.POST)
    if not form.is_valid():
        return _page(request, order, pay_form=form)
    try:
        row = payments.pay(
            order, form.cleaned_data.pop("amount"), workshop_actor(request), **form.cleaned_data
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, order, pay_form=form)
    messages.success(request, f"Recorded as receipt {row.number}.")
    return redirect("workshop-order-money", order.code)


@require_POST
@workshop_only
def order_correct(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Take an entry made by mistake back by a counter-entry."""
    order = workshop_order(request, code)
    payment = get_object_or_404(order.payments, number=number)
    try:
        why = request.POST.get("why", "")[:300]
        row = payments.correct(payment, workshop_actor(request), why=why)
        messages.success(request, f"Receipt {number} is taken back by receipt {row.number}.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-order-money", order.code)


@require_POST
@workshop_only
def order_invoice(request: HttpRequest, code: str) -> HttpResponse:
    """Issue the invoice; it stays as it is from then on."""
    order = workshop_order(request, code)
    try:
        press = request.POST.get("press", "")[:40] or new_token()
        invoice = invoices.issue(order, workshop_actor(request), press=press)
        messages.success(request, f"Invoice {invoice.number} is issued.")
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect("workshop-order-money", order.code)


@require_POST
@workshop_only
def order_credit(request: HttpRequest, code: str) -> HttpResponse:
    """Issue a credit note on the order's invoice."""
    order = workshop_order(request, code)
    invoice = get_object_or_404(order.invoices, kind=Invoice.Kind.INVOICE)
    form = CreditForm(request.POST, rates=list(invoices.gross_by_rate(order)))
    if not form.is_valid():
        return _page(request, order, credit_form=form)
    data = form.cleaned_data
    try:
        note = invoices.credit(
            invoice,
            data["gross"],
            data["rate"],
            workshop_actor(request),
            why=data["why"],
            press=data["press"],
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return _page(request, order, credit_form=form)
    messages.success(request, f"Credit note {note.number} is issued.")
    return redirect("workshop-order-money", order.code)


@require_GET
@workshop_only
def invoice_pdf(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Print an invoice or a credit note."""
    from orders.prints import invoice as paper  # reportlab is only loaded to print

    row = get_object_or_404(workshop_order(request, code).invoices, number=number)
    return pdf_of(paper.render(row, paper=paper_of(request)), f"{row.kind}-{row.number}")


@require_GET
@workshop_only
def receipt_pdf(request: HttpRequest, code: str, number: int) -> HttpResponse:
    """Print a receipt."""
    from orders.prints import invoice as paper

    row = get_object_or_404(workshop_order(request, code).payments, number=number)
    return pdf_of(paper.render_receipt(row, paper=paper_of(request)), f"receipt-{row.number}")


def _page(
    request: HttpRequest,
    order: Order,
    *,
    pay_form: PayForm | None = None,
    credit_form: CreditForm | None = None,
) -> HttpResponse:
    account = payments.account_of(order)
    invoice = order.invoices.filter(kind=Invoice.Kind.INVOICE).first()
    owed = max(account.owed, Decimal(0))
    context = {
        "order": order,
        "account": account,
        "to_return": -account.owed,
        "invoice": invoice,
        "invoices": order.invoices.all(),
        "payments": order.payments.select_related("by", "countered_by", "counters"),
        "pay_form": pay_form or PayForm(initial={"amount": f"{owed.normalize():f}"}),
        "credit_form": credit_form,
        "press": new_token(),
    }
    if invoice is not None and credit_form is None:
        context["credit_form"] = CreditForm(
            rates=list(invoices.gross_by_rate(order)), auto_id="credit-%s"
        )
    status = 422 if pay_form or (credit_form and credit_form.errors) else 200
    return render(request, "workshop/money_order.html", context, status=status)


def _not_invoiced() -> QuerySet[Order]:
    """Return orders of which something has left the workshop and that have no invoice."""
    sent = Job.objects.filter(order=OuterRef("pk"), status__in=("shipped", "handed-over"))
    invoice = Invoice.objects.filter(order=OuterRef("pk"), kind=Invoice.Kind.INVOICE)
    rows = Order.objects.filter(~Exists(invoice), Exists(sent), accepted_at__isnull=False)
    return rows.select_related("artist")


def _with_orders(accounts: Sequence[Account]) -> list[tuple[Order, Account, int]]:
    """Return accounts with their orders and the days since something is owed."""
    orders = Order.objects.select_related("artist").in_bulk([each.order_id for each in accounts])
    return [(orders[each.order_id], each, _days(each)) for each in accounts]


def _days(account: Account) -> int:
    since: date | None = account.since
    return (today() - since).days if since else 0
