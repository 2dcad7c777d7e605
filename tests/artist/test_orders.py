"""Quotes and orders as their artist sees them, and the page that the slip opens."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from orders import workflow
from orders.artist.history import SENTENCES
from orders.dates import today
from orders.models import Job, Mail, Order, Quote, Version
from orders.quoting import place_order
from orders.thread import stamp_of
from orders.workflow import LIVES, Actor
from tests import factories


@pytest.fixture
def artist(shop: Any) -> Actor:
    return Actor("artist", factories.artist_person())


@pytest.fixture
def cutter(shop: Any) -> Actor:
    return Actor("workshop", factories.workshop_person())


@pytest.fixture
def quote(artist: Actor) -> Quote:
    order = factories.make_order(artist=artist.person, placed=False)
    factories.make_line(order, quantity=3)
    assert artist.person is not None
    return place_order(order, artist.person, artist, rights_confirmed=True)


@pytest.fixture
def order(quote: Quote, artist: Actor) -> Order:
    workflow.accept(quote, artist)
    return Order.objects.get()


def text(response: Any) -> str:
    return str(response.content.decode())


def page_of(client: Client, order: Order) -> str:
    return text(client.get(f"/order/{order.link_token}/"))


def test_a_quote_shows_each_line_with_its_reason_and_how_long_it_is_good(
    stranger: Client, quote: Quote
) -> None:
    page = text(stranger.get(f"/quote/{quote.token}/"))
    assert "3 stencils, 6 × 6 in" in page
    assert "3 pieces of this order laid side by side take 1 sheet." in page
    assert f'Accept, <span class="money">USD {quote.total:.2f}' in page
    assert "5 working days after you accept" in page


def test_accepting_twice_makes_the_jobs_once(stranger: Client, quote: Quote) -> None:
    for _ in range(2):
        response = stranger.post(f"/quote/{quote.token}/accept/")
        assert response.headers["Location"] == f"/order/{quote.order.link_token}/"
    assert Job.objects.count() == 1
    assert "Accepted on" in text(stranger.get(f"/quote/{quote.token}/"))


def test_looking_at_a_quote_never_accepts_it(stranger: Client, quote: Quote) -> None:
    assert stranger.get(f"/quote/{quote.token}/accept/").status_code == 405
    assert not Job.objects.exists()


def test_a_quote_that_ran_out_is_renewed_in_one_press(stranger: Client, quote: Quote) -> None:
    Quote.objects.update(valid_until=today() - timedelta(days=1))
    assert "has run out" in text(stranger.get(f"/quote/{quote.token}/"))
    refused = stranger.post(f"/quote/{quote.token}/accept/", follow=True)
    assert "This quote has run out." in text(refused)
    stranger.post(f"/quote/{quote.token}/renew/")
    new = Quote.objects.get(number=2)
    assert new.status == "offered"
    assert f"/quote/{new.token}/" in text(stranger.get(f"/quote/{quote.token}/"))


def test_a_new_quote_is_asked_for_once_however_often_it_is_pressed(
    stranger: Client, quote: Quote
) -> None:
    Quote.objects.update(valid_until=today() - timedelta(days=1))
    answers = [stranger.post(f"/quote/{quote.token}/renew/") for _ in range(3)]
    new = Quote.objects.get(number=2)
    assert [answer["Location"] for answer in answers] == [f"/quote/{new.token}/"] * 3
    assert Mail.objects.filter(kind="quote").count() == 2


def test_an_order_tells_where_each_job_stands_and_who_acts(
    stranger: Client, order: Order, cutter: Actor
) -> None:
    job = order.jobs.get()
    assert "Received. " in page_of(stranger, order)
    workflow.queue(job, cutter)
    page = page_of(stranger, order)
    assert "In the queue." in page
    assert "The workshop cuts it." in page
    assert 'class="step step-now" aria-current="step"' in page
    assert "went into the queue." in page


def test_the_order_page_moves_by_itself_until_it_is_over(
    stranger: Client, order: Order, cutter: Actor
) -> None:
    job = order.jobs.get()
    stamp = stamp_of(order)
    state = f"/order/{order.link_token}/state/?seen="
    assert f"{state}{stamp}" in page_of(stranger, order)
    assert stranger.get(f"{state}{stamp}").status_code == 204
    workflow.queue(job, cutter)
    assert stranger.get(f"{state}{stamp}").status_code == 200
    workflow.decline(job, cutter, why="Too fine for this film.")
    over = stranger.get(f"{state}{stamp}")
    assert over.status_code == 286
    assert "Too fine for this film." in text(over)
    assert "hx-get" not in text(over)


def test_a_parcel_is_told_with_its_tracking_number(
    stranger: Client, order: Order, cutter: Actor
) -> None:
    job = order.jobs.get()
    workflow.queue(job, cutter)
    workflow.start(job, cutter)
    workflow.count(job, cutter, good=3)
    workflow.pack(job, cutter, cut_outs_bagged=2)
    workflow.ship(order, cutter, [job], carrier="Harbour Post", tracking="HP 77")
    page = page_of(stranger, order)
    assert "Sent with Harbour Post" in page
    assert "HP 77" in page
    assert "2 cut-outs in the bag" in page


def test_a_job_is_called_off_before_the_queue_and_not_after(
    stranger: Client, order: Order, cutter: Actor
) -> None:
    job = order.jobs.get()
    address = f"/order/{order.link_token}/job/{job.code}/cancel/"
    workflow.queue(job, cutter)
    refused = stranger.post(address, {"seen": "0"}, follow=True)
    assert "Somebody else changed" in text(refused)
    workflow.unqueue(job, cutter)
    stranger.post(address, {"seen": str(job.revision), "why": "Twice."})
    job.refresh_from_db()
    assert job.status == Job.Status.CANCELLED
    assert "Twice." in page_of(stranger, order)


@pytest.mark.parametrize("take", [True, False])
def test_a_proposal_is_shown_beside_and_taken_or_refused(
    stranger: Client, order: Order, cutter: Actor, take: bool
) -> None:
    job = order.jobs.get()
    own = job.version
    proposal = factories.make_version(
        own.design,
        proposal="offered",
        origin="proposal",
        proposal_reason="A little smaller, so that it keeps off the edge.",
        proposed_for=job,
    )
    workflow.propose(job, proposal, cutter)
    page = page_of(stranger, order)
    assert "A little smaller, so that it keeps off the edge." in page
    picture = f"/order/{order.link_token}/job/{job.code}/proposal/{proposal.number}/film.png"
    assert picture in page
    response = stranger.get(picture)
    assert response.status_code == 200
    assert b"".join(response.streaming_content)
    word = "accept" if take else "refuse"
    link = f"/order/{order.link_token}/job/{job.code}/proposal/{proposal.number}/{word}/"
    stranger.post(link)
    job.refresh_from_db()
    proposal.refresh_from_db()
    assert job.version == (proposal if take else own)
    assert proposal.proposal == (Version.Proposal.ACCEPTED if take else Version.Proposal.REFUSED)


def test_the_slip_opens_status_and_pictures_and_nothing_private(
    stranger: Client, order: Order
) -> None:
    page = text(stranger.get(f"/parcel/{order.parcel_token}/"))
    assert order.code in page
    assert "Received" in page
    private = [order.link_token, order.ship_name, order.ship_line1, order.ship_city, "USD", "@"]
    private += [order.jobs.get().version.design.token, order.quotes.get().token]
    assert [word for word in private if word in page] == []


def test_an_order_has_no_other_address_than_its_link(stranger: Client, order: Order) -> None:
    for token in (order.code, order.parcel_token, "x"):
        assert stranger.get(f"/order/{token}/").status_code == 404


def test_the_slip_prints_on_the_three_papers(stranger: Client, order: Order) -> None:
    for paper in ("letter", "a4", "4x6", "nonsense"):
        response = stranger.get(f"/order/{order.link_token}/slip.pdf?paper={paper}")
        assert response.content.startswith(b"%PDF")
        assert response.headers["Content-Type"] == "application/pdf"


def test_every_step_of_a_job_has_words_in_the_story() -> None:
    told = {action for life, action in SENTENCES if life == "job"} | {"count"}
    assert {step.action for step in LIVES["job"]} <= told
