"""What the packing slip says, read back by pypdfium2, on every paper."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from orders.errors import RefusedError
from orders.models import Order, Parcel, ParcelLine
from orders.prints import packing_slip
from orders.prints.slip_contents import QR_SENTENCE, SAFETY, USE
from tests import factories
from tests.prints.reading import letters, page_sizes_mm, texts

PAPERS = ("letter", "a4", "4x6")
# ISO 216 (A4); ANSI/ASME Y14.1 (Letter, 8.5 x 11 in); an inch is 25.4 mm (NIST SP 811)
SIZES_MM = {"letter": (215.9, 279.4), "a4": (210.0, 297.0), "4x6": (101.6, 152.4)}

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("media")]


def make_parcel(order: Order, **counts: int) -> Parcel:
    """A parcel of an order; counts are of its jobs by their last figure: one=2."""
    names = ("one", "two", "three")
    parcel = Parcel.objects.create(order=order, carrier="Ferry Post", tracking="FP 12 34")
    for name, count in counts.items():
        job = order.jobs.order_by("id")[names.index(name)]
        ParcelLine.objects.create(parcel=parcel, job=job, count=count)
    return parcel


def packed(order: Order, title: str, *, blank: str = "6x6in", mode: str = "stencil", **values):
    version = factories.make_version(
        factories.make_design(title=title), blank_code=blank, mode=mode
    )
    return factories.make_job(order, status="packed", version=version, **values)


@pytest.fixture
def order() -> Order:
    factories.workshop()
    return factories.make_order(accepted=True)


@pytest.mark.parametrize("paper", PAPERS)
def test_a_slip_is_on_its_paper_and_says_everything(order: Order, paper: str) -> None:
    packed(order, "Carrick knot", quantity=3, cut_outs_bagged=2, cut_outs_fate="bagged")
    parcel = make_parcel(order, one=2)
    data = packing_slip.render(order, paper=paper, parcel=parcel)
    for size in page_sizes_mm(data):
        assert size == pytest.approx(SIZES_MM[paper], abs=0.02)
    said = letters(" ".join(texts(data)))
    for words in (
        "Packing slip",
        "Slipway Cutting Shed",
        order.code,
        "Wren Saltmarsh 3 Quay Steps Tidehaven TH 1 Harbourland",
        "Ferry Post",
        "FP 12 34",
        "Carrick knot",
        "Stencil, 6 × 6 in (152.4 mm)",
        "PET 0.19 mm (7.5 mil)",
        "Cut-outs: 2 of 3 in the bag",
        "of 3 ordered",
        "1 to follow",
        *USE,
        *SAFETY,
        QR_SENTENCE,
    ):
        assert letters(words) in said, words
    assert order.artist.email not in said


def test_each_parcel_of_a_job_counts_its_own_cut_outs(order: Order) -> None:
    job = packed(order, "Carrick knot", quantity=3, cut_outs_bagged=3, cut_outs_fate="bagged")
    first, second = (make_parcel(order, one=count) for count in (2, 1))
    for parcel, bagged in ((first, 3), (second, 0)):
        parcel.lines.update(cut_outs=bagged)
    for parcel, words in (
        (first, "Cut-outs: 3 in this bag, 3 bagged so far"),
        (second, "Cut-outs: 0 in this bag, 3 bagged so far"),
    ):
        said = letters(" ".join(texts(packing_slip.render(order, parcel=parcel))))
        assert letters(words) in said
    assert job.code in texts(packing_slip.render(order, parcel=second))[0]


def test_an_order_collected_shows_no_address(order: Order) -> None:
    packed(order, "Sheet bend")
    order.delivery = Order.Delivery.COLLECT
    order.save()
    said = " ".join(texts(packing_slip.render(order)))
    assert "Wren Saltmarsh Collected in person" in said
    assert "Quay Steps" not in said


def test_a_parcel_handed_over_shows_no_address_even_if_post_was_asked_for(order: Order) -> None:
    packed(order, "Sheet bend")
    parcel = make_parcel(order, one=2)
    parcel.collected = True
    parcel.save()
    said = " ".join(texts(packing_slip.render(order, parcel=parcel)))
    assert "Collected in person" in said
    assert "Quay Steps" not in said


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"cut_outs_bagged": 2, "cut_outs_fate": "bagged"}, "Cut-outs: 2 in the bag"),
        ({"cut_outs_bagged": 1, "cut_outs_fate": "bagged"}, "Cut-outs: 1 of 2 in the bag"),
        ({"cut_outs_bagged": 0, "cut_outs_fate": "bagged"}, "Cut-outs: 0 of 2 in the bag"),
        ({}, "Cut-outs: included, counted when packed"),
        (
            {"with_cut_outs": False, "cut_outs_fate": "recycled"},
            "Cut-outs: declined, recycled",
        ),
        (
            {"with_cut_outs": False, "cut_outs_fate": "kept"},
            "Cut-outs: declined, kept by the workshop",
        ),
        ({"with_cut_outs": False}, "Cut-outs: declined"),
        ({"mode": "mask", "cut_outs_bagged": 2}, "Loose pieces: 2 in the bag"),
    ],
)
def test_the_slip_tells_what_became_of_the_cut_outs(order: Order, values, words: str) -> None:
    packed(order, "Limpet", **values)
    assert words in " ".join(texts(packing_slip.render(order)))


def test_a_drawing_without_cut_outs_to_keep_says_so(order: Order) -> None:
    job = packed(order, "Dots")
    job.cut_outs_expected = 0
    job.save()
    said = " ".join(texts(packing_slip.render(order)))
    assert "Cut-outs: none large enough to keep" in said


def test_jobs_that_are_not_in_the_parcel_are_told_apart(order: Order) -> None:
    packed(order, "Carrick knot", quantity=4)
    packed(order, "Sprat shoal")
    factories.make_job(order, status="cancelled")
    first, second = make_parcel(order, one=3), make_parcel(order, one=1, two=2)
    second.sent_at = first.sent_at + timedelta(days=1)
    second.save()
    earlier = " ".join(texts(packing_slip.render(order, parcel=first)))
    assert "of 4 ordered 1 to follow" in earlier
    assert f"Sprat shoal ({order.code}-2): 2 to follow" in earlier
    assert f"({order.code}-3): called off" in earlier
    later = " ".join(texts(packing_slip.render(order, parcel=second)))
    assert "of 4 ordered 3 sent earlier" in later
    assert "of 2 ordered" in later
    assert "to follow" not in later


def test_without_a_parcel_the_slip_is_of_what_is_packed_and_then_of_the_last_sent(
    order: Order,
) -> None:
    job = packed(order, "Carrick knot", quantity=4, cut=4)
    waiting = " ".join(texts(packing_slip.render(order)))
    assert "4 of 4 ordered" in waiting
    assert "Sent" not in waiting
    job.shipped = 4
    job.save()
    make_parcel(order, one=4)
    assert "Ferry Post" in " ".join(texts(packing_slip.render(order)))


def test_a_slip_printed_before_anything_is_packed_says_so(order: Order) -> None:
    factories.make_job(order, status="queued")
    said = " ".join(texts(packing_slip.render(order)))
    assert "Nothing is packed yet. This slip shows what was ordered." in said
    assert "0 of 2 ordered" in said


def test_a_missing_or_damaged_picture_does_not_keep_the_slip_from_being_printed(
    order: Order,
) -> None:
    lost, damaged = packed(order, "Lost"), packed(order, "Damaged")
    lost.version.film_picture.storage.delete(lost.version.film_picture.name)
    with open(damaged.version.film_picture.path, "r+b") as stored:
        stored.truncate(90)
    said = " ".join(texts(packing_slip.render(order)))
    assert said.count("The picture could not be read.") == 2


def test_wrong_papers_and_parcels_are_refused_in_one_sentence(order: Order) -> None:
    packed(order, "Carrick knot")
    with pytest.raises(RefusedError) as refused:
        packing_slip.render(order, paper="a3")
    assert refused.value.sentence == (
        "That paper is not known here. Choose one of: letter, a4, 4x6."
    )
    other = factories.make_order(accepted=True)
    packed(other, "Ebb")
    for parcel in (make_parcel(other, one=1), make_parcel(order, one=1)):
        parcel.withdrawn_at = datetime(2026, 11, 2, tzinfo=UTC)
        parcel.save()
        with pytest.raises(RefusedError) as refused:
            packing_slip.render(order, parcel=parcel)
        assert refused.value.sentence == (
            "That parcel is not one of this order's. Open the order's page again."
        )


@pytest.mark.parametrize("paper", PAPERS)
def test_the_same_order_always_gives_the_same_bytes(order: Order, paper: str) -> None:
    packed(order, "Carrick knot")
    packed(order, "سمكة")
    assert packing_slip.render(order, paper=paper) == packing_slip.render(order, paper=paper)
