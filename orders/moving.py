"""Take an installation to another database and another store, every row and every file.

Nothing of the source is changed. Files go first, each read back from where it went; then all rows
in one transaction, each table read back before it is committed. So a move that was broken off
leaves no row behind, and is simply begun again: files that are there already are only compared.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import DatabaseError, connections, transaction

from . import rows
from .file_store import CHUNK_BYTES, Store, StoreAwayError, Stored, sum_in

AT_ONCE = 4  # files under way: a store elsewhere answers late, and several wait together
SOURCE, TARGET = "move_source", "move_target"

Progress = Callable[[str], None]


class MoveError(Exception):
    """The installation cannot be moved; the message is one sentence for a person."""


@dataclass(frozen=True)
class Side:
    """One end of a move: a database known by a name, and a store of files."""

    using: str
    store: Store


@dataclass
class Moved:
    """What is now at the target, compared with the source: tables by name, files together."""

    tables: dict[str, rows.Table] = field(default_factory=dict)
    files: int = 0
    size_bytes: int = 0
    files_sha256: str = ""
    copied: int = 0
    was_there: bool = False
    missing: list[str] = field(default_factory=list)
    altered: list[str] = field(default_factory=list)

    @property
    def rows(self) -> int:
        return sum(table.rows for table in self.tables.values())


def move(source: Side, target: Side, progress: Progress = lambda text: None) -> Moved:
    """Bring every row and every file of the source to the target, compare, and say what is there.

    Both databases have to be of this version (see `bring_up_to_date`). Safe to repeat: what is
    already there, and the same, is left. Raises MoveError, and then no row was brought.
    """
    if source.using == target.using:
        raise MoveError("Source and target are the same.")
    if rows.migrations_are_due(source.using):
        raise MoveError(
            "The database to be moved belongs to another version of Holdfast. Bring it up to date "
            "where it is, with: python3 run.py setup"
        )
    try:
        with rows.snapshot(source.using):
            tables = {model: rows.table_of(model, source.using) for model in rows.all_models()}
            moved = Moved(tables={model._meta.db_table: one for model, one in tables.items()})
            moved.was_there = _is_there(target, moved.tables)
            _move_files(source, target, moved, progress)
            if not moved.was_there:
                _move_rows(source, target, moved, progress)
    except (StoreAwayError, DatabaseError, OSError, ValueError) as error:
        told = " ".join(str(error).split())
        raise MoveError(f"The move was broken off; it can be begun again. {told}") from error
    return moved


def bring_up_to_date(url: str) -> None:
    """Make the tables of this version in the database at `url`, in a process of its own."""
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "migrate", "--verbosity", "0"]
    done = subprocess.run(
        command, env={**os.environ, "DATABASE_URL": url}, stderr=subprocess.PIPE, text=True
    )
    if done.returncode:
        why = (done.stderr.strip().splitlines() or ["no reason was given"])[-1]
        raise MoveError(f"The new database could not be made ready: {why}")


@contextlib.contextmanager
def nobody_runs_it(folder: Path) -> Iterator[None]:
    """Hold the seat of the installation in a folder. Raises MoveError while it runs."""
    try:
        seat = (folder / "running").open("r")
    except FileNotFoundError:  # it never ran there; nothing is made in a folder that is only read
        yield
        return
    except OSError as error:
        raise MoveError(f"{folder} cannot be read: {error.strerror}.") from error
    with seat:
        try:
            fcntl.flock(seat, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise MoveError(
                f"Holdfast runs on {folder}. Stop it first with Ctrl-C, so that nothing is left "
                "behind."
            ) from None
        yield


def _is_there(target: Side, tables: dict[str, rows.Table]) -> bool:
    """Say whether the target holds the same rows already; raise MoveError if it holds others."""
    if not rows.holds_something(target.using):
        return False
    there = {
        model._meta.db_table: rows.table_of(model, target.using) for model in rows.all_models()
    }
    if there == tables:
        return True
    raise MoveError(
        "The new database already holds drawings or orders that are not these. Nothing was moved; "
        "name an empty one."
    )


def _move_files(source: Side, target: Side, moved: Moved, progress: Progress) -> None:
    stored = {one.name: one for one in source.store.walk()}
    named = {name for name, _ in rows.file_names(source.using)}
    moved.missing = sorted(named - set(stored))
    stays = source.store.place == target.store.place
    there = {one.name: one for one in target.store.walk()} if not stays else stored
    if others := set(there) - set(stored):
        raise MoveError(
            f"{target.store.place} already holds {len(others)} files that are not of here, "
            f"{min(others)} first. Nothing was moved; name an empty place."
        )

    def bring(one: Stored) -> tuple[Stored, str, bool]:
        sha256 = _digest(source.store, one.name)
        if stays:
            return one, sha256, False
        held = there.get(one.name)
        copied = (
            held is None
            or held.size_bytes != one.size_bytes
            or _digest(target.store, one.name) != sha256
        )
        if copied:
            with source.store.open(one.name) as stream:
                target.store.put(one.name, stream)
            if _digest(target.store, one.name) != sha256:
                raise MoveError(f"{one.name} arrived other than it was sent.")
        return one, sha256, copied

    sums = hashlib.sha256()
    with ThreadPoolExecutor(AT_ONCE) as several:
        ordered = [stored[name] for name in sorted(stored)]
        for number, (one, sha256, copied) in enumerate(several.map(bring, ordered), 1):
            sums.update(f"{sha256}  {one.name}\n".encode())
            moved.files, moved.copied = number, moved.copied + copied
            moved.size_bytes += one.size_bytes
            if sum_in(one.name) not in {"", sha256}:
                moved.altered.append(one.name)
            progress(f"{number} of {len(ordered)} files, {moved.size_bytes / 1e6:.0f} MB")
    moved.files_sha256 = sums.hexdigest()


def _digest(store: Store, name: str) -> str:
    digest = hashlib.sha256()
    with store.open(name) as stream:
        while chunk := stream.read(CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _move_rows(source: Side, target: Side, moved: Moved, progress: Progress) -> None:
    with transaction.atomic(target.using):
        rows.empty_tables(target.using)
        for model in rows.all_models():
            name = model._meta.db_table
            progress(f"rows of {name}")
            with tempfile.TemporaryFile() as lines:
                rows.write_rows(model, lines, source.using)
                lines.seek(0)
                try:
                    rows.read_rows(model, lines, target.using)
                except (DatabaseError, ValueError) as error:
                    raise MoveError(f"The rows of {name} do not fit: {error}") from error
            if rows.table_of(model, target.using) != moved.tables[name]:
                raise MoveError(f"The rows of {name} arrived other than they were sent.")
        rows.reset_numbers(target.using)
        connections[target.using].check_constraints()


def same_database(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Say whether two descriptions name the same database."""
    names = ("ENGINE", "NAME", "HOST", "PORT")
    return [str(one.get(name, "")) for name in names] == [
        str(other.get(name, "")) for name in names
    ]
