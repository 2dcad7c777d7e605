"""The packing bench: pieces counted, remade, packed in part, sent in part; codes lead on."""

import pytest
from django.urls import reverse

from orders import workflow
from orders.errors import RefusedError
from orders.models import Job, Mail, Parcel, Tally
from orders.standing import standing_of
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def counts(job: Job) -> tuple[int, int, int, int, int]:
    job.refresh_from_db()
    return job.quantity, job.cut, job.spoiled, job.packed, job.shipped


def test_one_press_takes_a_spoiled_piece_back_to_be_cut_again(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=3)
    form = {"pieces": 1, "reason": "melted", "seen": 0}
    for _ in range(2):
        bench.press("workshop-pack-step", job.order.code, job.code, "found-spoiled", **form)
    assert counts(job) == (3, 2, 1, 0, 0)
    assert job.status == "queued"
    rows = Tally.objects.order_by("id").values_list("good", "spoiled", "reason")
    assert list(rows) == [(-1, 0, ""), (0, 1, "melted")]
    bench.press("workshop-pack-step", job.order.code, job.code, "undo", seen=job.revision)
    assert counts(job) == (3, 3, 0, 0, 0)
    assert not Tally.objects.exists()


def test_a_part_is_packed_and_sent_and_the_job_stays_until_the_rest_is(
    bench: Bench, cutter: Actor
) -> None:
    job = factories.make_job(status="queued", quantity=3, cut=2)
    assert job.cut_outs_expected == 3
    order = job.order
    bench.press(
        "workshop-pack-step", order.code, job.code, "pack-part", pieces=2, cut_outs_bagged=2, seen=0
    )
    assert (counts(job), job.status) == ((3, 2, 0, 2, 0), "queued")
    form = {"job": f"{job.code}.1", "carrier": "Harbour Mail", "how": "posted"}
    for _ in range(2):
        told = bench.told("workshop-order-ship", order.code, **form)
        assert told == [
            (
                f"Order {order.code}: 1 job on its way. 1 piece of the order still to send. "
                "The mail goes in 2 minutes."
            )
        ]
    assert (counts(job), job.status) == ((3, 2, 0, 2, 2), "queued")
    assert standing_of(order).code == "part-shipped"
    assert Parcel.objects.get().lines.get().cut_outs == 2
    letter = Mail.objects.get()
    assert letter.kind == "part-shipped"
    assert f"- 1 x {job.version.design.title}, 6 x 6 in" in letter.body.split("Still to come")[1]

    workflow.count(job, cutter, good=1)
    workflow.pack(job, cutter, cut_outs_bagged=1)
    assert job.cut_outs_bagged == 3
    workflow.ship(order, cutter, [job], carrier="Harbour Mail")
    assert (counts(job), job.status) == ((3, 3, 0, 3, 3), "shipped")
    assert [p.lines.get().count for p in order.parcels.order_by("id")] == [2, 1]
    sent = Mail.objects.exclude(status="withdrawn").order_by("id")
    assert list(sent.values_list("kind", flat=True)) == [
        "part-shipped",
        "shipped",
    ]


def test_some_of_the_packed_pieces_may_go_ahead(bench: Bench) -> None:
    job = factories.make_job(status="packed", quantity=5)
    form = {"job": f"{job.code}.0", f"pieces-{job.code}": "2", "how": "collected"}
    bench.press("workshop-order-ship", job.order.code, **form)
    assert (counts(job), job.status) == ((5, 5, 0, 5, 2), "packed")
    assert Mail.objects.get().kind == "part-handed-over"
    bench.press("workshop-job-step", job.code, "undo", seen=1)
    assert (counts(job), job.status) == ((5, 5, 0, 5, 0), "packed")
    assert Mail.objects.get().status == "withdrawn"


@pytest.mark.parametrize(
    ("pieces", "sentence"),
    [
        ("3", "Of job {code} 2 pieces lie packed. Correct the number of pieces."),
        ("0", "Of job {code} 2 pieces lie packed. Correct the number of pieces."),
        ("two", "Type how many pieces of job {code} go along, as a number."),
    ],
)
def test_no_more_is_sent_than_lies_packed(bench: Bench, pieces: str, sentence: str) -> None:
    job = factories.make_job(status="packed", quantity=2)
    form = {"job": f"{job.code}.0", f"pieces-{job.code}": pieces, "carrier": "M", "how": "posted"}
    told = bench.told("workshop-order-ship", job.order.code, **form)
    assert told == [sentence.format(code=job.code)]
    assert not Parcel.objects.exists()
    assert counts(job) == (2, 2, 0, 2, 0)


def test_only_what_is_cut_is_packed_and_a_whole_job_is_no_part(cutter: Actor) -> None:
    job = factories.make_job(status="queued", quantity=3, cut=2)
    for pieces in (0, 3):
        with pytest.raises(RefusedError, match="Cut and not packed: 2 pieces"):
            workflow.pack_part(job, cutter, pieces=pieces, cut_outs_bagged=0)
    done = factories.make_job(status="cut", quantity=2)
    with pytest.raises(RefusedError, match="every piece of the job"):
        workflow.pack_part(done, cutter, pieces=2, cut_outs_bagged=0)


def test_a_bag_that_was_unpacked_is_counted_anew(cutter: Actor) -> None:
    job = factories.make_job(status="cut", quantity=2)
    workflow.pack(job, cutter, cut_outs_bagged=2)
    workflow.unpack(job, cutter)
    workflow.pack(job, cutter, cut_outs_bagged=1)
    assert job.cut_outs_bagged == 1


def test_a_job_with_packed_pieces_is_not_called_off(cutter: Actor) -> None:
    job = factories.make_job(status="queued", quantity=3, cut=2, packed=2)
    with pytest.raises(RefusedError, match="2 pieces of it packed and not sent"):
        workflow.cancel(job, cutter, why="No film.")


def test_ticks_are_kept_with_who_and_go_when_other_pieces_are_cut(
    bench: Bench, cutter: Actor
) -> None:
    job = factories.make_job(status="queued", quantity=3, cut=2)
    bench.press("workshop-pack-tick", job.order.code, job.code, tick=["weeded", "nonsense"])
    assert [tick.what for tick in job.ticks.all()] == ["weeded"]
    assert "Ebb Harbourside" in bench.see("workshop-pack-order", job.order.code)
    workflow.count(job, cutter, good=1)
    assert not job.ticks.exists()


def test_the_list_shows_orders_with_pieces_to_pack(bench: Bench) -> None:
    whole = factories.make_job(status="cut")
    part = factories.make_job(status="queued", quantity=3, cut=1)
    nothing = factories.make_job(status="queued")
    packed = factories.make_job(status="packed")
    seen = {
        ready: {
            job.order.code
            for job in (whole, part, nothing, packed)
            if f"/pack/{job.order.code}/" in bench.see("workshop-pack", ready=ready)
        }
        for ready in ("", "whole", "part")
    }
    assert seen == {
        "": {whole.order.code, part.order.code},
        "whole": {whole.order.code},
        "part": {part.order.code},
    }


def test_a_code_leads_to_the_next_step(bench: Bench, cutter: Actor) -> None:
    cut, packed = factories.make_job(status="cut"), factories.make_job(status="packed")
    laid = factories.make_job(status="queued")
    run = workflow.plan_run(laid.film, [workflow.Place(laid, 0, 0)], cutter)
    received = factories.make_job(status="received")
    bench_of_cut = reverse("workshop-pack-order", args=[cut.order.code])
    for code, address in (
        (cut.code, f"{bench_of_cut}#{cut.code}"),
        (cut.code.lower(), f"{bench_of_cut}#{cut.code}"),
        (f"https://shed.example/workshop/scan/{cut.code}/", f"{bench_of_cut}#{cut.code}"),
        (cut.order.code, bench_of_cut),
        (packed.code, reverse("workshop-order", args=[packed.order.code]) + "#send"),
        (laid.code, reverse("workshop-sheet", args=[run.code])),
        (run.code, reverse("workshop-sheet", args=[run.code])),
        (received.code, reverse("workshop-job", args=[received.code])),
    ):
        response = bench.client.get(reverse("workshop-scan"), {"code": code})
        assert response["Location"] == address
    told = bench.client.get(reverse("workshop-scan"), {"code": "NOPE?"}, follow=True)
    assert "No job, order or sheet has the code “NOPE?”." in told.content.decode()


def test_more_cut_outs_than_expected_are_asked_about_and_kept_on_the_page(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=2)
    form = {"cut_outs_bagged": 9, "seen": 0}
    page = bench.press("workshop-pack-step", job.order.code, job.code, "pack", **form)
    assert "9 cut-outs in the bag, and 2 are expected." in page.content.decode()
    assert counts(job)[3] == 0
    bench.press("workshop-pack-step", job.order.code, job.code, "pack", sure=9, **form)
    assert (counts(job)[3], job.cut_outs_bagged) == (2, 9)
