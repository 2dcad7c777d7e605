"""Messages on the cutter's pages: seen where work is looked for, answered where it is done."""

from __future__ import annotations

import pytest
from django.urls import reverse

from orders import messages
from orders.messages import WORKSHOP
from orders.models import Job, Message
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


@pytest.fixture
def job() -> Job:
    design = factories.make_design(owner=factories.artist_person(), title="Tide snail")
    return factories.make_job(version=factories.make_version(design))


def test_new_messages_are_counted_on_today_and_in_the_queue(
    bench: Bench, job: Job, artist: Actor
) -> None:
    other = factories.make_job(job.order)
    messages.write(job.order, artist, "Is the hook too thin?", press="1", job=job)
    messages.write(job.order, artist, "And all of it by Friday?", press="2")
    today = bench.see("workshop-today")
    assert "2 new messages" in today
    assert "with new messages" in today
    assert "“And all of it by Friday?”" in today
    queue = bench.client.get(reverse("workshop-queue"))
    new = {row.code: row.new_messages for row in queue.context["jobs"]}
    assert new == {job.code: 2, other.code: 1}
    bench.see("workshop-job", job.code)
    assert "new message" not in bench.see("workshop-today")
    assert messages.unseen_counts([job.order.pk], WORKSHOP) == {}


def test_an_answer_from_the_job_page_returns_there(bench: Bench, job: Job) -> None:
    response = bench.client.post(
        reverse("workshop-order-write", args=[job.order.code]),
        {"text": "It holds.", "press": "1", "about": job.code, "from": "job"},
    )
    assert response["Location"] == f"/workshop/job/{job.code}/#talk"
    message = Message.objects.get()
    assert (message.role, message.job) == (WORKSHOP, job)
    for name, key in (("workshop-job", job.code), ("workshop-order", job.order.code)):
        page = bench.see(name, key)
        assert "It holds." in page
        assert "<b>You</b>" in page


def test_a_refused_message_stays_on_the_page(bench: Bench, job: Job) -> None:
    response = bench.client.post(
        reverse("workshop-order-write", args=[job.order.code]), {"text": "x" * 2001, "press": "1"}
    )
    assert response.status_code == 422
    page = response.content.decode()
    assert "That message has 2001 letters and signs; 2000 fit." in page
    assert "x" * 2001 in page


def test_a_message_is_changed_and_taken_back(bench: Bench, job: Job) -> None:
    code = job.order.code
    bench.press("workshop-order-write", code, text="Fryday.", press="1")
    pk = Message.objects.get().pk
    assert bench.told("workshop-message-change", code, pk, text="Friday.") == [
        "The message is changed."
    ]
    assert "Friday." in bench.see("workshop-order", code)
    assert bench.told("workshop-message-undo", code, pk) == [
        "The message is taken back; nobody is mailed about it."
    ]
    assert bench.told("workshop-message-undo", code, pk) == []
    assert "Friday." not in bench.see("workshop-order", code)


def test_more_cut_outs_than_expected_are_asked_about_once(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=2)  # two are expected
    step = ("workshop-job-step", job.code, "pack")
    asked = bench.press(*step, cut_outs_bagged=14, seen=job.revision)
    sentence = (
        "14 cut-outs in the bag, and 2 are expected. Is another job's bag among them? "
        "Count again; if it is right, press Packed once more."
    )
    assert [str(message) for message in asked.context["messages"]] == [sentence]
    page = asked.content.decode()
    assert 'value="14"' in page
    assert '<input type="hidden" name="sure" value="14">' in page
    assert bench.told(*step, cut_outs_bagged=15, sure=14, seen=job.revision)[0].startswith("15 cut")
    bench.press(*step, cut_outs_bagged=14, sure=14, seen=job.revision)
    job.refresh_from_db()
    assert (job.status, job.cut_outs_bagged) == ("packed", 14)
    exact = factories.make_job(status="cut", quantity=2)
    bench.press("workshop-job-step", exact.code, "pack", cut_outs_bagged=2, seen=exact.revision)
    exact.refresh_from_db()
    assert exact.status == "packed"


def test_the_numbers_of_today_lead_to_as_many_rows(bench: Bench) -> None:
    for status in ("queued", "cutting", "needs-changes", "on-hold", "received", "cut"):
        factories.make_job(status=status, promise_in_days=-1)
    response = bench.client.get(reverse("workshop-today"))
    assert len(response.context["pressing"]) == 6
    for tally in response.context["tallies"]:
        if tally["href"].startswith("/workshop/queue/") and tally["count"]:
            rows = bench.client.get(tally["href"]).context["jobs"]
            assert len(rows) == tally["count"], tally["words"]
