"""Faults of the machine on a page: one sentence, 503 or 507, and what was there stays."""

from __future__ import annotations

import errno
import json
import smtplib
import sqlite3
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError, ProgrammingError
from django.test import Client
from kombu import Connection
from redis.exceptions import ConnectionError as RedisAwayError

from config.environment import broker, database
from config.patient_cache import PatientFileCache, PatientRedisCache
from config.troubles import AWAY, DISK_FULL, NO_POST, Trouble, trouble_of
from orders.models import Upload
from tests import factories


def of_sqlite(name: str) -> OperationalError:
    cause = sqlite3.OperationalError(name)
    cause.sqlite_errorname = name
    error = OperationalError(name)
    error.__cause__ = cause
    return error


def of_postgresql(cause: Exception) -> OperationalError:
    error = OperationalError(str(cause))
    error.__cause__ = cause
    return error


CASES: list[tuple[Exception, Trouble | None]] = [
    (of_sqlite("SQLITE_BUSY"), AWAY),
    (of_sqlite("SQLITE_IOERR_WRITE"), AWAY),
    (of_sqlite("SQLITE_FULL"), DISK_FULL),
    (of_sqlite("SQLITE_ERROR"), None),  # no such table: a fault of ours
    # PostgreSQL's manual, appendix A, names these
    (of_postgresql(psycopg.errors.DiskFull("no space")), DISK_FULL),
    (of_postgresql(psycopg.errors.LockNotAvailable("lock timeout")), AWAY),
    (of_postgresql(psycopg.errors.AdminShutdown("shutting down")), AWAY),
    (of_postgresql(psycopg.OperationalError("connection refused")), AWAY),
    (of_postgresql(psycopg.errors.UndefinedFunction("no function")), None),
    (ProgrammingError("no such column"), None),
    (OSError(errno.ENOSPC, "No space left on device"), DISK_FULL),
    (OSError(errno.EDQUOT, "Disk quota exceeded"), DISK_FULL),
    (OSError(errno.ENOENT, "No such file"), None),
    (smtplib.SMTPServerDisconnected("gone"), NO_POST),
    (ConnectionRefusedError(111, "refused"), NO_POST),
    (ValueError("x"), None),
]


@pytest.mark.parametrize(("error", "trouble"), CASES, ids=lambda case: str(case)[:40])
def test_what_is_the_machines_fault_and_what_is_ours(
    error: Exception, trouble: Trouble | None
) -> None:
    assert trouble_of(error) is trouble


@pytest.fixture
def sent(db: None, media: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Send a drawing while storing it fails as given."""

    def send(error: Exception, **headers: str) -> Any:
        def broken(*_: object, **__: object) -> str:
            raise error

        monkeypatch.setattr("django.core.files.storage.default_storage.save", broken)
        client = Client(raise_request_exception=False)
        picture = SimpleUploadedFile("gull.png", factories.picture_png(), "image/png")
        form = {"blank": "6x6in", "paper": "same", "drawing": picture}
        return client.post("/upload/", form, headers=headers)

    return send


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (OSError(errno.ENOSPC, "full"), 507, "disk is full, so nothing new can be stored"),
        (of_sqlite("SQLITE_BUSY"), 503, "records cannot be reached just now"),
    ],
)
def test_a_page_says_so_and_when_to_come_again(
    sent: Any, error: Exception, status: int, words: str
) -> None:
    answer = sent(error)
    text = answer.content.decode()
    assert answer.status_code == status
    assert words in text
    assert "What is stored is safe." in text
    assert "Traceback" not in text
    assert answer["Retry-After"] == "15"
    assert answer["Cache-Control"] == "no-store"
    assert not Upload.objects.exists()


def test_a_pages_script_is_told_in_a_sentence(sent: Any) -> None:
    answer = sent(OSError(errno.ENOSPC, "full"), accept="application/json")
    assert answer.status_code == 507
    assert "disk is full" in json.loads(answer.content)["error"]


def test_of_a_file_that_did_not_fit_nothing_is_left(
    db: None, media: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A storage that fails half way leaves half a file under the name that was asked for."""

    def half(name: str, *_: object) -> str:
        path = media / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"half")
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr("django.core.files.storage.default_storage.save", half)
    client = Client(raise_request_exception=False)
    picture = SimpleUploadedFile("gull.png", factories.picture_png(), "image/png")
    client.post("/upload/", {"blank": "6x6in", "paper": "same", "drawing": picture})
    assert [path for path in media.rglob("*") if path.is_file()] == []


class Broken:
    """Stands for a Redis client that reaches nobody."""

    def __getattr__(self, name: str) -> Any:
        raise RedisAwayError("connection refused")


def test_a_cache_that_is_away_is_as_good_as_an_empty_one(monkeypatch: pytest.MonkeyPatch) -> None:
    cache = PatientRedisCache("redis://127.0.0.1:1/0", {})
    monkeypatch.setattr(type(cache), "_cache", Broken())
    assert cache.get("a", "default") == "default"
    cache.set("a", 1)
    assert cache.add("a", 1)
    assert cache.incr("a", 2) == 2
    assert not cache.delete("a")
    assert cache.get_many(["a"]) == {}


def test_a_cache_of_files_on_a_full_disk_keeps_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "full")

    cache = PatientFileCache(str(tmp_path / "cache"), {})
    cache.set("a", 1)
    assert cache.get("a") == 1
    monkeypatch.setattr("tempfile.mkstemp", full)
    cache.set("b", 2)
    assert cache.get("b") is None


def test_a_key_that_is_not_there_is_still_an_error_to_count_on(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not found"):
        PatientFileCache(str(tmp_path), {}).incr("nothing")


def test_a_row_that_somebody_holds_is_waited_for_and_then_told() -> None:
    options = database("postgres://a:b@host/name", Path("none"))["OPTIONS"]
    assert options["options"] == "-c lock_timeout=20s"
    given = database("postgres://a:b@host/name?options=-c%20x%3D1", Path("none"))["OPTIONS"]
    assert given["options"] == "-c x=1"


@pytest.mark.parametrize("left", ["", "[[", "null"])
def test_a_table_of_the_broker_of_files_that_was_cut_off_is_made_anew(
    tmp_path: Path, left: str
) -> None:
    for name in ("queue", "control"):
        (tmp_path / name).mkdir()
    (tmp_path / "control" / "checks.exchange").write_text(left)
    described = broker("", tmp_path)
    with Connection(
        described["url"],
        transport=described["transport"],
        transport_options=described["transport_options"],
    ) as connection:
        queue = connection.SimpleQueue("checks")
        queue.put({"number": 1})
        assert queue.get(timeout=5).payload == {"number": 1}
        queue.close()
    assert [path.name for path in (tmp_path / "control").iterdir()] == ["checks.exchange"]
