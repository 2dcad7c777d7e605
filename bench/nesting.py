"""Nesting against OR-Tools: random mixed orders, is one sheet fewer possible?

For each order CP-SAT is asked to lay all blanks on one sheet fewer than `geometry.nesting.nest`
took. "No" proves ours the optimum, "yes" shows a better one, and no answer within the seconds given
leaves it open (unless our own lower bound settles it). CP-SAT's model is its own: an interval for
each way of lying, no two blanks over each other, sheets one after the other along a strip.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from dataclasses import dataclass

from ortools.sat.python import cp_model

from geometry.limits import BLANKS
from geometry.nesting import Nesting, NestItem, nest

# Whole units of CP-SAT to a millimetre: sizes in half inches and gaps of 0.15 mm come out whole.
UNITS_PER_MM = 20
ORDERS = 50
SECONDS = 20.0
SHEETS_MM = ((304.8, 609.6), (304.8, 609.6), (457.2, 609.6), (600.0, 900.0))
SPACINGS_MM = ((0.0, 0.0), (0.0, 0.0), (5.0, 3.0), (3.0, 0.15))


@dataclass(frozen=True)
class Order:
    """Blanks wanted, the sheet they come from, and the film's edge and gap in mm."""

    items: tuple[NestItem, ...]
    sheet_mm: tuple[float, float]
    edge_mm: float
    gap_mm: float

    def nested(self) -> Nesting:
        return nest(self.items, self.sheet_mm, edge_mm=self.edge_mm, gap_mm=self.gap_mm)

    def words(self) -> str:
        blanks = " ".join(f"{code}:{count}" for code, _, _, count in self.items)
        width, height = self.sheet_mm
        return f"{width:g}x{height:g} edge {self.edge_mm:g} gap {self.gap_mm:g}  {blanks}"


def random_order(number: int, *, most: int = 60) -> Order:
    """Return the order of a number: 1 to 6 sizes, up to `most` blanks, always the same."""
    dice = random.Random(1000 + number)
    sheet_mm, (edge_mm, gap_mm) = dice.choice(SHEETS_MM), dice.choice(SPACINGS_MM)
    room = sorted(side - 2 * edge_mm for side in sheet_mm)
    fitting = [
        blank
        for blank in BLANKS.values()
        if all(need <= has for need, has in zip(sorted(blank.size_mm), room, strict=True))
    ]
    chosen = dice.sample(fitting, dice.randint(1, min(6, len(fitting))))
    counts = Counter(dice.choice(chosen).code for _ in range(dice.randint(3, most)))
    items = tuple((b.code, *b.size_mm, counts[b.code]) for b in chosen if counts[b.code])
    return Order(items, sheet_mm, edge_mm, gap_mm)


def fits_on(order: Order, sheets: int, seconds: float, *, workers: int = 2) -> bool | None:
    """Return whether CP-SAT lays the order on so many sheets; None where it ran out of time."""
    if sheets < 1:
        return False
    gap = round(order.gap_mm * UNITS_PER_MM)
    width, height = (
        round((side - 2 * order.edge_mm) * UNITS_PER_MM) + gap for side in order.sheet_mm
    )
    model = cp_model.CpModel()
    across, down, area = [], [], 0
    for _, w_mm, h_mm, count in order.items:
        w, h = (round(side * UNITS_PER_MM) + gap for side in (w_mm, h_mm))
        ways = [(w, h)] if w == h else [(w, h), (h, w)]
        ways = [way for way in ways if way[0] <= width and way[1] <= height]
        before = None
        area += w * h * count
        for _ in range(count):
            sheet = model.new_int_var(0, sheets - 1, "")
            y = model.new_int_var(0, height - min(way[1] for way in ways), "")
            local = model.new_int_var(0, width - min(way[0] for way in ways), "")
            x = model.new_int_var(0, sheets * width, "")
            model.add(x == sheet * width + local)
            lies = [model.new_bool_var("") for _ in ways]
            model.add_exactly_one(lies)
            for is_so, (wide, high) in zip(lies, ways, strict=True):
                across.append(model.new_optional_fixed_size_interval_var(x, wide, is_so, ""))
                down.append(model.new_optional_fixed_size_interval_var(y, high, is_so, ""))
                model.add(local <= width - wide).only_enforce_if(is_so)
                model.add(y <= height - high).only_enforce_if(is_so)
            # blanks of one size are alike: only one order of them is looked at
            if before is not None:
                model.add(x >= before)
            before = x
    if area > sheets * width * height:
        return False
    model.add_no_overlap_2d(across, down)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    status = solver.solve(model)
    return {cp_model.OPTIMAL: True, cp_model.FEASIBLE: True, cp_model.INFEASIBLE: False}.get(status)


def main(rounds: int) -> int:
    """Print each order that is not settled, and how many are the optimum."""
    told: Counter[str] = Counter()
    slowest_s, over_bound = 0.0, 0
    for number in range(ORDERS):
        order = random_order(number)
        start = time.process_time()
        nested = order.nested()
        taken_s = time.process_time() - start
        slowest_s = max(slowest_s, taken_s)
        sheets, bound = len(nested.sheets), nested.lower_bound
        over_bound = max(over_bound, sheets - bound)
        fewer = fits_on(order, sheets - 1, SECONDS)
        word = {True: "one fewer is possible", False: "the optimum, proved", None: "open"}[fewer]
        if fewer is None and sheets == bound:
            word = "the optimum by our bound alone"
        told[word] += 1
        if word not in ("the optimum, proved", "the optimum by our bound alone"):
            print(f"{number:3} {sheets} sheets, bound {bound}: {word}; {order.words()}", flush=True)
    for word, count in told.most_common():
        print(f"{count:3} of {ORDERS} orders: {word}")
    print(f"sheets over the lower bound: {over_bound} at most")
    print(f"CPU time of one nesting: {slowest_s:.2f} s at most")
    return 0
