"""Weights, addresses, customs, tracking numbers, and the CSV of parcels in and out."""

import csv
import io
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from orders import parcels, quoting, workflow
from orders.errors import RefusedError
from orders.models import Event, Mail, Packaging, Parcel, Workshop
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def test_a_parcel_weighs_its_film_and_its_packaging(bench: Bench) -> None:
    """152.4 x 152.4 x 0.1905 mm of PET at 1390 kg/m3 is 6.15 g (by hand)."""
    job = factories.make_job(status="packed", quantity=4)
    board = Packaging.objects.create(name="Board envelope", weight_g="38")
    assert parcels.film_g([(job, 4)]) == 4 * Decimal("6.15")
    assert "62.6 g in all" in bench.see("workshop-post")
    form = {"job": f"{job.code}.0", "carrier": "M", "how": "posted", "packaging": board.pk}
    bench.press("workshop-order-ship", job.order.code, **form)
    assert Parcel.objects.get().weight_g == Decimal("62.6")


def test_the_scale_has_the_last_word(bench: Bench) -> None:
    job = factories.make_job(status="packed")
    form = {"job": f"{job.code}.0", "carrier": "M", "how": "posted", "weight_g": "71.5"}
    bench.press("workshop-order-ship", job.order.code, **form)
    assert Parcel.objects.get().weight_g == Decimal("71.5")


@pytest.mark.parametrize(
    ("missing", "sentence"),
    [
        ((), ""),
        (("ship_city",), "The address lacks a town. Ask the artist before posting."),
        (
            ("ship_name", "ship_line1", "ship_country"),
            (
                "The address lacks a name, a street and number and a country. "
                "Ask the artist before posting."
            ),
        ),
        (
            ("ship_postcode",),
            "The address has no postcode. Some countries have none; look before posting.",
        ),
        (
            ("ship_name", "ship_line1", "ship_city", "ship_country"),
            "The artist gave no address. Ask before posting.",
        ),
    ],
)
def test_what_an_address_lacks_is_a_sentence(missing: tuple[str, ...], sentence: str) -> None:
    order = factories.make_order()
    for field in missing:
        setattr(order, field, " ")
    assert parcels.address_fault(order) == sentence


def test_the_customs_values_of_an_orders_parcels_add_up_to_its_goods(cutter: Actor) -> None:
    factories.price_sheet()
    order = factories.make_order(ship_region="")
    factories.make_line(order, quantity=3)
    artist = Actor(Event.Role.ARTIST, order.artist)
    quote = quoting.make_quote(order, artist)
    workflow.accept(quote, artist)
    Workshop.objects.update(country="Skerryland")
    assert parcels.goes_abroad(order, Workshop.current())
    goods = sum(Decimal(x["amount"]) for x in quote.lines if x["kind"] != "postage")
    job = order.jobs.get()
    whole = parcels.customs_of(order, [(job, 3)], quote)
    assert (whole.pieces, whole.value, whole.currency) == (3, goods, quote.currency)
    first = parcels.customs_of(order, [(job, 1)], quote).value
    job.shipped = 1
    job.cut = job.packed = 3
    job.save()
    rest = parcels.customs_of(order, [(job, 2)], quote).value
    assert first is not None
    assert rest is not None
    assert first + rest == goods


def test_within_the_country_there_is_no_customs_line(bench: Bench) -> None:
    factories.make_job(status="packed")
    Workshop.objects.update(country=" harbourland")
    assert "For customs" not in bench.see("workshop-post")
    Workshop.objects.update(country="Skerryland")
    assert "For customs" in bench.see("workshop-post")


def test_a_number_that_comes_later_is_in_the_letter_that_still_waits(bench: Bench) -> None:
    job = factories.make_job(status="packed")
    bench.press("workshop-order-ship", job.order.code, job=f"{job.code}.0", carrier="M")
    parcel = Parcel.objects.get()
    address = ("workshop-parcel-tracking", job.order.code, parcel.pk)
    bench.press(*address, carrier="Harbour Mail", tracking="HM 7")
    assert "with Harbour Mail, tracking number HM 7." in Mail.objects.get().body
    Mail.objects.update(status="sent")
    bench.press(*address, carrier="Harbour Mail", tracking="HM 8")
    assert "HM 7" in Mail.objects.get().body
    assert "HM 8" in bench.see("workshop-order", job.order.code)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_the_list_goes_out_comes_back_filled_in_and_is_read_once(
    bench: Bench, cutter: Actor
) -> None:
    job = factories.make_job(status="packed", quantity=3)
    job.order.ship_name = "=cmd()"
    job.order.save()
    collected = factories.make_job(factories.make_order(delivery="collect"), status="packed")
    rows = read(bench.see("workshop-parcels-csv"))
    assert tuple(rows[0]) == parcels.COLUMNS
    assert [row["order"] for row in rows] == [job.order.code]
    assert rows[0]["name"] == "'=cmd()"  # OWASP: no spreadsheet takes it for a formula
    assert rows[0]["pieces"] == "3"
    rows[0] |= {"carrier": "Harbour Mail", "tracking": "HM 9"}
    out = io.StringIO()
    writer = csv.DictWriter(out, parcels.COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    data = out.getvalue().encode()
    for told in (
        ["1 parcel posted, 0 given a new number. Rows without carrier and number were left alone."],
        [
            (
                "0 parcels posted, 0 given a new number. "
                "Rows without carrier and number were left alone."
            ),
            f"Row 2: nothing of order {job.order.code} lies packed.",
        ],
    ):
        file = SimpleUploadedFile("p.csv", data, "text/csv")
        assert bench.told("workshop-parcels-csv-in", file=file) == told
    parcel = Parcel.objects.get()
    assert (parcel.carrier, parcel.tracking) == ("Harbour Mail", "HM 9")
    collected.refresh_from_db()
    assert collected.status == "packed"
    assert read(bench.see("workshop-parcels-csv", sent=30))[0]["parcel"] == str(parcel.pk)
    again = f"parcel;order;tracking\n{parcel.pk};{job.order.code};HM 10\n1000;;X\n"
    result = parcels.read_csv(again.encode("utf-8-sig"), cutter)
    assert (result.posted, result.filled) == (0, 1)
    assert result.refused == ["Row 3: there is no parcel 1000 of order ?."]
    parcel.refresh_from_db()
    assert parcel.tracking == "HM 10"


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"\xff\xfe\x00", "not a CSV in UTF-8"),
        (b"name,street\nWren,Quay", "must name the columns"),
        (b"", "must name the columns"),
        (b"x" * 1_000_001, "larger than 1 MB"),
        (b'order,tracking\n"A', "cannot be read as CSV"),
    ],
)
def test_a_file_that_is_no_list_of_parcels_is_refused(
    cutter: Actor, data: bytes, sentence: str
) -> None:
    with pytest.raises(RefusedError, match=sentence):
        parcels.read_csv(data, cutter)


def test_packagings_are_added_changed_and_refused_in_a_sentence(bench: Bench) -> None:
    bench.press("workshop-packagings", name="Tube", weight_g="55.5", is_active="on")
    row = Packaging.objects.get()
    bench.press("workshop-packagings", id=row.pk, name="Tube, short", weight_g="41")
    row.refresh_from_db()
    assert (row.name, row.weight_g, row.is_active) == ("Tube, short", Decimal("41.0"), False)
    page = bench.client.post("/workshop/packagings/", {"name": "Box", "weight_g": "-1"})
    assert page.status_code == 422
    assert Packaging.objects.count() == 1
