"""Several people and processes at the same moment, each on a database connection of its own.

Runs on SQLite and on PostgreSQL alike: the guarded UPDATE decides, not luck.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from django.db import connection

from orders import invoices, outbox, payments, quoting, reorder, stock, workflow
from orders.dates import today
from orders.errors import OrderError
from orders.models import Film, Invoice, Job, Mail, Order, Payment, Quote, SheetRun, Version
from orders.workflow import Actor, Place
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


def all_at_once(*calls: Callable[[], Any]) -> list[Any]:
    """Run the calls together; return each one's result, or the OrderError it raised."""
    results: list[Any] = [None] * len(calls)
    gate = threading.Barrier(len(calls))

    def one(number: int) -> None:
        gate.wait()
        try:
            results[number] = calls[number]()
        except OrderError as error:
            results[number] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=one, args=(number,)) for number in range(len(calls))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return results


def _finish(run_id: int, cutter: Actor) -> Any:
    return workflow.finish_run(SheetRun.objects.get(pk=run_id), cutter)


def refused(results: list[Any]) -> list[OrderError]:
    return [result for result in results if isinstance(result, OrderError)]


def test_two_different_buttons_on_one_job_one_wins_the_other_is_told(cutter: Actor) -> None:
    for _ in range(5):
        pk = factories.make_job(status="queued").pk

        def start(pk: int = pk) -> Any:
            return workflow.start(Job.objects.get(pk=pk), cutter, seen=0)

        def hold(pk: int = pk) -> Any:
            return workflow.hold(Job.objects.get(pk=pk), cutter, why="Wait.", seen=0)

        results = all_at_once(start, hold)
        (told,) = refused(results)
        assert told.sentence
        assert Job.objects.get(pk=pk).events.count() == 1


def test_one_button_pressed_by_many_fingers_is_one_change(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    results = all_at_once(*[lambda: workflow.queue(Job.objects.get(pk=job.pk), cutter, seen=0)] * 4)
    assert refused(results) == []
    assert job.events.count() == 1


def test_a_quote_accepted_four_times_at_once_makes_its_jobs_once(artist: Actor) -> None:
    factories.price_sheet()
    order = factories.make_order(placed=False)
    factories.make_line(order, quantity=2)
    assert artist.person is not None
    quote = quoting.place_order(order, artist.person, artist, rights_confirmed=True)
    results = all_at_once(*[lambda: workflow.accept(Quote.objects.get(pk=quote.pk), artist)] * 4)
    assert refused(results) == []
    assert order.jobs.count() == 1
    assert Mail.objects.filter(kind="accepted").count() == 1


def test_a_basket_placed_twice_at_once_is_quoted_once(artist: Actor) -> None:
    factories.price_sheet()
    order = factories.make_order(placed=False)
    factories.make_line(order)
    person = artist.person
    assert person is not None
    quotes = all_at_once(
        *[lambda: quoting.place_order(order, person, artist, rights_confirmed=True)] * 3
    )
    assert len(set(quotes)) == 1
    assert order.quotes.count() == 1


def test_a_check_is_claimed_by_one_worker_only() -> None:
    version = factories.make_version(status="waiting")
    attempts = all_at_once(*[lambda: workflow.claim(version.pk)] * 4)
    assert sorted(attempts, key=str) == [1, None, None, None]
    assert Version.objects.get(pk=version.pk).attempt == 1


def test_the_last_piece_is_laid_on_one_sheet_only(cutter: Actor) -> None:
    job = factories.make_job(quantity=1)
    film = job.film
    results = all_at_once(*[lambda: workflow.plan_run(film, [Place(job, 0, 0)], cutter)] * 3)
    assert len(refused(results)) == 2
    assert workflow.planned_pieces(job) == 1


def test_a_letter_is_sent_by_one_sender_only(cutter: Actor, mailoutbox: list[Any]) -> None:
    job = factories.make_job(status="received")
    workflow.decline(job, cutter, why="This film is out of stock.")
    Mail.objects.update(send_after=Mail.objects.get().created_at)
    sent = all_at_once(*[outbox.send_due] * 4)
    assert sum(sent) == 1
    assert len(mailoutbox) == 1


def test_two_sheets_of_one_job_that_end_at_once_are_both_counted(cutter: Actor) -> None:
    for _ in range(5):
        job = factories.make_job(quantity=2)
        runs = [workflow.plan_run(job.film, [Place(job, 0, 0)], cutter) for _ in range(2)]
        for run in runs:
            workflow.start_run(run, cutter)
            workflow.mark_piece(run.pieces.get(), "good", cutter)
        ends = [partial(_finish, run.pk, cutter) for run in runs]
        results = all_at_once(*ends)
        job.refresh_from_db()
        assert refused(results) == []
        assert (job.cut, job.status) == (2, Job.Status.CUT)


def test_invoices_made_at_once_have_consecutive_numbers(artist: Actor, cutter: Actor) -> None:
    factories.price_sheet()
    orders = [_accepted(artist) for _ in range(4)]
    calls = [partial(invoices.issue, order, cutter, press=f"p{order.pk}") for order in orders]
    results = all_at_once(*calls, *calls)  # each pressed twice
    assert refused(results) == []
    numbers = sorted(Invoice.objects.values_list("number", flat=True))
    assert numbers == [1, 2, 3, 4]


def test_payments_made_at_once_have_consecutive_receipts(artist: Actor, cutter: Actor) -> None:
    factories.price_sheet()
    orders = [_accepted(artist) for _ in range(4)]
    calls = [partial(_pay, order, cutter, f"p{order.pk}") for order in orders]
    # one that is refused in between takes no number along
    wrong = partial(_pay, orders[0], cutter, "refund", kind="refund", amount=Decimal(9999))
    results = all_at_once(*calls, wrong, *calls)
    assert len(refused(results)) == 1
    assert sorted(Payment.objects.values_list("number", flat=True)) == [1, 2, 3, 4]


def test_an_order_again_pressed_at_once_is_one_order(artist: Actor) -> None:
    factories.price_sheet()
    old = _accepted(artist)
    job = old.jobs.get()
    wanted = {job.code: (2, job.film)}
    again = partial(reorder.order_again, old, artist, wanted, rights_confirmed=True)
    quotes = all_at_once(again, again, again)
    assert len(set(quotes)) == 1
    assert Order.objects.count() == 2


def _accepted(artist: Actor) -> Order:
    order = factories.make_order()
    factories.make_line(order)
    workflow.accept(quoting.make_quote(order, artist), artist)
    order.refresh_from_db()
    return order


def _pay(order: Order, cutter: Actor, press: str, **values: Any) -> Payment:
    usual: dict[str, Any] = {"kind": "payment", "amount": Decimal(5)}
    values = usual | values
    amount = values.pop("amount")
    return payments.pay(
        order, amount, cutter, method="cash", paid_on=today(), press=press, **values
    )


def test_the_last_sheet_of_film_is_taken_by_one_of_two(cutter: Actor) -> None:
    """Two runs started at the same moment on one sheet: one is refused, the count ends at 0."""
    for _ in range(3):
        film = factories.make_film()
        Film.objects.filter(pk=film.pk).update(in_stock=1)
        runs = [
            workflow.plan_run(film, [Place(factories.make_job(quantity=1), 0, 0)], cutter).pk
            for _ in range(2)
        ]

        def start(pk: int) -> Any:
            return workflow.start_run(SheetRun.objects.get(pk=pk), cutter, seen=0)

        results = all_at_once(*[partial(start, pk) for pk in runs])
        (told,) = refused(results)
        assert "in stock" in told.sentence
        film.refresh_from_db()
        assert film.in_stock == 0
        assert SheetRun.objects.filter(pk__in=runs, status="planned").count() == 1
        assert film.movements.filter(run__in=runs).count() == 1


def test_one_start_pressed_by_many_fingers_takes_one_sheet(cutter: Actor) -> None:
    film = factories.make_film()
    Film.objects.filter(pk=film.pk).update(in_stock=5)
    run = workflow.plan_run(film, [Place(factories.make_job(quantity=1), 0, 0)], cutter)

    def start() -> Any:
        return workflow.start_run(SheetRun.objects.get(pk=run.pk), cutter, seen=0)

    assert refused(all_at_once(*[start] * 4)) == []
    film.refresh_from_db()
    assert film.in_stock == 4


def test_two_offcuts_kept_at_once_have_two_numbers(cutter: Actor) -> None:
    run = workflow.plan_run(
        factories.make_film(), [Place(factories.make_job(quantity=1), 0, 0)], cutter
    )
    keep = partial(stock.keep_offcut, run, 100.0, 100.0, cutter)
    kept = all_at_once(keep, keep, keep)
    assert sorted(offcut.number for offcut in kept) == [1, 2, 3]
