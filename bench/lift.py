"""The lift map against the same plate on cells of 1 mm: compliance, seconds and memory.

Twenty stencils from the golden drawings, each made whole first: two strips of film hold every
island. For every flap or span the compliance of the plate as used is compared with that of one
whose cells are 1 mm throughout, and of 0.5 mm for a judgement of both. Processor seconds are those
of the middle one of five runs, one thread; peak memory is that of a process of its own.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import golden

ROOT = Path(__file__).resolve().parent.parent
VARIANTS = (1, 4)
SIX_INCH_MM = (152.4, 152.4)
TWELVE_INCH_MM = (304.8, 304.8)
STRIP_MM = 2.0
PX_PER_MM = 300 / 25.4
MOST_MB = 700
MOST_OFF = 0.10
MOST_STRIP_OFF = 0.05
_CHILD = """
import json, sys
import numpy as np
import geometry
from geometry.ink import Ink
from bench.lift import timed_map, PX_PER_MM
small, given = (Ink(np.load(path), PX_PER_MM) for path in sys.argv[1:3])
side = float(sys.argv[3])
timed_map(small, (63.5, 63.5))
spent, cells = sorted(timed_map(given, (side, side)) for _ in range(5))[2]
peak = int(open("/proc/self/status").read().split("VmHWM:")[1].split()[0]) / 1024
print(json.dumps([spent, cells, peak]))
"""


def main(rounds: int) -> int:
    """Print the tables; the exit code says whether all that must be reached was."""
    del rounds
    reached = [_strips(), _compare()]
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        for size, most_s in (("6", 1.2), ("12", 5.0)):
            reached.append(_sizes(Path(folder), size, most_s))
    return 0 if all(reached) else 1


@cache
def whole(kind: str, variant: int) -> shapely.Geometry:
    """Return a golden drawing's black with two strips of film across to every island."""
    black = golden(kind, variant).black
    blank = shapely.box(0, 0, *SIX_INCH_MM)
    for _ in range(200):
        parts = [p for p in shapely.get_parts(blank.difference(black)) if p.area >= 1.0]
        frame = max(parts, key=lambda part: part.intersection(blank.exterior).length)
        rest = [part for part in parts if part is not frame]
        if not rest:
            return black
        island = min(rest, key=frame.distance)
        first = shapely.shortest_line(island, frame)
        strips = [first]
        away = island.difference(first.centroid.buffer(1.2 * island.area**0.5))
        if not away.is_empty:
            strips.append(shapely.shortest_line(away, frame))
        black = black.difference(shapely.union_all([_strip(line) for line in strips]))
    raise RuntimeError(f"{kind} {variant} does not hang together")


def _strip(line: shapely.LineString) -> shapely.Geometry:
    """Return a strip of film along a line and a little beyond its ends."""
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    length = max(line.length, 1e-6)
    dx, dy = 0.4 * (x1 - x0) / length, 0.4 * (y1 - y0) / length
    longer = shapely.LineString([(x0 - dx, y0 - dy), (x1 + dx, y1 + dy)])
    return longer.buffer(STRIP_MM / 2, cap_style="flat")


def sheet_of_four(variant: int) -> shapely.Geometry:
    """Return four stencils on a 12 x 12 in blank."""
    kinds = list(KINDS)[variant % 5 :: 3][:4]
    places = [(0.0, 0.0), (152.4, 0.0), (0.0, 152.4), (152.4, 152.4)]
    return shapely.union_all(
        [
            affinity.translate(whole(kind, 1), x, y)
            for kind, (x, y) in zip(kinds, places, strict=False)
        ]
    )


def ink_of(black: shapely.Geometry, blank_mm: tuple[float, float]) -> Any:
    """Return the ink of a shape as a scan of 300 dpi without noise would give it."""
    from geometry.ink import Ink
    from geometry.kernels import UNIT
    from tests.geometry.scans import coverage

    dark = coverage(black, blank_mm, PX_PER_MM)
    return Ink(np.rint((0.5 - dark) * UNIT).astype(np.int16), PX_PER_MM)


def timed_map(ink: Any, blank_mm: tuple[float, float]) -> tuple[float, int]:
    """Return (processor seconds of a whole lift map, cells)."""
    from geometry.lift import LiftModel
    from geometry.limits import default_limits
    from geometry.recipe import Placement

    started = time.process_time()
    model = LiftModel(ink, Placement(), blank_mm, default_limits(blank_mm))
    model.map()
    return time.process_time() - started, len(model.plate.cells.parts)


def _compare() -> bool:
    """Print how far the compliance of each stencil's worst places is from cells of 1 mm."""
    from geometry.film_raster import BLOCK
    from geometry.lift import LiftModel
    from geometry.limits import default_limits
    from geometry.plate import Plate
    from geometry.recipe import Placement

    limits = default_limits(SIX_INCH_MM)
    print(
        f"{'stencil':<16}{'cells':>6} of {'1 mm':<6}{'places':>7}  {'off 1 mm: worst':>16}", end=""
    )
    print(f"{'mean':>8}  {'1 mm off 0.5 mm':>16}{'used off 0.5':>14}")
    every: list[float] = []
    for kind in KINDS:
        for variant in VARIANTS:
            ink = ink_of(whole(kind, variant), SIX_INCH_MM)
            model = LiftModel(ink, Placement(), SIX_INCH_MM, limits)
            points = [place.at_mm for place in model.map().worst]
            shape = tuple(side // BLOCK for side in model.raster.film.shape)
            used = model.plate.compliance_at(points)
            plates = [
                Plate(model.raster, limits.film_poisson, levels=np.full(shape, level, np.int8))
                for level in (2, 3)
            ]
            one, half = (plate.compliance_at(points) for plate in plates)
            off = np.abs(used / one - 1)
            every += off.tolist()
            print(
                f"{kind + ' ' + str(variant):<16}{len(model.plate.cells.parts):>6} of "
                f"{len(plates[0].cells.parts):<6}{len(points):>7}  {off.max():>15.1%}"
                f"{off.mean():>9.1%}  {np.abs(one / half - 1).max():>15.1%}"
                f"{np.abs(used / half - 1).max():>14.1%}",
                flush=True,
            )
    worst = max(every)
    verdict = "reached" if worst <= MOST_OFF else "NOT REACHED"
    print(
        f"{len(every)} places of {len(KINDS) * len(VARIANTS)} stencils: worst {worst:.1%}, "
        f"mean {statistics.mean(every):.2%}; must be within {MOST_OFF:.0%}   {verdict}\n"
    )
    return worst <= MOST_OFF


def _strips() -> bool:
    """Print how far a bridge by update is from the plate made anew with the bridge drawn in."""
    from geometry.film_raster import film_raster
    from geometry.plate import Plate
    from geometry.recipe import Placement
    from tests.geometry.films import CARD_MM, MIDDLE, disc
    from tests.geometry.films import ink_of as ink_of_card

    def plate(line: float, bridges: tuple[tuple[float, float], ...]) -> Plate:
        ink = ink_of_card(disc(9.0, line, bridges), CARD_MM)
        return Plate(film_raster(ink, Placement(), CARD_MM, 6.0), 0.38)

    points = [(MIDDLE[0] - 8.6, MIDDLE[1]), (MIDDLE[0], MIDDLE[1] - 8.6)]
    worst = 0.0
    for line in (1.0, 1.5, 2.5):
        before = plate(line, ((0.0, 1.5),))
        spots = [spot for spot in map(before.spot, points) if spot is not None]
        shapes = before.shapes_under(spots)
        for width in (1.0, 1.5, 2.0, 2.4):
            off = []
            for angle_deg in (60.0, 120.0, 180.0, 200.0):
                out = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
                near, far = (np.array(MIDDLE) + out * way for way in (8.85, 9.25 + line))
                strip = before.strip((near[0], near[1]), (far[0], far[1]), width)
                if strip is None:
                    raise RuntimeError("a strip stands on no film")
                drawn = plate(line, ((0.0, 1.5), (angle_deg, width)))
                off += (strip.compliance(spots, shapes) / drawn.compliance_at(points) - 1).tolist()
            worst = max(worst, float(np.abs(off).max()))
            print(f"line {line} mm, bridge {width} mm: off {min(off):+.1%} to {max(off):+.1%}")
    verdict = "reached" if worst <= MOST_STRIP_OFF else "NOT REACHED"
    print(f"bridges by update: worst {worst:.1%}, within {MOST_STRIP_OFF:.0%}   {verdict}\n")
    return worst <= MOST_STRIP_OFF


def _sizes(folder: Path, size: str, most_s: float) -> bool:
    """Print processor seconds and peak memory of whole lift maps of one size of blank."""
    rows = (
        [(f"four stencils {variant}", sheet_of_four(variant)) for variant in range(3)]
        if size == "12"
        else [(kind, whole(kind, 1)) for kind in KINDS]
    )
    slowest, largest = 0.0, 0.0
    side_mm = 25.4 * int(size)
    small, path = folder / "small.npy", folder / "field.npy"
    np.save(small, ink_of(shapely.box(20, 20, 40, 25), (63.5, 63.5)).f)
    for name, black in rows:
        np.save(path, ink_of(black, (side_mm, side_mm)).f)
        done = subprocess.run(
            [sys.executable, "-c", _CHILD, str(small), str(path), str(side_mm)],
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"},
            capture_output=True,
            text=True,
            check=True,
        )
        spent, cells, peak = json.loads(done.stdout)
        slowest, largest = max(slowest, spent), max(largest, peak)
        figures = f"{cells:>6} cells {spent:>6.2f} s {peak:>5.0f} MB"
        print(f"  {size}x{size} in  {name:<16} {figures}", flush=True)
    reached = slowest <= most_s and largest <= MOST_MB
    print(
        f"{size}x{size} in: slowest {slowest:.2f} s, must be <= {most_s} s; "
        f"peak {largest:.0f} MB, must be <= {MOST_MB} MB   "
        f"{'reached' if reached else 'NOT REACHED'}\n"
    )
    return reached
