"""Rehearse a restore: bring an archive back in a database of its own that is thrown away."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connections, transaction

from config import environment

from . import rows
from .backup import (
    FILES,
    BackupError,
    archive_in,
    check_version,
    load_rows,
    opened,
    verified,
)

NAME = "rehearsal"


def rehearse(source: Path, phrase: str = "") -> dict[str, int]:
    """Verify an archive and load its rows into a new SQLite database; nothing here is touched.

    Every table is read again from that database and compared with what the archive notes, and
    every file that a row names has to be in the archive. Returns how many rows and files it was.
    Raises BackupError with what is wrong.
    """
    with opened(source, phrase) as plain:
        manifest = verified(source, plain)
        incoming = Path(settings.FILE_UPLOAD_TEMP_DIR)
        incoming.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix="rehearsal-", dir=incoming) as folder:
            file = make_database(Path(folder))
            with (
                rows.another_database(NAME, environment.database("", file)),
                archive_in(plain) as archive,
                transaction.atomic(NAME),
            ):
                check_version(manifest, NAME)
                count = load_rows(source, archive, manifest, NAME)
                connections[NAME].check_constraints()
                _compare(source, manifest)
    return {"rows": count, "files": sum(name.startswith(FILES) for name in manifest["sha256"])}


def make_database(folder: Path) -> Path:
    """Make an empty database of this version in a folder, in a process of its own."""
    elsewhere = {
        "HOLDFAST_VAR": str(folder),
        **dict.fromkeys(("DATABASE_URL", "REDIS_URL", "HOLDFAST_FILES_URL"), ""),
    }
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "migrate", "--verbosity", "0"]
    subprocess.run(command, env={**os.environ, **elsewhere}, check=True)
    return folder / "holdfast.sqlite3"


def _compare(source: Path, manifest: dict[str, Any]) -> None:
    for model in rows.all_models():
        name = model._meta.db_table
        if asdict(rows.table_of(model, NAME)) != manifest["rows"][name]:
            raise BackupError(f"{name} came back from {source} other than it was written.")
    held = manifest["sha256"]
    lost = sorted(name for name, _ in rows.file_names(NAME) if FILES + name not in held)
    if lost:
        raise BackupError(
            f"{source} is whole, but {len(lost)} files were missing when it was written, "
            f"{lost[0]} first. An older backup may still have them."
        )
