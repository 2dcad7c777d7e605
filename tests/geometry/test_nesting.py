"""Blanks on sheets: nothing overlaps, gap and edge are kept, few sheets are taken.

References: for small cases the exact optimum by HiGHS (scipy.optimize.milp) on a grid; for larger
ones the lower bound, which is itself checked against those optima.
"""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import lil_array

from geometry.errors import DoesNotFitError, InvalidInputError
from geometry.limits import BLANKS
from geometry.nesting import WORK, Nesting, NestItem, nest

SHEET_MM = (304.8, 609.6)


def items_of(**counts: int) -> list[NestItem]:
    """Items by blank code; a code is written with "_" for ".", e.g. x2_5x3_5in."""
    names = {code.replace(".", "_"): blank for code, blank in BLANKS.items()}
    return [
        (names[key.removeprefix("x")].code, *names[key.removeprefix("x")].size_mm, count)
        for key, count in counts.items()
    ]


def check(nesting: Nesting, items: list[NestItem]) -> None:
    """Every blank is there once, inside the edges, with the gap to every other."""
    placed = sorted(p.code for sheet in nesting.sheets for p in sheet)
    assert placed == sorted(code for code, *_, count in items for _ in range(count))
    sizes = {code: (w, h) for code, w, h, _ in items}
    tiny = 0.0011
    for sheet in nesting.sheets:
        for p in sheet:
            size = sizes[p.code][::-1] if p.turned else sizes[p.code]
            assert (p.width_mm, p.height_mm) == size
            for at, side, room in zip((p.x_mm, p.y_mm), size, nesting.sheet_mm, strict=True):
                assert at >= nesting.edge_mm
                assert at + side <= room - nesting.edge_mm + tiny
        for a, b in itertools.combinations(sheet, 2):
            apart = max(
                b.x_mm - a.x_mm - a.width_mm,
                a.x_mm - b.x_mm - b.width_mm,
                b.y_mm - a.y_mm - a.height_mm,
                a.y_mm - b.y_mm - b.height_mm,
            )
            assert apart >= nesting.gap_mm - 1e-5
    assert len(nesting.sheets) >= nesting.lower_bound


def fewest_sheets(items: list[NestItem], sheet: tuple[int, int], most: int) -> int:
    """The exact optimum for whole-number sizes: one binary per kind, turn, place and sheet; no
    cell of a sheet is covered twice, and as few sheets as can be are used."""
    width, height = sheet
    places = []
    for kind, (_, w, h, _) in enumerate(items):
        for turned_w, turned_h in {(int(w), int(h)), (int(h), int(w))}:
            for x in range(width - turned_w + 1):
                for y in range(height - turned_h + 1):
                    places += [(kind, turned_w, turned_h, x, y, s) for s in range(most)]
    cells = width * height
    rows = lil_array((most * cells + len(items), len(places) + most))
    for column, (kind, w, h, x, y, s) in enumerate(places):
        for i, j in itertools.product(range(x, x + w), range(y, y + h)):
            rows[s * cells + i * height + j, column] = 1
        rows[most * cells + kind, column] = 1
    for s in range(most):
        for cell in range(cells):
            rows[s * cells + cell, len(places) + s] = -1
    low = np.r_[np.full(most * cells, -np.inf), [count for *_, count in items]]
    high = np.r_[np.zeros(most * cells), [count for *_, count in items]]
    cost = np.r_[np.zeros(len(places)), np.ones(most)]
    result = milp(
        cost,
        constraints=LinearConstraint(rows.tocsr(), low, high),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, 1),
    )
    assert result.status == 0, result.message
    return round(result.fun)


def most_on_a_sheet(size: tuple[int, int], sheet: tuple[int, int]) -> int:
    """The exact most of one size on a sheet: corners at sums of sides, no such point covered
    twice (Beasley 1985, "An exact two-dimensional non-guillotine cutting tree search")."""
    xs, ys = (
        sorted(
            {
                i * size[0] + j * size[1]
                for i in range(side // size[0] + 1)
                for j in range(side // size[1] + 1)
                if i * size[0] + j * size[1] <= side
            }
        )
        for side in sheet
    )
    places = [
        (w, h, x, y)
        for w, h in {size, size[::-1]}
        for x in xs
        for y in ys
        if x + w <= sheet[0] and y + h <= sheet[1]
    ]
    rows = lil_array((len(xs) * len(ys), len(places)))
    for column, (w, h, x, y) in enumerate(places):
        for i, j in itertools.product(range(len(xs)), range(len(ys))):
            if x <= xs[i] < x + w and y <= ys[j] < y + h:
                rows[i * len(ys) + j, column] = 1
    result = milp(
        -np.ones(len(places)),
        constraints=LinearConstraint(rows.tocsr(), -np.inf, 1),
        integrality=np.ones(len(places)),
        bounds=Bounds(0, 1),
    )
    assert result.status == 0, result.message
    return round(-result.fun)


@pytest.mark.parametrize("seed", range(14))
def test_small_orders_take_as_few_sheets_as_the_exact_solver(seed: int) -> None:
    """Random kinds on a 7 x 6 sheet; the lower bound never lies above the optimum."""
    dice = np.random.default_rng(seed)
    items: list[NestItem] = [
        (f"kind {k}", int(dice.integers(1, 6)), int(dice.integers(1, 6)), int(dice.integers(1, 5)))
        for k in range(3)
    ]
    nesting = nest(items, (7, 6))
    check(nesting, items)
    exact = fewest_sheets(items, (7, 6), len(nesting.sheets))
    assert nesting.lower_bound <= exact
    assert len(nesting.sheets) == exact


def test_eight_squares_fill_a_sheet_and_the_ninth_takes_another() -> None:
    """6 x 6 in on 12 x 24 in without edge or gap: nothing is left over."""
    full = nest(items_of(x6x6in=8), SHEET_MM)
    check(full, items_of(x6x6in=8))
    assert (len(full.sheets), full.lower_bound) == (1, 1)
    assert full.used == pytest.approx(1.0)
    assert len(nest(items_of(x6x6in=9), SHEET_MM).sheets) == 2


def test_the_bound_knows_gap_and_edge() -> None:
    """With 5 mm of edge and 3 mm of gap one 6 x 6 in fits across, three along: 3 to a sheet, where
    area alone would allow 7."""
    items = items_of(x6x6in=8)
    nesting = nest(items, SHEET_MM, edge_mm=5, gap_mm=3)
    check(nesting, items)
    assert (len(nesting.sheets), nesting.lower_bound) == (3, 3)


def test_gap_lies_between_blanks_only_and_edge_round_the_sheet_only() -> None:
    """Two of 100 mm with a gap of 4 and edges of 3 need 210 mm, and not a hundredth less."""
    items: list[NestItem] = [("a", 100, 50, 2)]
    exact = nest(items, (210, 56), edge_mm=3, gap_mm=4)
    check(exact, items)
    assert [(p.x_mm, p.y_mm) for p in exact.sheets[0]] == [(3, 3), (107, 3)]
    assert len(nest(items, (209.99, 56), edge_mm=3, gap_mm=4).sheets) == 2


def test_blanks_are_turned_where_that_helps() -> None:
    """Three cards of 63.5 x 88.9 across 266.7 mm only fit lying down."""
    items: list[NestItem] = [("card", 63.5, 88.9, 3)]
    assert [p.turned for p in nest(items, (266.7, 64)).sheets[0]] == [True, True, True]
    with pytest.raises(DoesNotFitError):
        nest(items, (266.7, 64), may_turn=False)


def test_fractions_of_an_inch_add_up() -> None:
    """Three thirds and seven sevenths of a foot."""
    for parts in (3, 7, 11):
        items: list[NestItem] = [("part", 304.8 / parts, 100, parts)]
        assert len(nest(items, (304.8, 100)).sheets) == 1


@pytest.mark.parametrize(
    ("size", "sheet"),
    [
        ((10, 14), (24, 48)),  # 5 x 7 on 12 x 24 in, in halves of an inch
        ((5, 7), (24, 48)),  # 2.5 x 3.5 on 12 x 24 in
        ((10, 14), (48, 36)),
        ((5, 7), (36, 48)),
        ((148, 210), (600, 1000)),
        ((148, 210), (610, 610)),
    ],
)
def test_one_size_fills_a_sheet_as_well_as_the_exact_solver(
    size: tuple[int, int], sheet: tuple[int, int]
) -> None:
    """The most that HiGHS can prove to fit on one sheet are laid on one sheet; one more takes
    another."""
    most = most_on_a_sheet(size, sheet)
    assert len(nest([("a", *size, most + 1)], sheet).sheets) == 2
    alone = nest([("a", *size, most)], sheet)
    check(alone, [("a", *size, most)])
    assert len(alone.sheets) == 1


def test_an_order_of_sixty_blanks_meets_the_bound() -> None:
    """Twenty each of the three usual sizes, with and without edge and gap."""
    items = items_of(x6x6in=20, x4x4in=20, x2_5x3_5in=20)
    for edge_mm, gap_mm in ((0, 0), (5, 3)):
        nesting = nest(items, SHEET_MM, edge_mm=edge_mm, gap_mm=gap_mm)
        check(nesting, items)
        assert len(nesting.sheets) == nesting.lower_bound


@settings(max_examples=40, deadline=None)
@given(
    counts=st.lists(st.integers(0, 12), min_size=5, max_size=5),
    edge_mm=st.sampled_from([0.0, 3.0, 5.0]),
    gap_mm=st.sampled_from([0.0, 0.15, 3.0]),
)
def test_any_order_is_laid_out_soundly(counts: list[int], edge_mm: float, gap_mm: float) -> None:
    """Nothing missing, overlapping, too near or outside; few sheets over the bound."""
    items: list[NestItem] = [
        (code, *BLANKS[code].size_mm, count)
        for code, count in zip(
            ("6x6in", "4x4in", "2.5x3.5in", "5x7in", "8x8in"), counts, strict=True
        )
    ]
    nesting = nest(items, SHEET_MM, edge_mm=edge_mm, gap_mm=gap_mm)
    check(nesting, items)
    assert len(nesting.sheets) <= nesting.lower_bound * 1.1 + 1


def test_the_same_order_gives_the_same_sheets() -> None:
    """An order that needs the seeded search, twice."""
    items = items_of(x5x7in=12, a5=8, x6x6in=10, x4x4in=10, x2_5x3_5in=15, x8x8in=5)
    first, second = (nest(items, SHEET_MM, edge_mm=3, gap_mm=2) for _ in range(2))
    assert first == second


def test_an_order_of_nothing_takes_no_sheet() -> None:
    """Also where a kind is there with a count of nought, however large."""
    for items in ([], [("a4", 210.0, 297.0, 0)], [("door", 900.0, 2000.0, 0)]):
        nesting = nest(items, SHEET_MM)
        assert (nesting.sheets, nesting.lower_bound, nesting.used) == ((), 0, 0.0)


def test_a_blank_too_large_is_one_sentence() -> None:
    """Exactly the sheet less its edges fits; a hundredth more does not."""
    assert len(nest([("big", 290, 590, 1)], (300, 600), edge_mm=5).sheets) == 1
    with pytest.raises(DoesNotFitError) as caught:
        nest([("6x6in", 152.4, 152.4, 2), ("big", 290.01, 590, 1)], (300, 600), edge_mm=5)
    assert str(caught.value) == (
        "A blank big (290.01 x 590 mm) does not fit on a sheet of 300 x 600 mm "
        "less its edges of 5 mm; choose a larger sheet or a smaller blank."
    )


@pytest.mark.parametrize(
    ("items", "sheet_mm", "spacing"),
    [
        ([("a", 0.0, 10.0, 1)], SHEET_MM, {}),
        ([("a", 10.0, 10.0, -1)], SHEET_MM, {}),
        ([("a", 10.0, 10.0, 1)], (0.0, 100.0), {}),
        ([("a", 10.0, 10.0, 1)], SHEET_MM, {"gap_mm": -1.0}),
        ([("a", 10.0, 10.0, 1)], SHEET_MM, {"edge_mm": float("nan")}),
        ([("a", 10.0, 10.0, 2001)], SHEET_MM, {}),
    ],
)
def test_odd_values_are_refused(
    items: list[NestItem], sheet_mm: tuple[float, float], spacing: dict[str, float]
) -> None:
    """Sizes of nought, counts below it, negative gaps, more than 2000 blanks."""
    with pytest.raises(InvalidInputError):
        nest(items, sheet_mm, **spacing)


def test_two_thousand_blanks_end_after_a_fixed_amount_of_work() -> None:
    """The search counts its work; a full sheet is repeated, not searched again."""
    items = items_of(x2_5x3_5in=1500, x5x7in=500)
    nesting = nest(items, SHEET_MM, edge_mm=5, gap_mm=3)
    check(nesting, items)
    assert WORK <= 100_000
    assert len(nesting.sheets) <= nesting.lower_bound * 1.15
