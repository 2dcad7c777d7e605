"""The store of files, a folder or a bucket: the same words, the same answers."""

import hashlib
import io
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.exceptions import SuspiciousFileOperation
from django.core.files.base import ContentFile
from django.core.files.storage import storages

from config import environment
from orders.file_store import StoreAwayError, named_by_contents, store, sum_in

DATA = b"\x89PNG\x00\r\n" * 1000
SUM = hashlib.sha256(DATA).hexdigest()


def test_a_name_carries_the_checksum_before_its_ending() -> None:
    assert named_by_contents("checks/aB-_9.png", SUM) == f"checks/aB-_9.{SUM}.png"
    assert named_by_contents("uploads/aB-_9", SUM) == f"uploads/aB-_9.{SUM}"
    assert sum_in(f"checks/aB-_9.{SUM}.png") == sum_in(f"uploads/aB-_9.{SUM}") == SUM
    assert sum_in("uploads/aB-_9") == sum_in(f"uploads/{SUM}") == ""


def test_what_is_stored_is_read_back_as_often_as_wanted(place: str) -> None:
    name = store().save("checks/knot.png", ContentFile(DATA))  # type: ignore[attr-defined]
    assert name == f"checks/knot.{SUM}.png"
    stored = store().open(name)
    with stored:
        assert stored.read(10) == DATA[:10]
        assert stored.read() == DATA[10:]
    assert stored.open("rb").read() == DATA
    stored.close()
    assert (store().exists(name), store().size(name)) == (True, len(DATA))
    (one,) = store().walk()
    assert (one.name, one.size_bytes) == (name, len(DATA))
    assert one.modified_at.tzinfo is not None
    store().delete(name)
    store().delete(name)  # twice is once
    assert not store().exists(name)
    with pytest.raises(FileNotFoundError):
        store().open(name)
    with pytest.raises(FileNotFoundError):
        store().size(name)


def test_an_empty_file_and_a_large_one_come_back(place: str) -> None:
    large = bytes(range(256)) * 40_000  # above what is held in memory
    for data in (b"", large):
        name = store().save("uploads/x", ContentFile(data))  # type: ignore[attr-defined]
        with store().open(name) as stored:
            assert stored.read() == data


def test_a_file_put_under_a_name_keeps_just_that_name(place: str) -> None:
    store().put("uploads/of-old", io.BytesIO(b"old"))
    store().put("uploads/of-old", io.BytesIO(DATA))
    with store().open("uploads/of-old") as stored:
        assert stored.read() == DATA
    assert [one.name for one in store().walk()] == ["uploads/of-old"]


def test_names_that_lead_elsewhere_are_refused(place: str) -> None:
    with pytest.raises(SuspiciousFileOperation):
        store().save("../outside", ContentFile(b"x"))  # type: ignore[attr-defined]
    assert list(store().walk()) == []


def test_a_checksum_is_never_cut_short(place: str) -> None:
    with pytest.raises(SuspiciousFileOperation, match="longer than 60 signs"):
        store().save("uploads/x", ContentFile(b"x"), max_length=60)  # type: ignore[attr-defined]


def aside_of(place: str, media: Any) -> dict[str, bytes]:
    """What was moved aside: name -> contents, read without the store's own words."""
    if place == "folder":
        (folder,) = Path(media).parent.glob("media-before-*")
        return {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in folder.rglob("*")
            if path.is_file()
        }
    bucket: Any = storages["default"]
    keys = [one.key for one in bucket.bucket.objects.all() if one.key.startswith("media-before-")]
    client = bucket.connection.meta.client
    return {
        key.split("/", 1)[1]: client.get_object(Bucket=bucket.bucket_name, Key=key)["Body"].read()
        for key in keys
    }


def test_what_is_replaced_is_moved_aside(place: str, settings: Any) -> None:
    store().put("uploads/old", io.BytesIO(b"old"))
    store().put("uploads/both", io.BytesIO(b"both"))
    with store().replacing() as put:
        put("uploads/new", io.BytesIO(b"new"))
        put("uploads/both", io.BytesIO(b"both"))
    assert sorted(one.name for one in store().walk()) == ["uploads/both", "uploads/new"]
    aside = aside_of(place, settings.MEDIA_ROOT)
    assert aside["uploads/old"] == b"old"


def test_what_was_there_stays_when_replacing_fails(place: str) -> None:
    store().put("uploads/old", io.BytesIO(b"old"))

    def begin_and_fail() -> None:
        with store().replacing() as put:
            put("uploads/new", io.BytesIO(b"new"))
            raise OSError("the disk is full")

    with pytest.raises(OSError, match="the disk is full"):
        begin_and_fail()
    assert [one.name for one in store().walk()] == ["uploads/old"]


@pytest.fixture
def nobody(settings: Any) -> Iterator[str]:
    """A store at a port where nobody answers."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        url = f"s3://k:s@127.0.0.1:{held.getsockname()[1]}/stencils?tls=no"
        settings.STORAGES = {**settings.STORAGES, "default": environment.files(url)}
        yield url


@pytest.mark.parametrize("word", ["open", "exists", "size", "delete", "walk", "save"])
def test_a_store_that_does_not_answer_is_told_in_one_sentence(nobody: str, word: str) -> None:
    words: dict[str, Any] = {
        "walk": lambda: list(store().walk()),
        "save": lambda: store().put("uploads/x", io.BytesIO(b"x")),
    }
    with pytest.raises(StoreAwayError, match=r"^The store of files does not answer"):
        words.get(word, lambda: getattr(store(), word)("uploads/x"))()


def test_a_bucket_that_is_not_there_is_told(bucket_server: str, settings: Any) -> None:
    url = f"s3://k:s@{bucket_server}/no-such-bucket?tls=no"
    settings.STORAGES = {**settings.STORAGES, "default": environment.files(url)}
    with pytest.raises(StoreAwayError, match="no bucket of that name"):
        list(store().walk())
    with pytest.raises(StoreAwayError, match="no bucket of that name"):
        store().put("uploads/x", io.BytesIO(b"x"))


def test_one_bucket_may_hold_several_workshops(bucket_url: str, settings: Any) -> None:
    address, _, options = bucket_url.partition("?")
    for folder in ("north", "south"):
        described = environment.files(f"{address}/{folder}?{options}")
        settings.STORAGES = {**settings.STORAGES, "default": described}
        store().put("uploads/x", io.BytesIO(folder.encode()))
        assert [one.size_bytes for one in store().walk()] == [5]
        with store().open("uploads/x") as stored:
            assert stored.read() == folder.encode()
