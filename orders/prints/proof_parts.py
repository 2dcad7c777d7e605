"""A proof of a blank larger than the paper: true size, in parts that overlap.

Such a proof is to look at. It has no corner marks, as no one picture shows all of it; a drawing of
that size is mended on its own paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from geometry.limits import Blank
from orders.templatetags.holdfast import size_words

from .lettering import Style, break_lines, printable
from .page import BLACK, INK, PAINT, PENCIL, Document, Page, Paper, make_code

if TYPE_CHECKING:
    from .proof import Printed

EDGE_MM: Final = 6.0
HEAD_MM: Final = 13.0
FOOT_MM: Final = 9.0
OVERLAP_MM: Final = 12.0
CODE_MM: Final = 20.0

HEADING: Final = Style("display", 14, 1.1)
BOLD: Final = Style("bold", 9.5)
SMALL: Final = Style("text", 7.2, 1.25)
LAY: Final = (
    "Lay the parts over each other so that the crosses meet. This print is to look at: a drawing "
    "of this size is mended on its own paper, not on the parts."
)


@dataclass(frozen=True)
class Part:
    """One page's share of the blank, in mm of the blank, and its name: row letter and number."""

    name: str
    x: float
    y: float
    width: float
    height: float


def parts_of(blank: Blank, paper: Paper) -> list[Part]:
    """Return the parts of a blank on a paper, row by row; each overlaps its neighbours by 12 mm."""
    room = (paper.width_mm - 2 * EDGE_MM, paper.height_mm - 2 * EDGE_MM - HEAD_MM - FOOT_MM)
    columns, rows = (_shares(side, most) for side, most in zip(blank.size_mm, room, strict=True))
    return [
        Part(f"{chr(65 + row)}{column + 1}", x, y, width, height)
        for row, (y, height) in enumerate(rows)
        for column, (x, width) in enumerate(columns)
    ]


def _shares(side_mm: float, most_mm: float) -> list[tuple[float, float]]:
    """Return (start, length) of equal shares of a side, each no longer than the most."""
    count = max(1, math.ceil((side_mm - OVERLAP_MM) / (most_mm - OVERLAP_MM) - 1e-9))
    length = (side_mm + (count - 1) * OVERLAP_MM) / count
    return [(number * (length - OVERLAP_MM), length) for number in range(count)]


def draw(document: Document, paper: Paper, printed: Printed) -> None:
    """Draw every part on a page of its own, then the findings in words."""
    from .proof import list_findings

    parts = parts_of(printed.blank, paper)
    for part in parts:
        _part(document.new_page(), part, parts, printed)
    page = document.new_page()
    left = EDGE_MM + 4
    bottom = page.lines(left, EDGE_MM, ["What was found"], HEADING)
    page.lines(left, bottom + 1, [f"“{printable(printed.title)}”"], BOLD)
    page.code(paper.width_mm - left - CODE_MM, EDGE_MM + 4, CODE_MM, make_code(printed.address))
    told = break_lines(LAY, SMALL, 120)
    page.lines(left, bottom + 6, told, SMALL, colour=PENCIL)
    list_findings(document, page, EDGE_MM + CODE_MM + 10, printed, ())


def _part(page: Page, part: Part, parts: list[Part], printed: Printed) -> None:
    from .proof import _bars, draw_margin, rings_of

    paper = page.paper
    left, top = (paper.width_mm - part.width) / 2, EDGE_MM + HEAD_MM
    head = f"Proof, part {part.name} of {parts[0].name} to {parts[-1].name}"
    right = paper.width_mm - EDGE_MM - 2
    page.lines(EDGE_MM + 2, EDGE_MM, [head], HEADING)
    size = [size_words(printed.blank)]
    page.lines(right, EDGE_MM + 0.6, size, BOLD, colour=PAINT, align="right")
    title = break_lines(
        f"“{printable(printed.title)}” · {printed.version_words}", SMALL, right - EDGE_MM - 2
    )
    page.lines(EDGE_MM + 2, EDGE_MM + 6, title[:1], SMALL, colour=PENCIL)
    with page.inside(left, top, part.width, part.height):
        x, y = left - part.x, top - part.y
        draw_margin(page, x, y, printed.blank)
        page.rings(x, y, rings_of(printed.stencil), colour=BLACK)
        page.box(x, y, *printed.blank.size_mm, stroke_mm=0.35)
        _crosses(page, x, y, printed.blank, parts)
    page.box(left, top, part.width, part.height, stroke_mm=0.15, colour=PENCIL, dash_mm=(1, 1))
    _bars(page, EDGE_MM + 2, top + part.height + 2.0)


def _crosses(page: Page, x: float, y: float, blank: Blank, parts: list[Part]) -> None:
    """A cross in the middle of each overlap, seen on both parts."""
    for axis, side in enumerate(blank.size_mm):
        starts = sorted({(part.x, part.y)[axis] for part in parts})[1:]
        across = blank.size_mm[1 - axis]
        for start in starts:
            middle = start + OVERLAP_MM / 2
            for share in (0.08, 0.3, 0.7, 0.92):
                at = (middle, share * across) if axis == 0 else (share * across, middle)
                if at[axis] < side:
                    _cross(page, x + at[0], y + at[1])


def _cross(page: Page, x: float, y: float) -> None:
    page.line((x - 3, y), (x + 3, y), stroke_mm=0.15, colour=INK)
    page.line((x, y - 3), (x, y + 3), stroke_mm=0.15, colour=INK)
