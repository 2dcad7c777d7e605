"""Backup and restore: the same rows and files come back, and a faulty archive changes nothing."""

import io
import json
import os
import subprocess
import sys
import tarfile
import threading
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from django.core.files.base import ContentFile
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from orders.backup import BackupError, restore_backup, verify, write_backup
from orders.models import Design, Film, Person, Upload

pytestmark = pytest.mark.django_db(transaction=True)

ROOT = Path(__file__).resolve().parents[2]
JOINED = datetime(2026, 3, 4, 5, 6, 7, 891234, tzinfo=UTC)


@pytest.fixture
def workshop(media: Path) -> Upload:
    """A little of everything that is hard to carry: microseconds, decimals, bytes, non-ASCII."""
    person = Person.objects.create(email="wren@harbour.example", name="Wrén ✎", joined_at=JOINED)
    Film.objects.create(code="backup-film", name="Film", thickness_mm=Decimal("0.1905"))
    design = Design.objects.create(title="Líně knot\n2", owner=person, created_at=JOINED)
    upload = Upload(design=design, name="knot.png", sha256="0" * 64, size_bytes=4)
    upload.file.save("knot", ContentFile(b"\x89\x00\xff\n"), save=False)
    upload.save()
    return upload


def empty_here() -> None:
    Upload.objects.all().delete()
    Design.objects.all().delete()
    Film.objects.all().delete()
    Person.objects.all().delete()


def test_rows_and_files_come_back_as_they_were(workshop: Upload, tmp_path: Path) -> None:
    archive = tmp_path / "backup.tar"
    written = write_backup(archive)
    empty_here()
    workshop.file.storage.delete(workshop.file.name)
    brought = restore_backup(archive)

    assert brought == {"rows": written.rows, "files": written.files}
    assert (written.missing, written.altered) == ([], [])
    upload = Upload.objects.get(pk=workshop.pk)
    assert upload.file.read() == b"\x89\x00\xff\n"
    upload.file.close()
    assert upload.design.title == "Líně knot\n2"
    owner = upload.design.owner
    assert owner is not None
    assert (owner.name, owner.joined_at) == ("Wrén ✎", JOINED)
    assert Film.objects.get(code="backup-film").thickness_mm == Decimal("0.1905")


def test_new_rows_get_free_numbers_after_a_restore(workshop: Upload, tmp_path: Path) -> None:
    write_backup(tmp_path / "backup.tar")
    restore_backup(tmp_path / "backup.tar", replace=True)
    later = Person.objects.create(email="later@harbour.example")
    assert later.pk > Person.objects.get(email="wren@harbour.example").pk


def test_a_backup_sees_one_moment_and_holds_up_no_writer(workshop: Upload, tmp_path: Path) -> None:
    """A writer that begins and commits while the backup reads is neither stopped nor seen."""
    from orders import rows

    done = threading.Event()

    def write_meanwhile() -> None:
        try:
            with transaction.atomic():
                Person.objects.create(email="meanwhile@harbour.example")
            done.set()
        finally:
            connection.close()

    with rows.snapshot():
        assert Person.objects.count() == 1
        writer = threading.Thread(target=write_meanwhile)
        writer.start()
        writer.join(timeout=10)
        assert done.is_set()
        assert Person.objects.count() == 1
    assert Person.objects.count() == 2


def test_an_installation_that_holds_something_is_left_alone(
    workshop: Upload, tmp_path: Path
) -> None:
    write_backup(tmp_path / "backup.tar")
    Person.objects.create(email="new@harbour.example")
    with pytest.raises(BackupError, match="already holds drawings or orders"):
        restore_backup(tmp_path / "backup.tar")
    assert Person.objects.count() == 2


def test_replaced_files_are_kept_beside(workshop: Upload, media: Path, tmp_path: Path) -> None:
    write_backup(tmp_path / "backup.tar")
    (media / "newer").write_bytes(b"newer")
    Person.objects.create(email="new@harbour.example")
    restore_backup(tmp_path / "backup.tar", replace=True)
    assert Person.objects.count() == 1
    assert not (media / "newer").exists()
    (aside,) = media.parent.glob("media-before-*")
    assert (aside / "newer").read_bytes() == b"newer"


def damaged_copies(whole: bytes) -> dict[str, bytes]:
    at = whole.index(b"wren@harbour.example")
    flipped = bytearray(whole)
    flipped[at] ^= 1
    return {
        "one bit": bytes(flipped),
        "cut short": whole[: len(whole) * 2 // 3],
        "empty": b"",
        "text": b"not an archive at all " * 100,
    }


@pytest.mark.parametrize("damage", ["one bit", "cut short", "empty", "text"])
def test_a_damaged_archive_changes_nothing(workshop: Upload, tmp_path: Path, damage: str) -> None:
    whole = tmp_path / "backup.tar"
    write_backup(whole)
    archive = tmp_path / "damaged.tar"
    archive.write_bytes(damaged_copies(whole.read_bytes())[damage])
    with pytest.raises(BackupError, match="damaged"):
        restore_backup(archive, replace=True)
    assert Person.objects.get().name == "Wrén ✎"
    assert workshop.file.storage.exists(workshop.file.name)


@pytest.mark.parametrize("name", ["files/../../outside", "/files/x", "other/x", "files//x"])
def test_names_that_lead_elsewhere_are_refused(tmp_path: Path, name: str) -> None:
    archive = tmp_path / "bad.tar"
    with tarfile.open(archive, "w") as out:
        member = tarfile.TarInfo(name)
        member.size = 1
        out.addfile(member, io.BytesIO(b"x"))
    with pytest.raises(BackupError, match="which no backup has"):
        verify(archive)


def test_a_link_in_an_archive_is_refused(tmp_path: Path) -> None:
    archive = tmp_path / "link.tar"
    with tarfile.open(archive, "w") as out:
        member = tarfile.TarInfo("files/link")
        member.type, member.linkname = tarfile.SYMTYPE, "/etc/passwd"
        out.addfile(member)
    with pytest.raises(BackupError, match="which no backup has"):
        verify(archive)


def test_a_backup_of_another_version_names_the_way(workshop: Upload, tmp_path: Path) -> None:
    made, changed = tmp_path / "backup.tar", tmp_path / "newer.tar"
    write_backup(made)
    with tarfile.open(made) as source, tarfile.open(changed, "w") as out:
        for member in source:
            stream = source.extractfile(member)
            assert stream is not None
            data = stream.read()
            if member.name == "manifest.json":
                manifest = json.loads(data)
                manifest["migrations"].append("orders.9999_from_the_future")
                data = json.dumps(manifest).encode()
                member.size = len(data)
            out.addfile(member, io.BytesIO(data))
    with pytest.raises(BackupError, match=r"a newer version .*orders\.9999_from_the_future"):
        restore_backup(changed, replace=True)


def test_a_fault_on_the_way_leaves_rows_and_files(
    workshop: Upload, media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_backup(tmp_path / "backup.tar")

    def fail(*given: object) -> int:
        raise OSError("the disk is full")

    monkeypatch.setattr("orders.backup._extract_files", fail)
    Person.objects.create(email="new@harbour.example")
    with pytest.raises(OSError, match="disk is full"):
        restore_backup(tmp_path / "backup.tar", replace=True)
    assert Person.objects.count() == 2
    assert workshop.file.storage.exists(workshop.file.name)
    assert [path.name for path in media.parent.glob("media-*")] == []


def test_a_database_that_is_behind_its_code_is_not_backed_up(
    workshop: Upload, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "orders.rows.MigrationExecutor.migration_plan", lambda executor, targets: ["one is due"]
    )
    with pytest.raises(BackupError, match=r"older version .* python3 run\.py setup$"):
        write_backup(tmp_path / "backup.tar")
    assert list(tmp_path.glob("backup*")) == []


def test_the_commands_say_what_came_of_it(
    workshop: Upload, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = tmp_path / "backup.tar"
    call_command("backup", str(archive))
    assert "1 files" in capsys.readouterr().out
    with pytest.raises(CommandError, match="is there already; choose another name"):
        call_command("backup", str(archive))
    with pytest.raises(CommandError, match="There is no file"):
        call_command("restore", str(tmp_path / "nowhere.tar"))
    call_command("restore", str(archive), "--replace")
    assert "Brought back" in capsys.readouterr().out
    assert archive.stat().st_mode & 0o777 == 0o600


def test_an_archive_moves_to_another_database_and_back(workshop: Upload, tmp_path: Path) -> None:
    """From the database under test to a fresh SQLite installation, and from there back here."""
    there = {key: value for key, value in os.environ.items() if key != "DATABASE_URL"}
    there |= {"HOLDFAST_VAR": str(tmp_path / "var"), "DJANGO_SETTINGS_MODULE": "config.settings"}

    def manage_there(*words: str) -> None:
        subprocess.run([sys.executable, "manage.py", *words], env=there, cwd=ROOT, check=True)

    write_backup(tmp_path / "here.tar")
    manage_there("migrate", "--verbosity", "0")
    manage_there("restore", str(tmp_path / "here.tar"))
    manage_there("backup", str(tmp_path / "there.tar"))
    assert verify(tmp_path / "here.tar")["sha256"] == verify(tmp_path / "there.tar")["sha256"]
    empty_here()
    restore_backup(tmp_path / "there.tar")
    upload = Upload.objects.get()
    assert upload.file.read() == b"\x89\x00\xff\n"
    upload.file.close()
    assert Person.objects.get().joined_at == JOINED
