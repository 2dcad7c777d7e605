"""Quotes: priced by the sheet, frozen, accepted once, run out, renewed."""

from datetime import date, timedelta

import pytest

from orders import privacy, quoting, workflow
from orders.dates import add_working_days, today
from orders.errors import NotNowError, RefusedError
from orders.models import Event, Job, Mail, Order, Quote
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def basket(artist: Actor) -> Order:
    factories.price_sheet()
    factories.workshop()
    order = factories.make_order(placed=False)
    factories.make_line(order, quantity=3)
    factories.make_line(
        order, factories.make_version(blank_code="4x4in", owner=order.artist), quantity=2
    )
    return order


def place(order: Order, artist: Actor) -> Quote:
    assert order.artist is not None
    return quoting.place_order(order, order.artist, artist, rights_confirmed=True)


def test_a_placed_basket_is_quoted_with_lines_and_reasons(basket: Order, artist: Actor) -> None:
    quote = place(basket, artist)
    assert quote.status == "offered"
    assert all(line["reason"] for line in quote.lines)
    assert {line["kind"] for line in quote.lines} >= {"stencils", "film", "set-up", "postage"}
    assert quote.valid_until == today() + timedelta(days=quote.price_sheet.quote_valid_days)
    assert Mail.objects.get(kind="quote").to == "wren@harbour.example"


def test_sheets_are_counted_by_nesting_this_order_alone(basket: Order) -> None:
    # 12 x 24 in holds 8 blanks of 6 x 6 in: three of them and two of 4 x 4 in share one sheet.
    assert quoting.sheets_of_film(list(basket.lines.all())) == {"pet-0.1905": 1}
    basket.lines.filter(quantity=3).update(quantity=17)
    assert quoting.sheets_of_film(list(basket.lines.all())) == {"pet-0.1905": 3}


def test_ready_cut_blanks_take_no_sheet(artist: Actor) -> None:
    order = factories.make_order(placed=False)
    factories.make_line(order, film=factories.make_blank_film(), quantity=4)
    assert quoting.sheets_of_film(list(order.lines.all())) == {"pet-0.1905-6x6in": 0}


def test_placing_needs_the_word_that_the_drawing_is_theirs(basket: Order, artist: Actor) -> None:
    assert basket.artist is not None
    with pytest.raises(RefusedError, match="yours or that you have a licence"):
        quoting.place_order(basket, basket.artist, artist, rights_confirmed=False)
    basket.refresh_from_db()
    assert basket.is_basket


def test_placing_twice_makes_one_quote(basket: Order, artist: Actor) -> None:
    assert place(basket, artist) == place(basket, artist)
    assert basket.quotes.count() == 1


def test_accepting_makes_the_jobs_once_and_sets_the_promise(basket: Order, artist: Actor) -> None:
    quote = place(basket, artist)
    workflow.accept(quote, artist)
    workflow.accept(Quote.objects.get(pk=quote.pk), artist)
    basket.refresh_from_db()
    assert all(workflow.last_undoable(job) is None for job in basket.jobs.all())
    assert [(j.code, j.quantity, j.status) for j in basket.jobs.order_by("id")] == [
        (f"{basket.code}-1", 3, "received"),
        (f"{basket.code}-2", 2, "received"),
    ]
    assert basket.promise_on == add_working_days(today(), quote.lead_working_days)
    assert sorted(Mail.objects.values_list("kind", flat=True)) == ["accepted", "new-order", "quote"]


def test_a_quote_that_has_run_out_is_not_accepted_and_renews_in_one_step(
    basket: Order, artist: Actor
) -> None:
    quote = place(basket, artist)
    Quote.objects.filter(pk=quote.pk).update(valid_until=today() - timedelta(days=1))
    with pytest.raises(NotNowError, match="has run out"):
        workflow.accept(quote, artist)
    assert workflow.expire_old() == 1
    quote.refresh_from_db()
    assert quote.status == "expired"
    newer = quoting.make_quote(basket, artist)
    quote.refresh_from_db()
    assert (quote.status, newer.number, newer.status) == ("replaced", 2, "offered")
    assert not Job.objects.exists()


def test_an_accepted_quote_never_changes(basket: Order, artist: Actor) -> None:
    workflow.accept(place(basket, artist), artist)
    with pytest.raises(NotNowError, match="accepted already"):
        quoting.make_quote(basket, artist)


def test_no_set_up_is_charged_for_a_design_made_before(basket: Order, artist: Actor) -> None:
    workflow.accept(place(basket, artist), artist)
    again = factories.make_order(placed=False)
    factories.make_line(again, basket.lines.all()[0].version, quantity=1)
    (set_up,) = [line for line in quoting.price_of(again).lines if line.kind == "set-up"]
    assert set_up.amount == 0


def test_what_cannot_be_priced_is_told_in_a_sentence(basket: Order) -> None:
    empty = factories.make_order(placed=False)
    with pytest.raises(RefusedError, match="nothing in this order"):
        quoting.price_of(empty)
    small = factories.make_film("small", sheet_width_mm=100.0, sheet_height_mm=100.0)
    basket.lines.update(film=small)
    with pytest.raises(RefusedError) as told:
        quoting.price_of(basket)
    assert told.value.sentence.endswith(".")


def test_working_days_skip_the_weekend() -> None:
    friday = date(2026, 11, 27)
    assert add_working_days(friday, 0) == friday
    assert add_working_days(friday, 1) == date(2026, 11, 30)
    assert add_working_days(friday, 5) == date(2026, 12, 4)
    assert add_working_days(date(2026, 11, 28), 1) == date(2026, 11, 30)


def test_the_history_says_who_placed_and_accepted(basket: Order, artist: Actor) -> None:
    workflow.accept(place(basket, artist), artist)
    told = [(e.life, e.action, e.role) for e in Event.objects.order_by("id")]
    assert told[:3] == [
        ("order", "place", "artist"),
        ("quote", "offer", "artist"),
        ("quote", "accept", "artist"),
    ]


def test_a_drawing_taken_away_after_the_quote_is_back_when_it_is_accepted(artist: Actor) -> None:
    factories.price_sheet()
    order = factories.make_order(placed=False)
    line = factories.make_line(order)
    assert artist.person is not None
    quote = quoting.place_order(order, artist.person, artist, rights_confirmed=True)
    design = line.version.design
    privacy.remove_design(design, artist)
    workflow.accept(quote, artist)
    design.refresh_from_db()
    assert design.removed_at is None
