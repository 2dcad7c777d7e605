"""The whole path over an S3-compatible store (moto's), and how often pages ask it."""

import io
import tarfile
from pathlib import Path
from typing import Any

import pytest
from botocore.httpsession import URLLib3Session
from django.conf import settings as django_settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from orders import backup, checking, file_check, photos
from orders.demo.drawings import DRAWINGS
from orders.demo.make import CUTTER_EMAIL, make_demo
from orders.file_store import StoreAwayError, store
from orders.models import Event, Job, Person, Upload, Version
from orders.workflow import Actor
from tests import factories
from tests.service.test_backup import empty_here

pytestmark = pytest.mark.django_db(transaction=True)

PHRASE = "a lantern on the mole"


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every request that goes to the store, as "GET /bucket/media/...": its method and path."""
    requests: list[str] = []
    send = URLLib3Session.send

    def noted(session: Any, request: Any) -> Any:
        path = request.url.split("//", 1)[1].split("/", 1)[1]
        requests.append(f"{request.method} /{path}")
        return send(session, request)

    monkeypatch.setattr(URLLib3Session, "send", noted)
    return requests


def bench() -> Client:
    client = Client()
    client.force_login(
        Person.objects.get(email=CUTTER_EMAIL),
        backend="allauth.account.auth_backends.AuthenticationBackend",
    )
    return client


def body(response: Any) -> bytes:
    assert response.status_code == 200, response
    return b"".join(response.streaming_content) if response.streaming else response.content


def test_from_the_upload_to_a_restored_backup(bucket: str, tmp_path: Path) -> None:
    make_demo()
    artist, picture = Client(), DRAWINGS["crab"][2]()
    form = {"blank": "6x6in", "paper": "6x6in", "drawing": SimpleUploadedFile("crab.png", picture)}
    page = artist.post("/upload/", form).headers["Location"]
    version = Version.objects.latest("pk")
    assert checking.look_at(version.pk)
    assert artist.get(page).status_code == 200
    for name in ("film.png", "drawing.jpg"):
        address = reverse("drawing-picture", args=[version.design.token, version.number, name])
        assert len(body(artist.get(address))) > 1000
    version.refresh_from_db()
    assert version.status == "passed"
    with version.upload.file.open() as stored:
        assert stored.read() == picture
    job = Job.objects.filter(status="queued").order_by("pk")[0]
    actor = Actor(Event.Role.WORKSHOP, Person.objects.get(email=CUTTER_EMAIL))
    photos.add_photo(job, SimpleUploadedFile("cut.jpg", factories._jpeg()), actor)

    # nothing lies on this machine
    assert [path for path in Path(django_settings.MEDIA_ROOT).rglob("*") if path.is_file()] == []
    client = bench()
    assert body(client.get(reverse("workshop-job-original", args=[job.code]))).startswith(
        b"\x89PNG"
    )
    own = reverse("drawing-original", args=[version.design.token, version.number])
    assert body(artist.get(own)) == picture
    assert body(client.get(reverse("workshop-job-cut-file", args=[job.code]))).startswith(b"<?xml")
    photo = job.photos.get()
    assert body(client.get(reverse("workshop-job-photo", args=[job.code, photo.pk]))).startswith(
        b"\xff\xd8"
    )
    assert body(client.get(reverse("workshop-order-slip", args=[job.order.code]))).startswith(
        b"%PDF"
    )
    assert file_check.look().faults == []

    archive = tmp_path / "backup.tar.sealed"
    written = backup.write_backup(archive, PHRASE)
    before = {one.name: one.size_bytes for one in store().walk()}
    assert written.files == len(before)
    for name in before:
        store().delete(name)
    brought = backup.restore_backup(archive, replace=True, phrase=PHRASE)
    assert brought == {"rows": written.rows, "files": written.files}
    assert {one.name: one.size_bytes for one in store().walk()} == before
    assert file_check.look().faults == []
    # and a re-check of the stored file gives the verdict it had
    version = Version.objects.get(pk=version.pk)
    again = checking.check_version_file(version)
    assert again.report["verdict"] == "passed"


def test_lists_never_wait_for_the_store(bucket: str, asked: list[str]) -> None:
    make_demo()
    client = bench()
    asked.clear()
    for name in ("workshop-today", "workshop-queue", "workshop-pack", "workshop-sheets"):
        assert client.get(reverse(name)).status_code == 200
        assert asked == [], name
    artist = Client()
    artist.force_login(
        Person.objects.get(email="wren@harbour.example"),
        backend="allauth.account.auth_backends.AuthenticationBackend",
    )
    assert artist.get("/mine/").status_code == 200
    assert asked == []
    code = Job.objects.first().order.code  # type: ignore[union-attr]
    assert client.get(reverse("workshop-order", args=[code])).status_code == 200
    assert asked == []


@pytest.fixture
def photo(bucket: str) -> tuple[Client, str, str]:
    """A photo of a job in the bucket: who may see it, its address, its stored name."""
    job = factories.make_job()
    person = factories.workshop_person()
    file = SimpleUploadedFile("cut.jpg", factories._jpeg())
    photo = photos.add_photo(job, file, Actor(Event.Role.WORKSHOP, person))
    client = Client()
    client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client, reverse("workshop-job-photo", args=[job.code, photo.pk]), photo.file.name


def test_a_picture_is_one_request_and_a_missing_one_is_404(
    photo: tuple[Client, str, str], asked: list[str]
) -> None:
    client, address, name = photo
    asked.clear()
    body(client.get(address))
    bucket = django_settings.STORAGES["default"]["OPTIONS"]["bucket_name"]
    assert asked == [f"GET /{bucket}/media/{name}"]
    store().delete(name)
    assert client.get(address).status_code == 404


def test_a_page_says_when_the_store_is_away(
    photo: tuple[Client, str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    client, address, _ = photo

    def away(*given: Any) -> Any:
        raise StoreAwayError("The store of files does not answer (Test).")

    monkeypatch.setattr("orders.bucket_store.BucketStore._fetch", away)
    answer = client.get(address)
    assert answer.status_code == 503
    assert answer["Retry-After"] == "60"
    assert "does not answer just now" in answer.content.decode()


def test_a_failed_restore_leaves_rows_and_objects(
    bucket: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    factories.make_version()
    archive = tmp_path / "backup.tar"
    backup.write_backup(archive)
    empty_here_all()
    kept = {one.name for one in store().walk()}
    for name in sorted(kept)[:2]:
        store().delete(name)
    before = sorted(one.name for one in store().walk())

    def fail(archive: tarfile.TarFile, put: Any) -> int:
        put(f"files/{'x'}", io.BytesIO(b"x"))
        raise StoreAwayError("The store of files does not answer (Test).")

    monkeypatch.setattr("orders.backup._extract_files", fail)
    with pytest.raises(backup.BackupError, match="Nothing was brought back"):
        backup.restore_backup(archive, replace=True)
    assert sorted(one.name for one in store().walk()) == before
    assert not Upload.objects.exists()


def empty_here_all() -> None:
    Version.objects.all().delete()
    empty_here()
