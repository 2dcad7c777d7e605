"""Papers about money (quote, invoice, receipt): blocks one below another, over as many pages as
they take. What each paper says is in its own module."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from .lettering import Style, break_lines, printable, visual, width_mm
from .page import HAIR, INK, PAINT, PENCIL, Document, Page, Paper, paper_named

MONEY_PAPERS: Final = ("a4", "letter")
EDGE_MM: Final = 16.0
AMOUNT_MM: Final = 40.0  # the column of amounts
FOOT_MM: Final = 10.0

HEADING: Final = Style("display", 25, 1.15)
NAME: Final = Style("bold", 12)
BOLD: Final = Style("bold", 9.5)
TEXT: Final = Style("text", 9.5, 1.4)
SMALL: Final = Style("text", 8)
BIG: Final = Style("bold", 14)


@dataclass(frozen=True)
class Block:
    """What stays together on one page."""

    height_mm: float
    draw: Callable[[Page, float], None]


@dataclass(frozen=True)
class Line:
    """One row of the list: what, why (may be empty), and the amount as it is written."""

    what: str
    why: str
    amount: str


class MoneyPaper:
    """Collects blocks, then draws them; all lengths in mm."""

    def __init__(self, paper: str, title: str, author: str) -> None:
        self.paper: Paper = paper_named(paper, MONEY_PAPERS)
        self.title = title
        self.author = author
        self.width = self.paper.width_mm - 2 * EDGE_MM
        self._blocks: list[Block] = []

    def head(self, workshop_name: str, address: str, facts: Sequence[tuple[str, str]]) -> None:
        """The sign, the title, who sends the paper, and its facts on the right."""
        column = self.width * 0.45
        sender = break_lines(workshop_name, NAME, self.width - column - 4)
        lines = [
            line
            for part in address.splitlines()
            if part.strip() != workshop_name.strip()  # an address may begin with the name
            for line in break_lines(part, SMALL, self.width - column - 4)
        ]
        label_mm = max((width_mm(label, SMALL) for label, _ in facts), default=0) + 3
        told = [(label, break_lines(value, TEXT, column - label_mm)) for label, value in facts]
        left = len(sender) * NAME.line_mm + len(lines) * SMALL.line_mm
        right = sum(max(1, len(value)) * TEXT.line_mm for _, value in told)
        top_mm = HEADING.line_mm + 4

        def draw(page: Page, top: float) -> None:
            page.sign(EDGE_MM, top, 11)
            page.words(EDGE_MM + 14, top + 9, visual(self.title, face="display"), HEADING)
            below = page.lines(EDGE_MM, top + top_mm, sender, NAME)
            page.lines(EDGE_MM, below, lines, SMALL, colour=PENCIL)
            at, y = EDGE_MM + self.width - column, top + top_mm
            drop = TEXT.rise_mm - SMALL.rise_mm
            for label, value in told:
                page.lines(at, y + drop, [label], SMALL, colour=PENCIL)
                y = max(page.lines(at + label_mm, y, value, TEXT), y + TEXT.line_mm)

        self._blocks.append(Block(top_mm + max(left, right) + 6, draw))

    def words(self, text: str, style: Style = TEXT, *, after_mm: float = 1.5) -> None:
        """A paragraph."""
        lines = break_lines(text, style, self.width)
        colour = PENCIL if style is SMALL else INK

        def draw(page: Page, top: float) -> None:
            page.lines(EDGE_MM, top, lines, style, colour=colour)

        if lines:
            self._blocks.append(Block(len(lines) * style.line_mm + after_mm, draw))

    def address(self, label: str, lines: Sequence[str]) -> None:
        """To whom the paper goes."""
        broken = [line for part in lines for line in break_lines(part, TEXT, self.width * 0.6)]

        def draw(page: Page, top: float) -> None:
            page.lines(EDGE_MM, top, [label], SMALL, colour=PENCIL)
            page.lines(EDGE_MM, top + SMALL.line_mm, broken, TEXT)

        self._blocks.append(Block(SMALL.line_mm + len(broken) * TEXT.line_mm + 5, draw))

    def gap(self, height_mm: float) -> None:
        """Empty room."""
        self._blocks.append(Block(height_mm, lambda page, top: None))

    def row(self, line: Line, *, bold: bool = False) -> None:
        """One line of money with its reason below."""
        style = BOLD if bold else TEXT
        room = self.width - AMOUNT_MM
        what = break_lines(line.what, style, room)
        why = break_lines(line.why, SMALL, room)
        height = len(what) * style.line_mm + len(why) * SMALL.line_mm + 2.2

        def draw(page: Page, top: float) -> None:
            below = page.lines(EDGE_MM, top, what, style)
            page.lines(EDGE_MM, below, why, SMALL, colour=PENCIL)
            right = EDGE_MM + self.width
            page.lines(right, top, [printable(line.amount)], style, align="right")
            end = top + height - 1.1
            page.line((EDGE_MM, end), (right, end), stroke_mm=0.18, colour=HAIR)

        self._blocks.append(Block(height, draw))

    def total(self, label: str, amount: str) -> None:
        """What it comes to, large, under a strong rule."""

        def draw(page: Page, top: float) -> None:
            right = EDGE_MM + self.width
            page.line((EDGE_MM, top + 0.8), (right, top + 0.8), stroke_mm=0.7)
            page.lines(EDGE_MM, top + 2.4, [label], BIG)
            page.lines(right, top + 2.4, [printable(amount)], BIG, colour=PAINT, align="right")

        self._blocks.append(Block(BIG.line_mm + 6, draw))

    def to_bytes(self) -> bytes:
        """Lay the blocks over pages and return the PDF; the same blocks give the same bytes."""
        document = Document(self.paper, self.title, self.author)
        pages = self._pages()
        for number, blocks in enumerate(pages, start=1):
            page, top = document.new_page(), EDGE_MM
            for block in blocks:
                block.draw(page, top)
                top += block.height_mm
            foot = self.paper.height_mm - EDGE_MM
            page.lines(EDGE_MM, foot, [printable(self.title)], SMALL, colour=PENCIL)
            told = [f"page {number} of {len(pages)}"]
            page.lines(EDGE_MM + self.width, foot, told, SMALL, colour=PENCIL, align="right")
        return document.to_bytes()

    def _pages(self) -> list[list[Block]]:
        room = self.paper.height_mm - 2 * EDGE_MM - FOOT_MM
        pages: list[list[Block]] = [[]]
        used = 0.0
        for block in self._blocks:
            if pages[-1] and used + block.height_mm > room:
                pages.append([])
                used = 0.0
            pages[-1].append(block)
            used += block.height_mm
        return pages
