"""Stored files that no row names: what a process that was killed in the middle leaves behind.

A file is stored before the row that names it, so that no row ever names a file that is not there. A
kill in between leaves a file without a row; after a day it is taken away.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from django.apps import apps
from django.conf import settings
from django.core.files.storage import default_storage
from django.db.models import FileField
from django.utils import timezone

logger = logging.getLogger(__name__)

AFTER = timedelta(hours=24)  # far longer than any transaction that stores a file


def named_files() -> set[str]:
    """Return the name of every stored file that a row names; read from the models."""
    names: set[str] = set()
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if isinstance(field, FileField):
                rows = model._base_manager.exclude(**{field.name: ""})
                names.update(name for name in rows.values_list(field.name, flat=True) if name)
    return names


def orphans(older_than: timedelta = AFTER) -> list[str]:
    """Return the files without a row that were stored longer ago than this, by name."""
    before = timezone.now() - older_than
    old = [name for name in _stored("") if _stored_at(name) <= before]
    # the rows are asked after the files, so that a file whose row came meanwhile is not in it
    return sorted(set(old) - named_files())


def delete_orphans(older_than: timedelta = AFTER) -> int:
    """Delete the files without a row; return how many.

    Where no row names any file the database is taken for the wrong one, and nothing is deleted.
    """
    found = orphans(older_than)
    if found and not named_files():
        logger.error("no row names a file, so %s files without a row are left alone", len(found))
        return 0
    for name in found:
        logger.info("deleting the file %s, which no row names", name)
        default_storage.delete(name)
    return len(found)


def clear_incoming(older_than: timedelta = AFTER) -> int:
    """Delete uploads that never arrived whole; return how many."""
    before = (timezone.now() - older_than).timestamp()
    cleared = 0
    for path in Path(settings.FILE_UPLOAD_TEMP_DIR).iterdir():
        try:
            if path.lstat().st_mtime > before:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
        except FileNotFoundError:
            continue  # gone by itself meanwhile
        cleared += 1
    return cleared


def _stored(folder: str) -> Iterator[str]:
    """Give the name of every stored file below a folder."""
    try:
        folders, files = default_storage.listdir(folder)
    except FileNotFoundError:
        return
    for name in files:
        yield f"{folder}/{name}".lstrip("/")
    for name in folders:
        yield from _stored(f"{folder}/{name}".lstrip("/"))


def _stored_at(name: str) -> datetime:
    try:
        return default_storage.get_modified_time(name)
    except FileNotFoundError:
        return timezone.now()  # deleted meanwhile
