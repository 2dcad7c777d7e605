"""What reading a picture safely costs above decoding it: `read_picture` beside `cv2.imdecode`.

Both read the same file in turns; the reference has its bytes in memory and decodes them in this
process, unprotected. Medians of the clock, and processor time of all processes that took part,
as the machine may be shared.
"""

from __future__ import annotations

import io
import resource
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
from PIL import Image

from bench import drawn
from geometry import picture
from geometry.decode_child import end_nursery, start_child
from geometry.picture import read_picture

MOST_ABOVE_MS = {300: 10.0, 600: 25.0}  # for a grey JPEG of 6 x 6 in


def main(rounds: int) -> int:
    """Print the table; the exit code says whether the grey JPEGs kept to what they may cost."""
    cv2.setNumThreads(1)
    print(f"{'6x6 in':<18} {'decode':>8} {'read':>8} {'ratio':>6} {'above':>8}   processor above")
    kept = []
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        for dpi, most in MOST_ABOVE_MS.items():
            for name, data in _files(dpi).items():
                path = Path(folder) / f"{dpi}-{name.replace(' ', '.')}"
                path.write_bytes(data)
                above = _row(f"{dpi} dpi {name}", path, rounds)
                if name == "grey JPEG":
                    kept.append(above <= most)
                    print(f"   must be at most {most:g} ms above: {'yes' if kept[-1] else 'NO'}")
            _others(path, rounds)
    return 0 if all(kept) else 1


def _files(dpi: int) -> dict[str, bytes]:
    """Return one drawing as scanners and programs save it."""
    grey = drawn.scan(6, dpi)
    warm = np.stack([grey, np.where(grey > 4, grey - 4, 0), np.where(grey > 9, grey - 9, 0)], -1)
    files = {"grey JPEG": drawn.jpeg(grey, dpi), "colour JPEG": drawn.jpeg(warm, dpi)}
    for kind in ("PNG", "WEBP"):
        out = io.BytesIO()
        Image.fromarray(grey).save(out, kind)
        files[f"grey {kind}"] = out.getvalue()
    return files


def _row(name: str, path: Path, rounds: int) -> float:
    """Print one file's row and return how many ms above the reference it is read, by the clock."""
    data = np.fromfile(path, np.uint8)

    def decode() -> object:
        return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)

    read_picture(path)
    took: dict[Callable[[], object], list[float]] = {decode: [], lambda: read_picture(path): []}
    for _ in range(rounds):
        for work, seconds in took.items():
            started = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - started)
    floor, read = (1000 * statistics.median(seconds) for seconds in took.values())
    processor = _processor_ms(lambda: read_picture(path), rounds) - _processor_ms(decode, rounds)
    print(
        f"{name:<18} {floor:5.1f} ms {read:5.1f} ms {read / floor:5.2f}x {read - floor:5.1f} ms"
        f"   {processor:5.1f} ms",
        flush=True,
    )
    return read - floor


def _others(path: Path, rounds: int) -> None:
    """Print what the first picture of a process costs, and one by a child of its own."""
    first = []
    for _ in range(max(rounds // 3, 3)):
        end_nursery()
        started = time.perf_counter()
        read_picture(path)
        first.append(time.perf_counter() - started)
    own = []
    with mock.patch.object(picture, "fork_child", start_child):
        for _ in range(max(rounds // 3, 3)):
            started = time.perf_counter()
            read_picture(path)
            own.append(time.perf_counter() - started)
    first_ms, own_ms = (1000 * statistics.median(seconds) for seconds in (first, own))
    print(f"   {path.name} as a process's first picture {first_ms:.0f} ms,", end=" ")
    print(f"by a child started from nothing {own_ms:.0f} ms")


def _processor_ms(work: Callable[[], object], rounds: int) -> float:
    """Return the processor time of one round in all processes, without starting the nursery."""

    def spent(times: int) -> float:
        end_nursery()
        before = _used()
        for _ in range(times):
            work()
        end_nursery()  # its time, and its children's, counts once it is waited for
        return _used() - before

    return 1000 * (spent(rounds + 1) - spent(1)) / rounds


def _used() -> float:
    """Return the processor time, s, of this process and of those that it waited for."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)
