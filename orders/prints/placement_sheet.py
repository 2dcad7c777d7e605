"""The placement sheet: at true size, where a blank lies on the laser's bed.

Used with film that is already cut to size: one blank at a time lies in the printed frame, and
nothing cuts its outline.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from geometry.limits import Blank
from orders.errors import RefusedError
from orders.templatetags.holdfast import size_words

from .lettering import Style, break_lines, printable
from .page import INK, PAINT, PAPERS, PENCIL, Document, Page, Paper, paper_named

PLACEMENT_PAPERS: Final = ("letter", "a4", "a3", "a2")

EDGE_MM: Final = 6.0  # what desktop printers leave white; common practice, no source
HEAD_MM: Final = 24.0  # above the frame
FOOT_MM: Final = 44.0  # below the frame: ruler and cautions
RULER_MM: Final = 50.0

HEADING: Final = Style("display", 19, 1.15)
BOLD: Final = Style("bold", 9.5)
TEXT: Final = Style("text", 8.5)
SMALL: Final = Style("text", 7.2, 1.28)

# The cautions of this site, those that bear on this sheet first.
CAUTIONS: Final = (
    "Paper under the beam can burn. This sheet comes out, or lies flat, as the manual says.",
    "Film only by its maker's data sheet. Never PVC or vinyl, no unknown plastics.",
    "Extraction on. Never unattended. Extinguisher at hand. Clear scrap from the tray.",
    "The machine's manual and the local rules govern; this sheet does not replace them.",
)
ORIGIN: Final = "0, 0 of the cut file"
MEASURE: Final = (
    "Then measure the bar, and the frame both ways. If one is off, do not use this sheet."
)
# Below this side the words stand beside the frame and not inside.
SMALL_BLANK_MM: Final = 55.0
BESIDE_MM: Final = 45.0  # what the words need beside the frame


def render(
    blank: Blank,
    *,
    paper: str = "letter",
    workshop_name: str = "",
    film_name: str = "",
    margin_mm: float | None = None,
    code: str = "",
) -> bytes:
    """Return the placement sheet of a blank as a PDF at true size; same input, same bytes.

    paper is "letter", "a4", "a3" or "a2"; it is laid on its side where only that fits. margin_mm
    is the blank's own unless given; 0 draws no margin line. Raises RefusedError with one
    sentence when the blank does not fit (naming a paper that would do) or the margin is wrong.
    """
    margin = blank.margin_mm if margin_mm is None else float(margin_mm)
    if not (math.isfinite(margin) and 0 <= margin < min(blank.size_mm) / 2):
        raise RefusedError("The margin must be 0 or more and less than half of the blank.")
    sheet = _fitting(blank, paper_named(paper, PLACEMENT_PAPERS))
    document = Document(sheet, f"Placement sheet {size_words(blank)}", workshop_name or "Holdfast")
    page = document.new_page()
    spare = sheet.height_mm - HEAD_MM - blank.height_mm - FOOT_MM
    roomy = spare >= 30
    top = HEAD_MM + (min(20.0, spare / 4) if roomy else 0.0)
    left = (sheet.width_mm - blank.width_mm) / 2
    _head(page, blank, [text for text in (workshop_name, film_name, code) if text])
    _frame(page, left, top, blank)
    _margin(page, left, top, blank, margin)
    told = [f"Lay the blank here: {blank.width_mm:g} × {blank.height_mm:g} mm"]
    told += [f"dashed: margin of {margin:g} mm, no opening outside it"] if margin else []
    if min(blank.size_mm) >= SMALL_BLANK_MM:
        _inside(page, left, top, blank, margin, told)
    elif left >= BESIDE_MM:
        _beside(page, left, top, blank, told)
    else:
        _above(page, left, top, told)
    _foot(page, top + blank.height_mm, replace(SMALL, size_pt=9.5) if roomy else SMALL)
    return document.to_bytes()


def fits(blank: Blank, paper: Paper) -> bool:
    """Whether a blank's frame, with the words above and below it, goes on a paper as it lies."""
    return (
        blank.width_mm <= paper.width_mm - 2 * EDGE_MM + 1e-6
        and blank.height_mm <= paper.height_mm - HEAD_MM - FOOT_MM + 1e-6
    )


def _fitting(blank: Blank, paper: Paper) -> Paper:
    """Return the paper, upright if the blank fits so, else on its side."""
    for way in (paper, paper.turned()):
        if fits(blank, way):
            return way
    others = [PAPERS[code] for code in PLACEMENT_PAPERS]
    larger = next((p for p in others if fits(blank, p) or fits(blank, p.turned())), None)
    start = f"A blank of {size_words(blank)} at true size does not fit on {paper.name} paper"
    if larger is None:
        raise RefusedError(f"{start}, nor on any other; mark its place on the bed by hand.")
    raise RefusedError(f"{start}. Print the placement sheet on {larger.name} paper instead.")


def _head(page: Page, blank: Blank, told: list[str]) -> None:
    """Name of the sheet, size of the blank, and whose it is."""
    left, right = EDGE_MM + 2, page.paper.width_mm - EDGE_MM - 2
    page.lines(left, EDGE_MM, ["Placement sheet"], HEADING)
    page.lines(right, EDGE_MM + 1.2, [size_words(blank)], BOLD, colour=PAINT, align="right")
    told = [printable(part) for part in told]
    for size_pt in (SMALL.size_pt, 6.0, 5.0):  # long names go smaller before they reach the frame
        style = replace(SMALL, size_pt=size_pt)
        words = break_lines(" · ".join(told), style, right - left)
        if EDGE_MM + 8.2 + len(words) * style.line_mm < HEAD_MM - 1.5:
            break
    page.lines(left, EDGE_MM + 8.2, words, style, colour=PENCIL)


def _frame(page: Page, left: float, top: float, blank: Blank) -> None:
    """The frame with its corner marks, and ticks at the middle of each side."""
    right, bottom = left + blank.width_mm, top + blank.height_mm
    page.box(left, top, blank.width_mm, blank.height_mm, stroke_mm=0.2)
    reach = min(14.0, min(blank.size_mm) / 5)
    out = 0.45  # half the thick stroke and half the thin one: its inner edge touches the frame
    for x, across in ((left - out, 1), (right + out, -1)):
        for y, down in ((top - out, 1), (bottom + out, -1)):
            page.line((x - across * 0.35, y), (x + across * reach, y), stroke_mm=0.7)
            page.line((x, y), (x, y + down * reach), stroke_mm=0.7)
    middle_x, middle_y = left + blank.width_mm / 2, top + blank.height_mm / 2
    for y, inward in ((top, 1), (bottom, -1)):
        page.line((middle_x, y), (middle_x, y + inward * 4), stroke_mm=0.2)
    for x, inward in ((left, 1), (right, -1)):
        page.line((x, middle_y), (x + inward * 4, middle_y), stroke_mm=0.2)
    page.line((middle_x - 5, middle_y), (middle_x + 5, middle_y), stroke_mm=0.2)
    page.line((middle_x, middle_y - 5), (middle_x, middle_y + 5), stroke_mm=0.2)


def _margin(page: Page, left: float, top: float, blank: Blank, margin: float) -> None:
    """The dashed line that no opening may cross."""
    if margin:
        width, height = (side - 2 * margin for side in blank.size_mm)
        box = (left + margin, top + margin, width, height)
        page.box(*box, stroke_mm=0.2, colour=PENCIL, dash_mm=(2, 1.5))


def _inside(
    page: Page, left: float, top: float, blank: Blank, margin: float, told: list[str]
) -> None:
    """The arrow to the top left corner and what lies here, inside the frame."""
    inset = max(margin + 3, 7.0)
    if min(blank.size_mm) - 2 * inset < BESIDE_MM:
        inset = 7.0  # a wide margin leaves no room: the words lie across its line
    _arrow(page, (left + inset, top + inset), (left + 1.5, top + 1.5))
    at, first = left + inset + 1, top + inset - 1.2
    below = page.lines(at, first, ["top left"], BOLD, colour=PAINT)
    page.lines(at, below, [ORIGIN], SMALL, colour=PENCIL)
    room = blank.width_mm - 2 * inset
    lines = [line for part in told for line in break_lines(part, SMALL, room)]
    bottom = top + blank.height_mm - inset - len(lines) * SMALL.line_mm
    middle = left + blank.width_mm / 2
    page.lines(middle, bottom, lines, SMALL, colour=PENCIL, align="centre")


def _beside(page: Page, left: float, top: float, blank: Blank, told: list[str]) -> None:
    """The same beside the frame of a small blank."""
    _arrow(page, (left - 9, top - 3.5), (left - 1.2, top - 0.4))
    below = page.lines(left - 10, top - 6, ["top left"], BOLD, colour=PAINT, align="right")
    page.lines(left - 10, below, [ORIGIN], SMALL, colour=PENCIL, align="right")
    right = left + blank.width_mm + 5
    room = page.paper.width_mm - EDGE_MM - right
    y = top + blank.height_mm / 2 - 3
    for part in told:
        y = page.lines(right, y, break_lines(part, SMALL, room), SMALL, colour=PENCIL)


def _above(page: Page, left: float, top: float, told: list[str]) -> None:
    """The same above the frame of a low, wide blank, where the page has room."""
    _arrow(page, (left + 5, top - 7), (left + 0.5, top - 0.8))
    page.lines(left + 6, top - 11.5, ["top left"], BOLD, colour=PAINT)
    page.lines(left + 6, top - 7, [ORIGIN], SMALL, colour=PENCIL)
    page.lines(left + 40, top - 10.2, told, SMALL, colour=PENCIL)


def _arrow(page: Page, tail: tuple[float, float], tip: tuple[float, float]) -> None:
    """An arrow with a filled head of 4 mm."""
    length = math.dist(tail, tip)
    along = ((tip[0] - tail[0]) / length, (tip[1] - tail[1]) / length)
    neck = (tip[0] - 3.6 * along[0], tip[1] - 3.6 * along[1])
    page.line(tail, neck, stroke_mm=0.6, colour=PAINT)
    wings = [(neck[0] - side * along[1], neck[1] + side * along[0]) for side in (-1.4, 1.4)]
    page.shape([tip, *wings], colour=PAINT)


def _foot(page: Page, top: float, style: Style) -> None:
    """The ruler that proves the scale, how to print, and the cautions."""
    left, right = EDGE_MM + 2, page.paper.width_mm - EDGE_MM - 2
    _ruler(page, left, top + 6)
    at = left + RULER_MM + 8
    below = page.lines(at, top + 4.2, ["Print at 100 %, no fit to page."], BOLD)
    page.lines(at, below, break_lines(MEASURE, SMALL, right - at), SMALL)
    columns = (CAUTIONS[:2], CAUTIONS[2:])
    each = (right - left - 10) / 2
    box, tall = top + 18, 0.0
    for number, sentences in enumerate(columns):
        x, y = left + 2 + number * (each + 6), box + 2
        for sentence in sentences:
            page.lines(x, y, ["–"], style)
            y = page.lines(x + 3, y, break_lines(sentence, style, each - 3), style) + 0.4
        tall = max(tall, y - box + 1.4)
    page.cut_line(left - 1, box, right - left + 2, tall, bridge_mm=10)


def _ruler(page: Page, left: float, top: float) -> None:
    """A bar of 50 mm, in tens black and white, with ticks each 10 mm."""
    for number in range(5):
        fill = INK if number % 2 == 0 else None
        page.box(left + number * 10, top, 10, 2, stroke_mm=0.1, fill=fill)
    for number in range(6):
        x = left + number * 10
        page.line((x, top), (x, top - 1.6), stroke_mm=0.1)
    words = break_lines("measure this: 50 mm", TEXT, RULER_MM)
    page.lines(left, top + 2.4, words, TEXT)
