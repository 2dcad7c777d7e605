"""The placement sheet, measured on its render: what is printed is what will be cut."""

from __future__ import annotations

import numpy as np
import pytest

from geometry.limits import BLANKS, Blank
from orders.errors import RefusedError
from orders.prints import placement_sheet
from tests.prints.reading import (
    letters,
    overlaps,
    page_sizes_mm,
    pictures,
    text_boxes_mm,
    texts,
)

DPI = 600
PX_PER_MM = DPI / 25.4  # an inch is 25.4 mm (NIST SP 811)
# Sides in mm by the international inch (NIST SP 811) and ISO 216 (A5, A4)
CASES = [
    ("6x6in", "letter", (152.4, 152.4)),
    ("6x6in", "a4", (152.4, 152.4)),
    ("4x4in", "a4", (101.6, 101.6)),
    ("2.5x3.5in", "letter", (63.5, 88.9)),
    ("8x8in", "letter", (203.2, 203.2)),
    ("5x7in", "a4", (127.0, 177.8)),
    ("a5", "letter", (148.0, 210.0)),
]
ODD = [(240, 100), (190, 30), (30, 200), (20, 20), (80, 80), (56, 56)]


def outer_span_mm(line: np.ndarray) -> tuple[float, float]:
    """Return the middles in mm of the first and the last stroke along a line of pixels."""
    dark = 255.0 - line.astype(float)
    places = np.flatnonzero(dark > 40)
    ends = []
    for edge in (places[0], places[-1]):
        near = slice(max(edge - 8, 0), edge + 9)
        ends.append(np.average(np.arange(near.start, near.stop) + 0.5, weights=dark[near]))
    return ends[0] / PX_PER_MM, ends[1] / PX_PER_MM


@pytest.mark.parametrize(("code", "paper", "size_mm"), CASES)
def test_the_frame_is_at_true_size(code: str, paper: str, size_mm: tuple[float, float]) -> None:
    """Within 0.2 mm both ways, measured on a render of pdfium at 600 dpi."""
    page = pictures(placement_sheet.render(BLANKS[code], paper=paper), DPI)[0]
    middle = page.shape[1] / 2 / PX_PER_MM
    # a row and a column clear of corner marks, ticks, arrow and words
    column = round((middle + 0.2 * size_mm[0]) * PX_PER_MM)
    strokes = np.flatnonzero(page[:, column] < 215)
    top = strokes[strokes > 20 * PX_PER_MM][0]
    row = top + round(0.62 * size_mm[1] * PX_PER_MM)
    left, right = outer_span_mm(page[row])
    assert right - left == pytest.approx(size_mm[0], abs=0.2)
    below = page[top - 30 : top + round((size_mm[1] + 1.5) * PX_PER_MM), column]
    first, last = outer_span_mm(below)
    assert last - first == pytest.approx(size_mm[1], abs=0.2)
    assert (left + right) / 2 == pytest.approx(middle, abs=0.2)


@pytest.mark.parametrize(("code", "paper"), [case[:2] for case in CASES])
def test_the_bar_measures_50_mm(code: str, paper: str) -> None:
    """Between the middles of its outer strokes of 0.1 mm, within 0.2 mm."""
    page = pictures(placement_sheet.render(BLANKS[code], paper=paper), DPI)[0]
    strip = page[:, round(7 * PX_PER_MM) : round(60 * PX_PER_MM)]
    # the bar is the only thing there with rows that are dark for 30 of its 50 mm
    dark_mm = (strip < 90).sum(axis=1) / PX_PER_MM
    rows = np.flatnonzero((dark_mm > 29) & (dark_mm < 32))
    dark = np.flatnonzero(strip[rows[len(rows) // 2]] < 128)
    assert (dark[-1] + 1 - dark[0]) / PX_PER_MM - 0.1 == pytest.approx(50.0, abs=0.2)


@pytest.mark.parametrize(
    ("paper", "size_mm"),
    [("letter", (215.9, 279.4)), ("a4", (210, 297)), ("a3", (297, 420)), ("a2", (420, 594))],
)
def test_the_page_is_its_paper(paper: str, size_mm: tuple[float, float]) -> None:
    """ISO 216 for the A sizes; Letter is 8.5 x 11 in (ANSI/ASME Y14.1)."""
    (size,) = page_sizes_mm(placement_sheet.render(BLANKS["6x6in"], paper=paper))
    assert size == pytest.approx(size_mm, abs=0.02)


def test_a_wide_blank_lays_the_paper_on_its_side() -> None:
    (size,) = page_sizes_mm(placement_sheet.render(Blank("w", "w", 240, 100, 10), paper="a4"))
    assert size == pytest.approx((297, 210), abs=0.02)


def test_the_sheet_says_how_to_print_and_use_it() -> None:
    data = placement_sheet.render(
        BLANKS["6x6in"],
        workshop_name="Slipway Cutting Shed",
        film_name="PET 0.19 mm",
        code="7KQ4M",
        margin_mm=9,
    )
    said = letters(texts(data)[0])
    for words in (
        "Slipway Cutting Shed · PET 0.19 mm · 7KQ4M",
        "6 × 6 in (152.4 mm)",
        "top left",
        "measure this: 50 mm",
        "Print at 100 %, no fit to page.",
        "margin of 9 mm",
        *placement_sheet.CAUTIONS,
    ):
        assert letters(words) in said, words


def test_without_a_margin_there_is_no_margin_line() -> None:
    assert "margin" not in texts(placement_sheet.render(BLANKS["6x6in"], margin_mm=0))[0]


@pytest.mark.parametrize(
    ("code", "paper", "sentence"),
    [
        (
            "8x8in",
            "a4",
            (
                "A blank of 8 × 8 in (203.2 mm) at true size does not fit on A4 paper. "
                "Print the placement sheet on Letter paper instead."
            ),
        ),
        (
            "12x12in",
            "letter",
            (
                "A blank of 12 × 12 in (304.8 mm) at true size does not fit on Letter paper. "
                "Print the placement sheet on A2 paper instead."
            ),
        ),
    ],
)
def test_a_blank_larger_than_the_paper_is_refused(code: str, paper: str, sentence: str) -> None:
    with pytest.raises(RefusedError) as refused:
        placement_sheet.render(BLANKS[code], paper=paper)
    assert refused.value.sentence == sentence


def test_a_blank_that_fits_no_paper_says_what_to_do() -> None:
    with pytest.raises(RefusedError) as refused:
        placement_sheet.render(Blank("b", "b", 900, 900, 10))
    assert refused.value.sentence.endswith("nor on any other; mark its place on the bed by hand.")


@pytest.mark.parametrize("margin_mm", [-1, 76.2, float("nan"), float("inf")])
def test_a_margin_that_leaves_nothing_is_refused(margin_mm: float) -> None:
    with pytest.raises(RefusedError) as refused:
        placement_sheet.render(BLANKS["6x6in"], margin_mm=margin_mm)
    assert refused.value.sentence == (
        "The margin must be 0 or more and less than half of the blank."
    )


def test_the_same_sheet_always_has_the_same_bytes() -> None:
    first, second = (placement_sheet.render(BLANKS["4x4in"], code="7KQ4M") for _ in range(2))
    assert first == second


@pytest.mark.parametrize("size_mm", [*ODD, *(blank.size_mm for blank in BLANKS.values())])
@pytest.mark.parametrize("paper", placement_sheet.PLACEMENT_PAPERS)
def test_words_lie_on_the_page_and_not_on_each_other(
    size_mm: tuple[float, float], paper: str
) -> None:
    blank = Blank("odd", "odd", *size_mm, 5.0)
    sheet = placement_sheet.PAPERS[paper]
    if not any(placement_sheet.fits(blank, way) for way in (sheet, sheet.turned())):
        with pytest.raises(RefusedError):
            placement_sheet.render(blank, paper=paper)
        return
    data = placement_sheet.render(
        blank, paper=paper, workshop_name="W" * 120, film_name="Wide " * 24, code="7KQ4M"
    )
    ((width, height),) = page_sizes_mm(data)
    (boxes,) = text_boxes_mm(data)
    for left, top, right, bottom in boxes:
        assert min(left, top) >= placement_sheet.EDGE_MM - 0.5
        assert right <= width - placement_sheet.EDGE_MM + 0.5
        assert bottom <= height - placement_sheet.EDGE_MM + 0.5
    assert overlaps(boxes) == []
