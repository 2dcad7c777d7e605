"""Pictures and files: whose they are, and that a browser never takes them for anything else.

Content types fixed by the server, nosniff and downloads as attachments follow the OWASP File
Upload Cheat Sheet and ASVS 4.0.3, 12.5 and 14.4.
"""

from __future__ import annotations

import pytest
from django.core.files.base import ContentFile
from django.test import Client

from orders.models import Job, Version
from tests import factories

from .conftest import KEY


@pytest.fixture
def version(db: None) -> Version:
    return factories.make_version(visitor=KEY)


def base(version: Version) -> str:
    return f"/drawing/{version.design.token}/v{version.number}"


@pytest.mark.parametrize(
    ("name", "content_type"), [("film.png", "image/png"), ("drawing.jpg", "image/jpeg")]
)
def test_a_picture_has_a_fixed_type_and_may_be_kept(
    visitor: Client, version: Version, name: str, content_type: str
) -> None:
    response = visitor.get(f"{base(version)}/{name}")
    assert b"".join(response.streaming_content)
    assert response.headers["Content-Type"] == content_type
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert response.headers["Cache-Control"] == "private, max-age=31536000, immutable"
    assert "sandbox" in response.headers["Content-Security-Policy"]


def test_the_original_comes_back_byte_for_byte_as_a_download(
    visitor: Client, version: Version
) -> None:
    hostile = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"
    version.upload.file.save("upload", ContentFile(hostile))
    version.upload.name = 'gull".svg'
    version.upload.save()
    response = visitor.get(f"{base(version)}/original")
    assert b"".join(response.streaming_content) == hostile
    assert response.headers["Content-Type"] == "application/octet-stream"
    assert response.headers["Content-Disposition"].startswith("attachment")
    assert response.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("name", ["film.png", "drawing.jpg", "original"])
def test_a_stranger_gets_none_of_them(stranger: Client, version: Version, name: str) -> None:
    assert stranger.get(f"{base(version)}/{name}").status_code == 404


@pytest.mark.parametrize("name", ["stencil.bin", "..%2Fdb", "film.jpg"])
def test_no_other_file_is_handed_out(visitor: Client, version: Version, name: str) -> None:
    assert visitor.get(f"{base(version)}/{name}").status_code == 404


def test_a_picture_that_is_not_made_yet_is_404(visitor: Client) -> None:
    waiting = factories.make_version(visitor=KEY, status="waiting")
    assert visitor.get(f"{base(waiting)}/film.png").status_code == 404


def test_pictures_of_an_order_open_by_its_link_and_of_no_other(stranger: Client) -> None:
    job, other = factories.make_job(), factories.make_job()
    link = f"/order/{job.order.link_token}/job"
    response = stranger.get(f"{link}/{job.code}/film.png")
    assert response.headers["Content-Type"] == "image/png"
    assert b"".join(response.streaming_content)
    assert stranger.get(f"{link}/{other.code}/film.png").status_code == 404


def test_the_slip_opens_the_film_picture_but_not_the_drawing(stranger: Client) -> None:
    job: Job = factories.make_job()
    response = stranger.get(f"/parcel/{job.order.parcel_token}/job/{job.code}/film.png")
    assert response.headers["Content-Type"] == "image/png"
    assert b"".join(response.streaming_content)
    assert stranger.get(f"/order/{job.order.parcel_token}/").status_code == 404
    assert stranger.get(f"{base(job.version)}/original").status_code == 404


@pytest.mark.django_db
def test_a_picture_that_is_kept_for_good_is_asked_for_by_its_version(shop: object) -> None:
    """The version a job is cut from may change, so the address on the page names it."""
    job = factories.make_job(status="received")
    page = Client().get(f"/order/{job.order.link_token}/").content.decode()
    assert f"/job/{job.code}/film.png?v={job.version.number}" in page
    slip_page = Client().get(f"/parcel/{job.order.parcel_token}/").content.decode()
    assert f"/job/{job.code}/film.png?v={job.version.number}" in slip_page
