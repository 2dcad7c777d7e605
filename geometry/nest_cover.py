"""Choose sheets from many tried ones, so that the fewest hold every blank wanted.

What lies on one sheet is a pattern: so many blanks of each size. An order is served by patterns
that together hold at least as many of each size as are wanted; the fewest such patterns are a small
whole-number program (Gilmore and Gomory 1961, "A linear programming approach to the cutting-stock
problem"), and the prices of its linear relaxation tell which sizes a further pattern should hold.
HiGHS solves both (through scipy); the same patterns give the same answer.
"""

from collections.abc import Sequence

import numpy as np

Pattern = tuple[int, ...]

# Nodes of the search tree: counted work, so that every machine stops at the same place.
MOST_NODES = 400


def prices(patterns: Sequence[Pattern], wanted: Sequence[int]) -> list[float]:
    """Return what a blank of each size is worth, in sheets, by the patterns known so far.

    patterns: blanks of each size on one sheet; together they hold every size wanted.
    """
    from scipy.optimize import linprog  # only where the first tries did not meet the bound

    table = np.array(patterns, dtype=float).T
    solved = linprog(np.ones(table.shape[1]), A_ub=-table, b_ub=-np.array(wanted), method="highs")
    return [max(0.0, -float(price)) for price in solved.ineqlin.marginals]


def fewest(patterns: Sequence[Pattern], wanted: Sequence[int]) -> list[int]:
    """Return the indices of the fewest patterns found that hold all blanks wanted, with repeats.

    Empty where none was found within the fixed work.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    table = np.array(patterns, dtype=float).T
    solved = milp(
        np.ones(table.shape[1]),
        constraints=LinearConstraint(table, lb=np.array(wanted, dtype=float)),
        bounds=Bounds(0, np.inf),
        integrality=np.ones(table.shape[1]),
        options={"node_limit": MOST_NODES},
    )
    if solved.x is None:
        return []
    times = np.rint(solved.x).astype(int)
    return [index for index, count in enumerate(times) for _ in range(count)]
