"""The drawing sheet: paper to draw on whose corner marks tell the check where and how large it is.

Frame, margin, ruler and marks are printed at true size. The check finds the marks in a photograph
or a scan and straightens by them, however it was taken; none of what is printed here is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from reportlab.lib.colors import Color, HexColor

from geometry import markers
from geometry.limits import BLANKS, Blank
from orders.errors import RefusedError
from orders.templatetags.holdfast import size_words

from .lettering import Style, break_lines, printable
from .page import BLACK, HAIR, INK, PAINT, PAPERS, PENCIL, Document, Page, Paper, paper_named

SHEET_PAPERS: Final = ("letter", "a4")

EDGE_MM: Final = 6.0  # what desktop printers leave white; common practice, no source
HEAD_MM: Final = 12.0  # name and size
FOOT_MM: Final = 14.5  # ruler and how to use it
RULER_MM: Final = 50.0
COLUMN_MM: Final = 150.0  # the words are at least this wide
SHOWN_PX_PER_MM: Final = 0.55
OVERLAP_MM: Final = 0.02  # so that no viewer shows a seam between two squares of a marker
WHITE: Final[Color] = HexColor("#ffffff")

HEADING: Final = Style("display", 15, 1.1)
BOLD: Final = Style("bold", 9.5)
SMALL: Final = Style("text", 7.2, 1.28)

MEASURE: Final = "measure this: 50 mm, print at 100 %"
DRAW: Final = "Black pen, lines of 1 mm or more, and leave bridges. Stay inside the dashed line."
SEND: Final = (
    "Photograph or scan it flat, all four corner marks in view. What is printed here is not cut."
)


def render(blank: Blank, *, paper: str = "letter", workshop_name: str = "") -> bytes:
    """Return the drawing sheet of a blank as a PDF at true size; same input, same bytes.

    paper is "letter" or "a4"; it is laid on its side where only that fits. Raises RefusedError
    with one sentence when the blank does not fit on it or has no sheet.
    """
    sheet = _fitting(blank, paper_named(paper, SHEET_PAPERS))
    document = Document(sheet, f"Drawing sheet {size_words(blank)}", workshop_name or "Holdfast")
    page = document.new_page()
    left = (sheet.width_mm - blank.width_mm) / 2
    top = _top_mm(blank, sheet)
    column = min(max(blank.width_mm, COLUMN_MM), sheet.width_mm - 2 * EDGE_MM)
    beside = (sheet.width_mm - column) / 2
    above = top - markers.GAP_MM - markers.MARKER_MM - HEAD_MM
    below = top + blank.height_mm + markers.GAP_MM + markers.MARKER_MM
    _head(page, beside, above, column, blank, workshop_name)
    _blank(page, left, top, blank)
    draw_markers(page, left, top, blank)
    _foot(page, beside, below + 4.0, column)
    return document.to_bytes()


def sheets() -> list[tuple[Blank, list[str]]]:
    """Return every blank that has a drawing sheet, and the papers that it fits on."""
    found = []
    for code in markers.SHEETS:
        papers = [paper for paper in SHEET_PAPERS if _way(BLANKS[code], PAPERS[paper])]
        if papers:
            found.append((BLANKS[code], papers))
    return found


@dataclass(frozen=True)
class Frame:
    """Where a sheet's frame and corner marks lie on its paper, in mm; and the paper's size in px.

    Sheets are shown beside each other at one scale.
    """

    paper_name: str
    paper_mm: tuple[float, float]
    left: float
    top: float
    marks: list[tuple[float, float]]

    @property
    def paper_px(self) -> tuple[int, int]:
        """Size in a list of sheets."""
        width, height = (round(side * SHOWN_PX_PER_MM) for side in self.paper_mm)
        return width, height


def frame_of(blank: Blank, paper: str) -> Frame:
    """Return how a sheet lies on a paper. Raises RefusedError where it does not fit."""
    sheet = _fitting(blank, paper_named(paper, SHEET_PAPERS))
    left, top = (sheet.width_mm - blank.width_mm) / 2, _top_mm(blank, sheet)
    marks = [(left + x, top + y) for x, y in markers.marker_boxes_mm(blank)]
    return Frame(sheet.name, (sheet.width_mm, sheet.height_mm), left, top, marks)


def _top_mm(blank: Blank, sheet: Paper) -> float:
    """Return how far below the paper's edge the blank begins."""
    spare = sheet.height_mm - _height_mm(blank)
    return EDGE_MM + HEAD_MM + min(12.0, spare / 3) + markers.MARKER_MM + markers.GAP_MM


def _height_mm(blank: Blank) -> float:
    """Return the least height of a paper that holds a sheet."""
    marks = 2 * (markers.MARKER_MM + markers.GAP_MM)
    return 2 * EDGE_MM + HEAD_MM + blank.height_mm + marks + FOOT_MM


def _way(blank: Blank, paper: Paper) -> Paper | None:
    """Return the paper, upright if the blank fits so, else on its side, else None."""
    for way in (paper, paper.turned()):
        if (
            blank.width_mm <= way.width_mm - 2 * EDGE_MM + 1e-6
            and _height_mm(blank) <= way.height_mm + 1e-6
        ):
            return way
    return None


def _fitting(blank: Blank, paper: Paper) -> Paper:
    """Return the paper as it lies. Raises RefusedError where the blank does not fit."""
    way = _way(blank, paper) if blank.code in markers.SHEETS else None
    if way is not None:
        return way
    others = [PAPERS[code].name for code in SHEET_PAPERS if _way(blank, PAPERS[code])]
    start = f"There is no drawing sheet of {size_words(blank)} on {paper.name} paper."
    if others and blank.code in markers.SHEETS:
        raise RefusedError(f"{start} Print it on {others[0]} paper.")
    raise RefusedError(f"{start} Draw on white paper of that size instead.")


def _head(
    page: Page, left: float, top: float, width: float, blank: Blank, workshop_name: str
) -> None:
    """Name of the sheet, size of the blank, and how to draw."""
    page.lines(left, top, ["Drawing sheet"], HEADING)
    page.lines(left + width, top, [size_words(blank)], BOLD, colour=PAINT, align="right")
    page.lines(left, top + 6.0, [DRAW], SMALL, colour=PENCIL)
    name = break_lines(printable(workshop_name), SMALL, 45.0)[:1] if workshop_name else []
    page.lines(left + width, top + 6.0, name, SMALL, colour=PENCIL, align="right")


def _blank(page: Page, left: float, top: float, blank: Blank) -> None:
    """The frame, whose inner edge is the blank's edge, and the margin as a pale dashed line."""
    out = markers.FRAME_MM / 2
    frame = (left - out, top - out, blank.width_mm + 2 * out, blank.height_mm + 2 * out)
    page.box(*frame, stroke_mm=markers.FRAME_MM)
    margin = blank.margin_mm
    width, height = (side - 2 * margin for side in blank.size_mm)
    inner = (left + margin, top + margin, width, height)
    page.box(*inner, stroke_mm=markers.LINE_MM, colour=HAIR, dash_mm=(2, 1.5))


def draw_markers(page: Page, left: float, top: float, blank: Blank) -> None:
    """The four corner marks; the white squares of a marker lie on its black."""
    side = markers.MARKER_MM / markers.MODULES
    for corner, (x, y) in enumerate(markers.marker_boxes_mm(blank)):
        black = markers.marker_modules(markers.marker_id(blank.code, corner))
        box = (left + x, top + y, markers.MARKER_MM, markers.MARKER_MM)
        page.box(*box, colour=None, fill=BLACK)
        for row in range(markers.MODULES):
            for column in range(markers.MODULES):
                if black[row, column]:
                    continue
                width = side + (0 if black[row, column + 1] else OVERLAP_MM)
                height = side + (0 if black[row + 1, column] else OVERLAP_MM)
                at = (left + x + column * side, top + y + row * side)
                page.box(*at, width, height, colour=None, fill=WHITE)


def _foot(page: Page, left: float, top: float, width: float) -> None:
    """The ruler that proves the scale, and how to send the drawing in."""
    for number in range(5):
        fill = INK if number % 2 == 0 else None
        page.box(left + number * 10, top, 10, 2, stroke_mm=0.1, fill=fill)
    for number in range(6):
        x = left + number * 10
        page.line((x, top), (x, top - 1.2), stroke_mm=0.1)
    page.lines(left, top + 2.6, [MEASURE], SMALL)
    at = left + RULER_MM + 8
    page.lines(at, top - 0.8, break_lines(SEND, SMALL, left + width - at), SMALL, colour=PENCIL)
