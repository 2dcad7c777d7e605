"""Write database and files into one archive, and bring such an archive back.

The archive is a plain tar: `rows/<table>.jsonl` with one JSON object a row, `files/<name>` with
everything that was uploaded or made, and last `manifest.json` with the SHA-256 of each. It does
not depend on the database nor on where files lie: what was written on SQLite and a folder can be
brought back on PostgreSQL and a bucket. With a pass phrase the whole tar is sealed (sealing.py).

It is consistent while the site runs. The rows come from one read-only snapshot; a file is stored
before the row that names it and never changes, so files copied after the rows are all there.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import re
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import IO, Any

from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections, transaction
from django.utils import timezone

from . import rows
from .file_store import Put, StoreAwayError, store, sum_in
from .sealing import LEAST_PHRASE, PIECE_BYTES, SealedReader, SealedWriter, SealError, is_sealed

SCHEMA = 1
MANIFEST = "manifest.json"
ROWS, FILES = "rows/", "files/"
DATED = re.compile(r"holdfast-\d{4}-\d\d-\d\d-\d{6}\.tar(\.sealed)?")


class BackupError(Exception):
    """A backup cannot be written or brought back; the message is one sentence for a person."""


@dataclass
class Written:
    """What an archive holds, and which files were not as they should be when it was written."""

    rows: int = 0
    files: int = 0
    missing: list[str] = field(default_factory=list)
    altered: list[str] = field(default_factory=list)


def write_backup(target: Path, phrase: str = "") -> Written:
    """Write the archive `target`, sealed if there is a phrase, and return what it holds.

    Raises BackupError if the file is there already or cannot be written; nothing is left then.
    """
    if phrase and len(phrase) < LEAST_PHRASE:
        raise BackupError(f"The pass phrase is too short; take {LEAST_PHRASE} signs or more.")
    if target.exists():
        raise BackupError(f"{target} is there already; choose another name.")
    if rows.migrations_are_due():
        raise BackupError(
            "The database belongs to an older version of Holdfast. Back it up with that version, "
            "or bring it up to date first with: python3 run.py setup"
        )
    partial = target.with_name(f"{target.name}.{os.getpid()}.partial")
    try:
        descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as out:
            with _sealed(out, phrase) as plain, tarfile.open(fileobj=plain, mode="w|") as archive:
                written = _fill(archive)
            out.flush()
            os.fsync(out.fileno())  # before older ones are dropped for it
        partial.replace(target)
    except StoreAwayError as error:
        raise BackupError(f"No backup was written. {error}") from error
    except OSError as error:
        raise BackupError(f"{target} could not be written: {error.strerror}.") from error
    finally:
        partial.unlink(missing_ok=True)
    return written


def write_dated(folder: Path, phrase: str = "", keep: int = 0) -> tuple[Path, Written, int]:
    """Write a backup named by the time into a folder, and drop all but the `keep` newest there.

    keep: 0 drops none. Only files with a name of this function are ever dropped, and only after
    the new one is whole. Returns the new file, what it holds, and how many were dropped.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise BackupError(f"{folder} could not be made: {error.strerror}.") from error
    ending = "tar.sealed" if phrase else "tar"
    target = folder / f"holdfast-{timezone.now():%Y-%m-%d-%H%M%S}.{ending}"
    written = write_backup(target, phrase)
    dated = sorted(path for path in folder.iterdir() if DATED.fullmatch(path.name))
    old = dated[:-keep] if keep else []
    for path in old:
        path.unlink(missing_ok=True)
    return target, written, len(old)


def restore_backup(source: Path, *, replace: bool = False, phrase: str = "") -> dict[str, int]:
    """Bring the archive `source` back and return how many rows and files came.

    Everything is verified before anything is touched. Raises BackupError when the archive is
    damaged, belongs to another version, or when this installation holds something already and
    `replace` was not said; what was here stays as it was. Replaced files are moved aside.
    """
    with opened(source, phrase) as plain:
        manifest = verified(source, plain)
        check_version(manifest, DEFAULT_DB_ALIAS)
        if not replace and rows.holds_something():
            raise BackupError(
                "This installation already holds drawings or orders, so nothing was brought back. "
                "Say --replace to put the backup in their place."
            )
        connection = connections[DEFAULT_DB_ALIAS]
        try:
            with archive_in(plain) as archive, transaction.atomic():
                count = load_rows(source, archive, manifest, DEFAULT_DB_ALIAS)
                connection.check_constraints()  # PostgreSQL would find a fault only at the commit
                with store().replacing() as put:  # last: a fault before leaves the old files
                    files = _extract_files(archive, put)
        except StoreAwayError as error:
            raise BackupError(f"Nothing was brought back. {error}") from error
    return {"rows": count, "files": files}


def verify(source: Path, phrase: str = "") -> dict[str, Any]:
    """Return the manifest after comparing every member with it, or raise BackupError."""
    with opened(source, phrase) as plain:
        return verified(source, plain)


@contextlib.contextmanager
def opened(source: Path, phrase: str = "") -> Iterator[IO[bytes]]:
    """Give the tar in `source`, unsealed where it is sealed; it can be sought in."""
    try:
        raw = source.open("rb")
    except FileNotFoundError:
        raise BackupError(f"There is no file {source}.") from None
    except OSError as error:
        raise BackupError(f"{source} could not be read: {error.strerror}.") from error
    with raw:
        if not is_sealed(raw):
            yield raw
        elif not phrase:
            raise BackupError(f"{source} is sealed behind a pass phrase, and none was given.")
        else:
            try:
                yield io.BufferedReader(SealedReader(raw, phrase), PIECE_BYTES)
            except SealError as error:
                raise BackupError(f"{source} {error}.") from error


def needs_phrase(source: Path) -> bool:
    """Say whether a file is sealed; a file that cannot be read is left for others to complain."""
    try:
        with source.open("rb") as raw:
            return is_sealed(raw)
    except OSError:
        return False


def archive_in(plain: IO[bytes]) -> tarfile.TarFile:
    plain.seek(0)
    return tarfile.open(fileobj=plain, mode="r:")


def verified(source: Path, plain: IO[bytes]) -> dict[str, Any]:
    """Return the manifest of an opened archive after comparing every member with it."""
    found: dict[str, str] = {}
    manifest: dict[str, Any] | None = None
    try:
        with archive_in(plain) as archive:
            for member in archive:
                if not member.isfile() or not _is_plain(member.name):
                    raise BackupError(f"{source} holds {member.name!r}, which no backup has.")
                stream = stream_of(archive, member.name, member)
                if member.name == MANIFEST:
                    manifest = json.load(stream)
                else:
                    found[member.name] = digest_of(stream)
        while plain.read(PIECE_BYTES):  # a sealed one proves its end only by its last piece
            pass
    except (OSError, EOFError, tarfile.TarError, ValueError) as error:
        raise BackupError(f"{source} is damaged or no backup of Holdfast.") from error
    if not isinstance(manifest, dict) or manifest.get("schema") != SCHEMA:
        raise BackupError(f"{source} is damaged or no backup of Holdfast.")
    if manifest.get("sha256") != found:
        raise BackupError(f"{source} is damaged: its contents differ from its checksums.")
    return manifest


def check_version(manifest: dict[str, Any], using: str) -> None:
    """Raise BackupError unless an archive was made by this version."""
    here, there = rows.applied_migrations(connections[using]), manifest.get("migrations", [])
    if here == there:
        return
    unknown = sorted(set(there) - set(here))
    age = "a newer" if unknown else "an older"
    raise BackupError(
        f"This backup was made by {age} version of Holdfast. Bring it back with that version, "
        "then start this one, which carries it over."
        + (f" (Not known here: {', '.join(unknown[:3])}.)" if unknown else "")
    )


def load_rows(source: Path, archive: tarfile.TarFile, manifest: dict[str, Any], using: str) -> int:
    """Put an archive's rows in the place of those in a database; return how many came.

    Raises BackupError where a table is not what the manifest says, or does not fit.
    """
    rows.empty_tables(using)
    noted = manifest.get("rows", {})
    count = 0
    for model in rows.all_models():
        name = model._meta.db_table
        try:
            with stream_of(archive, f"{ROWS}{name}.jsonl") as lines:
                table = rows.read_rows(model, lines, using)
        except (DatabaseError, ValueError, KeyError) as error:
            raise BackupError(f"The rows of {name} in {source} do not fit: {error}") from error
        if noted and noted.get(name) != asdict(table):
            raise BackupError(f"{source} is damaged: {name} does not hold the rows it should.")
        count += table.rows
    rows.reset_numbers(using)
    return count


def stream_of(
    archive: tarfile.TarFile, name: str, member: tarfile.TarInfo | None = None
) -> IO[bytes]:
    """Return a member of an archive to read from."""
    stream = archive.extractfile(member or archive.getmember(name))
    if stream is None:
        raise tarfile.ReadError(f"{name} is no file")
    return stream


def digest_of(stream: IO[bytes]) -> str:
    return hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type]


def files_in(archive: tarfile.TarFile) -> Iterator[tuple[str, tarfile.TarInfo]]:
    """Give each stored file's name in the order of the archive."""
    for member in archive:
        if member.name.startswith(FILES):
            yield member.name.removeprefix(FILES), member


@contextlib.contextmanager
def _sealed(out: IO[bytes], phrase: str) -> Iterator[Any]:
    if not phrase:
        yield out
        return
    writer = SealedWriter(out, phrase)
    yield writer
    writer.close()


def _fill(archive: tarfile.TarFile) -> Written:
    written = Written()
    checksums: dict[str, str] = {}
    tables: dict[str, Any] = {}
    with rows.snapshot() as reader:
        applied = rows.applied_migrations(reader)
        named = {name for name, _ in rows.file_names()}
        for model in rows.all_models():
            with tempfile.TemporaryFile() as lines:
                table = rows.write_rows(model, lines)
                name = f"{ROWS}{model._meta.db_table}.jsonl"
                checksums[name] = _add(archive, name, lines)
                tables[model._meta.db_table] = asdict(table)
                written.rows += table.rows
    files = store()
    for name in sorted(one.name for one in files.walk()):
        # what is being deleted at this moment has no row in the snapshot
        with contextlib.suppress(FileNotFoundError), files.open(name) as stream:
            sha256 = checksums[FILES + name] = _add(archive, FILES + name, stream)
            written.files += 1
            named.discard(name)
            if sum_in(name) not in {"", sha256}:
                written.altered.append(name)
    written.missing = sorted(name for name in named if not files.exists(name))
    manifest = {
        "schema": SCHEMA,
        "made_at": timezone.now().isoformat(),
        "migrations": applied,
        "rows": tables,
        "sha256": checksums,
    }
    _add(archive, MANIFEST, io.BytesIO(json.dumps(manifest, indent=1).encode()))
    return written


def _add(archive: tarfile.TarFile, name: str, stream: Any) -> str:
    """Add the stream under a name and return its SHA-256."""
    stream.seek(0, os.SEEK_END)
    member = tarfile.TarInfo(name)
    member.size, member.mode = stream.tell(), 0o600
    stream.seek(0)
    digest = digest_of(stream)
    stream.seek(0)
    archive.addfile(member, stream)
    return digest


def _extract_files(archive: tarfile.TarFile, put: Put) -> int:
    count = 0
    for name, member in files_in(archive):
        with stream_of(archive, name, member) as stream:
            put(name, stream)
        count += 1
    return count


def _is_plain(name: str) -> bool:
    """Say whether a name stays inside the folder it is unpacked in."""
    parts = name.split("/")
    return name == MANIFEST or (
        name.startswith((ROWS, FILES)) and not {"", ".", ".."} & set(parts) and "\0" not in name
    )
