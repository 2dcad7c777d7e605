"""Where a photograph was taken is shown to nobody but its owner.

The notes are real Exif: place (GPS IFD), maker and comment as CIPA DC-008 (Exif 2.32) has them.
Every address that gives a picture or a file to somebody else is asked, by the table of roles.
"""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import ExifTags, Image, ImageDraw

from orders import checking, messages, photos, quoting, workflow
from orders.drawings import receive_drawing
from orders.models import Event, Version
from orders.workflow import Actor
from tests import factories
from tests.orders.test_page_roles import CUTTER, OTHER, OWNER, ROWS, Row, client_for

pytestmark = pytest.mark.django_db
MAKER = "Quayside Optics 50N4W"
SHOWN_TO_OTHERS = ("image/", "application/", "text/")


def photograph() -> bytes:
    """A drawing of two bars at 300 dpi on a 6 x 6 in paper, with all that a phone notes."""
    image = Image.new("L", (1800, 1800), 255)
    for top in (500, 1000):
        ImageDraw.Draw(image).rectangle((400, top, 1400, top + 60), fill=0)
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = MAKER
    exif[ExifTags.Base.UserComment] = MAKER
    place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    place[1], place[2] = "N", (50.0, 7.0, 30.0)
    place[27] = MAKER.encode()
    out = BytesIO()
    image.save(out, "JPEG", exif=exif.tobytes(), comment=MAKER.encode(), dpi=(300, 300), quality=95)
    return out.getvalue()


def upload(name: str = "quay.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, photograph())


@pytest.fixture
def shown() -> dict[str, Any]:
    """A photographed drawing that was checked, ordered and talked about, all with photographs."""
    factories.workshop()
    factories.price_sheet()
    factories.make_film()
    owner, person = factories.artist_person(), factories.workshop_person()
    wren, cutter = Actor(Event.Role.ARTIST, owner), Actor(Event.Role.WORKSHOP, person)
    version = receive_drawing(upload(), visitor="", owner=owner, blank_code="6x6in", paper_mm=None)
    checking.look_at(version.pk)
    version.refresh_from_db()
    assert version.status == Version.Status.PASSED
    order = factories.make_order(artist=owner)
    factories.make_line(order, version, quantity=1)
    workflow.accept(quoting.make_quote(order, wren), wren)
    job = order.jobs.get()
    photo = photos.add_photo(job, upload(), cutter)
    message = messages.write(order, wren, "Here.", press="1", picture=upload())
    return {
        "design": version.design.token,
        "one": version.number,
        "film": "film.png",
        "part": "film",
        "letter": "letter",
        "link": order.link_token,
        "parcel": order.parcel_token,
        "order": order.code,
        "job": job.code,
        "photo": photo.pk,
        "message": message.pk,
    }


def rows(known: dict[str, Any]) -> list[Row]:
    return [row for row in ROWS if row.method == "get" and set(row.args) <= set(known) and row.args]


def got(client: Client, row: Row, known: dict[str, Any]) -> tuple[str, bytes]:
    response = client.get(reverse(row.name, args=[known[arg] for arg in row.args]))
    streamed = getattr(response, "streaming", False)
    data = b"".join(response.streaming_content) if streamed else response.content  # type: ignore[attr-defined]
    return response.headers.get("Content-Type", ""), data


def test_the_notes_are_there_to_begin_with() -> None:
    assert MAKER.encode() in photograph()
    assert Image.open(BytesIO(photograph())).getexif().get_ifd(ExifTags.IFD.GPSInfo)[1] == "N"


@pytest.mark.parametrize("role", [CUTTER, OTHER])
def test_nobody_else_is_shown_where_a_photograph_was_taken(
    role: str, shown: dict[str, Any]
) -> None:
    client = client_for(role)
    client.get(reverse("order", args=[shown["link"]]))  # who holds the link reads along
    pictures = []
    for row in rows(shown):
        kind, data = got(client, row, shown)
        assert MAKER.encode() not in data, row.name
        if kind.startswith("image/") and "svg" not in kind:
            pictures.append(row.name)
            image = Image.open(BytesIO(data))
            assert dict(image.getexif()) == {}, row.name
            assert not {"exif", "comment", "xmp"} & set(image.info), row.name
    assert len(pictures) >= 7, pictures


def test_the_owner_gets_the_file_as_it_was(shown: dict[str, Any]) -> None:
    client = client_for(OWNER)
    _, data = got(client, next(row for row in ROWS if row.name == "drawing-original"), shown)
    assert data == photograph()


def test_an_orders_link_does_not_open_the_file(shown: dict[str, Any]) -> None:
    client = Client()
    client.get(reverse("order", args=[shown["link"]]))
    assert client.get(reverse("drawing", args=[shown["design"]])).status_code == 200
    response = client.get(reverse("drawing-original", args=[shown["design"], shown["one"]]))
    assert response.status_code == 404
    assert "original" not in client.get(reverse("drawing", args=[shown["design"]])).content.decode()
