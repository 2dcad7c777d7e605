"""One sheet filled: the most urgent first, pinned pieces stay, what is left is told."""

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.nest_fill import Filled, Wanted, fill_sheet
from geometry.nesting import Placed

SHEET_MM = (300.0, 600.0)


def check(
    filled: Filled, wanted: list[Wanted], pinned: list[Placed], edge: float, gap: float
) -> None:
    lying = [*filled.placed, *pinned]
    for p in filled.placed:
        assert p.x_mm >= edge - 0.002
        assert p.x_mm + p.width_mm <= SHEET_MM[0] - edge + 0.002
        assert p.y_mm + p.height_mm <= SHEET_MM[1] - edge + 0.002
    for a, b in combinations(lying, 2):
        apart = max(
            a.x_mm - b.x_mm - b.width_mm,
            b.x_mm - a.x_mm - a.width_mm,
            a.y_mm - b.y_mm - b.height_mm,
            b.y_mm - a.y_mm - a.height_mm,
        )
        assert apart >= gap - 1e-5 or (a in pinned and b in pinned)
    for one in wanted:
        assert sum(p.code == one.code for p in filled.placed) + filled.left[one.code] == one.count


def test_late_ones_come_before_what_fills_better() -> None:
    """By hand on 300 x 600: one late 200 x 400 and eight 150 x 150 that alone would fill it whole.

    With the late one down, a strip of 100 beside it and 300 x 200 below are left: two squares."""
    wanted = [Wanted("late", 200, 400, 1, 0), Wanted("later", 150, 150, 8, 2)]
    filled = fill_sheet(wanted, SHEET_MM)
    check(filled, wanted, [], 0, 0)
    assert filled.left == {"late": 0, "later": 6}
    assert fill_sheet([wanted[1]], SHEET_MM).left == {"later": 0}


def test_a_pinned_piece_stays_and_the_rest_goes_round_it() -> None:
    """A square in the middle of one half: eight by eight no more; it is not moved."""
    pinned = [Placed("pin", 75.0, 75.0, False, 150.0, 150.0)]
    wanted = [Wanted("a", 150, 150, 7)]
    filled = fill_sheet(wanted, SHEET_MM, pinned=pinned)
    check(filled, wanted, pinned, 0, 0)
    assert filled.left == {"a": 3}  # 300 x 375 are free below it: four


def test_what_fits_on_no_sheet_is_left() -> None:
    assert fill_sheet([Wanted("big", 301, 601, 2)], SHEET_MM).left == {"big": 2}
    assert fill_sheet([], SHEET_MM) == Filled((), {})


@settings(max_examples=25, deadline=None)
@given(
    counts=st.lists(st.integers(0, 8), min_size=3, max_size=3),
    edge=st.sampled_from([0.0, 5.0]),
    gap=st.sampled_from([0.0, 3.0]),
    pin=st.tuples(st.floats(0, 200), st.floats(0, 500)),
)
def test_any_wish_is_laid_soundly(
    counts: list[int], edge: float, gap: float, pin: tuple[float, float]
) -> None:
    sizes = ((152.4, 152.4), (63.5, 88.9), (127.0, 177.8))
    wanted = [Wanted(str(n), *sizes[n], count, n) for n, count in enumerate(counts)]
    pinned = [Placed("pin", *pin, False, 100.0, 100.0)]
    filled = fill_sheet(wanted, SHEET_MM, edge_mm=edge, gap_mm=gap, pinned=pinned)
    check(filled, wanted, pinned, edge, gap)
    assert filled == fill_sheet(wanted, SHEET_MM, edge_mm=edge, gap_mm=gap, pinned=pinned)
