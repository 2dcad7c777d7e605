"""Look whether every stored file is there and is what was stored, and which file nothing names.

What a file should hold is known from its name, which carries its SHA-256 (orders/file_store.py),
and for an upload from its row too. The sweep has it done once a night in a process of its own; a
page only reads what came of the last look.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from django.db import models
from django.utils import timezone

from . import rows
from .file_store import CHUNK_BYTES, StoreAwayError, Stored, store, sum_in
from .models import FileLook

UNKNOWN_AFTER = timedelta(days=1)
"""A file is stored before the row that names it, so a young one may still get its row."""
FAULTS_KEPT = 200
LOOKS_KEPT = 60
MISSING, ALTERED, UNKNOWN = "missing", "altered", "unknown"

Progress = Callable[[int, int, int], None]


@dataclass(frozen=True)
class Fault:
    """A file that is missing, altered, or that no row names."""

    kind: str
    name: str
    named_by: str = ""


@dataclass
class Look:
    """What was found: every file that a row names was read once."""

    files: int = 0
    size_bytes: int = 0
    unproved: int = 0
    faults: list[Fault] = field(default_factory=list)

    def count(self, kind: str) -> int:
        return sum(fault.kind == kind for fault in self.faults)


@dataclass(frozen=True)
class _Wanted:
    named_by: str
    sums: frozenset[str]
    size_bytes: int | None


def look(progress: Progress = lambda done, of, size_bytes: None) -> Look:
    """Read every stored file and compare it with what is noted of it; nothing is changed.

    progress: called after each file with how many are done, of how many, and bytes read so far.
    Raises StoreAwayError when the store does not answer.
    """
    old = timezone.now() - UNKNOWN_AFTER
    stored = {one.name: one for one in store().walk()}
    wanted = _wanted()  # after the files: what is stored meanwhile has its row or is young
    found = Look()
    for number, (name, want) in enumerate(sorted(wanted.items()), 1):
        fault = _fault_of(name, want, stored.get(name), found)
        # erased while this went on: then nothing names it any more
        if fault and _is_named(name):
            found.faults.append(Fault(fault, name, want.named_by))
        progress(number, len(wanted), found.size_bytes)
    found.faults += [
        Fault(UNKNOWN, name)
        for name, one in sorted(stored.items())
        if name not in wanted and one.modified_at < old
    ]
    return found


def look_and_note(progress: Progress = lambda done, of, size_bytes: None) -> Look:
    """Look at every file and keep what was found for `last_look`."""
    row = FileLook.objects.create()
    try:
        found = look(progress)
    except StoreAwayError as error:
        row.failure, row.ended_at = str(error), timezone.now()
        row.save()
        raise
    row.files, row.size_bytes = found.files, found.size_bytes
    row.unproved = found.unproved
    row.missing, row.altered = found.count(MISSING), found.count(ALTERED)
    row.unknown = found.count(UNKNOWN)
    row.faults = [[one.kind, one.name, one.named_by] for one in found.faults[:FAULTS_KEPT]]
    row.ended_at = timezone.now()
    row.save()
    kept = FileLook.objects.values_list("pk", flat=True)[:LOOKS_KEPT]
    FileLook.objects.exclude(pk__in=list(kept)).delete()
    return found


def last_look() -> FileLook | None:
    """Return what came of the last look that was ended, or None before the first."""
    return FileLook.objects.exclude(ended_at=None).first()


def _wanted() -> dict[str, _Wanted]:
    wanted: dict[str, _Wanted] = {}
    for name, row in rows.file_names():
        sums = {sum_in(name), str(getattr(row, "sha256", ""))} - {""}
        wanted[name] = _Wanted(_told(row), frozenset(sums), getattr(row, "size_bytes", None))
    return wanted


def _told(row: models.Model) -> str:
    called = str(getattr(row, "name", ""))
    return f"{row._meta.verbose_name} {row.pk}" + (f", “{called}”" if called else "")


def _is_named(name: str) -> bool:
    """Ask again whether a row names a file."""
    for model in rows.all_models():
        for one in model._meta.concrete_fields:
            holds_names = isinstance(one, models.FileField)
            if holds_names and model._base_manager.filter(**{one.name: name}).exists():
                return True
    return False


def _fault_of(name: str, want: _Wanted, stored: Stored | None, found: Look) -> str:
    """Return what is wrong with a file, "" for nothing, and count it."""
    if stored is not None and want.size_bytes not in {None, stored.size_bytes}:
        return ALTERED
    digest = hashlib.sha256()
    try:
        with store().open(name) as stream:  # also one that is younger than the list
            while chunk := stream.read(CHUNK_BYTES):
                digest.update(chunk)
                found.size_bytes += len(chunk)
    except (FileNotFoundError, IsADirectoryError):
        return MISSING
    found.files += 1
    found.unproved += not want.sums
    return ALTERED if want.sums - {digest.hexdigest()} else ""


def sentence(fault: Fault) -> str:
    """Say in one line what is wrong and what to do."""
    if fault.kind == UNKNOWN:
        return f"not known  {fault.name}  No row names it, and nothing needs it."
    return (
        f"{fault.kind:9}  {fault.name}  ({fault.named_by})  "
        "Bring it back: python3 run.py restore BACKUP --files-only"
    )


def as_json(found: Look) -> dict[str, Any]:
    """Return a look for other programs."""
    return {
        "schema": 1,
        "files": found.files,
        "bytes": found.size_bytes,
        "unproved": found.unproved,
        **{kind: found.count(kind) for kind in (MISSING, ALTERED, UNKNOWN)},
        "faults": [
            {"kind": one.kind, "name": one.name, "named_by": one.named_by} for one in found.faults
        ],
    }
