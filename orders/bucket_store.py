"""Stored files in a bucket of an S3-compatible store."""

from __future__ import annotations

import contextlib
import functools
import shutil
import tempfile
from collections.abc import Callable, Iterator
from typing import IO, Any, ParamSpec, Self, TypeVar, cast

from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError, IncompleteReadError
from django.core.files.base import File
from django.utils.deconstruct import deconstructible
from storages.backends.s3 import S3Storage

from .file_store import CHUNK_BYTES, NamedByContents, Put, StoreAwayError, Stored, aside

IN_MEMORY_BYTES = 4 * 1024 * 1024

Given = ParamSpec("Given")
Answer = TypeVar("Answer")


def _told_plainly(method: Callable[Given, Answer]) -> Callable[Given, Answer]:
    """Turn whatever the store's library raises into FileNotFoundError or StoreAwayError."""

    @functools.wraps(method)
    def told(*given: Given.args, **named: Given.kwargs) -> Answer:
        try:
            return method(*given, **named)
        except ClientError as error:
            answer = error.response.get("Error", {}).get("Code", "")
            if answer in {"404", "NoSuchKey", "NotFound"}:
                raise FileNotFoundError("The store has no such file.") from error
            if answer == "NoSuchBucket":
                raise StoreAwayError("The store of files has no bucket of that name.") from error
            raise StoreAwayError(f"The store of files refuses: {answer}.") from error
        except BotoCoreError as error:
            name = type(error).__name__
            raise StoreAwayError(f"The store of files does not answer ({name}).") from error

    return told


class _Copy(File):
    """A copy of a stored object; opened again after it was closed, it is fetched again."""

    def __init__(self, name: str, copy_of: Callable[[str], IO[bytes]]) -> None:
        super().__init__(copy_of(name), name)
        self._copy_of = copy_of

    def open(self, mode: str | None = None, *args: Any, **named: Any) -> Self:
        if self.closed:
            self.file = self._copy_of(str(self.name))
        self.seek(0)
        return self


@deconstructible(path="orders.bucket_store.BucketStore")
class BucketStore(NamedByContents, S3Storage):
    """Files in a bucket, under `location`; private, one request for each file read.

    Raises StoreAwayError, an OSError as a full disk is one, when the store cannot be used.
    """

    def __init__(self, **options: Any) -> None:
        options["client_config"] = Config(
            signature_version="s3v4",
            s3={"addressing_style": options.pop("addressing_style", "path")},
            connect_timeout=4,
            read_timeout=30,
            retries={"mode": "standard", "total_max_attempts": 2},
            # newer checksums are not understood by every compatible store
            request_checksum_calculation="when_required",
            response_checksum_validation="when_required",
        )
        super().__init__(
            **options,
            querystring_auth=False,
            default_acl=None,
            file_overwrite=True,  # names are random: asking first whether one is taken is a request
            max_memory_size=IN_MEMORY_BYTES,
        )

    @property
    def bucket(self) -> Any:
        """The bucket for this thread: boto3's resources are not to be shared."""
        return self.connection.Bucket(self.bucket_name)

    @property
    def place(self) -> str:
        return f"the bucket {self.bucket_name} at {self.endpoint_url}"

    @_told_plainly
    def _open(self, name: str, mode: str = "rb") -> File[bytes]:
        if mode != "rb":
            raise ValueError("A stored file is only read; it never changes.")
        return _Copy(name, self.copy_of)

    @_told_plainly
    def copy_of(self, name: str) -> IO[bytes]:
        """Return an open copy of an object, in memory or in a temporary file."""
        copy = tempfile.SpooledTemporaryFile(IN_MEMORY_BYTES)  # noqa: SIM115 (handed out open)
        try:
            self._fetch(name, copy)
        except BaseException:
            copy.close()
            raise
        return cast(IO[bytes], copy)

    def _fetch(self, name: str, out: Any) -> None:
        """Copy an object into `out`, once more from the start where its stream broke off."""
        client, key = self.connection.meta.client, self._key(name)
        for is_last in (False, True):
            try:
                body = client.get_object(Bucket=self.bucket_name, Key=key)["Body"]
                shutil.copyfileobj(body, out, CHUNK_BYTES)
            except (IncompleteReadError, OSError, BotoCoreError):
                if is_last:
                    raise
                out.seek(0)
                out.truncate()
            else:
                out.seek(0)
                return

    def _key(self, name: str) -> str:
        return str(self._normalize_name(name))

    @_told_plainly
    def _save(self, name: str, content: Any) -> str:
        return str(super()._save(name, content))

    @_told_plainly
    def delete(self, name: str) -> None:
        super().delete(name)

    @_told_plainly
    def exists(self, name: str) -> bool:
        return bool(super().exists(name))

    @_told_plainly
    def size(self, name: str) -> int:
        return int(super().size(name))

    def walk(self) -> Iterator[Stored]:
        pages = iter(self._pages())
        while (page := self._next(pages)) is not None:
            for entry in page.get("Contents", ()):
                name = entry["Key"].removeprefix(f"{self.location}/")
                yield Stored(name, entry["Size"], entry["LastModified"])

    def _pages(self) -> Any:
        paginator = self.connection.meta.client.get_paginator("list_objects_v2")
        return paginator.paginate(Bucket=self.bucket_name, Prefix=f"{self.location}/")

    @_told_plainly
    def _next(self, pages: Iterator[Any]) -> Any:
        return next(pages, None)

    def put(self, name: str, stream: IO[bytes]) -> None:
        self._save(name, File(stream, name))

    @contextlib.contextmanager
    def replacing(self) -> Iterator[Put]:
        before, came = {one.name for one in self.walk()}, set[str]()

        def put(name: str, stream: IO[bytes]) -> None:
            came.add(name)
            self.put(name, stream)

        try:
            yield put
        except BaseException:
            for name in came - before:
                with contextlib.suppress(OSError):
                    self.delete(name)
            raise
        folder = aside(self.location)
        for name in sorted(before - came):
            self._move_aside(name, folder)

    @_told_plainly
    def _move_aside(self, name: str, folder: str) -> None:
        source = {"Bucket": self.bucket_name, "Key": self._key(name)}
        client = self.connection.meta.client
        client.copy(source, self.bucket_name, f"{folder}/{name}")
        client.delete_object(Bucket=self.bucket_name, Key=self._key(name))
