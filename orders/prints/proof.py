"""The proof: a drawing as it would be cut, at true size, to look at and to mend by pen.

It is laid out as a drawing sheet is, with the same corner marks, and carries a code below the
blank that names the drawing and the version. Mended with a white and a black pen, photographed and
put in, it comes back as the next version. What is printed inside the frame besides the drawing
is so pale that it is never read as ink. A blank that is larger than the paper is printed in parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from reportlab.lib.colors import Color, HexColor

from geometry import markers
from geometry.limits import Blank
from geometry.printed_code import CODE_MM, QUIET_MM, code_corner_mm
from geometry.stencil import Stencil
from geometry.units import MM_PER_INCH
from orders.templatetags.holdfast import SEVERITY_WORDS, size_words

from . import proof_parts
from .drawing_sheet import draw_markers
from .lettering import Style, break_lines, printable, width_mm
from .page import (
    BLACK,
    HAIR,
    INK,
    PAINT,
    PENCIL,
    Document,
    Page,
    Paper,
    make_code,
    paper_named,
)
from .proof_marks import PrintedMark, place_numbers

PROOF_PAPERS: Final = ("letter", "a4")

EDGE_MM: Final = 6.0  # what desktop printers leave white; common practice, no source
HEAD_MM: Final = 14.0
BELOW_MM: Final = markers.GAP_MM + 1.0 + CODE_MM + QUIET_MM  # code, bars and words
DOT_MM: Final = 0.4  # 0.13 mm2
DOTS_APART_MM: Final = 1.3
RING_MM: Final = 1.2
PALE: Final[Color] = HexColor("#d2cdc3")  # paper to the check, a line to the eye
WHITE: Final[Color] = HexColor("#ffffff")

HEADING: Final = Style("display", 14, 1.1)
BOLD: Final = Style("bold", 9.5)
NUMBER: Final = Style("bold", 8)
TEXT: Final = Style("text", 8.2, 1.28)
SMALL: Final = Style("text", 7.2, 1.25)
TINY: Final = Style("text", 6.2, 1.18)

MEND: Final = (
    "Mend it here: white over black with a correction pen or a white paint pen, black with a "
    "marker. Then scan or photograph the sheet with all four corner marks and put the picture in, "
    "in the browser that printed it or on the drawing’s page."
)
MEASURE: Final = "measure: 50 mm, 2 in; print at 100 %"

Point = tuple[float, float]


@dataclass(frozen=True)
class Printed:
    """What a proof is made of: words, the stencil, its findings (as in the report), the address."""

    title: str
    version_words: str
    blank: Blank
    stencil: Stencil
    findings: Sequence[dict[str, Any]]
    address: str
    workshop_name: str = ""


def render(printed: Printed, *, paper: str = "letter") -> bytes:
    """Return the proof as a PDF at true size; same input, same bytes.

    paper is "letter" or "a4". A blank that does not fit on it, with its corner marks, is printed
    in parts that overlap. Raises RefusedError for another paper.
    """
    sheet = paper_named(paper, PROOF_PAPERS)
    document = Document(sheet, f"Proof of {printable(printed.title)}", printed.workshop_name)
    if not fits(printed.blank, sheet):
        proof_parts.draw(document, sheet, printed)
        return document.to_bytes()
    page = document.new_page()
    left = (sheet.width_mm - printed.blank.width_mm) / 2
    spare = sheet.height_mm - height_mm(printed.blank)
    top = top_mm(spare)
    marks = place_numbers(_gravest(printed.findings), printed.blank, left - EDGE_MM)
    _head(page, printed)
    _drawing(page, left, top, printed, marks)
    below = top + printed.blank.height_mm
    _code(page, left, top, printed)
    _bars(page, _column(sheet)[0], below + markers.GAP_MM + markers.MARKER_MM + 3.0)
    under = _mend_words(page, left, below, printed.blank, roomy=spare >= 25)
    list_findings(document, page, under, printed, marks)
    return document.to_bytes()


def fits(blank: Blank, paper: Paper) -> bool:
    """Whether a blank goes on a paper with its corner marks, its code and what stands round it."""
    return (
        blank.code in markers.SHEETS
        and blank.width_mm <= paper.width_mm - 2 * EDGE_MM + 1e-6
        and height_mm(blank) <= paper.height_mm + 1e-6
    )


def top_mm(spare_mm: float) -> float:
    """Return how far below the paper's edge the blank begins, with so much height to spare."""
    return EDGE_MM + HEAD_MM + min(6.0, spare_mm / 4) + markers.MARKER_MM + markers.GAP_MM


def height_mm(blank: Blank) -> float:
    """Return the least height of a paper that holds a blank with all that stands round it."""
    above = HEAD_MM + markers.MARKER_MM + markers.GAP_MM
    return 2 * EDGE_MM + above + blank.height_mm + BELOW_MM


def _gravest(findings: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    order = list(SEVERITY_WORDS)
    return sorted(findings, key=lambda found: (order.index(found["severity"]), found["id"]))


def _column(paper: Paper) -> tuple[float, float]:
    """Return (left, width) of what is written."""
    width = min(160.0, paper.width_mm - 2 * EDGE_MM - 4)
    return (paper.width_mm - width) / 2, width


def _head(page: Page, printed: Printed) -> None:
    """Whose drawing, which version, how large."""
    left, width = _column(page.paper)
    size = size_words(printed.blank)
    room = width - width_mm(size, BOLD) - 6
    title = break_lines(f"“{printable(printed.title)}”", BOLD, room)
    bottom = page.lines(left, EDGE_MM, ["Proof, true size"], HEADING)
    page.lines(left + width, EDGE_MM + 0.6, [size], BOLD, colour=PAINT, align="right")
    page.lines(left, bottom + 0.2, title[:1], BOLD)
    told = " · ".join(part for part in (printed.version_words, printed.workshop_name) if part)
    line = break_lines(printable(told), SMALL, width / 2)[:1]
    page.lines(left + width, bottom + 0.8, line, SMALL, colour=PENCIL, align="right")


def _drawing(
    page: Page, left: float, top: float, printed: Printed, marks: Sequence[PrintedMark]
) -> None:
    """The blank in its frame: pale lines first, the drawing over them, numbers outside."""
    blank, out = printed.blank, markers.FRAME_MM / 2
    draw_margin(page, left, top, blank)
    for mark in marks:
        spot = (left + mark.at[0], top + mark.at[1])
        draw_lead(page, (left + mark.x, top + mark.y), spot, (left, top, blank))
    page.rings(left, top, rings_of(printed.stencil), colour=BLACK)
    frame = (left - out, top - out, blank.width_mm + 2 * out, blank.height_mm + 2 * out)
    page.box(*frame, stroke_mm=markers.FRAME_MM)
    draw_markers(page, left, top, blank)
    for mark in marks:
        draw_number(page, left + mark.x, top + mark.y, mark.number, mark.severity)


def draw_margin(page: Page, left: float, top: float, blank: Blank) -> None:
    """The margin as a pale dashed line, as on a drawing sheet, where it is lifted out again."""
    margin = blank.margin_mm
    width, height = (side - 2 * margin for side in blank.size_mm)
    page.box(
        left + margin,
        top + margin,
        width,
        height,
        stroke_mm=markers.LINE_MM,
        colour=PALE,
        dash_mm=(2, 1.5),
    )


def draw_lead(page: Page, start: Point, end: Point, blank: tuple[float, float, Blank]) -> None:
    """Lead from a number to a place: a line up to the frame, pale dots inside of it.

    A dot is smaller than what the check cleans away as a speck (0.2 mm2), so that even a dark
    photograph makes no cut of it.
    """
    left, top, size = blank
    length = math.dist(start, end)
    count = max(1, round(length / DOTS_APART_MM))
    points = [
        (start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1]))
        for share in (number / count for number in range(count + 1))
    ]
    points = [at for at in points if math.dist(at, end) > RING_MM + 0.6]
    outside = [at for at in points if not _is_inside(at, left, top, size)]
    if len(outside) > 1:
        page.line(outside[0], outside[-1], stroke_mm=0.2, colour=HAIR)
    turns = [math.tau * number / 7 for number in range(7)]
    ring = [(end[0] + RING_MM * math.cos(t), end[1] + RING_MM * math.sin(t)) for t in turns]
    for at in (*points[len(outside) :], *ring):
        if _is_inside(at, left, top, size):
            page.disc(*at, DOT_MM / 2, fill=PALE)


def _is_inside(at: Point, left: float, top: float, blank: Blank) -> bool:
    rim = 1.0  # clear of the frame, as far as the check does not look
    x, y = at[0] - left, at[1] - top
    return rim < x < blank.width_mm - rim and rim < y < blank.height_mm - rim


def draw_number(page: Page, x: float, y: float, number: int, severity: str) -> None:
    """A finding's number on white: black on a box for what must be mended, else a thin ring."""
    if severity == "reject":
        page.box(x - 2.4, y - 2.4, 4.8, 4.8, stroke_mm=0.5, colour=INK, fill=WHITE)
    else:
        page.disc(x, y, 2.5, fill=HAIR)
        page.disc(x, y, 2.3, fill=WHITE)
    page.words(x, y + 1.0, str(number), NUMBER, align="centre")


def rings_of(stencil: Stencil) -> list[list[list[tuple[float, float]]]]:
    """Return the openings as lists of rings of points."""
    return [
        [[(x, y) for x, y in ring.coords[:-1]] for ring in (opening.exterior, *opening.interiors)]
        for opening in stencil.openings
    ]


def _code(page: Page, left: float, top: float, printed: Printed) -> None:
    x, y = code_corner_mm(printed.blank)
    page.code(left + x, top + y, CODE_MM, make_code(printed.address))


def _bars(page: Page, left: float, top: float) -> None:
    """A bar in mm above one in inches; together they prove the scale."""
    for bar, (length, step) in enumerate(((50.0, 10.0), (2 * MM_PER_INCH, MM_PER_INCH / 2))):
        y = top + bar * 3.2
        for number in range(round(length / step)):
            fill = INK if number % 2 == 0 else None
            page.box(left + number * step, y, step, 1.6, stroke_mm=0.1, fill=fill)
    page.lines(left, top + 5.6, [MEASURE], SMALL)


def _mend_words(page: Page, left: float, below: float, blank: Blank, *, roomy: bool) -> float:
    """How to mend it and send it in: below the code, or right of it where the page is full.

    Returns where what was found begins.
    """
    column_left, width = _column(page.paper)
    under = below + BELOW_MM + 3.0
    if roomy:
        return page.lines(column_left, under, break_lines(MEND, TEXT, width), TEXT) + 3.0
    x = left + code_corner_mm(blank)[0] + CODE_MM + QUIET_MM + 1
    words = break_lines(MEND, TINY, column_left + width - x)
    page.lines(x, under - 14.0, words, TINY, colour=PENCIL)
    return under


def list_findings(
    document: Document,
    page: Page,
    top: float,
    printed: Printed,
    marks: Sequence[PrintedMark],
) -> None:
    """Tell every finding in words, over as many pages as they need."""
    left, width = _column(page.paper)
    bottom = page.paper.height_mm - EDGE_MM - 1
    if not printed.findings:
        page.lines(left, top, ["Nothing to mend was found."], TEXT)
        return
    shown = {mark.number for mark in marks}
    for finding in _gravest(printed.findings):
        words = f"{finding['message']} {finding.get('remedy') or ''}".strip()
        word = SEVERITY_WORDS[finding["severity"]].capitalize()
        lines = break_lines(printable(f"{word}: {words}"), TEXT, width - 9)
        if top + len(lines) * TEXT.line_mm > bottom:
            page = document.new_page()
            top = page.lines(left, EDGE_MM + 2, [f"“{printable(printed.title)}”, found"], BOLD) + 3
        label = str(finding["id"]) if finding["id"] in shown else f"({finding['id']})"
        page.words(left + 5, top + TEXT.rise_mm, label, NUMBER, align="right")
        top = page.lines(left + 8, top, lines, TEXT) + 1.1
