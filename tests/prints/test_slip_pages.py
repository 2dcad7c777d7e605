"""The slip as it is seen: its code scanned, its pictures measured, nothing cut off."""

from __future__ import annotations

from io import BytesIO
from urllib.parse import urlsplit

import numpy as np
import pypdfium2 as pdfium
import pytest
import zxingcpp
from django.core.files.base import ContentFile
from django.urls import reverse
from PIL import Image

from orders.models import Order, Parcel, ParcelLine
from orders.prints import packing_slip
from tests import factories
from tests.prints.reading import (
    POINTS_PER_MM,
    letters,
    overlaps,
    page_sizes_mm,
    pictures,
    text_boxes_mm,
    texts,
)

PAPERS = ("letter", "a4", "4x6")
LONG = "The tide table of the long pier with every lantern, gull and bollard seen at low water"

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("media")]


@pytest.fixture
def order() -> Order:
    factories.workshop()
    return factories.make_order(accepted=True)


def packed(order: Order, title: str = "Limpet", blank: str = "6x6in", **values):
    version = factories.make_version(factories.make_design(title=title), blank_code=blank)
    return factories.make_job(order, status="packed", version=version, **values)


def picture_boxes_mm(data: bytes) -> list[tuple[float, float]]:
    """Return (width, height) in mm of the pictures of all pages."""
    found = []
    with pdfium.PdfDocument(data) as document:
        for number in range(len(document)):
            page = document[number]
            for item in page.get_objects(filter=(pdfium.raw.FPDF_PAGEOBJ_IMAGE,)):
                left, bottom, right, top = item.get_bounds()
                found.append(((right - left) / POINTS_PER_MM, (top - bottom) / POINTS_PER_MM))
            page.close()
    return found


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    "host", ["http://127.0.0.1:8000", "https://stencils.the-long-name-of-a-harbour-town.example"]
)
def test_the_code_is_read_from_a_print_and_opens_the_parcel_page_only(
    order: Order, settings, paper: str, host: str
) -> None:
    """Read by zxing-cpp, a reader of ISO/IEC 18004, from a render at 150 dpi."""
    settings.PUBLIC_ADDRESS = host
    packed(order)
    page = pictures(packing_slip.render(order, paper=paper), 150)[0]
    (code,) = zxingcpp.read_barcodes(page)
    assert code.format == zxingcpp.BarcodeFormat.QRCode
    assert code.ec_level == "M"
    assert code.text == host + reverse("parcel", args=[order.parcel_token])
    assert urlsplit(code.text).query == ""
    for private in (order.link_token, order.artist.email, order.code, "Wren", "Quay", "TH"):
        assert private not in code.text.replace(order.parcel_token, "")


def test_the_code_on_a_label_is_read_from_a_printer_of_black_dots(order: Order) -> None:
    """203 dpi and no greys, as label printers have it (common practice, no source)."""
    packed(order)
    page = pictures(packing_slip.render(order, paper="4x6"), 203)[0]
    dots = np.where(page < 128, 0, 255).astype(np.uint8)
    (code,) = zxingcpp.read_barcodes(dots)
    assert code.text.endswith(reverse("parcel", args=[order.parcel_token]))


@pytest.mark.parametrize("paper", PAPERS)
def test_the_code_has_its_quiet_zone(order: Order, paper: str) -> None:
    """Four modules of white on every side (ISO/IEC 18004, 9.1 of the 2015 edition)."""
    packed(order)
    page = pictures(packing_slip.render(order, paper=paper), 300)[0]
    (code,) = zxingcpp.read_barcodes(page)
    corners = (code.position.top_left, code.position.bottom_right)
    (left, top), (right, bottom) = ((corner.x, corner.y) for corner in corners)
    modules = 29 if len(code.text) <= 42 else 33  # versions 3 and 4 at level M hold 42, 62 bytes
    quiet = int(4 * (right - left) / modules) - 2
    around = page[top - quiet : bottom + quiet, left - quiet : right + quiet].copy()
    around[quiet - 2 : -quiet + 2, quiet - 2 : -quiet + 2] = 255
    assert around.min() > 200


@pytest.mark.parametrize("paper", PAPERS)
def test_pictures_are_true_to_scale_against_each_other(order: Order, paper: str) -> None:
    """International inch (NIST SP 811): 6, 4, 2.5 and 3.5 in are 152.4, 101.6, 63.5, 88.9 mm."""
    blanks = {"6x6in": (152.4, 152.4), "4x4in": (101.6, 101.6), "2.5x3.5in": (63.5, 88.9)}
    for blank, (width, height) in blanks.items():
        job = packed(order, blank, blank)
        out = BytesIO()
        Image.new("L", (round(width * 4), round(height * 4)), 90).save(out, "PNG")
        job.version.film_picture.save("film.png", ContentFile(out.getvalue()))
    data = packing_slip.render(order, paper=paper)
    share = {"letter": 4, "a4": 4, "4x6": 8}[paper]
    expected = [(width / share, height / share) for width, height in blanks.values()]
    found = picture_boxes_mm(data)
    assert len(found) == 3
    for one, other in zip(found, expected, strict=True):
        assert one == pytest.approx(other, abs=0.15)
    said = " ".join(texts(data))
    assert f"drawn at {'an eighth' if share == 8 else 'a quarter'} of true size" in said


@pytest.mark.parametrize("paper", PAPERS)
def test_many_jobs_with_long_names_fill_several_pages_and_nothing_is_lost(
    order: Order, paper: str
) -> None:
    workshop = factories.workshop()
    workshop.name, workshop.address = LONG + " ", "12 Quay\n" + LONG
    workshop.email = "w" * 60 + "@" + "harbour" * 8 + ".example"
    workshop.save()
    order.ship_name = "Wilhelmina-" * 10
    order.ship_line1 = LONG
    order.ship_line2 = "W" * 120
    order.ship_city = order.ship_region = order.ship_country = "M" * 80
    order.save()
    for number in range(24):
        packed(order, f"{LONG} {number:02d}", ("6x6in", "4x4in", "12x12in")[number % 3])
    factories.make_job(order, status="queued")
    parcel = Parcel.objects.create(order=order, carrier="C" * 60, tracking="9" * 80)
    for job in order.jobs.filter(status="packed"):
        ParcelLine.objects.create(parcel=parcel, job=job, count=job.quantity)
    data = packing_slip.render(order, paper=paper, parcel=parcel)
    pages = texts(data)
    assert len(pages) >= 3
    for number, page in enumerate(pages, start=1):
        assert f"Order {order.code}, page {number} of {len(pages)}" in page
    said = letters(" ".join(pages))
    for number in range(24):
        assert letters(f"{LONG} {number:02d}") in said
    for words in (workshop.name, order.ship_name, LONG, "W" * 120, "M" * 160, "Take care"):
        assert letters(words) in said
    assert_nothing_is_cut_off(data)


@pytest.mark.parametrize("paper", PAPERS)
def test_the_fullest_address_there_can_be_stays_on_its_page(order: Order, paper: str) -> None:
    """Every field as long as it may be, in the widest letter; the names are set smaller."""
    workshop = factories.workshop()
    workshop.name = "W" * 120
    workshop.save()
    fields = [field for field in Order._meta.fields if field.name.startswith("ship_")]
    for field in fields:
        setattr(order, field.name, "W" * field.max_length)
    order.save()
    job = packed(order, "W" * 120, quantity=999)
    parcel = Parcel.objects.create(order=order, carrier="W" * 60, tracking="W" * 80)
    ParcelLine.objects.create(parcel=parcel, job=job, count=999)
    data = packing_slip.render(order, paper=paper, parcel=parcel)
    lengths = [field.max_length for field in fields] + [120, 60, 80]
    assert "".join(texts(data)).count("W") >= sum(lengths)
    assert_nothing_is_cut_off(data)


@pytest.mark.parametrize("paper", PAPERS)
def test_slips_of_one_to_nine_jobs_are_whole_too(order: Order, paper: str) -> None:
    """Pages end at other heights each time, and nothing runs into the line at their foot."""
    blanks = ("6x6in", "4x4in", "2.5x3.5in", "a4", "5x7in", "4x4in", "8x8in", "6x6in", "a5")
    for number, blank in enumerate(blanks):
        packed(order, f"Knot {number}", blank, quantity=999)
        if number % 3 == 2:
            factories.make_job(order, status="queued")
        assert_nothing_is_cut_off(packing_slip.render(order, paper=paper))


def assert_nothing_is_cut_off(data: bytes) -> None:
    """Every text lies inside the page's margins, none on another, and no ink at the edges."""
    for (width, height), boxes in zip(page_sizes_mm(data), text_boxes_mm(data), strict=True):
        edge = 4.5
        for left, top, right, bottom in boxes:
            assert left >= edge
            assert top >= edge
            assert right <= width - edge
            assert bottom <= height - edge
        assert overlaps(boxes) == []
    for page, boxes in zip(pictures(data, 254), text_boxes_mm(data), strict=True):
        inner = np.array(page)
        inner[40:-40, 40:-40] = 255  # ten pixels to the millimetre
        assert inner.min() == 255
        foot_mm = min(top for _, top, _, bottom in boxes if bottom > max(b[3] for b in boxes) - 1)
        assert page[round((foot_mm - 0.7) * 10) : round((foot_mm - 0.2) * 10)].min() == 255
