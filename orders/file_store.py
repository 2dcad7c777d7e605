"""Where stored files lie: a folder, or a bucket of an S3-compatible store. Same words for both.

A file never changes once it is stored, and its name carries its SHA-256:
`uploads/<random>.<64 hex digits>` and what ending it has. So anybody can tell an altered file from
a whole one, without the database. Nothing here is handed out by address.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Protocol, cast

from django.conf import settings
from django.core.exceptions import SuspiciousFileOperation
from django.core.files.base import File
from django.core.files.storage import FileSystemStorage, default_storage
from django.utils.deconstruct import deconstructible

CHUNK_BYTES = 1024 * 1024
_SUM = re.compile(r"\.([0-9a-f]{64})(?:\.\w+)?$")
_ENDING = re.compile(r"(\.\w{1,10})?$")

Put = Callable[[str, IO[bytes]], None]


class StoreAwayError(OSError):
    """The store does not answer or refuses; the message is one sentence."""


@dataclass(frozen=True)
class Stored:
    """One file of a store: its name, bytes, and when it was written."""

    name: str
    size_bytes: int
    modified_at: datetime


class Store(Protocol):
    """What both stores can do beyond Django's own words."""

    def open(self, name: str, mode: str = "rb") -> File[bytes]: ...
    def exists(self, name: str) -> bool: ...
    def delete(self, name: str) -> None: ...
    def size(self, name: str) -> int: ...

    def walk(self) -> Iterator[Stored]:
        """Give every file of the store, in no order. It may take long: never from a page."""

    def put(self, name: str, stream: IO[bytes]) -> None:
        """Store a stream under just this name, whatever was there."""

    def replacing(self) -> AbstractContextManager[Put]:
        """Give a `put` for everything that takes the place of what is here.

        What was here is moved aside at the end, or stays as it was when the block fails.
        """

    @property
    def place(self) -> str:
        """Where it is, in words for a person, without a secret."""


def store() -> Store:
    """Return the store that the settings name."""
    return cast(Store, default_storage)


def sum_in(name: str) -> str:
    """Return the SHA-256 that a stored name carries, or "" for a name from before there was one."""
    found = _SUM.search(name)
    return found.group(1) if found else ""


def named_by_contents(name: str, sha256: str) -> str:
    """Return `name` with the checksum put before its ending."""
    ending = cast(re.Match[str], _ENDING.search(name)).group()
    return f"{name[: len(name) - len(ending)]}.{sha256}{ending}"


class NamedByContents:
    """Puts the SHA-256 of what is stored into its name."""

    def save(self, name: str | None, content: Any, max_length: int | None = None) -> str:
        content = content if hasattr(content, "chunks") else File(content, name)
        digest = hashlib.sha256()
        for chunk in content.chunks():
            digest.update(chunk)
        content.seek(0)
        full = named_by_contents(name or content.name, digest.hexdigest())
        if max_length and len(full) > max_length:  # Django would cut the checksum short
            raise SuspiciousFileOperation(f"The name {full} is longer than {max_length} signs.")
        return str(super().save(full, content, max_length=max_length))  # type: ignore[misc]


@deconstructible(path="orders.file_store.FolderStore")
class FolderStore(NamedByContents, FileSystemStorage):
    """Files in one folder: MEDIA_ROOT, or the `location` given."""

    @property
    def place(self) -> str:
        return str(self.location)

    def walk(self) -> Iterator[Stored]:
        root = Path(self.location)
        for folder, _, names in os.walk(root):
            for name in names:
                path = Path(folder) / name
                with contextlib.suppress(FileNotFoundError):  # deleted at this moment
                    about = path.stat()
                    at = datetime.fromtimestamp(about.st_mtime, UTC)
                    yield Stored(path.relative_to(root).as_posix(), about.st_size, at)

    def put(self, name: str, stream: IO[bytes]) -> None:
        _write(Path(self.path(name)), stream)

    @contextlib.contextmanager
    def replacing(self) -> Iterator[Put]:
        media = Path(self.location)
        media.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f"{media.name}-coming-", dir=media.parent))
        try:
            yield lambda name, stream: _write(staged / name, stream)
            _swap(staged, media)
        finally:
            shutil.rmtree(staged, ignore_errors=True)


def _write(path: Path, stream: IO[bytes]) -> None:
    """Write a file whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as out:
            shutil.copyfileobj(stream, out, CHUNK_BYTES)
        partial.chmod(settings.FILE_UPLOAD_PERMISSIONS)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def _swap(staged: Path, media: Path) -> None:
    """Put the staged folder in place; what was there, if anything, is kept beside it."""
    if media.exists() and any(media.iterdir()):
        media.rename(media.with_name(aside(media.name)))
    elif media.exists():
        media.rmdir()
    staged.chmod(0o755)
    staged.rename(media)


def aside(name: str) -> str:
    return f"{name}-before-{datetime.now(UTC):%Y%m%d-%H%M%S}"
