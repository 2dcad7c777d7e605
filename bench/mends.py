"""Mends: seconds for a drawing of thirty findings, and what is left in random and golden drawings.

One thread, processor time, on a picture prepared and looked at beforehand. A drawing is mended when
a fresh check finds nothing of what was asked for, and never worse than before when it is not.
"""

from __future__ import annotations

import statistics
import time
from collections import Counter

import cv2
import numpy as np

from bench.bridges import _picture
from geometry.findings import KINDS as FINDING_KINDS
from geometry.mends import mend_all
from geometry.mends_plan import plan_mends
from geometry.prepared import Prepared, prepare_picture
from geometry.recheck import recheck
from tests.geometry.drawings import PAPER_MM, Drawing, Line, paint, ring
from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import VARIANTS, golden, scan_of

MOST_SECONDS = 2.0
SEEDS = 12


def main(rounds: int) -> int:
    """Print the tables; the exit code says whether all that must be reached was."""
    cv2.setNumThreads(1)
    reached = [_speed(dpi, max(rounds // 3, 1)) for dpi in (300, 600)]
    _random()
    reached.append(_golden())
    return 0 if all(reached) else 1


def _speed(dpi: int, rounds: int) -> bool:
    """Print the seconds of thirty findings; tell whether they are few enough."""
    prepared = prepare_picture(_picture(paint(thirty(), dpi / 25.4, fine=2)))
    before = recheck(prepared, ())
    mended = mend_all(prepared)
    seconds = _cpu(prepared, rounds, plan=False)
    print(
        f"{len(before.findings)} findings, {dpi} dpi  {_words(before.findings)}\n"
        f"  all mends {seconds:5.2f} s <= {MOST_SECONDS:g}   each and all, for a page "
        f"{_cpu(prepared, rounds, plan=True):5.2f} s   left {len(mended.left)}   "
        f"{'reached' if seconds <= MOST_SECONDS else 'NOT REACHED'}",
        flush=True,
    )
    return seconds <= MOST_SECONDS


def _cpu(prepared: Prepared, rounds: int, *, plan: bool) -> float:
    times = []
    for _ in range(rounds):
        started = time.process_time()
        if plan:
            plan_mends(prepared)
        else:
            mend_all(prepared)
        times.append(time.process_time() - started)
    return statistics.median(times)


def _words(findings: object) -> str:
    counts = Counter(one.kind for one in findings)  # type: ignore[attr-defined]
    return ", ".join(f"{count} {kind}" for kind, count in counts.items())


def _random() -> None:
    """Print what is left of all findings in drawings of random lines."""
    asked: Counter[str] = Counter()
    left: Counter[str] = Counter()
    came: Counter[str] = Counter()
    for seed in range(SEEDS):
        mended = mend_all(
            prepare_picture(_picture(paint(scribble(seed), 300 / 25.4, fine=2))),
            kinds=tuple(FINDING_KINDS),
        )
        asked.update(one.kind for one in mended.before.findings)
        left.update(one.finding.kind for one in mended.left)
        came.update(one.kind for one in mended.came)
    print(f"{SEEDS} random drawings   kind: found, left")
    for kind, count in sorted(asked.items()):
        print(f"  {kind:<16} {count:4d} {left[kind]:4d}")
    print(f"  came with a mend: {dict(came) or 'nothing'}")


def _golden() -> bool:
    """Print what is left in the golden drawings, by kind; tell whether none is rejected."""
    rejected = 0
    for kind in KINDS:
        found, left, verdicts = 0, Counter[str](), Counter[str]()
        for variant in range(VARIANTS):
            grey, _ = scan_of(golden(kind, variant), 300)
            mended = mend_all(prepare_picture(_picture(grey)))
            found += len(mended.before.findings)
            left.update(one.finding.kind for one in mended.left)
            verdicts[mended.after.verdict] += 1
        rejected += verdicts["rejected"]
        print(f"{kind:<14} {found:3d} findings   {dict(verdicts)}   left {dict(left) or 'nothing'}")
    return rejected == 0


def thirty() -> Drawing:
    """Return a 6 x 6 in drawing of thirty findings: islands, thin lines, thin film, crumbs."""
    lines = []
    for index in range(10):
        centre = (20.0 + 22.0 * (index % 6), 22.0 + 22.0 * (index // 6))
        lines.append(Line(ring(centre, 6.5, wobble=0.3, seed=index), 1.8, closed=True))
    for index in range(10):
        y = 66.0 + 5.0 * index
        lines.append(Line(np.array([(15.0, y), (55.0, y + 1.0)]), 0.5 + 0.03 * index))
    for index in range(10):
        y = 66.0 + 7.0 * index
        gap = 1.2 + 0.3 + 0.05 * index
        lines.append(Line(np.array([(70.0, y), (135.0, y)]), 1.2))
        lines.append(Line(np.array([(90.0, y + gap), (115.0, y + gap)]), 1.2))
    return Drawing(PAPER_MM, tuple(lines), islands=10)


def scribble(seed: int) -> Drawing:
    """Return random lines and loops of 0.1 to 2 mm that cross and crowd each other."""
    random = np.random.default_rng(seed)
    lines = []
    for _ in range(14):
        points = random.uniform(14, 138, 2) + np.cumsum(random.normal(0, 5, (6, 2)), axis=0)
        points = np.clip(points, 12, 140)
        lines.append(Line(points, float(random.choice([0.12, 0.5, 0.8, 1.2, 2.0]))))
    for index in range(6):
        centre = tuple(random.uniform(30, 120, 2))
        radius = float(random.uniform(3, 14))
        lines.append(Line(ring(centre, radius, wobble=0.5, seed=index), 1.4, closed=True))
    return Drawing(PAPER_MM, tuple(lines))
