"""The proof, read back from its PDF by readers that had no part in writing it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
import zxingcpp
from shapely.geometry import Polygon

from geometry.check import check
from geometry.limits import BLANKS
from geometry.markers import SHEETS, find_sheet
from geometry.paper_lines import Overview
from geometry.printed_code import read_printed_code
from geometry.recipe import Recipe
from geometry.stencil import Stencil
from orders.errors import RefusedError
from orders.prints import proof
from orders.prints.page import PAPERS
from orders.prints.proof_marks import place_numbers
from orders.prints.proof_offer import offers
from orders.prints.proof_parts import OVERLAP_MM, parts_of
from tests.prints.reading import overlaps, page_sizes_mm, pictures, text_boxes_mm, texts

ADDRESS = "https://holdfast.harbour.example/drawing/Qm3x9A0bCdEfGhIjKlMnOp/?v=3"
WHOLE = [
    (code, paper)
    for code in SHEETS
    for paper in proof.PROOF_PAPERS
    if proof.fits(BLANKS[code], PAPERS[paper])
]


def printed(code: str, findings: int = 3, title: str = "Tide snail") -> proof.Printed:
    """A blank with a square opening of 20 mm at its middle, and findings in a row."""
    blank = BLANKS[code]
    x, y = (side / 2 for side in blank.size_mm)
    square = Polygon([(x - 10, y - 10), (x + 10, y - 10), (x + 10, y + 10), (x - 10, y + 10)])
    found: list[dict[str, Any]] = [
        {
            "id": number,
            "severity": ("reject", "warn", "note")[number % 3],
            "at_mm": [x - 8 + number, y + 14.0],
            "message": f"The film at place {number} will fall out.",
            "remedy": "Leave a white gap of 1.5 mm.",
        }
        for number in range(1, findings + 1)
    ]
    stencil = Stencil(blank.size_mm, "stencil", (square,))
    return proof.Printed(title, "version 3", blank, stencil, found, ADDRESS, "Kelp Lane Shed")


@pytest.mark.parametrize(("code", "paper"), WHOLE)
def test_the_drawing_is_at_true_size_and_its_code_is_read(code: str, paper: str) -> None:
    """Sizes by pdfium within 0.1 mm, the code by zxing-cpp at 150 dpi."""
    given = printed(code)
    data = proof.render(given, paper=paper)
    sides = sorted(page_sizes_mm(data)[0])
    want = sorted((PAPERS[paper].width_mm, PAPERS[paper].height_mm))
    assert sides == pytest.approx(want, abs=0.1)
    assert [code.text for code in zxingcpp.read_barcodes(pictures(data, 150)[0])] == [ADDRESS]
    page = pictures(data, 300)[0]
    sheet = find_sheet(Overview(page))
    assert sheet is not None
    assert sheet.blank == given.blank
    assert read_printed_code(page, sheet.corners_px, sheet.blank) == ADDRESS
    px_per_mm = 300 / 25.4  # NIST SP 811
    left, top = sheet.corners_px[0] + 0.5
    x, y = (side / 2 * px_per_mm for side in given.blank.size_mm)
    row = page[round(top + y), round(left + x - 15 * px_per_mm) : round(left + x + 15 * px_per_mm)]
    assert (row < 128).sum() / px_per_mm == pytest.approx(20.0, abs=0.1)


@pytest.mark.parametrize(("code", "paper"), WHOLE)
def test_words_lie_on_the_page_clear_of_each_other(code: str, paper: str) -> None:
    data = proof.render(printed(code, findings=12), paper=paper)
    for (width, height), boxes in zip(page_sizes_mm(data), text_boxes_mm(data), strict=True):
        assert overlaps(boxes) == []
        for left, top, right, bottom in boxes:
            assert min(left, top, width - right, height - bottom) >= 5.0
    told = " ".join(texts(data))
    assert all(f"place {number} will fall out" in told for number in range(1, 13))
    assert "Must be mended" in told


@pytest.mark.parametrize("code", SHEETS)
def test_only_the_drawing_is_ink_when_the_sheet_comes_back(code: str, tmp_path: Any) -> None:
    """Scanned at 300 dpi, half as light, the numbers, dots and margin line are no opening."""
    paper = next(paper for other, paper in WHOLE if other == code)
    page = pictures(proof.render(printed(code, findings=9), paper=paper), 300)[0]
    blank = BLANKS[code]
    recipe = Recipe(paper_mm=blank.size_mm, blank_mm=blank.size_mm)
    for name, share in (("light", 0.95), ("dim", 0.5)):
        noise = np.random.default_rng(1).normal(0, 2, page.shape)
        grey = cv2.GaussianBlur(page, (0, 0), 0.8) * share + noise
        path = tmp_path / f"{name}.png"
        cv2.imwrite(str(path), np.clip(grey, 0, 255).astype(np.uint8))
        checked = check(path, recipe)
        assert checked.stencil is not None
        assert len(checked.stencil.openings) == 1
        assert checked.stencil.openings[0].area == pytest.approx(400, rel=0.01)


def test_a_large_blank_is_printed_in_parts_that_cover_it() -> None:
    for code, paper in (
        ("12x12in", "letter"),
        ("12x12in", "a4"),
        ("a4", "letter"),
        ("8x8in", "a4"),
    ):
        blank, sheet = BLANKS[code], PAPERS[paper]
        parts = parts_of(blank, sheet)
        data = proof.render(printed(code), paper=paper)
        assert len(page_sizes_mm(data)) == len(parts) + 1
        assert f"part A1 of A1 to {parts[-1].name}" in texts(data)[0]
        assert "is mended on its own paper" in texts(data)[-1]
        assert max(part.x + part.width for part in parts) == pytest.approx(blank.width_mm)
        assert max(part.y + part.height for part in parts) == pytest.approx(blank.height_mm)
        for part in parts:
            assert part.width <= sheet.width_mm - 12 + 1e-6
            if part.x:
                beside = next(o for o in parts if o.y == part.y and o.x < part.x)
                assert beside.x + beside.width - part.x == pytest.approx(OVERLAP_MM)


def test_the_papers_offered_are_those_that_hold_it() -> None:
    for blank in BLANKS.values():
        for offer in offers(blank):
            assert offer.in_parts is not proof.fits(blank, PAPERS[offer.paper]), blank.code


def test_numbers_keep_apart_and_their_lines_do_not_cross() -> None:
    blank = BLANKS["6x6in"]
    random = np.random.default_rng(4)
    found = [
        {"id": number, "severity": "warn", "at_mm": random.uniform(10, 140, 2).tolist()}
        for number in range(40)
    ]
    marks = place_numbers(found, blank, 25.0)
    assert len(marks) == 40
    spots = np.array([(mark.x, mark.y) for mark in marks])
    apart = np.linalg.norm(spots[:, None] - spots[None], axis=2) + 99 * np.eye(40)
    assert apart.min() > 5.0
    for mark in marks:
        assert not (0 < mark.x < blank.width_mm and 0 < mark.y < blank.height_mm)
    from shapely import LineString

    lines = [LineString([(mark.x, mark.y), mark.at]) for mark in marks]
    assert not any(a.crosses(b) for i, a in enumerate(lines) for b in lines[:i])


def test_any_title_is_printed_and_a_strange_paper_refused() -> None:
    long = printed("6x6in", title="قنديل البحر " * 12)
    assert proof.render(long) == proof.render(long)
    assert "Nothing to mend was found." in texts(proof.render(printed("4x4in", findings=0)))[0]
    with pytest.raises(RefusedError, match="not known here"):
        proof.render(printed("6x6in"), paper="a2")
