"""The drawing sheet, read back from its render as the check reads a scan of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from geometry.limits import BLANKS
from geometry.markers import SHEETS, find_sheet
from geometry.paper_lines import Overview
from orders.errors import RefusedError
from orders.prints import drawing_sheet
from tests.prints.reading import overlaps, page_sizes_mm, pictures, text_boxes_mm, texts

DPI = 300
PX_PER_MM = DPI / 25.4  # an inch is 25.4 mm (NIST SP 811)
CASES = [(blank.code, paper) for blank, papers in drawing_sheet.sheets() for paper in papers]


def test_every_blank_that_fits_a_paper_has_a_sheet() -> None:
    assert {code for code, _ in CASES} == set(SHEETS)
    assert ("8x8in", "letter") in CASES
    assert ("8x8in", "a4") not in CASES, "203.2 mm leave 3.4 mm on both sides of A4"


@pytest.mark.parametrize(("code", "paper"), CASES)
def test_the_print_is_found_at_true_size(code: str, paper: str) -> None:
    """A render of pdfium at 300 dpi, which puts edges on whole pixels of 0.085 mm."""
    blank = BLANKS[code]
    page = pictures(drawing_sheet.render(blank, paper=paper), DPI)[0]
    sheet = find_sheet(Overview(page))
    assert sheet is not None
    assert sheet.blank == blank
    sides = np.linalg.norm(np.roll(sheet.corners_px, -1, axis=0) - sheet.corners_px, axis=1)
    assert sides / PX_PER_MM == pytest.approx(np.tile(blank.size_mm, 2), abs=0.12)
    # just outside the blank's edges lies the frame, just inside nothing
    middle = sheet.corners_px.mean(axis=0)
    for start, end in zip(sheet.corners_px, np.roll(sheet.corners_px, -1, axis=0), strict=True):
        out = ((start + end) / 2 - middle) / np.linalg.norm((start + end) / 2 - middle)
        share = np.linspace(0.1, 0.9, 50)[:, None]
        for beyond_mm, dark in ((0.17, True), (-0.4, False)):
            at = start + share * (end - start) + beyond_mm * PX_PER_MM * out
            values = cv2.remap(page, *at.astype(np.float32)[None].transpose(2, 0, 1), 1)
            assert ((values < 150) if dark else (values > 200)).all()


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_ruler_is_50_mm_and_says_how_to_print(paper: str) -> None:
    data = drawing_sheet.render(BLANKS["6x6in"], paper=paper)
    page = pictures(data, 600)[0]
    px_per_mm = 600 / 25.4
    left = round(((page.shape[1] / px_per_mm - 152.4) / 2 - 1) * px_per_mm)
    strip = page[:, left : left + round(53 * px_per_mm)]
    # the bar is the only thing there with rows that are dark for 30 of its 50 mm
    dark_mm = (strip < 90).sum(axis=1) / px_per_mm
    rows = np.flatnonzero((dark_mm > 29) & (dark_mm < 32))
    dark = np.flatnonzero(strip[rows[len(rows) // 2]] < 128)
    assert (dark[-1] + 1 - dark[0]) / px_per_mm - 0.1 == pytest.approx(50.0, abs=0.1)
    assert "measure this: 50 mm, print at 100 %" in texts(data)[0]


@pytest.mark.parametrize(("code", "paper"), CASES)
def test_the_words_lie_on_the_page_clear_of_each_other(code: str, paper: str) -> None:
    data = drawing_sheet.render(BLANKS[code], paper=paper, workshop_name="Kelp Lane Workshop")
    (width, height), boxes = page_sizes_mm(data)[0], text_boxes_mm(data)[0]
    assert overlaps(boxes) == []
    for left, top, right, bottom in boxes:
        assert min(left, top, width - right, height - bottom) >= 5.5


def test_a_blank_too_large_or_unknown_is_refused_in_one_sentence() -> None:
    with pytest.raises(RefusedError, match="Print it on Letter paper"):
        drawing_sheet.render(BLANKS["8x8in"], paper="a4")
    with pytest.raises(RefusedError, match="white paper of that size"):
        drawing_sheet.render(BLANKS["12x12in"])
    with pytest.raises(RefusedError, match="not known here"):
        drawing_sheet.render(BLANKS["6x6in"], paper="a2")


def test_the_same_sheet_is_always_the_same_bytes() -> None:
    first, second = (drawing_sheet.render(BLANKS["4x4in"]) for _ in range(2))
    assert first == second
