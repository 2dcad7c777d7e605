"""Payments, invoices and credit notes: rows never altered, numbers without gaps, what is owed."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pypdfium2
import pytest
from django.db import transaction

from orders import invoices, numbers, payments, quoting, workflow
from orders.dates import today
from orders.errors import RefusedError
from orders.models import Counter, Event, Invoice, Order, Payment, Workshop
from orders.prints import invoice as paper
from orders.workflow import Actor
from pricing.models import PriceSheet
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def order(artist: Actor) -> Order:
    """3 x 8.00 + 1.90 + 6.00 + 0.50 = 32.40 at 20 %, postage 4.50 at 5 %: tax 6.48 + 0.225 ->
    0.23 = 6.71; 36.90 + 6.71 = 43.61."""
    first = factories.price_sheet()
    sheet = first.copy_as_draft("With tax", today())
    sheet.tax_name, sheet.tax_rate, sheet.postage_tax_rate = "VAT", Decimal(20), Decimal(5)
    sheet.save()
    sheet.publish(quoting.timezone.now())
    return accepted(artist)


def accepted(artist: Actor) -> Order:
    order = factories.make_order(placed=True)
    factories.make_line(order, quantity=3)
    workflow.accept(quoting.make_quote(order, artist), artist)
    order.refresh_from_db()
    return order


def pay(order: Order, amount: str, cutter: Actor, **values: Any) -> Payment:
    usual = {"kind": "payment", "method": "transfer", "paid_on": today(), "press": amount}
    return payments.pay(order, Decimal(amount), cutter, **(usual | values))


def test_deposit_part_payment_and_refund_add_up(order: Order, cutter: Actor) -> None:
    """43.61 - 10.00 - 20.00 = 13.61; paid 15.00, 1.39 too much, refunded."""
    assert payments.account_of(order).owed == Decimal("43.61")
    pay(order, "10.00", cutter, kind="deposit")
    pay(order, "20.00", cutter, method="cash")
    assert payments.account_of(order).owed == Decimal("13.61")
    pay(order, "15.00", cutter)
    assert payments.account_of(order).owed == Decimal("-1.39")
    refund = pay(order, "1.39", cutter, kind="refund")
    assert refund.amount == Decimal("-1.39")
    assert payments.account_of(order).settled
    assert list(Payment.objects.values_list("number", flat=True)) == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"amount": "0"}, "Enter an amount above nothing."),
        ({"amount": "0.004"}, "Enter an amount above nothing."),
        (
            {"amount": "5", "kind": "refund"},
            "Only USD 0.00 was paid; no more than that can go back.",
        ),
        ({"amount": "5", "kind": "gift"}, "Say if it is a deposit, a payment or a refund."),
        ({"amount": "5", "method": "shells"}, "Say how it was paid."),
        (
            {"amount": "5", "paid_on": today() + timedelta(days=1)},
            "That day is still to come; record it when the money is there.",
        ),
    ],
)
def test_what_cannot_be_is_refused(
    order: Order, cutter: Actor, values: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(RefusedError) as told:
        pay(order, values.pop("amount"), cutter, **values)
    assert told.value.sentence == sentence
    assert not Payment.objects.exists()
    assert not Counter.objects.filter(series="receipt", last__gt=0).exists()


@pytest.mark.parametrize("number", ["4111 1111 1111 1111", "slip 378282246310005 ok"])
def test_no_card_number_enters_the_system(order: Order, cutter: Actor, number: str) -> None:
    """Test numbers whose Luhn sum ends in 0 (ISO/IEC 7812-1); other long numbers pass."""
    with pytest.raises(RefusedError, match="looks like the number of a card"):
        pay(order, "5", cutter, reference=number)
    row = pay(order, "5", cutter, reference="4111 1111 1111 1112")
    with pytest.raises(RefusedError, match="looks like the number of a card"):
        payments.correct(row, cutter, why=number)


def test_pressing_twice_records_once(order: Order, cutter: Actor) -> None:
    assert pay(order, "5", cutter) == pay(order, "5", cutter)
    row = Payment.objects.get()
    counter = payments.correct(row, cutter, why="Another order.")
    assert payments.correct(row, cutter, why="Another order.") == counter
    assert payments.account_of(order).paid == 0
    with pytest.raises(RefusedError, match="A correction is not corrected"):
        payments.correct(counter, cutter, why="No.")


def test_rows_are_never_altered_or_deleted(order: Order, cutter: Actor) -> None:
    row, issued = pay(order, "5", cutter), invoices.issue(order, cutter, press="a")
    for thing in (row, issued):
        with pytest.raises(RefusedError, match="stay as they are"):
            thing.save()
        with pytest.raises(RefusedError, match="stay as they are"):
            thing.delete()
        for change in (
            lambda thing=thing: type(thing).objects.all().delete(),
            lambda thing=thing: type(thing).objects.update(number=9),
        ):
            with pytest.raises(RefusedError, match="stay as they are"):
                change()
    row.refresh_from_db()
    assert row.amount == 5


def test_the_invoice_copies_the_quote_once(order: Order, cutter: Actor) -> None:
    invoice = invoices.issue(order, cutter, press="a")
    assert invoices.issue(order, cutter, press="b") == invoice
    assert (invoice.number, invoice.total) == (1, Decimal("43.61"))
    assert [(tax["rate"], tax["base"], tax["amount"]) for tax in invoice.taxes] == [
        ("20.000", "32.40", "6.48"),
        ("5.000", "4.50", "0.23"),
    ]
    assert Event.objects.filter(action="invoice").count() == 1


def test_a_credit_note_takes_back_no_more_than_there_is(order: Order, cutter: Actor) -> None:
    """12.00 with 20 % in it: tax 2.00, net 10.00. At 20 % the invoice has 38.88."""
    invoice = invoices.issue(order, cutter, press="a")

    def credit(gross: str, rate: str = "20", press: str = "c") -> Invoice:
        return invoices.credit(
            invoice, Decimal(gross), Decimal(rate), cutter, why="One was spoiled.", press=press
        )

    note = credit("12.00")
    assert credit("12.00") == note
    assert (note.number, note.total, note.subtotal) == (2, Decimal(-12), Decimal(-10))
    assert payments.account_of(order).owed == Decimal("31.61")
    with pytest.raises(RefusedError, match=r"At 20 % there are USD 26.88 left"):
        credit("26.89", press="d")
    with pytest.raises(RefusedError, match="no tax of 7 %"):
        credit("1", rate="7", press="d")
    credit("26.88", press="d")
    credit("4.73", rate="5", press="e")
    assert payments.account_of(order).owed == 0
    # an invoice in full and its credit notes leave no tax behind
    total_tax = sum(Decimal(tax["amount"]) for i in Invoice.objects.all() for tax in i.taxes)
    assert abs(total_tax) <= Decimal("0.01")


def test_a_number_is_taken_with_what_it_numbers_or_not_at_all(order: Order, cutter: Actor) -> None:
    def fail() -> None:
        with transaction.atomic():
            numbers.next_number("invoice")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert invoices.issue(order, cutter, press="a").number == 1


def test_an_order_called_off_owes_nothing_and_gets_its_money_back(
    order: Order, cutter: Actor
) -> None:
    pay(order, "10", cutter)
    order.jobs.update(status="declined")
    order.refresh_from_db()
    assert payments.account_of(order).owed == -10


def test_an_unpaid_job_is_queued_with_a_record(order: Order, cutter: Actor) -> None:
    workflow.queue(order.jobs.get(), cutter)
    assert Event.objects.get(action="queue").why == "unpaid: USD 43.61"


def test_a_held_job_waits_for_its_money_or_the_cutters_word(order: Order, cutter: Actor) -> None:
    Workshop.current()
    Workshop.objects.update(hold_unpaid=True, paid_before_queue_percent=50)
    job = order.jobs.get()
    with pytest.raises(RefusedError, match=r"unpaid: USD 21.81. Record the payment first"):
        workflow.queue(job, cutter)
    with pytest.raises(RefusedError, match="Write a reason"):
        workflow.queue(job, cutter, unpaid=True)
    workflow.queue(job, cutter, unpaid=True, why="They pay at the door.")
    told = Event.objects.get(action="queue").why
    assert told == "unpaid: USD 21.81. They pay at the door."
    workflow.unqueue(job, cutter)
    pay(order, "21.81", cutter)
    workflow.queue(job, cutter)
    assert job.events.latest("id").why == ""


def test_papers_say_what_was_issued(order: Order, cutter: Actor) -> None:
    workshop = factories.workshop()
    workshop.pay_to, workshop.tax_number = "Harbour Bank, account 17", "TX 1187"
    workshop.save()
    deposit = pay(order, "10", cutter, kind="deposit")
    invoice = invoices.issue(order, cutter, press="a")
    first = paper.render(invoice)
    words = words_of(first)
    for told in (
        "Invoice 1",
        "Slipway Cutting Shed",
        "TX 1187",
        "Wren Saltmarsh",
        "USD 6.48",
        "USD 0.23",
        "USD 36.90",
        "USD 43.61",
        "USD -10.00",
        "USD 33.61",
        "Harbour Bank, account 17",
    ):
        assert told in words, told
    receipt = words_of(paper.render_receipt(deposit, paper="letter"))
    assert "Receipt 1" in receipt
    assert "USD 10.00" in receipt
    pay(order, "33.61", cutter)
    assert paper.render(invoice) == first  # a copy printed later is the same
    note = invoices.credit(
        invoice, Decimal(12), Decimal(20), cutter, why="One was spoiled.", press="c"
    )
    words = words_of(paper.render(note))
    assert "Credit note 2" in words
    assert "One was spoiled." in words
    assert "USD -12.00" in words


def words_of(pdf: bytes) -> str:
    with pypdfium2.PdfDocument(pdf) as document:
        pages = [page.get_textpage().get_text_bounded() for page in document]
    return " ".join(" ".join(pages).split())


def test_currencies_without_cents_are_kept_whole(artist: Actor, cutter: Actor) -> None:
    """JPY has no minor unit (ISO 4217): 3 x 900 + 200 = 2900, tax 10 % 290; half of it 1595."""
    factories.price_sheet()
    sheet = PriceSheet.objects.create(
        name="Yen", currency="JPY", tax_rate=Decimal(10), valid_from=today()
    )
    sheet.lines.create(blank_code="6x6in", from_quantity=1, unit_price=Decimal(900))
    sheet.film_prices.create(film_code="pet-0.1905", price_per_sheet=Decimal(200))
    sheet.publish(quoting.timezone.now())
    order = accepted(artist)
    assert payments.account_of(order).charged == 3190
    row = pay(order, "1595.4", cutter)
    assert (row.amount, row.currency) == (1595, "JPY")


def test_what_is_owed_of_many_orders_is_what_is_owed_of_each(artist: Actor, cutter: Actor) -> None:
    """Of whom something is asked, or to whom something goes back; read in one go for the list."""
    factories.price_sheet()
    untouched, part, whole, too_much, off, credited = (accepted(artist) for _ in range(6))
    total = payments.account_of(part).charged
    pay(part, str(total - Decimal("0.01")), cutter, press="part")
    pay(whole, str(total), cutter, press="whole")
    pay(too_much, str(total + Decimal("0.01")), cutter, press="more")
    for job in off.jobs.all():
        workflow.cancel(job, cutter, why="No film.")
    invoice = invoices.issue(credited, cutter, press="i")
    pay(credited, str(total), cutter, press="credited")
    gross = Decimal("1.00")
    invoices.credit(invoice, gross, Decimal(0), cutter, why="Late.", press="c")
    basket = factories.make_order()

    told = {account.order_id: account for account in payments.unsettled_accounts()}
    assert list(told) == [untouched.pk, part.pk, too_much.pk, credited.pk]
    assert basket.pk not in told
    for pk, account in told.items():
        assert account == payments.account_of(Order.objects.get(pk=pk))
    assert told[part.pk].owed == Decimal("0.01")
    assert told[too_much.pk].owed == Decimal("-0.01")
    assert told[credited.pk].owed == -gross  # paid in full, then a unit of it was credited


def test_cents_are_seen_beside_large_sums(artist: Actor, cutter: Actor) -> None:
    """A database that adds up in binary (SQLite) still finds the order that owes a cent."""
    factories.price_sheet()
    order = accepted(artist)
    total = payments.account_of(order).charged
    for number in range(1, 31):  # 0.10 cannot be written in binary
        pay(order, "0.10", cutter, press=f"tenth-{number}")
    pay(order, str(total - Decimal("3.01")), cutter, press="rest")
    (account,) = payments.unsettled_accounts()
    assert account.owed == Decimal("0.01")
    pay(order, "0.01", cutter, press="cent")
    assert payments.unsettled_accounts() == []
