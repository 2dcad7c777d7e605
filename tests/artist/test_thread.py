"""The thread on the order's page, and what newcomers stumbled over there."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from orders import messages, workflow
from orders.messages import ARTIST, WORKSHOP
from orders.models import Job, Message
from orders.standing import standing_of
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def ebb(shop: Any) -> Actor:
    return Actor(WORKSHOP, factories.workshop_person())


@pytest.fixture
def job(shop: Any) -> Job:
    design = factories.make_design(owner=factories.artist_person(), title="Tide snail")
    return factories.make_job(version=factories.make_version(design), status="received")


def text(response: Any) -> str:
    return str(response.content.decode())


def talk(job: Job) -> str:
    return f"/order/{job.order.link_token}/talk/"


def test_a_message_is_written_by_whoever_holds_the_link(stranger: Client, job: Job) -> None:
    form = {"text": "Is the hook too thin?", "press": "a", "x_mm": "40.5", "y_mm": "30"}
    for _ in range(2):
        response = stranger.post(f"{talk(job)}write/", form)
    assert response.headers["Location"] == f"/order/{job.order.link_token}/#talk"
    message = Message.objects.get()
    assert (message.role, message.by) == (ARTIST, job.order.artist)
    assert (message.job, message.pin_x_mm, message.pin_y_mm) == (job, 40.5, 30)
    page = text(stranger.get(f"/order/{job.order.link_token}/"))
    assert "Is the hook too thin?" in page
    assert '<a href="#talk-list">Pin 1</a> on “Tide snail”' in page
    assert "Take it back" in page


def test_what_was_typed_stays_when_a_message_is_refused(stranger: Client, job: Job) -> None:
    form = {"text": "Here.", "press": "a", "x_mm": "40", "y_mm": ""}
    response = stranger.post(f"{talk(job)}write/", form)
    assert response.status_code == 422
    page = text(response)
    assert "A pin needs both figures: from the left and from the top." in page
    assert ">\nHere.</textarea>" in page
    response = stranger.post(f"{talk(job)}write/", {**form, "y_mm": "999"})
    assert "The pin lies beside the drawing" in text(response)
    assert not Message.objects.exists()


def test_no_markup_and_no_link_is_made_of_what_was_typed(stranger: Client, job: Job) -> None:
    words = "<img src=x onerror=alert(1)> see https://harbour.example/x"
    stranger.post(f"{talk(job)}write/", {"text": words, "press": "a"})
    page = text(stranger.get(f"/order/{job.order.link_token}/"))
    assert "&lt;img src=x onerror=alert(1)&gt; see https://harbour.example/x" in page
    assert 'href="https://harbour.example/x"' not in page


def test_polling_says_what_is_new_and_ends_when_all_is_long_over(
    stranger: Client, job: Job, ebb: Actor
) -> None:
    page = stranger.get(f"/order/{job.order.link_token}/")
    seen = page.context["talk_stamp"]
    assert stranger.get(f"{talk(job)}?seen={seen}").status_code == 204
    messages.write(job.order, ebb, "Good morning.", press="1")
    answer = stranger.get(f"{talk(job)}?seen={seen}")
    assert answer.status_code == 200
    assert "Good morning." in text(answer)
    assert " new</span>" in text(answer)
    assert messages.unseen_counts([job.order.pk], ARTIST)  # a tab that nobody looks at
    stranger.get(f"{talk(job)}?seen={seen}&visible=1")
    assert not messages.unseen_counts([job.order.pk], ARTIST)
    Job.objects.update(status="shipped")
    job.order.events.update(at="2020-01-01T00:00Z")
    Message.objects.update(at="2020-01-01T00:00Z")
    seen = stranger.get(f"/order/{job.order.link_token}/").context["talk_stamp"]
    assert stranger.get(f"{talk(job)}?seen={seen}").status_code == 286


def test_the_workshop_looking_at_the_artists_page_neither_writes_nor_reads_for_them(
    cutter_client: Client, job: Job, ebb: Actor
) -> None:
    messages.write(job.order, ebb, "Good morning.", press="1")
    page = text(cutter_client.get(f"/order/{job.order.link_token}/"))
    assert "This is the artist’s page." in page
    assert cutter_client.post(f"{talk(job)}write/", {"text": "x"}).status_code == 403
    assert messages.unseen_counts([job.order.pk], ARTIST)


def test_a_new_event_sweeps_old_sentences_away(stranger: Client, job: Job) -> None:
    answer = text(stranger.get(f"/order/{job.order.link_token}/state/?seen=0"))
    assert '<div id="messages" hx-swap-oob="innerHTML"></div>' in answer


def test_a_proposal_is_chosen_in_the_thread_with_one_press(
    stranger: Client, job: Job, ebb: Actor
) -> None:
    proposal = factories.make_version(
        job.version.design, proposal="offered", origin="proposal", proposed_for=job,
        proposal_reason="A little smaller.",
    )  # fmt: skip
    workflow.propose(job, proposal, ebb)
    page = text(stranger.get(f"/order/{job.order.link_token}/"))
    place = f'id="proposal-{job.code}-{proposal.number}"'
    assert place in page
    assert f'href="#proposal-{job.code}-{proposal.number}"' in page
    for words in ("Before: yours", "After: the workshop’s", "A little smaller.", "Keep mine"):
        assert words in page[page.index(place) :]


def test_one_held_job_does_not_hold_the_others(shop: Any) -> None:
    order = factories.make_order(accepted=True)
    for status in ("queued", "on-hold", "cutting", "cancelled"):
        factories.make_job(order, status=status)
    standing = standing_of(order)
    assert (standing.code, standing.words) == ("queued", "in the queue, 1 of 3 on hold")
    order.jobs.exclude(status="cancelled").update(status="on-hold")
    assert standing_of(order).words == "on hold"
    asked = order.jobs.filter(status="on-hold")[0]
    Job.objects.filter(pk=asked.pk).update(status="needs-changes")
    assert standing_of(order).words == "1 of 3 waiting for you"


def test_what_is_collected_never_speaks_of_the_post(stranger: Client, shop: Any) -> None:
    order = factories.make_order(accepted=True, delivery="collect")
    factories.make_job(order, status="packed")
    page = text(stranger.get(f"/order/{order.link_token}/"))
    assert "Ready to collect." in page
    assert "You collect it from the workshop." in page
    assert "on its way" not in page
    assert "post" not in page.lower().replace('method="post"', "")


def test_a_remake_is_told_and_how_many_pieces_it_is(stranger: Client, shop: Any) -> None:
    job = factories.make_job(status="queued", quantity=3, cut=2, spoiled=1)
    address = f"/order/{job.order.link_token}/"
    assert "One piece is being cut again, as the first did not come out well." in text(
        stranger.get(address)
    )
    Job.objects.update(cut=1, spoiled=2, promise_on="2020-01-01")
    page = text(stranger.get(address))
    assert "2 pieces are being cut again" in page
    assert "It comes later than promised." in page
    Job.objects.update(cut=3, status="cut")
    assert "being cut again" not in text(stranger.get(address))


def test_an_order_of_which_nothing_is_sent_offers_no_slip(stranger: Client, shop: Any) -> None:
    order = factories.make_order(accepted=True)
    factories.make_job(order, status="declined")
    address = f"/order/{order.link_token}/"
    assert "slip.pdf" not in text(stranger.get(address))
    factories.make_job(order, status="queued")
    assert "slip.pdf" in text(stranger.get(address))


def test_once_it_is_begun_the_page_says_how_to_ask(stranger: Client, shop: Any) -> None:
    job = factories.make_job(status="queued")
    page = text(stranger.get(f"/order/{job.order.link_token}/"))
    assert "only the workshop can stop it now" in page
    assert "Call off “" not in page
