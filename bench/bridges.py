"""Bridges: seconds for drawings of many islands, and whether all of the golden set comes to hold.

One thread, processor seconds. The time is that of the proposal on a picture prepared beforehand,
the check before and after in it. A drawing of the golden set holds when a fresh check of it with
the bridges finds no island and no flap, and nothing narrow that was not there.
"""

from __future__ import annotations

import statistics
import time

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.bridges import Proposal, propose_bridges
from geometry.limits import default_limits
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from tests.geometry.drawings import PAPER_MM, Drawing, Line, paint, ring
from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import BLANK_MM, VARIANTS, golden, scan_of

DPI = (300, 600)
MOST_SECONDS = {30: 1.0, 200: 4.0}


def main(rounds: int) -> int:
    """Print the tables; the exit code says whether all that must be reached was."""
    cv2.setNumThreads(1)
    results = []
    for name, count, drawing in (
        ("rings", 30, _rings(30, 6, 7.0, 1.8, 21.0)),
        ("mesh", 30, _mesh(6, 5)),
        ("rings", 200, _rings(200, 15, 3.2, 1.2, 8.8)),
        ("mesh", 200, _mesh(20, 10)),
    ):
        for dpi in DPI:
            results.append(_speed(name, count, drawing, dpi, max(rounds // 3, 1)))
    results.append(_lift())
    results.append(_golden())
    return 0 if all(results) else 1


def _speed(name: str, count: int, drawing: Drawing, dpi: int, rounds: int) -> bool:
    """Print the seconds of one drawing; tell whether they are few enough and it holds."""
    picture = _picture(paint(drawing, dpi / 25.4, fine=1))
    proposal = propose_bridges(prepare_picture(picture))
    seconds, passed = _proposal_seconds(picture, rounds)
    most = MOST_SECONDS[count]
    reached = seconds <= most and not proposal.left
    print(
        f"{count} islands, {name:<6} {dpi} dpi  {len(proposal.bridges):4d} bridges  "
        f"{seconds:5.2f} s <= {most:g} (wall {passed:.2f} s)   "
        f"{'reached' if reached else 'NOT REACHED'}",
        flush=True,
    )
    return reached


def _proposal_seconds(picture: Picture, rounds: int) -> tuple[float, float]:
    """Return the medians of (processor seconds, seconds passed) of a proposal's rounds."""
    spent, passed = [], []
    for _ in range(rounds):
        prepared = prepare_picture(picture)
        began, started = time.process_time(), time.perf_counter()
        propose_bridges(prepared)
        spent.append(time.process_time() - began)
        passed.append(time.perf_counter() - started)
    return statistics.median(spent), statistics.median(passed)


def _lift() -> bool:
    """Print what lift adds for one golden drawing of each kind; tell whether all comes to lie."""
    most = default_limits(BLANK_MM).lift_free_mm
    lie = []
    for number, kind in enumerate(KINDS):
        grey, _ = scan_of(golden(kind, number % VARIANTS), 200)
        prepared = prepare_picture(_picture(grey))
        plain = propose_bridges(prepared)
        began = time.process_time()
        held = propose_bridges(prepared, lift=True)
        spent = time.process_time() - began
        worst_mm = held.worst_lift_mm or 0.0
        lie.append(worst_mm <= most and not held.left)
        print(
            f"{kind:<14} {len(plain.bridges):3d} bridges, with lift {len(held.bridges):3d}  "
            f"worst lift {worst_mm:4.1f} mm <= {most:g} (estimated)  {spent:5.2f} s",
            flush=True,
        )
    return all(lie)


def _golden() -> bool:
    """Print what is left in the golden drawings, by kind."""
    every = 0
    for kind in KINDS:
        bridges, islands, flaws = 0, 0, []
        for variant in range(VARIANTS):
            drawing = golden(kind, variant)
            grey, _ = scan_of(drawing, DPI[0])
            proposal = propose_bridges(prepare_picture(_picture(grey)))
            bridges += len(proposal.bridges)
            islands += len(drawing.islands)
            flaws += _left(proposal, variant)
        every += len(flaws)
        print(
            f"{kind:<14} {islands:3d} islands  {bridges:3d} bridges  {'; '.join(flaws) or 'hold'}"
        )
    return every == 0


def _left(proposal: Proposal, variant: int) -> list[str]:
    return [f"{variant}: {one.kind} at {one.at_mm}" for one in proposal.left]


def _picture(grey: NDArray[np.uint8]) -> Picture:
    return Picture(grey, None, "d" * 64, "PNG", grey.shape[::-1])


def _rings(count: int, columns: int, radius: float, width: float, pitch: float) -> Drawing:
    """Return rings in rows, each an island."""
    lines = [
        Line(
            ring(
                (15 + pitch * (index % columns), 15 + pitch * (index // columns)),
                radius,
                wobble=0.2,
                seed=index,
            ),
            width,
            closed=True,
        )
        for index in range(count)
    ]
    return Drawing(PAPER_MM, tuple(lines), islands=count)


def _mesh(across: int, down: int) -> Drawing:
    """Return a mesh of lines: every cell is an island that borders on others."""
    x, y = np.linspace(14, 138, across + 1), np.linspace(14, 138, down + 1)
    upright = [Line(np.array([(at, 14.0), (at, 138.0)]), 1.5) for at in x]
    level = [Line(np.array([(14.0, at), (138.0, at)]), 1.5) for at in y]
    return Drawing(PAPER_MM, (*upright, *level), islands=across * down)
