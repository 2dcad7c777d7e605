"""Write database and files into one archive, and bring such an archive back.

The archive is a plain tar: `rows/<table>.jsonl` with one JSON object a row, `files/<name>` with
everything that was uploaded or made, and last `manifest.json` with the SHA-256 of each. It does
not depend on the database: what was written on SQLite can be brought back on PostgreSQL.

It is consistent while the site runs. The rows come from one read-only snapshot; a file is stored
before the row that names it and never changes, so files copied after the rows are all there.
"""

from __future__ import annotations

import base64
import contextlib
import datetime
import hashlib
import io
import json
import os
import shutil
import tarfile
import tempfile
import uuid
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

from django.apps import apps
from django.conf import settings
from django.core.management.color import no_style
from django.db import DEFAULT_DB_ALIAS, connection, connections, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone
from django.utils.dateparse import parse_duration
from django.utils.duration import duration_iso_string

SCHEMA = 1
MANIFEST = "manifest.json"
ROWS, FILES = "rows/", "files/"
BATCH_ROWS = 500
CHUNK_BYTES = 1024 * 1024


class BackupError(Exception):
    """A backup cannot be written or brought back; the message is one sentence for a person."""


def write_backup(target: Path) -> dict[str, int]:
    """Write the archive `target` and return how many rows and files it holds.

    Raises BackupError if the file is there already or cannot be written; nothing is left then.
    """
    if target.exists():
        raise BackupError(f"{target} is there already; choose another name.")
    if _migrations_are_due():
        raise BackupError(
            "The database belongs to an older version of Holdfast. Back it up with that version, "
            "or bring it up to date first with: python3 run.py setup"
        )
    partial = target.with_name(f"{target.name}.{os.getpid()}.partial")
    try:
        descriptor = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as out, tarfile.open(fileobj=out, mode="w") as archive:
            counts = _fill(archive)
        partial.replace(target)
    except OSError as error:
        raise BackupError(f"{target} could not be written: {error.strerror}.") from error
    finally:
        partial.unlink(missing_ok=True)
    return counts


def restore_backup(source: Path, *, replace: bool = False) -> dict[str, int]:
    """Bring the archive `source` back and return how many rows and files came.

    Everything is verified before anything is touched. Raises BackupError when the archive is
    damaged, belongs to another version, or when this installation holds something already and
    `replace` was not said; what was here stays as it was. Replaced files are moved aside.
    """
    manifest = verify(source)
    _check_version(manifest)
    if not replace and _holds_something():
        raise BackupError(
            "This installation already holds drawings or orders, so nothing was brought back. "
            "Say --replace to put the backup in their place."
        )
    media = Path(settings.MEDIA_ROOT)
    staged = Path(tempfile.mkdtemp(prefix="media-coming-", dir=media.parent))
    try:
        with tarfile.open(source) as archive, transaction.atomic():
            rows = _load_rows(archive)
            files = _extract_files(archive, staged)
            connection.check_constraints()  # PostgreSQL would find a fault only at the commit
            _swap(staged, media)  # last, so that a fault before leaves the old files in place
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return {"rows": rows, "files": files}


def verify(source: Path) -> dict[str, Any]:
    """Return the manifest after comparing every member with it, or raise BackupError."""
    found: dict[str, str] = {}
    manifest: dict[str, Any] | None = None
    try:
        with tarfile.open(source) as archive:
            for member in archive:
                if not member.isfile() or not _is_plain(member.name):
                    raise BackupError(f"{source} holds {member.name!r}, which no backup has.")
                stream = _stream(archive, member)
                if member.name == MANIFEST:
                    manifest = json.load(stream)
                else:
                    found[member.name] = _digest(stream)
    except FileNotFoundError:
        raise BackupError(f"There is no file {source}.") from None
    except (OSError, EOFError, tarfile.TarError, ValueError) as error:
        raise BackupError(f"{source} is damaged or no backup of Holdfast.") from error
    if not isinstance(manifest, dict) or manifest.get("schema") != SCHEMA:
        raise BackupError(f"{source} is damaged or no backup of Holdfast.")
    if manifest.get("sha256") != found:
        raise BackupError(f"{source} is damaged: its contents differ from its checksums.")
    return manifest


# writing


def _fill(archive: tarfile.TarFile) -> dict[str, int]:
    checksums: dict[str, str] = {}
    row_count = file_count = 0
    with snapshot() as reader:
        applied = _applied_migrations(reader)
        for model in _models():
            with tempfile.TemporaryFile() as lines:
                row_count += _write_rows(model, lines)
                name = f"{ROWS}{model._meta.db_table}.jsonl"
                checksums[name] = _add(archive, name, lines)
    media = Path(settings.MEDIA_ROOT)
    for path in sorted(path for path in media.rglob("*") if path.is_file()):
        # what is being deleted at this moment has no row in the snapshot
        with contextlib.suppress(FileNotFoundError), path.open("rb") as stream:
            name = FILES + path.relative_to(media).as_posix()
            checksums[name] = _add(archive, name, stream)
            file_count += 1
    manifest = {
        "schema": SCHEMA,
        "made_at": timezone.now().isoformat(),
        "migrations": applied,
        "sha256": checksums,
    }
    _add(archive, MANIFEST, io.BytesIO(json.dumps(manifest, indent=1).encode()))
    return {"rows": row_count, "files": file_count}


@contextlib.contextmanager
def snapshot() -> Iterator[BaseDatabaseWrapper]:
    """Let this thread see the database as it is now, on a connection that holds up no writer.

    On SQLite a deferred transaction of a WAL database reads one snapshot; on PostgreSQL a
    REPEATABLE READ transaction does.
    """
    usual = connections[DEFAULT_DB_ALIAS]
    reader = usual.copy()
    if reader.vendor == "sqlite":
        reader.settings_dict["OPTIONS"]["transaction_mode"] = "DEFERRED"
    else:
        from django.db.backends.postgresql.psycopg_any import IsolationLevel

        reader.settings_dict["OPTIONS"]["isolation_level"] = IsolationLevel.REPEATABLE_READ
    connections[DEFAULT_DB_ALIAS] = reader  # of this thread only
    try:
        with transaction.atomic():
            yield reader
    finally:
        reader.close()
        connections[DEFAULT_DB_ALIAS] = usual


def _write_rows(model: type[models.Model], out: IO[bytes]) -> int:
    names = [field.attname for field in model._meta.concrete_fields]
    rows = model._base_manager.order_by(model._meta.pk.attname)
    count = 0
    for row in rows.values_list(*names).iterator(chunk_size=BATCH_ROWS):
        line = json.dumps(dict(zip(names, row, strict=True)), default=_as_text)
        out.write(line.encode() + b"\n")
        count += 1
    return count


def _as_text(value: Any) -> str:
    """Write what JSON has no word for; microseconds are kept."""
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, datetime.timedelta):
        return duration_iso_string(value)
    if isinstance(value, bytes | bytearray | memoryview):
        return base64.b64encode(bytes(value)).decode()
    if isinstance(value, Decimal | uuid.UUID):
        return str(value)
    raise TypeError(f"a backup cannot hold a {type(value).__name__}")


def _add(archive: tarfile.TarFile, name: str, stream: IO[bytes]) -> str:
    """Add the stream under a name and return its SHA-256."""
    stream.seek(0, os.SEEK_END)
    member = tarfile.TarInfo(name)
    member.size, member.mode = stream.tell(), 0o600
    stream.seek(0)
    digest = _digest(stream)
    stream.seek(0)
    archive.addfile(member, stream)
    return digest


# bringing back


def _check_version(manifest: dict[str, Any]) -> None:
    here, there = _applied_migrations(connection), manifest.get("migrations", [])
    if here == there:
        return
    unknown = sorted(set(there) - set(here))
    age = "a newer" if unknown else "an older"
    raise BackupError(
        f"This backup was made by {age} version of Holdfast. Bring it back with that version, "
        "then start this one, which carries it over."
        + (f" (Not known here: {', '.join(unknown[:3])}.)" if unknown else "")
    )


def _holds_something() -> bool:
    """Say whether people or files are here; what migrations put in does not count."""
    people = apps.get_model(settings.AUTH_USER_MODEL)
    uploads = apps.get_model("orders", "Upload")
    return people._base_manager.exists() or uploads._base_manager.exists()


def _load_rows(archive: tarfile.TarFile) -> int:
    known = list(_models())
    style = no_style()
    tables = [model._meta.db_table for model in known]
    connection.ops.execute_sql_flush(
        connection.ops.sql_flush(style, tables, reset_sequences=False, allow_cascade=False)
    )
    count = 0
    for model in known:
        with _stream(archive, archive.getmember(f"{ROWS}{model._meta.db_table}.jsonl")) as lines:
            count += _insert(model, lines)
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(style, known):
            cursor.execute(statement)
    return count


def _insert(model: type[models.Model], lines: IO[bytes]) -> int:
    fields = list(model._meta.concrete_fields)
    count = 0
    batch: list[models.Model] = []
    for line in lines:
        row = json.loads(line)
        batch.append(
            model(**{field.attname: _value(field, row[field.attname]) for field in fields})
        )
        count += 1
        if len(batch) == BATCH_ROWS:
            _insert_batch(model, fields, batch)
            batch = []
    _insert_batch(model, fields, batch)
    return count


def _insert_batch(model: type[models.Model], fields: list[Any], batch: list[models.Model]) -> None:
    size = connection.ops.bulk_batch_size(fields, batch) or 1
    for first in range(0, len(batch), size):
        # raw: bulk_create would put the present time into fields that note when a row was made
        model._base_manager.all()._insert(  # type: ignore[attr-defined]
            batch[first : first + size], fields=fields, using=DEFAULT_DB_ALIAS, raw=True
        )


def _value(field: Any, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(field, models.DurationField):
        return parse_duration(value)
    if isinstance(field, models.ForeignKey):
        return field.target_field.to_python(value)
    return field.to_python(value)


def _extract_files(archive: tarfile.TarFile, folder: Path) -> int:
    count = 0
    for member in archive:
        if member.name.startswith(FILES):
            target = folder / member.name.removeprefix(FILES)
            target.parent.mkdir(parents=True, exist_ok=True)
            with _stream(archive, member) as stream, target.open("wb") as out:
                shutil.copyfileobj(stream, out, CHUNK_BYTES)
            target.chmod(settings.FILE_UPLOAD_PERMISSIONS)
            count += 1
    return count


def _swap(staged: Path, media: Path) -> None:
    """Put the staged folder in place; what was there, if anything, is kept beside it."""
    if media.exists() and any(media.iterdir()):
        stamp = timezone.now().strftime("%Y%m%d-%H%M%S")
        media.rename(media.with_name(f"{media.name}-before-{stamp}"))
    elif media.exists():
        media.rmdir()
    staged.chmod(0o755)
    staged.rename(media)


# both


def _models() -> Iterator[type[models.Model]]:
    """Give every model with a table of its own, the hidden ones of many-to-many included."""
    for model in apps.get_models(include_auto_created=True):
        if model._meta.managed and not model._meta.proxy:
            yield model


def _applied_migrations(reader: BaseDatabaseWrapper) -> list[str]:
    return sorted(".".join(key) for key in MigrationRecorder(reader).applied_migrations())


def _migrations_are_due() -> bool:
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def _is_plain(name: str) -> bool:
    """Say whether a name stays inside the folder it is unpacked in."""
    parts = name.split("/")
    return name == MANIFEST or (
        name.startswith((ROWS, FILES)) and not {"", ".", ".."} & set(parts) and "\0" not in name
    )


def _stream(archive: tarfile.TarFile, member: tarfile.TarInfo) -> IO[bytes]:
    stream = archive.extractfile(member)
    if stream is None:
        raise tarfile.ReadError(f"{member.name} is no file")
    return stream


def _digest(stream: IO[bytes]) -> str:
    return hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type]
