"""Rectangles left of a sheet, by hand and against trying every rectangle of a grid."""

import itertools
import random

import numpy as np
import pytest

from geometry.offcuts import offcuts


def test_by_hand() -> None:
    """300 x 600 with one blank of 150 x 150 at the top left: below it 300 x 450 are free, then the
    150 x 150 beside it. With 2 mm to keep from the blank: 300 x 448 and 148 x 152."""
    blank = (0.0, 0.0, 150.0, 150.0)
    assert offcuts((300, 600), [blank], least_mm=(60, 90)) == [
        (0, 150, 300, 600),
        (150, 0, 300, 150),
    ]
    apart = offcuts((300, 600), [blank], least_mm=(60, 90), apart_mm=2)
    assert apart == [(0, 152, 300, 600), (152, 0, 300, 152)]


def test_nothing_worth_keeping() -> None:
    """59 mm are left along one side, 60 are asked for."""
    assert offcuts((300, 600), [(0, 0, 241, 600)], least_mm=(60, 90)) == []
    assert offcuts((300, 600), [], least_mm=(60, 90)) == [(0, 0, 300, 600)]


@pytest.mark.parametrize("seed", range(12))
def test_the_first_is_the_largest_there_is(seed: int) -> None:
    """Against every rectangle of a 12 x 15 grid."""
    dice = random.Random(seed)
    taken = []
    for _ in range(dice.randint(1, 6)):
        x, y = dice.randrange(11), dice.randrange(14)
        taken.append((x, y, min(12, x + dice.randint(1, 5)), min(15, y + dice.randint(1, 5))))
    full = np.zeros((12, 15), bool)
    for left, top, right, bottom in taken:
        full[left:right, top:bottom] = True
    largest = max(
        (
            (x1 - x0) * (y1 - y0)
            for x0, x1 in itertools.combinations(range(13), 2)
            for y0, y1 in itertools.combinations(range(16), 2)
            if not full[x0:x1, y0:y1].any()
        ),
        default=0,
    )
    found = offcuts((12, 15), [tuple(map(float, box)) for box in taken], least_mm=(1, 1), most=5)
    areas = [(right - left) * (bottom - top) for left, top, right, bottom in found]
    assert areas[0] == largest
    assert areas == sorted(areas, reverse=True)
    for left, top, right, bottom in found:
        cells = full[int(left) : int(right), int(top) : int(bottom)]
        assert not cells.any()
        cells[:] = True
