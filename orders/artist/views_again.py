"""After an order: its invoice and receipts, and the same again."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.views.decorators.http import require_POST, require_safe

from geometry.limits import BLANKS
from orders import access, limits, payments, reorder
from orders.errors import OrderError
from orders.models import Film, Job, Order, Quote, Workshop
from orders.order_rows import read_jobs
from orders.pdf_answer import paper_of, pdf_of
from orders.shelf_sales import sale_of

from .common import drawing_address, first_error
from .forms import PIECES


class AgainForm(forms.Form):
    """How many of one job again, on which film, in which size; 0 leaves it out."""

    pieces = forms.IntegerField(
        **PIECES
        | {
            "label": "How many",
            "min_value": 0,
            "error_messages": PIECES["error_messages"]
            | {
                "invalid": "Write a whole number from 0 to 999.",
                "min_value": "0 leaves it out; less cannot be cut.",
            },
        }
    )
    film = forms.TypedChoiceField(
        label="Film", error_messages={"invalid_choice": "Choose a film from the list."}
    )
    size = forms.ChoiceField(label="Size", required=False)

    def __init__(self, job: Job, films: list[Film], data: Any = None) -> None:
        blank_code = job.version.blank_code
        fitting = {film.pk: film for film in films if film.takes(blank_code)}
        film = reorder.film_like(job.film, fitting.values())
        # one press orders the same: what the form does not send is as it was
        usual = {"pieces": str(job.quantity), "film": str(film.pk if film else ""), "size": ""}
        prefix = f"again-{job.code}"
        sent = {f"{prefix}-{name}": value for name, value in usual.items()}
        if data is not None:
            sent |= {key: data[key] for key in sent if key in data}
        super().__init__(sent if data is not None else None, prefix=prefix, initial=usual)
        self.job = job
        film_field: Any = self.fields["film"]
        film_field.choices = [(pk, str(film)) for pk, film in fitting.items()]
        film_field.coerce = lambda pk: fitting[int(pk)]
        size: Any = self.fields["size"]
        others = [(c, b.name.replace(" x ", " × ")) for c, b in BLANKS.items() if c != blank_code]
        if sale_of(job) is not None:
            del self.fields["size"]  # another artist's drawing comes in the sizes of the shelf
        else:
            same = f"the same, {job.version.blank.name}".replace(" x ", " × ")
            size.choices = [("", same), *others]


@require_POST
def order_again(request: HttpRequest, token: str) -> HttpResponse:
    """Order the same again, on the same film or another; another size is looked at first."""
    old = access.order_by_link(request, token)
    jobs = old.jobs.select_related("version__design", "film", "shelf_sale")
    films = list(Film.objects.filter(is_active=True))
    again = [AgainForm(job, films, request.POST) for job in jobs]
    wrong = [form for form in again if not form.is_valid()]
    if wrong:
        return _refused(request, old, again, first_error(wrong[0]))
    try:
        for form in again:
            if form.cleaned_data.get("size") and form.cleaned_data["pieces"]:
                return _other_size(request, form, old)
        quote = _again(request, old, again)
    except OrderError as error:
        status = 429 if isinstance(error, limits.TooOftenError) else 422
        return _refused(request, old, again, error.sentence, status)
    messages.success(request, "Here it is again, by today's prices. One more press orders it.")
    return redirect("quote", token=quote.token)


def _again(request: HttpRequest, old: Order, again: list[AgainForm]) -> Quote:
    """Order what the forms ask for; none of it is kept where it is refused."""
    wanted = {
        form.job.code: (form.cleaned_data["pieces"], form.cleaned_data["film"])
        for form in again
        if form.cleaned_data["pieces"]
    }
    if wanted:
        limits.count_quote(request, old.artist.email if old.artist else "")
    actor = access.artist_actor(request, old)
    return reorder.order_again(old, actor, wanted, rights_confirmed=True)


def _refused(
    request: HttpRequest, old: Order, again: list[AgainForm], sentence: str, status: int = 422
) -> HttpResponse:
    """Show the order with what was typed still there, and why it was not done."""
    from .views_orders import order_page  # which shows what is in this module

    messages.error(request, sentence)
    return order_page(request, old, again=again, status=status)


@require_safe
def invoice_pdf(request: HttpRequest, token: str, number: int) -> HttpResponse:
    """Print an invoice or credit note of this order."""
    from orders.prints import invoice as paper  # reportlab is only loaded to print

    row = get_object_or_404(access.order_by_link(request, token).invoices, number=number)
    return pdf_of(paper.render(row, paper=paper_of(request)), f"{row.kind}-{row.number}")


@require_safe
def receipt_pdf(request: HttpRequest, token: str, number: int) -> HttpResponse:
    """Print a receipt of this order."""
    from orders.prints import invoice as paper

    row = get_object_or_404(access.order_by_link(request, token).payments, number=number)
    return pdf_of(paper.render_receipt(row, paper=paper_of(request)), f"receipt-{row.number}")


def money_context(order: Order, workshop: Workshop) -> dict[str, Any]:
    """What the order's page says of money, and the forms to order it again."""
    jobs = read_jobs(order)
    films = list(Film.objects.filter(is_active=True)) if jobs else []
    return {
        "account": payments.account_of(order),
        "invoices": order.invoices.all(),
        "receipts": order.payments.all(),
        "pay_to": workshop.pay_to,
        "again": [AgainForm(job, films) for job in jobs],
    }


def _other_size(request: HttpRequest, form: AgainForm, old: Order) -> HttpResponse:
    """Make the drawing for another blank and lead to it; from there it is ordered."""
    version = form.job.version
    limits.count_version(request, version.design)
    person = access.artist_actor(request, old).person
    other = reorder.at_other_size(version, form.cleaned_data["size"], person)
    messages.success(
        request,
        "Another size is looked at first, so that it holds there too. "
        "It takes seconds; then put it into the basket. There is no set-up to pay.",
    )
    return redirect(drawing_address(other))
