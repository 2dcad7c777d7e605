"""Packed jobs leave: posted or handed over, once; and the outbox as a page."""

import pytest
from django.urls import reverse

from orders import outbox, workflow
from orders.models import Event, Job, Mail, Parcel
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def test_the_post_shows_packed_jobs_by_order_and_what_is_still_to_come(bench: Bench) -> None:
    order = factories.make_order(accepted=True)
    packed, still = (factories.make_job(order, status=s) for s in ("packed", "queued"))
    page = bench.see("workshop-post")
    assert packed.code in page
    assert still.code not in page
    assert "2 more pieces of this order are not packed yet." in page
    assert "3 Quay Steps" in page


@pytest.mark.parametrize(
    ("how", "status", "words"),
    [("posted", "shipped", "on its way"), ("collected", "handed-over", "handed over")],
)
@pytest.mark.parametrize("page", ["post", ""])
def test_a_parcel_leaves_once_however_often_it_is_pressed(
    bench: Bench, how: str, status: str, words: str, page: str
) -> None:
    job = factories.make_job(status="packed")
    form = {
        "job": f"{job.code}.0",
        "carrier": "Harbour Mail",
        "tracking": "HM 7",
        "how": how,
        "from": page,
    }
    for _ in range(2):
        told = bench.told("workshop-order-ship", job.order.code, **form)
        assert told == [f"Order {job.order.code}: 1 job {words}. The mail goes in 2 minutes."]
    job.refresh_from_db()
    assert (job.status, job.shipped) == (status, 2)
    assert (Parcel.objects.count(), Mail.objects.count()) == (1, 1)
    assert "HM 7" in bench.see("workshop-order", job.order.code) or how == "collected"


def test_an_outdated_parcel_is_told_and_keeps_what_was_typed(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(status="packed")
    workflow.unpack(job, cutter)
    response = bench.press(
        "workshop-order-ship",
        job.order.code,
        job=f"{job.code}.0",
        carrier="Harbour Mail",
        how="posted",
    )
    (told,) = [str(m) for m in response.context["messages"]]
    assert told.startswith(f"Somebody else changed job {job.code} a moment ago: it is “cut” now.")
    assert Parcel.objects.count() == 0


@pytest.mark.parametrize(
    ("form", "sentence"),
    [
        ({"carrier": "Harbour Mail"}, "Choose at least one packed job."),
        ({"job": "CODE.0"}, "Enter who carries the parcel."),
        (
            {"job": "CODE.0", "carrier": "x" * 61},
            "Carried by: Ensure this value has at most 60 characters (it has 61).",
        ),
    ],
)
def test_what_is_missing_is_one_sentence(bench: Bench, form: dict[str, str], sentence: str) -> None:
    job = factories.make_job(status="packed")
    filled = {key: value.replace("CODE", job.code) for key, value in form.items()}
    told = bench.told("workshop-order-ship", job.order.code, how="posted", **filled)
    assert told == [sentence]
    assert "Packed" not in told


def test_jobs_of_another_order_are_not_sent_along(bench: Bench) -> None:
    job, other = factories.make_job(status="packed"), factories.make_job(status="packed")
    told = bench.told(
        "workshop-order-ship", job.order.code, job=f"{other.code}.0", carrier="Harbour Mail"
    )
    assert told == ["Choose at least one packed job."]
    other.refresh_from_db()
    assert other.status == Job.Status.PACKED


def test_undo_takes_a_parcel_back(bench: Bench) -> None:
    job = factories.make_job(status="packed")
    bench.press(
        "workshop-order-ship", job.order.code, job=f"{job.code}.0", carrier="M", how="posted"
    )
    bench.press("workshop-job-step", job.code, "undo", seen=1)
    job.refresh_from_db()
    assert job.status == Job.Status.PACKED
    assert "taken back" in bench.see("workshop-order", job.order.code)
    assert Mail.objects.get().status == Mail.Status.WITHDRAWN


def test_the_order_page_tells_artist_address_note_and_rights(bench: Bench) -> None:
    order = factories.make_order(accepted=True, note="For the regatta.")
    factories.make_job(order, status="packed")
    page = bench.see("workshop-order", order.code)
    for words in ("wren@harbour.example", "Tidehaven TH 1", "For the regatta.", "licensed"):
        assert words in page
    assert bench.client.get(reverse("workshop-order", args=["NONE1"])).status_code == 404


def test_an_empty_post_says_where_packed_jobs_come_from(bench: Bench) -> None:
    assert "Nothing is packed" in bench.see("workshop-post")


def a_mail(status: str) -> Mail:
    order = factories.make_order()
    event = Event.objects.create(life="order", action="place", role="artist", order=order)
    return Mail.objects.create(
        to="wren@harbour.example",
        subject=f"A {status} letter",
        body="Dear Wren,\nit is <cut>.\n",
        status=status,
        order=order,
        event=event,
        failure="ConnectionRefusedError: no post today" if status == "failed" else "",
    )


def test_mails_are_listed_by_state_and_read(bench: Bench) -> None:
    for status in ("waiting", "sent", "withdrawn", "failed"):
        a_mail(status)
    everything = bench.see("workshop-mail")
    assert all(f"A {s} letter" in everything for s in ("waiting", "sent", "withdrawn", "failed"))
    only = bench.see("workshop-mail", state="failed")
    assert "A failed letter" in only
    assert "A sent letter" not in only
    text = bench.see("workshop-mail-text", Mail.objects.get(status="failed").pk)
    assert "it is &lt;cut&gt;." in text
    assert "no post today" in text


def test_a_failed_mail_is_sent_again_by_a_press_and_others_are_not(bench: Bench) -> None:
    failed, sent = a_mail("failed"), a_mail("sent")
    assert bench.told("workshop-mail-again", failed.pk) == [
        "The mail to wren@harbour.example is sent again within a minute."
    ]
    assert outbox.send_due() == 1
    assert bench.told("workshop-mail-again", sent.pk) == [
        "The mail to wren@harbour.example is “sent” now, so it is not sent again."
    ]
    assert outbox.send_due() == 0


def test_a_mail_that_may_have_gone_is_shown_and_decided_by_a_person(bench: Bench) -> None:
    doubted, other = a_mail("in-doubt"), a_mail("in-doubt")
    assert "mails that may have gone" in bench.see("workshop-today")
    assert "may have gone" in bench.see("workshop-mail", state="in-doubt")
    page = bench.see("workshop-mail-text", doubted.pk)
    assert "nobody can say whether it went" in page
    assert "It arrived" in page
    assert outbox.send_due() == 0
    assert bench.told("workshop-mail-arrived", doubted.pk) == [
        "Noted: the mail to wren@harbour.example arrived."
    ]
    assert bench.told("workshop-mail-again", other.pk) == [
        "The mail to wren@harbour.example is sent again within a minute."
    ]
    assert outbox.send_due() == 1
    assert set(Mail.objects.values_list("status", flat=True)) == {"sent"}
