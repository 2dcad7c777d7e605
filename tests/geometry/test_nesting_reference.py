"""Nesting against OR-Tools (CP-SAT) and against its own proved bound, on random orders.

`python -m bench nesting` does the same on fifty orders with more time.
"""

import pytest

from bench.nesting import fits_on, random_order
from geometry.nest_bound import lower_bound, stacked_bound

SMALL = range(201, 208)


@pytest.mark.parametrize("number", SMALL)
def test_no_sheet_fewer_is_possible(number: int) -> None:
    """Up to 12 blanks: CP-SAT proves that one sheet fewer does not do, and finds ours."""
    order = random_order(number, most=12)
    sheets = len(order.nested().sheets)
    assert fits_on(order, sheets - 1, 60.0) is False
    assert fits_on(order, sheets, 60.0) is True


def test_sixty_blanks_are_one_sheet_over_the_bound_at_most() -> None:
    """Mixed orders of up to 60, with and without edge and gap."""
    for number in range(25):
        nested = random_order(number).nested()
        assert nested.lower_bound <= len(nested.sheets) <= nested.lower_bound + 1


def test_blanks_too_wide_to_lie_beside_each_other_are_counted_by_length() -> None:
    """By hand: on 10 x 30, blanks of 6 x 16 (3 of them) and 6 x 11 (2).

    Only lengths count: 16 + 11 = 27 fits in 30, 16 + 16 = 32 does not. 3 sheets hold a 16 each, and
    two of them an 11. The area (3 x 96 + 2 x 66 = 420 of 300 a sheet) alone asks for 2.
    """
    kinds = [(6, 16, 3), (6, 11, 2)]
    assert stacked_bound(kinds, (10, 30), may_turn=False) == 3
    assert lower_bound([(1, 1, 5)], (10, 30)) == 1
    assert stacked_bound([(1, 1, 5)], (10, 30)) == 0
    # A 4 x 9 could lie across in 10 x 30, so its other way decides: nothing is too wide.
    assert stacked_bound([(6, 4, 5)], (10, 30)) == 0
