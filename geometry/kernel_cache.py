"""The compiled loops kept beside the sources, and when they are out of date.

What is kept of a compiled function is dropped by numba when its own file changes, but not when a
function that it calls, compiled into it, changes in another file.
"""

import contextlib
import os
import re
from pathlib import Path

_ROOM = Path(__file__).resolve().parent
_IMPORT = re.compile(r"^from geometry\.(\w+) import", re.MULTILINE)


def drop_stale(room: Path = _ROOM, kept: Path | None = None) -> list[str]:
    """Remove compiled code older than any file it was made from; return the modules it was of.

    room: the folder of the sources. kept: that of the compiled code, by default where numba puts
    it. Another process may do the same at the same time.
    """
    if kept is None:
        named = os.environ.get("NUMBA_CACHE_DIR")
        kept = Path(named) if named else room / "__pycache__"
    sources = {file.stem: file for file in room.glob("*.py")}
    texts = {name: file.read_text() for name, file in sources.items()}
    compiled = {name for name, text in texts.items() if "@njit" in text}
    calls = {name: compiled.intersection(_IMPORT.findall(texts[name])) for name in compiled}
    stale = []
    for name in sorted(compiled):
        newest = max(sources[used].stat().st_mtime for used in _all_called(name, calls))
        entries = [*kept.rglob(f"{name}.*.nbi"), *kept.rglob(f"{name}.*.nbc")]
        if any(_modified(entry) < newest for entry in entries):
            stale.append(name)
            for entry in entries:
                entry.unlink(missing_ok=True)
    return stale


def _all_called(name: str, calls: dict[str, set[str]]) -> set[str]:
    """Return a module and all that it calls, directly or not."""
    found, waiting = set(), [name]
    while waiting:
        module = waiting.pop()
        if module not in found:
            found.add(module)
            waiting += calls[module]
    return found


def _modified(entry: Path) -> float:
    """Return when a file was last written; never, if it is gone."""
    with contextlib.suppress(FileNotFoundError):
        return entry.stat().st_mtime
    return 0.0
