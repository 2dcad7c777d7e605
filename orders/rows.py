"""Rows of every table as lines of JSON, and back: what backup, rehearsal and move have in common.

It does not depend on the database: what was read from SQLite is put into PostgreSQL, and back.
"""

from __future__ import annotations

import base64
import contextlib
import datetime
import hashlib
import json
import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import IO, Any

from django.apps import apps
from django.conf import settings
from django.core.management.color import no_style
from django.db import DEFAULT_DB_ALIAS, connections, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.recorder import MigrationRecorder
from django.utils.dateparse import parse_duration
from django.utils.duration import duration_iso_string

BATCH_ROWS = 500


@dataclass(frozen=True)
class Table:
    """How many rows a table has, and one SHA-256 over all of them in whatever order they come."""

    rows: int
    sha256: str


def all_models() -> Iterator[type[models.Model]]:
    """Give every model with a table of its own, the hidden ones of many-to-many included."""
    for model in apps.get_models(include_auto_created=True):
        if model._meta.managed and not model._meta.proxy:
            yield model


@contextlib.contextmanager
def snapshot(using: str = DEFAULT_DB_ALIAS) -> Iterator[BaseDatabaseWrapper]:
    """Let this thread see a database as it is now, on a connection that holds up no writer.

    On SQLite a deferred transaction of a WAL database reads one snapshot; on PostgreSQL a
    REPEATABLE READ transaction does.
    """
    usual = connections[using]
    reader = usual.copy()
    if reader.vendor == "sqlite":
        reader.settings_dict["OPTIONS"]["transaction_mode"] = "DEFERRED"
    else:
        from django.db.backends.postgresql.psycopg_any import IsolationLevel

        reader.settings_dict["OPTIONS"]["isolation_level"] = IsolationLevel.REPEATABLE_READ
    connections[using] = reader  # of this thread only
    try:
        with transaction.atomic(using):
            yield reader
    finally:
        reader.close()
        connections[using] = usual


@contextlib.contextmanager
def another_database(name: str, described: dict[str, Any]) -> Iterator[str]:
    """Make a database known by a name while the block lasts."""
    every = connections.settings
    every.update(connections.configure_settings({DEFAULT_DB_ALIAS: {}, name: described}) | every)
    try:
        yield name
    finally:
        connections[name].close()
        del connections[name]
        del every[name]


def write_rows(model: type[models.Model], out: IO[bytes], using: str = DEFAULT_DB_ALIAS) -> Table:
    """Write every row of a model as one line of JSON and say what was written."""
    names = [field.attname for field in model._meta.concrete_fields]
    rows = model._base_manager.using(using).order_by(model._meta.pk.attname)
    sums = []
    for row in rows.values_list(*names).iterator(chunk_size=BATCH_ROWS):
        line = json.dumps(dict(zip(names, row, strict=True)), default=_as_text)
        out.write(line.encode() + b"\n")
        sums.append(_sum_of(json.loads(line)))
    return _table(sums)


def read_rows(model: type[models.Model], lines: IO[bytes], using: str = DEFAULT_DB_ALIAS) -> Table:
    """Put lines written by `write_rows` into an empty table and say what was read."""
    fields = list(model._meta.concrete_fields)
    sums: list[bytes] = []
    batch: list[models.Model] = []
    for line in lines:
        row = json.loads(line)
        sums.append(_sum_of(row))
        batch.append(
            model(**{field.attname: _value(field, row[field.attname]) for field in fields})
        )
        if len(batch) == BATCH_ROWS:
            _insert_batch(model, fields, batch, using)
            batch = []
    _insert_batch(model, fields, batch, using)
    return _table(sums)


def table_of(model: type[models.Model], using: str = DEFAULT_DB_ALIAS) -> Table:
    """Say what a table holds."""
    names = [field.attname for field in model._meta.concrete_fields]
    # no order: a model's own may join a table that is not filled yet, and leave rows out
    rows = model._base_manager.using(using).order_by().values_list(*names)
    return _table(
        [
            _sum_of(json.loads(json.dumps(dict(zip(names, row, strict=True)), default=_as_text)))
            for row in rows.iterator(chunk_size=BATCH_ROWS)
        ]
    )


def empty_tables(using: str = DEFAULT_DB_ALIAS) -> None:
    """Take every row out of every table; what migrations put in comes with the rows."""
    connection = connections[using]
    tables = [model._meta.db_table for model in all_models()]
    connection.ops.execute_sql_flush(
        connection.ops.sql_flush(no_style(), tables, reset_sequences=False, allow_cascade=False)
    )


def reset_numbers(using: str = DEFAULT_DB_ALIAS) -> None:
    """Let new rows get numbers above those that came with their own."""
    connection = connections[using]
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(all_models())):
            cursor.execute(statement)


def holds_something(using: str = DEFAULT_DB_ALIAS) -> bool:
    """Say whether people or files are here; what migrations put in does not count."""
    people = apps.get_model(settings.AUTH_USER_MODEL)
    uploads = apps.get_model("orders", "Upload")
    return any(model._base_manager.using(using).exists() for model in (people, uploads))


def applied_migrations(reader: BaseDatabaseWrapper) -> list[str]:
    return sorted(".".join(key) for key in MigrationRecorder(reader).applied_migrations())


def migrations_are_due(using: str = DEFAULT_DB_ALIAS) -> bool:
    executor = MigrationExecutor(connections[using])
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


def file_names(using: str = DEFAULT_DB_ALIAS) -> Iterator[tuple[str, models.Model]]:
    """Give each name of a stored file that a row holds, with its row."""
    for model in all_models():
        fields = [f.name for f in model._meta.concrete_fields if isinstance(f, models.FileField)]
        if not fields:
            continue
        known = {f.name for f in model._meta.concrete_fields} & {"sha256", "size_bytes", "name"}
        rows = model._base_manager.using(using).only("pk", *fields, *known)
        for row in rows.iterator(chunk_size=BATCH_ROWS):
            for field in fields:
                if name := getattr(row, field).name:
                    yield name, row


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


def _sum_of(row: dict[str, Any]) -> bytes:
    """Return the SHA-256 of a row in one form whatever the database: PostgreSQL keeps JSON by
    value, so keys come back in another order and 1e16 as a whole number."""
    text = json.dumps(_plain(row), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).digest()


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value


def _table(sums: Iterable[bytes]) -> Table:
    # sorted: databases differ in the order of texts, so rows come in another order
    ordered = sorted(sums)
    return Table(len(ordered), hashlib.sha256(b"".join(ordered)).hexdigest())


def _insert_batch(
    model: type[models.Model], fields: list[Any], batch: list[models.Model], using: str
) -> None:
    size = connections[using].ops.bulk_batch_size(fields, batch) or 1
    for first in range(0, len(batch), size):
        # raw: bulk_create would put the present time into fields that note when a row was made
        model._base_manager.using(using)._insert(  # type: ignore[attr-defined]
            batch[first : first + size], fields=fields, using=using, raw=True
        )


def _value(field: Any, value: Any) -> Any:
    if value is None:
        return None
    if isinstance(field, models.DurationField):
        return parse_duration(value)
    if isinstance(field, models.ForeignKey):
        return field.target_field.to_python(value)
    return field.to_python(value)
