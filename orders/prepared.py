"""The prepared picture of a version: what no stroke can change, kept so that a re-check is quick.

It can always be made again from the stored file, so it lies in the cache folder, not with what is
backed up. The least lately used go when the folder grows above its cap.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING

from django.conf import settings

from geometry.limits import Limits
from geometry.recipe import Recipe

from .files import local_path
from .models import Version

if TYPE_CHECKING:
    from geometry.prepared import Prepared

MOST_BYTES = 1_500_000_000
MOST_IN_MEMORY = 2

_held: OrderedDict[str, Prepared] = OrderedDict()
_lock = threading.Lock()
_making = threading.Lock()  # a page asks for its picture and its findings at the same moment


def prepared_for(version: Version) -> Prepared:
    """Return a version's prepared picture: from memory, from the cache folder, or made now.

    Raises UnreadableError where the check would say "unreadable".
    """
    from geometry.prepared import prepared_key

    recipe, limits = Recipe.from_json(version.recipe), Limits.from_json(version.limits)
    key = prepared_key(version.upload.sha256, recipe, limits)
    with _lock:
        if key in _held:
            _held.move_to_end(key)
            return _held[key]
    with _making:
        prepared = _held.get(key) or _stored(key) or _made(version, recipe, limits)
    with _lock:
        _held[key] = prepared
        while len(_held) > MOST_IN_MEMORY:
            _held.popitem(last=False)
    return prepared


def keep_prepared(prepared: Prepared) -> None:
    """Store a prepared picture for every process, and drop the oldest above the cap."""
    # A full disk loses nothing: the picture is only made again when it is wanted.
    with contextlib.suppress(OSError):
        folder = _folder()
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, suffix=".partial")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(prepared.to_bytes())
            os.replace(name, folder / prepared.key)
        finally:
            Path(name).unlink(missing_ok=True)
        _drop_oldest(folder)


def forget_prepared(version: Version) -> None:
    """Delete a version's prepared picture, as its drawing is erased."""
    from geometry.prepared import prepared_key

    recipe, limits = Recipe.from_json(version.recipe), Limits.from_json(version.limits)
    key = prepared_key(version.upload.sha256, recipe, limits)
    with _lock:
        _held.pop(key, None)
    with contextlib.suppress(OSError):
        (_folder() / key).unlink(missing_ok=True)


def _stored(key: str) -> Prepared | None:
    from geometry.prepared import Prepared

    path = _folder() / key
    try:
        data = path.read_bytes()
        os.utime(path)
        return Prepared.from_bytes(data)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError):  # damaged, or of another form after an upgrade
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
        return None


def _made(version: Version, recipe: Recipe, limits: Limits) -> Prepared:
    from geometry.prepared import prepare

    with local_path(version.upload) as path:
        prepared = prepare(path, recipe, limits)
    keep_prepared(prepared)
    return prepared


def _drop_oldest(folder: Path) -> None:
    found = []
    for path in folder.iterdir():
        with contextlib.suppress(OSError):
            found.append((path.stat().st_mtime, path.stat().st_size, path))
    total = sum(size for _, size, _ in found)
    for _, size, path in sorted(found, key=lambda one: one[0]):
        if total <= MOST_BYTES:
            break
        path.unlink(missing_ok=True)
        total -= size


def _folder() -> Path:
    return Path(settings.PREPARED_FOLDER)
