"""Put single files back from a backup: those that are missing or altered here, and no row."""

from __future__ import annotations

from pathlib import Path

from .backup import FILES, BackupError, archive_in, opened, stream_of, verified
from .file_check import UNKNOWN, Fault, look
from .file_store import StoreAwayError, store, sum_in


def put_back(source: Path, phrase: str = "") -> tuple[list[str], list[Fault]]:
    """Put every missing or altered file back that the archive holds whole.

    Returns the names that were put back, and what could not be. May be done while the site runs,
    and with a backup of another version. Raises BackupError when the archive is damaged.
    """
    back: list[str] = []
    left: list[Fault] = []
    try:
        with opened(source, phrase) as plain:
            held = verified(source, plain)["sha256"]
            with archive_in(plain) as archive:
                for fault in look().faults:
                    if fault.kind == UNKNOWN:
                        continue
                    sha256 = held.get(FILES + fault.name)
                    # it may have been altered before that backup was written
                    if sha256 is None or sum_in(fault.name) not in {"", sha256}:
                        left.append(fault)
                        continue
                    with stream_of(archive, FILES + fault.name) as stream:
                        store().put(fault.name, stream)
                    back.append(fault.name)
    except StoreAwayError as error:
        raise BackupError(f"Not everything was put back. {error}") from error
    return back, left
