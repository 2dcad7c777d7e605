"""Backups sealed, dated, rehearsed, and single files put back: on folder and bucket."""

import hashlib
import io
import json
import re
import tarfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db.backends.base.base import BaseDatabaseWrapper

from orders import backup, file_check
from orders.backup import BackupError, restore_backup, verify, write_backup, write_dated
from orders.file_store import store
from orders.models import Person, Upload
from orders.putting_back import put_back
from orders.rehearsal import rehearse
from tests.service.test_backup import JOINED, empty_here
from tests.service.test_file_check import checked_drawing, spoil
from tests.service.test_sealing import read_as_documented

pytestmark = pytest.mark.django_db(transaction=True)

PHRASE = "a cormorant on pile nine"


@pytest.fixture(autouse=True)
def other_databases(transactional_db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a rehearsal open a database beside the test's own, which Django's tests forbid."""

    def ensure_connection(self: BaseDatabaseWrapper) -> None:
        if self.connection is None:
            with self.wrap_database_errors:
                self.connect()

    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", ensure_connection)


@pytest.fixture
def workshop(place: str) -> Upload:
    Person.objects.create(email="wren@harbour.example", name="Wrén ✎", joined_at=JOINED)
    return checked_drawing().upload


def empty_all() -> None:
    for upload in Upload.objects.all():
        upload.versions.all().delete()
    empty_here()


def test_a_sealed_backup_hides_all_and_comes_back(workshop: Upload, tmp_path: Path) -> None:
    sealed, plain = tmp_path / "b.tar.sealed", tmp_path / "b.tar"
    written = write_backup(sealed, PHRASE)
    data = sealed.read_bytes()
    assert b"harbour" not in data
    assert b"manifest" not in data
    # what it holds is the plain archive, opened by the document's steps and Python's tarfile
    plain.write_bytes(read_as_documented(data, PHRASE))
    assert verify(plain)["sha256"] == verify(sealed, PHRASE)["sha256"]
    with tarfile.open(plain) as archive:
        assert archive.getnames()[-1] == "manifest.json"
    empty_all()
    assert restore_backup(sealed, phrase=PHRASE)["rows"] == written.rows
    assert Person.objects.get().name == "Wrén ✎"
    assert file_check.look().faults == []


@pytest.mark.parametrize(
    ("phrase", "told"),
    [("", r"is sealed behind a pass phrase, and none was given\."),
     ("a cormorant on pile ten", r"does not open with this pass phrase\.")],
)  # fmt: skip
def test_without_its_phrase_nothing_is_touched(
    media: Path, tmp_path: Path, phrase: str, told: str
) -> None:
    upload = checked_drawing().upload
    write_backup(tmp_path / "b", PHRASE)
    with pytest.raises(BackupError, match=told):
        restore_backup(tmp_path / "b", replace=True, phrase=phrase)
    with pytest.raises(BackupError, match=told):
        rehearse(tmp_path / "b", phrase)
    assert Upload.objects.get() == upload
    assert file_check.look().faults == []


def test_a_sealed_backup_cut_short_changes_nothing(media: Path, tmp_path: Path) -> None:
    checked_drawing()
    whole = tmp_path / "b"
    write_backup(whole, PHRASE)
    whole.write_bytes(whole.read_bytes()[:-20])
    with pytest.raises(BackupError, match="is damaged"):
        restore_backup(whole, replace=True, phrase=PHRASE)
    assert Upload.objects.count() == 1
    assert file_check.look().faults == []


def test_a_short_phrase_is_refused(media: Path, tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="10 signs or more"):
        write_backup(tmp_path / "b", "tide")
    assert list(tmp_path.glob("b*")) == []


def test_a_rehearsal_loads_every_row_and_touches_nothing(
    workshop: Upload, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive, secret = tmp_path / "b.tar", tmp_path / "phrase"
    secret.write_text(f"{PHRASE}\n")
    call_command("backup", str(archive), "--passphrase-file", str(secret))
    rows = int(re.findall(r"holds (\d+) rows", capsys.readouterr().out)[0])
    Person.objects.create(email="later@harbour.example")
    call_command("backup", str(archive), "--check", "--passphrase-file", str(secret))
    assert f"is whole: {rows} rows came back as they were written" in capsys.readouterr().out
    assert Person.objects.filter(email="later@harbour.example").exists()


def altered_rows(source: Path, target: Path, change: Any) -> None:
    """Write an archive whose checksums fit, with rows of people changed: a careful forgery."""
    with tarfile.open(source) as old, tarfile.open(target, "w") as new:
        sums: dict[str, str] = {}
        for member in old:
            stream = old.extractfile(member)
            assert stream is not None
            data = stream.read()
            if member.name == "rows/orders_person.jsonl":
                data = change(data)
            if member.name == "manifest.json":
                manifest = json.loads(data)
                manifest["sha256"] |= sums
                data = json.dumps(manifest).encode()
            if member.name == "rows/orders_person.jsonl":
                sums[member.name] = hashlib.sha256(data).hexdigest()
            member.size = len(data)
            new.addfile(member, io.BytesIO(data))


def test_a_table_with_a_row_too_few_is_noticed(media: Path, tmp_path: Path) -> None:
    Person.objects.create(email="a@harbour.example")
    Person.objects.create(email="b@harbour.example")
    write_backup(tmp_path / "whole")
    altered_rows(tmp_path / "whole", tmp_path / "less", lambda data: data.splitlines(True)[0])
    verify(tmp_path / "less")  # its checksums fit
    with pytest.raises(BackupError, match="orders_person does not hold the rows it should"):
        rehearse(tmp_path / "less")
    with pytest.raises(BackupError, match="orders_person does not hold the rows it should"):
        restore_backup(tmp_path / "less", replace=True)
    assert Person.objects.count() == 2


def test_a_backup_says_what_was_missing_or_altered_before_it(
    workshop: Upload, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    version = workshop.versions.get()
    store().delete(version.stencil.name)
    spoil(version.film_picture.name, b"spoilt")
    call_command("backup", str(tmp_path / "b"))
    assert "2 stored files were missing or altered before this backup" in capsys.readouterr().err
    with pytest.raises(BackupError, match="1 files were missing when it was written"):
        rehearse(tmp_path / "b")


def test_single_files_are_put_back_and_no_row_is_touched(
    workshop: Upload, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    version = workshop.versions.get()
    write_backup(tmp_path / "b")
    Person.objects.create(email="later@harbour.example")
    store().delete(version.stencil.name)
    spoil(version.film_picture.name, b"spoilt")
    call_command("restore", str(tmp_path / "b"), "--files-only")
    assert "Put back 2 files." in capsys.readouterr().out
    assert file_check.look().faults == []
    assert Person.objects.filter(email="later@harbour.example").exists()


def test_a_file_that_the_backup_has_not_whole_is_left_and_told(media: Path, tmp_path: Path) -> None:
    version = checked_drawing()
    spoil(version.film_picture.name, b"spoilt")
    write_backup(tmp_path / "b")
    back, left = put_back(tmp_path / "b")
    assert (back, [fault.name for fault in left]) == ([], [version.film_picture.name])
    with pytest.raises(CommandError, match="does not hold 1 of them; try an older backup"):
        call_command("restore", str(tmp_path / "b"), "--files-only")


def test_dated_backups_are_kept_so_many_and_nothing_else_is_dropped(
    media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "kept"
    for name in ("holdfast-2026-01-01.tar", "notes.txt", "holdfast-2026-01-01-000000.tar.gz"):
        folder.mkdir(exist_ok=True)
        (folder / name).write_text("mine")
    start = datetime(2026, 3, 28, 23, 30, tzinfo=UTC)
    names = []
    for day in range(4):
        monkeypatch.setattr(
            "orders.backup.timezone.now", lambda day=day: start + timedelta(days=day)
        )
        target, _, dropped = write_dated(folder, keep=2)
        names.append(target.name)
        assert dropped == (1 if day >= 2 else 0)
    assert names[0] == "holdfast-2026-03-28-233000.tar"
    assert {path.name for path in folder.iterdir()} == {
        *names[2:],
        "holdfast-2026-01-01.tar",
        "notes.txt",
        "holdfast-2026-01-01-000000.tar.gz",
    }


def test_a_dated_backup_that_fails_drops_none(
    media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, _, _ = write_dated(tmp_path / "kept", keep=1)

    def fail(archive: tarfile.TarFile) -> backup.Written:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("orders.backup._fill", fail)
    monkeypatch.setattr("orders.backup.timezone.now", lambda: datetime(2030, 1, 1, tzinfo=UTC))
    with pytest.raises(BackupError, match="No space left on device"):
        write_dated(tmp_path / "kept", keep=1)
    assert [path.name for path in (tmp_path / "kept").iterdir()] == [first.name]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "Say either a file or --into and a folder"),
        (("b", "--into", "x"), "Say either a file or --into and a folder"),
        (("b", "--keep", "3"), "--keep is 1 or more, and goes with --into"),
        (("--into", "x", "--check"), "--check looks at one file"),
        (("b", "--encrypt"), "There is no terminal to ask for the pass phrase"),
        (("b", "--passphrase-file", "/nowhere"), "could not be read for the pass phrase"),
    ],
)
def test_words_that_make_no_sense_are_told(
    media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: Any, told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("orders.management.phrase.sys.stdin", io.StringIO())
    with pytest.raises(CommandError, match=re.escape(told)):
        call_command("backup", *words)
    assert list(tmp_path.glob("b*")) == []


def test_the_phrase_is_asked_twice_and_both_have_to_be_the_same(
    media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal:
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("orders.management.phrase.sys.stdin", Terminal())
    answers = iter([PHRASE, "another phrase", PHRASE, PHRASE, PHRASE])
    monkeypatch.setattr("orders.management.phrase.getpass.getpass", lambda asked: next(answers))
    with pytest.raises(CommandError, match="The two are not the same"):
        call_command("backup", str(tmp_path / "b"), "--encrypt")
    call_command("backup", str(tmp_path / "b"), "--encrypt")
    call_command("restore", str(tmp_path / "b"), "--replace")


def test_no_process_list_shows_a_phrase() -> None:
    """There is no word of the command line that takes one."""
    from orders.management.commands.backup import Command

    helped = Command().create_parser("manage.py", "backup").format_help()
    assert "--passphrase-file FILE" in helped
    assert not re.search(r"--pass(?!phrase-file)", helped)
