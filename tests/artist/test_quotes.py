"""The quote's page: reasons, warnings, lead time, changes that say what differs, no thanks."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pypdfium2
import pytest
from django.test import Client
from django.urls import reverse

from orders import lead_time, quoting, workflow
from orders.models import CutMeasure, Event, Machine, Mail, Order, Quote, Workshop
from orders.workflow import Actor
from pricing.models import PriceSheet
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def order(shop: Any) -> Order:
    return factories.make_order(placed=True, note="For the regatta, if you can.")


def offer(order: Order) -> Quote:
    return quoting.make_quote(order, Actor(Event.Role.ARTIST, order.artist))


def see(client: Client, quote: Quote) -> str:
    return client.get(reverse("quote", args=[quote.token])).content.decode()


def change(client: Client, quote: Quote, **data: Any) -> Any:
    """Press "Make the new quote" with the lines as they are but for what is given."""
    form: dict[str, Any] = {}
    for line in quote.order.lines.all():
        form |= {
            f"line-{line.pk}-quantity": line.quantity,
            f"line-{line.pk}-version": line.version_id,
            f"line-{line.pk}-film": line.film_id,
            f"line-{line.pk}-with_cut_outs": "on",
        }
    return client.post(reverse("quote-change", args=[quote.token]), form | data, follow=True)


def test_the_quote_shows_film_note_and_what_the_check_says(stranger: Client, order: Order) -> None:
    warned = factories.make_version(owner=order.artist, findings=[dict(factories.THIN_WEB)])
    factories.make_line(order, warned)
    factories.make_line(order, factories.make_version(status="rejected", owner=order.artist))
    page = see(stranger, offer(order))
    assert "PET 0.19 mm (7.5 mil)" in page
    assert "For the regatta, if you can." in page
    assert "holds, with a warning" in page
    assert factories.THIN_WEB["message"] in page
    assert "does not hold; the workshop is asked" in page
    assert factories.ISLAND["message"] in page


def test_ready_cut_film_is_a_line_of_the_quote(order: Order) -> None:
    factories.make_line(order, film=factories.make_blank_film(), quantity=4)
    (film,) = [line for line in offer(order).lines if line["kind"] == "film"]
    assert film["text"] == "4 blanks of film, PET 0.19 mm, cut to 6 x 6 in"


def test_a_change_makes_a_new_quote_that_says_what_differs(stranger: Client, order: Order) -> None:
    line = factories.make_line(order, quantity=2)
    title = line.version.design.title
    wider = factories.make_version(line.version.design, blank_code="4x4in")
    first = offer(order)
    data = {f"line-{line.pk}-quantity": 3, f"line-{line.pk}-version": wider.pk}
    page = change(stranger, first, **data).content.decode()
    first.refresh_from_db()
    second = order.quotes.get(number=2)
    assert (first.status, second.status) == ("replaced", "offered")
    # by hand, sheet of the first prices: 2 x 8.00 + 1.90 + 6.00 + 0.50 + 4.50 = 28.90;
    # 3 x 5.50 + 1.90 + 6.00 + 0.50 + 4.50 = 29.40; no tax
    assert second.differs == [
        f"“{title}”: 4 x 4 in instead of 6 x 6 in.",
        f"“{title}”: 3 pieces instead of 2.",
        "In all USD 29.40 instead of USD 28.90.",
    ]
    assert "What is different from quote 1" in page
    workflow.accept(second, Actor(Event.Role.ARTIST, order.artist))
    assert order.jobs.get().version == wider


def test_a_line_may_be_taken_out_but_not_the_last(stranger: Client, order: Order) -> None:
    crab, knot = factories.make_line(order), factories.make_line(order)
    second = change(stranger, offer(order), **{f"line-{crab.pk}-take_out": "on"})
    assert f"Taken out: “{crab.version.design.title}”." in second.content.decode()
    newest = order.quotes.get(number=2)
    third = change(stranger, newest, **{f"line-{knot.pk}-take_out": "on"})
    assert "Nothing would be left of the order." in third.content.decode()
    assert order.quotes.count() == 2


def test_what_was_typed_wrong_stays_and_changes_nothing(stranger: Client, order: Order) -> None:
    line = factories.make_line(order)
    response = change(stranger, offer(order), **{f"line-{line.pk}-quantity": "many"})
    assert response.status_code == 422
    assert "Write a whole number from 1 to 999." in response.content.decode()
    assert order.quotes.count() == 1


def test_an_accepted_quote_is_frozen(stranger: Client, order: Order) -> None:
    line = factories.make_line(order)
    quote = offer(order)
    workflow.accept(quote, Actor(Event.Role.ARTIST, order.artist))
    page = change(stranger, quote, **{f"line-{line.pk}-quantity": 9}).content.decode()
    assert "This quote cannot be changed any more." in page
    assert order.quotes.count() == 1


def test_no_thanks_is_said_once_with_its_reason(stranger: Client, order: Order) -> None:
    factories.make_line(order)
    quote = offer(order)
    address = reverse("quote-refuse", args=[quote.token])
    for _ in range(2):
        stranger.post(address, {"why": "The regatta is called off."})
    quote.refresh_from_db()
    assert quote.status == "refused"
    letter = Mail.objects.get(kind="refused")
    assert letter.to == "shed@harbour.example"
    assert "The regatta is called off." in letter.body
    assert "You said no thanks" in see(stranger, quote)
    stranger.post(reverse("quote-renew", args=[quote.token]))
    assert order.quotes.get(number=2).status == "offered"


def test_a_hint_takes_the_cheaper_number_in_one_press(stranger: Client, order: Order) -> None:
    """19 x 6.80 + 3 x 1.90 = 134.90; 20 x 5.60 + 3 x 1.90 = 117.70: 17.20 less."""
    factories.make_line(order, quantity=19)
    quote = offer(order)
    (hint,) = quote.hints
    assert hint["words"] == (
        "20 stencils of 6 x 6 in come to USD 128.70 in all, USD 17.20 less than with 19."
    )
    assert "Take 20 instead of 19" in see(stranger, quote)
    stranger.post(reverse("quote-change", args=[quote.token]), {"take": "6x6in"})
    newest = order.quotes.get(number=2)
    assert newest.total == Decimal("128.70")
    assert newest.hints == []


def test_no_hint_where_more_film_eats_the_saving(order: Order) -> None:
    """49 of 6x6 take 7 sheets at 300.00; 50 would need an eighth... of the film's price."""
    sheet = PriceSheet.current(quoting.today()).copy_as_draft("Dear film", quoting.today())
    sheet.film_prices.update(price_per_sheet=Decimal(300))
    sheet.lines.filter(blank_code="6x6in", from_quantity=20).update(unit_price=Decimal("6.00"))
    sheet.lines.filter(blank_code="6x6in", from_quantity=5).update(unit_price=Decimal("8.00"))
    sheet.publish(quoting.timezone.now())
    # 16 pieces fill two sheets of eight; 20 take three, 300.00 more for 8.00 less
    factories.make_line(order, quantity=16)
    made = quoting.priced(order)
    assert "so 20 would cost less" in made.quote.lines[0].reason
    assert made.hints == []


def test_the_lead_time_grows_with_the_queue(order: Order) -> None:
    """The laser runs 5 h a week, 1 h a day. A job of 30 pieces at 5 min each is 2.5 h of it."""
    Workshop.objects.update(machine_hours_per_week=5)
    factories.make_line(order)
    empty = offer(order)
    assert empty.lead_working_days == 5
    assert empty.lead_reason == "5 working days to look over, cut, weed and pack."
    job = factories.make_job(quantity=30)
    # A laser that is as fast as it gets at once, and goes round corners as along lines.
    Machine.current()
    Machine.objects.update(acceleration_mm_per_s2=100_000, corner_jump_mm_per_s=500)
    # seconds by the machine's model: (outline + 609.6) / 20 + 0.7124 x 152.4 / 200 + 2 x 0.15
    outline = (300 - 0.7124 * 152.4 / 200 - 0.3) * 20 - 4 * 152.4
    CutMeasure.objects.create(version=job.version, outline_mm=outline, openings=1, cut_outs=1)
    ahead = lead_time.ahead_of_new_orders()
    assert (ahead.jobs, ahead.pieces) == (1, 30)
    assert ahead.seconds == pytest.approx(9000, abs=1)
    busy = offer(order)
    assert busy.lead_working_days == 7
    assert busy.lead_reason.endswith(
        "1 job of 30 pieces waits before yours, about 2 h 30 min of the laser, "
        "which runs 5 hours a week. That adds 2 working days."
    )
    assert "Ready in 7 working days instead of 5." in busy.differs


def test_a_mended_drawing_is_set_up_anew_another_size_is_not(order: Order) -> None:
    line = factories.make_line(order)
    workflow.accept(offer(order), Actor(Event.Role.ARTIST, order.artist))
    design = line.version.design
    again = factories.make_order()
    smaller = factories.make_version(design, blank_code="4x4in")
    factories.make_line(again, smaller)
    assert _set_up(again) == 0
    redrawn = design.uploads.create(name="redrawn.png", sha256="1" * 64, size_bytes=1)
    type(smaller).objects.filter(pk=smaller.pk).update(upload=redrawn)
    assert _set_up(again) == 6
    order.jobs.update(status="cancelled")
    type(smaller).objects.filter(pk=smaller.pk).update(upload=line.version.upload)
    assert _set_up(again) == 6


def _set_up(order: Order) -> Decimal:
    (line,) = [row for row in quoting.price_of(order).lines if row.kind == "set-up"]
    return line.amount


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_quote_is_printed_with_every_line_and_reason(
    stranger: Client, order: Order, paper: str
) -> None:
    for _ in range(12):
        factories.make_line(order, quantity=3)
    quote = offer(order)
    address = reverse("quote-pdf", args=[quote.token])
    pdf = stranger.get(address, {"paper": paper})
    assert pdf["Content-Type"] == "application/pdf"
    with pypdfium2.PdfDocument(pdf.content) as document:
        words = " ".join(
            " ".join(page.get_textpage().get_text_bounded().split()) for page in document
        )
        assert len(document) >= 2
    for line in quote.lines:
        assert f"{Decimal(line['amount']):.2f}" in words
    assert f"USD {quote.total:.2f}" in words
    assert stranger.get(address, {"paper": paper}).content == pdf.content


def letters_of(order: Order) -> dict[str, int]:
    rows = order.mails.filter(kind="quote").values_list("status", flat=True)
    return {status: list(rows).count(status) for status in set(rows)}


def test_a_new_quote_withdraws_the_letter_of_the_one_before(order: Order) -> None:
    factories.make_line(order)
    offer(order)
    offer(order)
    assert letters_of(order) == {"withdrawn": 1, "waiting": 1}
    order.mails.filter(status="waiting").update(status="sent")
    offer(order)  # what went out is out
    assert letters_of(order) == {"withdrawn": 1, "sent": 1, "waiting": 1}


def test_changes_of_a_stranger_end_before_the_letter_box_is_full(
    stranger: Client, order: Order, settings: Any
) -> None:
    settings.LIMITS = {"order-mail": (3, 0)}
    factories.make_line(order)
    quote = offer(order)
    for count in range(3):
        change(stranger, quote, **{f"line-{order.lines.get().pk}-quantity": count + 2})
        quote = order.quotes.latest("number")
    answer = change(Client(), quote, **{f"line-{order.lines.get().pk}-quantity": 77})
    assert answer.status_code == 429
    page = answer.content.decode()
    assert "very many quotes sent to one address" in page
    assert 'value="77"' in page
    assert (order.quotes.count(), order.lines.get().quantity) == (4, 4)
    hint = Client().post(reverse("quote-change", args=[quote.token]), {"take": "6x6in"})
    assert hint.status_code == 302
    assert order.quotes.count() == 4


def test_renewing_counts_and_the_artist_signed_in_is_not_held_up(
    stranger: Client, order: Order, settings: Any
) -> None:
    settings.LIMITS = {"order-mail": (1, 0)}
    factories.make_line(order)
    quote = offer(order)
    renew = reverse("quote-renew", args=[quote.token])
    for expected in (2, 2):
        workflow.refuse(order.quotes.latest("number"), Actor(Event.Role.ARTIST, None))
        page = stranger.post(renew, follow=True).content.decode()
        assert order.quotes.count() == expected
        quote = order.quotes.latest("number")
        if quote.status == "refused":
            break
    assert "Nothing is lost" in page
    own = Client()
    assert order.artist is not None
    own.force_login(order.artist, "allauth.account.auth_backends.AuthenticationBackend")
    own.post(renew)
    assert order.quotes.count() == 3


def test_changes_count_as_quotes_of_whoever_presses(
    stranger: Client, order: Order, settings: Any
) -> None:
    settings.LIMITS = {"order": (0, 1)}
    factories.make_line(order)
    quote = offer(order)
    change(stranger, quote)
    assert change(stranger, order.quotes.latest("number")).status_code == 429
    assert order.quotes.count() == 2
