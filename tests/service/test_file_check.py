"""The look at every stored file: missing, altered and unknown ones are found, whole ones not."""

import hashlib
import io
import json
import os
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.utils import timezone

from orders import file_check, nightly
from orders.file_store import StoreAwayError, store
from orders.models import Design, FileLook, Upload, Version
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def version(place: str) -> Version:
    """A checked drawing with its upload, its pictures and its stencil."""
    return checked_drawing()


def checked_drawing() -> Version:
    version = factories.make_version(status="passed")
    data = read(version.upload.file.name)
    version.upload.sha256 = hashlib.sha256(data).hexdigest()
    version.upload.size_bytes = len(data)
    version.upload.save()
    return version


def spoil(name: str, data: bytes) -> None:
    store().put(name, io.BytesIO(data))


def read(name: str) -> bytes:
    with store().open(name) as stored:
        return stored.read()


def faults() -> set[tuple[str, str]]:
    return {(fault.kind, fault.name) for fault in file_check.look().faults}


def test_whole_files_have_no_fault(version: Version) -> None:
    found = file_check.look()
    stored = list(store().walk())
    assert found.faults == []
    assert found.files == len(stored) >= 3
    assert found.size_bytes == sum(one.size_bytes for one in stored)
    assert found.unproved == 0


def test_a_missing_file_is_told_with_what_names_it(version: Version) -> None:
    name = version.stencil.name
    default_storage.delete(name)
    (fault,) = file_check.look().faults
    assert (fault.kind, fault.name) == ("missing", name)
    assert fault.named_by == f"version {version.pk}"
    assert "python3 run.py restore BACKUP --files-only" in file_check.sentence(fault)


@pytest.mark.parametrize("kind", ["film_picture", "drawing_picture", "stencil", "upload"])
def test_one_altered_bit_of_any_kind_of_file_is_found(version: Version, kind: str) -> None:
    name = version.upload.file.name if kind == "upload" else getattr(version, kind).name
    if not name:
        pytest.fail(f"the drawing has no {kind}")
    data = bytearray(read(name))
    data[len(data) // 2] ^= 1
    spoil(name, bytes(data))
    assert faults() == {("altered", name)}


def test_a_file_cut_short_is_altered(version: Version) -> None:
    name = version.upload.file.name
    spoil(name, read(name)[:-1])
    assert faults() == {("altered", name)}


def test_an_upload_from_before_names_had_checksums_is_known_by_its_row(version: Version) -> None:
    upload = version.upload
    data = read(upload.file.name)
    spoil("uploads/of-old", data)
    default_storage.delete(upload.file.name)
    Upload.objects.filter(pk=upload.pk).update(file="uploads/of-old")
    assert faults() == set()
    spoil("uploads/of-old", data[:-1] + bytes([data[-1] ^ 1]))
    assert faults() == {("altered", "uploads/of-old")}


def test_a_picture_from_before_is_counted_as_not_proved(version: Version) -> None:
    spoil("checks/of-old.png", b"old")
    Version.objects.filter(pk=version.pk).update(film_picture="checks/of-old.png")
    default_storage.delete(version.film_picture.name)
    found = file_check.look()
    assert (found.faults, found.unproved) == ([], 1)


def test_what_no_row_names_is_told_once_it_is_a_day_old(media: Path) -> None:
    design = Design.objects.create(title="x")
    name = default_storage.save("uploads/lost", ContentFile(b"lost"))
    assert faults() == set()
    before = time.time() - 25 * 3600
    os.utime(media / name, (before, before))
    assert faults() == {("unknown", name)}
    Upload.objects.create(design=design, file=name, name="x", sha256="", size_bytes=4)
    assert faults() == set()


def test_a_file_erased_while_it_is_looked_at_is_no_fault(
    version: Version, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = file_check._wanted()
    monkeypatch.setattr(file_check, "_wanted", lambda: wanted)
    default_storage.delete(version.film_picture.name)
    Version.objects.filter(pk=version.pk).update(film_picture="")
    assert faults() == set()


def test_the_last_look_is_kept_for_pages(media: Path) -> None:
    assert file_check.last_look() is None
    version = checked_drawing()
    FileLook.objects.create()  # one that was broken off
    default_storage.delete(version.stencil.name)
    file_check.look_and_note()
    last = file_check.last_look()
    assert last is not None
    assert (last.missing, last.altered, last.unknown, last.is_good) == (1, 0, 0, False)
    assert last.faults == [["missing", version.stencil.name, f"version {version.pk}"]]


def test_old_looks_are_dropped(media: Path) -> None:
    for _ in range(file_check.LOOKS_KEPT + 5):
        FileLook.objects.create(ended_at=timezone.now())
    file_check.look_and_note()
    assert FileLook.objects.count() == file_check.LOOKS_KEPT


def test_a_store_that_is_away_is_no_loss_of_files(
    media: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away() -> Any:
        raise StoreAwayError("The store of files does not answer (Test).")

    monkeypatch.setattr(file_check, "look", lambda progress: away())
    with pytest.raises(CommandError, match="does not answer") as told:
        call_command("check_files")
    assert told.value.returncode == 2
    last = file_check.last_look()
    assert last is not None
    assert (last.missing, last.is_good) == (0, False)
    assert "does not answer" in last.failure


def test_the_command_lists_each_and_ends_with_1(
    version: Version, capsys: pytest.CaptureFixture[str]
) -> None:
    call_command("check_files")
    assert "0 missing, 0 altered, 0 that no row names." in capsys.readouterr().out
    default_storage.delete(version.stencil.name)
    with pytest.raises(SystemExit) as left:
        call_command("check_files")
    assert left.value.code == 1
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith(f"missing    {version.stencil.name}  (version {version.pk})")
    assert "1 missing, 0 altered" in told[-1]
    with pytest.raises(SystemExit):
        call_command("check_files", "--json")
    answer = json.loads(capsys.readouterr().out)
    assert (answer["schema"], answer["missing"], answer["altered"]) == (1, 1, 0)
    assert answer["faults"][0]["name"] == version.stencil.name


HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("hour", "age", "due"),
    [(3, None, True), (3, 21, True), (3, 2, False), (15, None, False), (15, 30, False),
     (15, 51, True)],
)  # fmt: skip
def test_it_is_due_at_night_or_when_it_is_long_ago(
    hour: int, age: int | None, due: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = timezone.localtime().replace(hour=hour)
    if age is not None:
        FileLook.objects.create(begun_at=now - age * HOUR, ended_at=now - age * HOUR)
    monkeypatch.setattr("orders.nightly.timezone.now", lambda: now)
    assert nightly.is_due() is due


def test_the_sweep_starts_it_when_it_is_due_and_not_a_second_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    started: list[int] = []
    now = [1000.0]
    monkeypatch.setattr("orders.nightly.time.monotonic", lambda: now[0])
    monkeypatch.setattr("orders.nightly.is_due", lambda: True)

    class Child:
        returncode: int | None = None

        def __init__(self, *given: Any, **named: Any) -> None:
            started.append(1)

        def poll(self) -> int | None:
            return self.returncode

    monkeypatch.setattr("orders.nightly.subprocess.Popen", Child)
    night = nightly.Nightly()
    night.look()
    assert started == []  # a start is busy enough
    now[0] += nightly.NOT_BEFORE_SECONDS + 1
    night.look()
    now[0] += 100
    night.look()
    assert len(started) == 1
    assert night._child is not None
    night._child.returncode = 0
    night.look()
    assert len(started) == 2


def test_the_sweep_outlives_a_store_that_is_away(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rounds: list[int] = []

    def sweep(**_: Any) -> None:
        rounds.append(1)
        if len(rounds) == 2:
            raise SystemExit

    def look(*_: Any) -> None:
        raise StoreAwayError("The store of files does not answer (Test).")

    monkeypatch.setattr("orders.management.commands.sweep.signal.signal", lambda *given: None)
    monkeypatch.setattr("orders.management.commands.sweep.tasks.sweep", sweep)
    monkeypatch.setattr("orders.management.commands.sweep.Nightly.look", look)
    with pytest.raises(SystemExit):
        call_command("sweep", every=0.01)
    assert len(rounds) == 2
