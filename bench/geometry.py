"""The check's time and memory against its floor and against a plain scikit-image pipeline.

One thread. The floor is decode + threshold + findContours of the same file in the same run; the
reference does the same check by scikit-image's own functions. Drawings have many wavering strokes,
grain and noise, as a scanner gives them. Medians of several runs; ratios are what counts, as the
machine may be shared.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bench import drawn, scikit
from bench.timing import median_seconds
from bench.verdict import floor_seconds

ROOT = Path(__file__).resolve().parent.parent
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
_CHILD = """
import json, resource, sys, time
started = time.perf_counter()
import cv2
cv2.setNumThreads(1)
from geometry.check import check
from geometry.decode_child import end_nursery
from geometry.recipe import Recipe
size = json.loads(sys.argv[2])
checked = check(sys.argv[1], Recipe(paper_mm=size, blank_mm=size))
first = time.perf_counter() - started
end_nursery()  # its children count once it is waited for
# Not ru_maxrss: that of a child begins with the peak of what started it.
status = open("/proc/self/status").read()
own = int(status.split("VmHWM:")[1].split()[0])
child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([checked.verdict, first, own / 1024, child / 1024]))
"""


def main(rounds: int) -> int:
    """Print the table; the exit code says whether all that must be reached was."""
    import cv2

    os.environ.update(ONE_THREAD)
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        results = _table(Path(folder), rounds)
        print()
        _growth(Path(folder), rounds)
    return 0 if all(results) else 1


def _table(folder: Path, rounds: int) -> list[bool]:
    """Print the rows that have something to reach, and return which reached it."""
    fine = _file(folder, 6, 600)
    coarse = _file(folder, 6, 300)
    large = _file(folder, 12, 600)
    print(f"{'work':<44} {'time':>9}   {'reached':>9}   must be")
    done = []
    seconds = {}
    for path, name, most, least in (
        (fine, "6x6 in at 600 dpi", 6.0, 40.0),
        (coarse, "6x6 in at 300 dpi", 16.0, 20.0),
    ):
        spent, floor, stages = _check_against_floor(path, 6, rounds)
        seconds[path] = spent
        done.append(_row(f"full check, {name}", spent, spent / floor, most, "x floor"))
        reference = median_seconds(lambda path=path: scikit.check(path), 1)
        done.append(
            _row(
                "  by scikit-image", reference, reference / spent, least, "x slower", at_least=True
            )
        )
        print("   " + "  ".join(f"{stage} {1000 * took:.0f}" for stage, took in stages.items()))
    spent, floor, _ = _check_against_floor(large, 12, max(rounds // 2, 2))
    done.append(_row("full check, 12x12 in at 600 dpi", spent, spent / seconds[fine], 4.8, "x 6x6"))
    verdict, _, own, child = _in_child(large, 12)
    done.append(_row(f"  peak memory ({verdict})", 0, max(own, child), 600, "MB"))
    print(f"   the check {own:.0f} MB, the child that decodes {child:.0f} MB")
    done += _recheck(fine, rounds)
    first = statistics.median(_in_child(fine, 6)[1] for _ in range(3))
    done.append(_row("cold start of a process to its first answer", first, first, 3.0, "s"))
    return done


def _recheck(path: Path, rounds: int) -> list[bool]:
    """Print what the re-check of one bridge costs."""
    from geometry.flaps import find_flaps
    from geometry.prepared import Prepared, prepare
    from geometry.recheck import recheck
    from geometry.recipe import Stroke

    data = prepare(path).to_bytes()
    load = median_seconds(lambda: Prepared.from_bytes(data), rounds)
    prepared = Prepared.from_bytes(data)
    bridge = [Stroke("white", ((50.0, 40.0), (56.0, 40.0)), 1.5)]
    recheck(prepared, bridge)
    spent = median_seconds(lambda: recheck(prepared, bridge, flaps=False), 2 * rounds)
    checked = recheck(prepared, bridge)
    ink, placement = checked.ink, checked.placement
    assert ink is not None
    flaps = median_seconds(lambda: find_flaps(ink, placement, prepared.limits), rounds)
    reached = _row("re-check after one bridge, 6x6 in at 600 dpi", spent, 1000 * spent, 60, "ms")
    print(
        f"   flaps follow in {1000 * flaps:.0f} ms; "
        f"loading the {len(data) / 1e6:.0f} MB kept takes {1000 * load:.0f} ms"
    )
    return [reached]


def _growth(folder: Path, rounds: int) -> None:
    """Print the cost against the area of the picture and against the number of openings."""
    print("cost against area (300 dpi, 2 strokes a square inch)")
    for side in (4, 6, 8, 12):
        _growth_row(_file(folder, side, 300), side, f"{side}x{side} in", rounds)
    print("cost against the number of strokes (6x6 in at 600 dpi)")
    for strokes in (9, 36, 144, 576):
        path = _file(folder, 6, 600, strokes)
        _growth_row(path, 6, f"{strokes} strokes", rounds)


def _growth_row(path: Path, side: float, name: str, rounds: int) -> None:
    spent, floor, stages = _check_against_floor(path, side, max(rounds // 2, 2))
    checked = _check(path, side)
    megapixels = (checked.straight.grey.size if checked.straight is not None else 0) / 1e6
    print(
        f"  {name:<12} {1000 * spent:7.0f} ms  {spent / floor:5.1f} x floor  "
        f"{1000 * spent / megapixels:5.1f} ms a megapixel  "
        f"{checked.report['stencil']['openings']:4d} openings  "
        f"{len(checked.findings):4d} findings"
    )
    print("      " + "  ".join(f"{stage} {1000 * took:.0f}" for stage, took in stages.items()))


def _file(folder: Path, side: float, dpi: int, strokes: int | None = None) -> Path:
    """Return the path of a drawing, made where it is not there yet."""
    path = folder / f"{side}in-{dpi}dpi-{strokes or 'usual'}.jpg"
    if not path.exists():
        path.write_bytes(drawn.jpeg(drawn.scan(side, dpi, strokes=strokes), dpi))
    return path


def _check(path: Path, side: float, timer: Any = None) -> Any:
    from geometry.check import check
    from geometry.recipe import Recipe

    size = (25.4 * side, 25.4 * side)
    checked = check(path, Recipe(paper_mm=size, blank_mm=size), timer=timer)
    if checked.stencil is None:
        raise SystemExit(f"{path.name} could not be read: {checked.report['error']['message']}")
    return checked


def _check_against_floor(
    path: Path, side: float, rounds: int
) -> tuple[float, float, dict[str, float]]:
    """Return (seconds of the check, of the floor, of each stage): medians, measured in turn."""
    from geometry.cli import StageTimer

    _check(path, side)
    whole, floors, timers = [], [], []
    for _ in range(rounds):
        floors.append(floor_seconds(path, 1))
        timer = StageTimer()
        started = time.perf_counter()
        _check(path, side, timer)
        whole.append(time.perf_counter() - started)
        timers.append(timer.seconds)
    stages = {
        stage: statistics.median(seconds[stage] for seconds in timers)
        for stage in timers[0]
        if stage != "total"
    }
    return statistics.median(whole), statistics.median(floors), stages


def _in_child(path: Path, side: float) -> tuple[str, float, float, float]:
    """Return (verdict, seconds from its start to its answer, its peak MB, its decoder's peak MB).

    The seconds are those of a fresh process, its start included; the kernels' cache is there.
    """
    from json import dumps, loads

    size = dumps([25.4 * side, 25.4 * side])
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path), size],
        cwd=ROOT,
        env={**os.environ, **ONE_THREAD},
        capture_output=True,
        text=True,
        check=True,
    )
    spent = time.perf_counter() - started
    verdict, _, own, child = loads(done.stdout)
    return verdict, spent, own, child


def _row(
    name: str, seconds: float, value: float, bound: float, unit: str, *, at_least: bool = False
) -> bool:
    """Print one row and return whether its bound is kept."""
    reached = value >= bound if at_least else value <= bound
    time_shown = f"{1000 * seconds:7.0f} ms" if seconds else " " * 10
    print(
        f"{name:<44} {time_shown}   {value:7.1f} {unit:<9} {'>=' if at_least else '<='} {bound:g}"
        f"   {'reached' if reached else 'NOT REACHED'}",
        flush=True,
    )
    return reached
