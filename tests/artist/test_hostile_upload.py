"""Hostile files by the page that takes drawings: taken in as bytes, told in a sentence."""

from __future__ import annotations

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from orders.checking import look_at
from orders.models import Version
from tests.geometry.hostile import FILES

pytestmark = pytest.mark.django_db

SAMPLE = (
    *("png-size-of-a-continent.png", "jpg-cut-at-30%.jpg", "tif-pages-in-a-ring.tif"),
    *("gif-no-frame.gif", "webp-cut-at-half.webp", "heic-cut-at-half.heic", "program.png"),
    *("svg-a-file-of-this-machine.svg", "pdf-only-its-name.pdf"),
)


@pytest.mark.parametrize("name", SAMPLE)
def test_a_hostile_file_is_told_on_its_page_in_a_sentence(name: str, client: Client) -> None:
    data, may_come = FILES[name]
    file = SimpleUploadedFile(f"../../etc/<b>{name}", data, "text/html")
    form = {"blank": "6x6in", "paper": "6x6in", "drawing": file}
    answer = client.post("/upload/", form)
    assert answer.status_code == 302
    version = Version.objects.get()
    assert look_at(version.pk)
    version.refresh_from_db()
    assert version.status == "unreadable"
    assert version.report is not None
    assert version.report["error"]["code"] in may_come
    page = client.get(answer["Location"])
    assert page.status_code == 200
    told = page.content.decode()
    assert "Traceback" not in told
    assert "/etc/" not in told
    assert "<b>" + name not in told
    assert "root:" not in told
