"""Unpacked pictures kept on this machine, so that a preview does not wait for the decoder again.

They lie in the cache folder under the hash of the file and may be thrown away at any time.
"""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from django.conf import settings

from .codes import new_token
from .errors import RefusedError
from .files import local_path

if TYPE_CHECKING:
    from geometry.picture import Picture

    from .models import Version

MOST_BYTES = 400_000_000
"""Of all that is kept; a photograph of 12 megapixels takes 12 MB. The oldest go first."""
OF_THE_FILE = ("empty", "too-large", "unsupported", "damaged", "bomb", "encrypted", "unsafe")
"""Error codes (docs/geometry.md) of a file that cannot be unpacked, whatever is asked of it."""
FIELDS = ("dpi", "sha256", "format", "size_px", "drawn")


def picture_of(version: Version) -> Picture:
    """Return the picture of a version's file. Raises UnreadableError as the check does.

    A page unpacks only what the check could: the worker looks at files in turn and once, a page
    would unpack a hostile one for as long as is allowed with every request. Raises RefusedError
    for a file that was not looked at yet.
    """
    from geometry.picture import read_picture  # loads the geometry

    kept = _kept(version.upload.sha256)
    if kept is not None:
        return kept
    _refuse_unread(version)
    with local_path(version.upload) as path:
        picture = read_picture(path)
    # A cache that cannot be written only costs time.
    with contextlib.suppress(OSError):
        _keep(picture)
    return picture


def _refuse_unread(version: Version) -> None:
    """Raise what the check said of the file itself, by any version of it, or that it has not."""
    from geometry.errors import UnreadableError

    from .models import Version as Versions

    waits = (Versions.Status.WAITING, Versions.Status.CHECKING)
    looked_at = Versions.objects.filter(upload=version.upload_id).exclude(status__in=waits)
    told = list(looked_at.values_list("report__error__code", "report__error__message"))
    if not told:
        raise RefusedError("This drawing is still being looked at. Try again in a moment.")
    code, message = told[0]
    if all(code in OF_THE_FILE for code, _ in told):
        raise UnreadableError(code, message)


def pixels_png(version: Version) -> bytes:
    """Return the picture of a version's file for others to see: every pixel in grey, as PNG.

    What a camera or a scanner noted beside them (place, time, device) is left behind. Raises
    UnreadableError as the check does.
    """
    import cv2

    return bytes(cv2.imencode(".png", picture_of(version).grey)[1].tobytes())


def size_px_if_kept(version: Version) -> tuple[int, int] | None:
    """Return (width, height) of the displayed picture where it is known without unpacking."""
    about = _about(version.upload.sha256)
    return (int(about["size_px"][0]), int(about["size_px"][1])) if about else None


def forget_picture(version: Version) -> None:
    """Throw away what is kept of a version's file, as its drawing is erased."""
    for ending in ("npy", "json"):
        with contextlib.suppress(OSError):
            (_folder() / f"{version.upload.sha256}.{ending}").unlink(missing_ok=True)


def _folder() -> Path:
    return Path(settings.VAR) / "cache" / "pictures"


def _about(sha256: str) -> dict[str, Any] | None:
    try:
        about = json.loads((_folder() / f"{sha256}.json").read_text(encoding="utf-8"))
        return about if set(about) == set(FIELDS) else None
    except (OSError, ValueError):
        return None


def _kept(sha256: str) -> Picture | None:
    from geometry.picture import Picture

    about, file = _about(sha256), _folder() / f"{sha256}.npy"
    if about is None:
        return None
    try:
        grey = np.load(file, allow_pickle=False)
        os.utime(file)  # the latest looked at is the last to go
    except (OSError, ValueError):
        return None
    dpi = tuple(about["dpi"]) if about["dpi"] else None
    return Picture(grey, **{**about, "dpi": dpi, "size_px": tuple(about["size_px"])})


def _keep(picture: Picture) -> None:
    folder = _folder()
    folder.mkdir(parents=True, exist_ok=True)
    about = {name: getattr(picture, name) for name in FIELDS}
    part = folder / f"{new_token()}.part"  # whole or not at all, whoever writes beside
    with part.open("wb") as out:
        np.save(out, picture.grey, allow_pickle=False)
    part.replace(folder / f"{picture.sha256}.npy")
    part.write_text(json.dumps(about), encoding="utf-8")
    part.replace(folder / f"{picture.sha256}.json")
    _make_room(folder)


def _make_room(folder: Path) -> None:
    """Throw the oldest away until what is kept is within MOST_BYTES; the last one stays."""
    files = sorted(folder.glob("*.npy"), key=lambda file: file.stat().st_mtime, reverse=True)
    total = 0
    for file in files:
        total += file.stat().st_size
        if total > MOST_BYTES and file != files[0]:
            file.unlink(missing_ok=True)
            file.with_suffix(".json").unlink(missing_ok=True)
