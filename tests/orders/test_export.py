"""The download: every file of the person, and none of anybody else's."""

from __future__ import annotations

import io
import json
import random
import re
import zipfile
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client

from orders import export
from orders.access import VISITOR
from orders.models import Design, Event, Mail, Order, Person
from tests import factories

pytestmark = pytest.mark.django_db
BACKEND = "allauth.account.auth_backends.AuthenticationBackend"


@pytest.fixture(autouse=True)
def _own_media(media: Path) -> None:
    factories.workshop()


def marked(name: str) -> ContentFile[bytes]:
    """A file that says whose it is."""
    return ContentFile(f"file of {name}".encode())


def a_drawing(name: str, *, owner: Person | None = None, visitor: str = "") -> Design:
    """A drawing whose four files say whose they are."""
    version = factories.make_version(
        factories.make_design(owner=owner, visitor=visitor, title=f"{name}'s ../drawing")
    )
    for number, field in enumerate(("film_picture", "drawing_picture", "stencil")):
        getattr(version, field).save(f"{number}", marked(name))
    version.upload.file.save("upload", marked(name))
    version.upload.name = "../../evil\\tide snail.png"
    version.upload.save()
    return version.design


def an_order(name: str, design: Design, artist: Person, *, visitor: str = "") -> Order:
    """An order with a photo and a message's picture that say whose they are."""
    order = factories.make_order(artist=artist, accepted=True, visitor=visitor)
    job = factories.make_job(order, version=design.latest)
    photo = job.photos.create(by=factories.workshop_person())
    photo.file.save("p", marked(name))
    message = order.messages.create(role=Event.Role.ARTIST, text=f"words of {name}", press="1")
    message.photo.save("m", marked(name))
    return order


def download(client: Client) -> zipfile.ZipFile:
    response = client.get("/mine/data/everything.zip")
    assert response.headers["Content-Type"] == "application/zip"
    data = b"".join(response.streaming_content)  # type: ignore[attr-defined]
    archive = zipfile.ZipFile(io.BytesIO(data))
    assert archive.testzip() is None
    return archive


def stored_files_of(client: Client) -> dict[str, bytes]:
    archive = download(client)
    listed = {name: archive.read(name) for name in archive.namelist()}
    for name in listed:
        assert ".." not in name.split("/"), name
        assert not name.startswith("/"), name
        assert "\\" not in name, name
    return {n: d for n, d in listed.items() if n not in ("data.json", "index.html")}


@pytest.mark.parametrize("seed", range(6))
def test_every_file_of_the_person_and_none_of_others(seed: int) -> None:
    """A property, over random owners: what is in the zip is exactly what is that reader's."""
    rng = random.Random(seed)
    wren, moss = factories.artist_person(), factories.artist_person("moss@harbour.example", "Moss")
    holders: list[tuple[str, Person | None, str]] = [
        ("wren", wren, ""),
        ("wren", wren, "another browser"),
        ("moss", moss, ""),
        ("moss", moss, "this browser"),
        ("visitor", None, "this browser"),
        ("stranger", None, "another browser"),
    ]
    count = {"wren": 0, "moss": 0, "visitor": 0, "stranger": 0}
    for _ in range(rng.randrange(6, 12)):
        name, owner, visitor = rng.choice(holders)
        design = a_drawing(name, owner=owner, visitor=visitor)
        count[name] += 3  # the original, the film, the drawing; the stencil is no picture
        if owner is not None and rng.random() < 0.5:
            an_order(name, design, owner)
            count[name] += 2
    client = Client()
    client.force_login(wren, BACKEND)
    session = client.session
    session[VISITOR] = "this browser"
    session.save()
    files = stored_files_of(client)
    owners = [data.decode().removeprefix("file of ") for data in files.values()]
    assert sorted(owners) == sorted(["wren"] * count["wren"] + ["visitor"] * count["visitor"])


def test_a_visitor_without_an_account_takes_along_what_this_browser_put_in() -> None:
    a_drawing("visitor", visitor="this browser")
    a_drawing("stranger", visitor="another browser")
    client = Client()
    session = client.session
    session[VISITOR] = "this browser"
    session.save()
    files = stored_files_of(client)
    assert set(files.values()) == {b"file of visitor"}
    assert len(files) == 3
    assert stored_files_of(Client()) == {}


def test_the_data_can_be_read_by_programs_and_by_people() -> None:
    wren = factories.artist_person()
    design = a_drawing("wren", owner=wren)
    Design.objects.update(note="For the regatta <b>")
    order = an_order("wren", design, wren)
    Mail.objects.create(to=wren.email, subject="Hello", body="x", status="sent")
    Mail.objects.create(to="moss@harbour.example", subject="Not yours", body="x", status="sent")
    client = Client()
    client.force_login(wren, BACKEND)
    archive = download(client)
    data = json.loads(archive.read("data.json"))
    assert data["person"]["email"] == "wren@harbour.example"
    assert [drawing["note"] for drawing in data["drawings"]] == ["For the regatta <b>"]
    assert data["orders"][0]["code"] == order.code
    assert data["orders"][0]["messages"][0]["text"] == "words of wren"
    assert [letter["subject"] for letter in data["letters"]] == ["Hello"]
    page = archive.read("index.html").decode()
    assert "For the regatta &lt;b&gt;" in page
    linked = set(re.findall(r'(?:href|src)="([^"]+)"', page)) - {"data.json"}
    assert linked == set(archive.namelist()) - {"data.json", "index.html"}


def test_a_link_opened_here_brings_nothing_of_its_owner_into_the_zip() -> None:
    wren = factories.artist_person()
    order = an_order("wren", a_drawing("wren", owner=wren), wren)
    client = Client()
    assert client.get(f"/order/{order.link_token}/").status_code == 200
    assert stored_files_of(client) == {}


def test_a_file_lost_from_the_store_is_named_and_the_rest_goes_on() -> None:
    wren = factories.artist_person()
    design = a_drawing("wren", owner=wren)
    default_storage.delete(design.latest.film_picture.name)
    client = Client()
    client.force_login(wren, BACKEND)
    archive = download(client)
    assert archive.read("missing.txt").decode().endswith("v1-film.png\n")


@pytest.mark.parametrize(
    ("given", "plain"),
    [
        ("tide snail.png", "tide snail.png"),
        ("../../etc/passwd", "passwd"),
        ("..", "drawing"),
        ("a:b*?.png", "a_b_.png"),
        ("", "drawing"),
    ],
)
def test_names_in_the_zip_are_harmless(given: str, plain: str) -> None:
    assert export.plain_name(given) == plain


def test_memory_does_not_grow_with_the_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """No part that is handed on is much larger than one chunk."""
    wren = factories.artist_person()
    design = a_drawing("wren", owner=wren)
    design.latest.upload.file.save("upload", ContentFile(b"x" * 3_000_000))
    everything: Any = export.everything_of(Design.objects.all(), Order.objects.none(), None)
    largest = max(len(part) for part in export.zip_of(everything))
    assert largest < 2 * export.CHUNK_BYTES + 4096
