"""The packing slip that lies in a parcel: Letter, A4, or a 4 x 6 in label.

Pieces to draw (blocks) know their height before they are drawn; they are dealt out over as many
pages as they need, and then drawn with the number of pages known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from io import BytesIO
from typing import Any, Final

from django.urls import reverse
from PIL import Image

from orders.models import Order, Parcel, Version, Workshop
from orders.outbox import absolute

from .lettering import Style, break_lines, has_gaps, width_mm
from .page import Document, Page, Paper, make_code, paper_named, quiet_mm
from .slip_contents import (
    GAPS_SENTENCE,
    QR_SENTENCE,
    SAFETY,
    USE,
    Contents,
    Row,
    contents_of,
    facts,
    job_lines,
    receiver,
)
from .slip_look import LABEL_LOOK, SHEET_LOOK

SLIP_PAPERS: Final = ("letter", "a4", "4x6")
PRINT_DPI: Final = 300

# A picture is one n-th of its blank, the same n for every job of the order.
_SHARES: Final[dict[int, str]] = {
    3: "a third",
    4: "a quarter",
    5: "a fifth",
    6: "a sixth",
    8: "an eighth",
    10: "a tenth",
    12: "a twelfth",
    15: "a fifteenth",
    20: "a twentieth",
    30: "a thirtieth",
    50: "a fiftieth",
}


@dataclass(frozen=True)
class Block:
    """A part of the slip that stays whole: its height, and how it is drawn from a top edge on."""

    height_mm: float
    draw: Callable[[Page, float], None]


def render(order: Order, *, paper: str = "letter", parcel: Parcel | None = None) -> bytes:
    """Return the packing slip of an order as a PDF; the same rows always give the same bytes.

    paper is "letter", "a4" or "4x6". Without a parcel the slip is of what is packed and not yet
    sent, else of the last parcel. The QR code opens the page that shows status and pictures only.
    Raises RefusedError for an unknown paper or a parcel that is not of this order.
    """
    sheet = paper_named(paper, SLIP_PAPERS)
    return _Slip(sheet, contents_of(order, parcel), Workshop.current()).to_bytes()


class _Slip:
    def __init__(self, paper: Paper, contents: Contents, workshop: Workshop) -> None:
        self.paper = paper
        self.is_label = paper.code == "4x6"
        self.look = LABEL_LOOK if self.is_label else SHEET_LOOK
        self.contents = contents
        self.order = contents.order
        self.workshop = workshop
        self.left = self.look.edge_mm
        self.right = paper.width_mm - self.look.edge_mm
        self.width = self.right - self.left
        self.foot = paper.height_mm - self.look.edge_mm
        self.last = self.foot - self.look.small.line_mm - 1  # above the foot line
        self.share = self._share()
        self.picture_column = self._picture_column()
        self.head = self._fitting_head()
        self.short_head = self._short_head()

    def to_bytes(self) -> bytes:
        """Lay the blocks out, then draw page by page."""
        pages = self._deal([*self._rows(), *self._absent(), self._notes()])
        document = Document(
            self.paper, f"Packing slip {self.order.code}", self.workshop.name or "Holdfast"
        )
        for number, blocks in enumerate(pages, start=1):
            page = document.new_page()
            top = self.look.edge_mm
            for block in (self.head if number == 1 else self.short_head, *blocks):
                block.draw(page, top)
                top += block.height_mm
            self._draw_foot(page, number, len(pages))
        return document.to_bytes()

    # --- where things go

    def _deal(self, blocks: list[Block]) -> list[list[Block]]:
        """Deal the blocks out over pages; the foot line of each page stays free."""
        pages: list[list[Block]] = [[]]
        top = self.look.edge_mm + self.head.height_mm
        for block in blocks:
            if top + block.height_mm > self.last and (pages[-1] or len(pages) == 1):
                pages.append([])
                top = self.look.edge_mm + self.short_head.height_mm
            pages[-1].append(block)
            top += block.height_mm
        return pages

    def _picture_column(self) -> float:
        """Return the width in mm of the widest picture."""
        widths = [row.job.version.blank.width_mm for row in self.contents.rows]
        return max(widths, default=0) / self.share

    def _share(self) -> int:
        """Return n for pictures at one n-th of true size, so that the largest blank fits."""
        rows = self.contents.rows
        longest = max((side for row in rows for side in row.job.version.blank.size_mm), default=1)
        return next((n for n in _SHARES if longest / n <= self.look.picture_mm), max(_SHARES))

    # --- the head

    def _fitting_head(self) -> Block:
        """Return the first page's head, its names set smaller where they would not fit on it."""
        usual = self.look
        for share in (1.0, 0.8, 0.6, 0.45):
            self.look = usual.with_names(share)
            head = self._label_head() if self.is_label else self._sheet_head()
            if self.look.edge_mm + head.height_mm <= self.last:
                break
        self.look = usual
        return head

    def _short_head(self) -> Block:
        look = self.look
        style = replace(look.heading, size_pt=look.heading.size_pt * 0.6)
        name = break_lines(self.workshop.name, look.small, self.width * 0.5)
        height = max(style.line_mm, len(name) * look.small.line_mm) + look.gap_mm

        def draw(page: Page, top: float) -> None:
            self._lines(page, self.left, top, [f"Packing slip {self.order.code}"], style)
            self._lines(page, self.right, top + 0.8, name, look.small, second=True, align="right")
            self._rule(page, top + height - look.gap_mm / 2)

        return Block(height, draw)

    def _sheet_head(self) -> Block:
        look, sign = self.look, 13.0
        room = self.width - sign - 4 - 70
        name = break_lines(self.workshop.name, replace(look.name, size_pt=14), room)
        where = [
            line
            for part in self.workshop.address.splitlines()[:6]
            for line in break_lines(part, look.small, room)
        ]
        name_style = replace(look.name, size_pt=14)
        tall = len(name) * name_style.line_mm + len(where) * look.small.line_mm
        rule = max(sign, tall) + 4
        body = self._sheet_address(rule + 5)
        height = body.height_mm + look.gap_mm

        def draw(page: Page, top: float) -> None:
            page.sign(self.left, top, sign)
            below = self._lines(page, self.left + sign + 4, top, name, name_style)
            self._lines(page, self.left + sign + 4, below, where, look.small, second=True)
            self._lines(page, self.right, top + 0.5, ["Packing slip"], look.heading, align="right")
            self._rule(page, top + rule)
            body.draw(page, top)
            self._rule(page, top + height - look.gap_mm / 2)

        return Block(height, draw)

    def _sheet_address(self, start: float) -> Block:
        """Who it is for, the order's days, and the QR code, side by side."""
        look = self.look
        middle, scan_left = self.left + 78, self.right - look.scan_mm
        whom = self._whom(72)
        told = self._facts(scan_left - middle - 5)
        scan = self._scan()
        height = start + max(whom.height_mm, told.height_mm, scan.height_mm)

        def draw(page: Page, top: float) -> None:
            whom.draw(page, top + start)
            self._at(middle, told, page, top + start)
            self._at(scan_left, scan, page, top + start + 1)

        return Block(height, draw)

    def _scan(self) -> Block:
        """The QR code, and below its quiet zone the sentence that tells what it shows."""
        look = self.look
        qr = make_code(absolute(reverse("parcel", args=[self.order.parcel_token])))
        quiet = quiet_mm(qr, look.qr_mm)
        said = break_lines(QR_SENTENCE, look.small, look.scan_mm)

        def draw(page: Page, top: float) -> None:
            page.code(0, top, look.qr_mm, qr)
            self._lines(page, 0, top + look.qr_mm + quiet, said, look.small, second=True)

        return Block(look.qr_mm + quiet + len(said) * look.small.line_mm, draw)

    def _label_head(self) -> Block:
        look = self.look
        room = self.width - look.scan_mm - 5
        name = break_lines(self.workshop.name, look.small, self.width - 46)
        whom = self._whom(room)
        told = self._facts(room)
        scan = self._scan()
        rule = max(look.heading.line_mm, len(name) * look.small.line_mm + 0.4) + 0.8
        start = rule + 2
        height = start + max(whom.height_mm + told.height_mm + 1.5, 2 + scan.height_mm)
        height += look.gap_mm

        def draw(page: Page, top: float) -> None:
            self._lines(page, self.left, top, ["Packing slip"], look.heading)
            self._lines(page, self.right, top + 0.4, name, look.small, align="right")
            self._rule(page, top + rule)
            whom.draw(page, top + start)
            self._at(self.left, told, page, top + start + whom.height_mm + 1.5)
            self._at(self.right - look.scan_mm, scan, page, top + start + 2)
            self._rule(page, top + height - look.gap_mm / 2)

        return Block(height, draw)

    def _whom(self, room: float) -> Block:
        look = self.look
        name, below = receiver(self.order, self.contents.parcel)
        name_lines = break_lines(name or "Name not given", look.name, room)
        text = replace(look.text, size_pt=look.text.size_pt + 0.5)
        lines = [line for part in below for line in break_lines(part, text, room)]
        titles = [
            row.job.version.design.title for row in (*self.contents.rows, *self.contents.absent)
        ]
        gaps = any(has_gaps(part) for part in (name, *below, *titles))
        told = break_lines(GAPS_SENTENCE, look.small, room) if gaps else []
        height = (
            look.small.line_mm * (1 + len(told))
            + len(name_lines) * look.name.line_mm
            + len(lines) * text.line_mm
        )

        def draw(page: Page, top: float) -> None:
            top = self._lines(page, self.left, top, ["For"], look.small, second=True)
            top = self._lines(page, self.left, top, name_lines, look.name)
            top = self._lines(page, self.left, top, lines, text)
            self._lines(page, self.left, top, told, look.small, second=True)

        return Block(height, draw)

    def _facts(self, room: float) -> Block:
        """The order's code, and the facts with their labels before them."""
        look = self.look
        code = replace(look.count, size_pt=look.count.size_pt * 0.8)
        told = facts(self.order, self.contents.parcel)
        column = max((width_mm(label, look.small) for label, _ in told), default=0) + 2.5
        broken = [(label, break_lines(value, look.text, room - column)) for label, value in told]
        count = sum(len(lines) for _, lines in broken)
        before = look.small.line_mm

        def draw(page: Page, top: float) -> None:
            self._lines(page, 0, top, ["Order"], look.small, second=True)
            shown = [self.order.code]
            top = page.lines(0, top + before, shown, code, colour=look.accent)
            drop = look.text.rise_mm - look.small.rise_mm
            for label, lines in broken:
                self._lines(page, 0, top + drop, [label], look.small, second=True)
                top = self._lines(page, column, top, lines, look.text)

        return Block(before + code.line_mm + count * look.text.line_mm, draw)

    # --- the jobs

    def _rows(self) -> list[Block]:
        rows = [self._row(row) for row in self.contents.rows]
        if self.contents.sentence:
            rows.insert(0, self._line_block(self.contents.sentence, self.look.text))
        if self.contents.rows:
            words = f"Pictures are drawn at {_SHARES[self.share]} of true size."
            rows.append(self._line_block(words, self.look.small))
        return rows

    def _row(self, row: Row) -> Block:
        look = self.look
        sides = [side / self.share for side in row.job.version.blank.size_mm]
        column = self.left + self.picture_column + look.gap_mm * 0.8
        room = self.right - look.count_mm - column
        picture = picture_of(row.job.version, sides)
        title = break_lines(row.job.version.design.title, look.title, room)
        said = [*job_lines(row), *([] if picture else ["The picture could not be read."])]
        lines = [line for part in said for line in break_lines(part, look.text, room)]
        counted = f"of {row.job.quantity} ordered"
        rest = [
            line
            for part in (counted, *row.rest.split(", "))
            for line in break_lines(part, look.small, look.count_mm - 3)
        ]
        told = len(title) * look.title.line_mm + len(lines) * look.text.line_mm
        told += look.small.line_mm
        number = look.count.line_mm + len(rest) * look.small.line_mm
        inner = max(sides[1], told, number)
        height = inner + look.gap_mm

        def draw(page: Page, top: float) -> None:
            self._draw_picture(page, self.left, top, sides, picture)
            below = self._lines(page, column, top, title, look.title)
            below = self._lines(page, column, below, lines, look.text)
            self._lines(page, column, below, [row.job.code], look.small, second=True)
            tick = look.count.size_pt * 0.24
            page.box(self.right - tick, top + 0.6, tick, tick, stroke_mm=0.35, colour=look.ink)
            at = self.right - look.count_mm + 3
            below = self._lines(page, at, top - 0.6, [str(row.count)], look.count)
            self._lines(page, at, below, rest, look.small, second=True)
            end = top + inner + look.gap_mm / 2
            page.line((self.left, end), (self.right, end), stroke_mm=0.2, colour=look.hair)

        return Block(height, draw)

    def _draw_picture(
        self, page: Page, left: float, top: float, sides: list[float], picture: Any
    ) -> None:
        width, height = sides
        if picture is None:
            page.box(left, top, width, height, stroke_mm=0.3, dash_mm=(1, 1))
            return
        share = min(width / picture.width, height / picture.height)
        across, down = picture.width * share, picture.height * share
        page.picture(left + (width - across) / 2, top + (height - down) / 2, across, down, picture)
        page.box(left, top, width, height, stroke_mm=0.3, colour=self.look.ink)

    def _absent(self) -> list[Block]:
        """The jobs of the order that are not in this parcel; the heading keeps to the first."""
        blocks = []
        for row in self.contents.absent:
            words = f"{row.job.version.design.title} ({row.job.code}): {row.rest}"
            blocks.append(self._line_block(words, self.look.text, tight=True))
        if blocks:
            heading = self._line_block(
                "Not in this parcel", replace(self.look.title, size_pt=self.look.text.size_pt)
            )
            blocks[0] = _stacked(heading, blocks[0])
        return blocks

    def _line_block(self, words: str, style: Style, *, tight: bool = False) -> Block:
        lines = break_lines(words, style, self.width)
        after = 0.3 if tight else self.look.gap_mm * 0.35

        def draw(page: Page, top: float) -> None:
            self._lines(page, self.left, top, lines, style, second=True)

        return Block(len(lines) * style.line_mm + after, draw)

    # --- the end

    def _notes(self) -> Block:
        """Use and safety, inside a cut line: two columns on a sheet, one on a label."""
        look = self.look
        inset = look.gap_mm * 0.7
        room = self.width - 2 * inset
        columns = 1 if self.is_label else 2
        each = (room - (columns - 1) * 8) / columns
        style = look.small if self.is_label else replace(look.text, size_pt=8.5)
        parts = [self._note("Using your stencils", USE, each, style)]
        parts.append(self._note("Take care", SAFETY, each, style))
        tall = max(p.height_mm for p in parts) if columns == 2 else sum(p.height_mm for p in parts)
        box = tall + 2 * inset - 1
        before = look.gap_mm * 0.5

        def draw(page: Page, top: float) -> None:
            top += before
            bridge = 6 if self.is_label else 10
            page.cut_line(self.left, top, self.width, box, bridge_mm=bridge, colour=look.ink)
            at, y = self.left + inset, top + inset
            for part in parts:
                self._at(at, part, page, y)
                if columns == 2:
                    at += each + 8
                else:
                    y += part.height_mm

        return Block(before + box + 1, draw)

    def _note(self, head: str, sentences: tuple[str, ...], room: float, style: Style) -> Block:
        bold = replace(style, face="bold", size_pt=style.size_pt + 1)
        broken = [break_lines(sentence, style, room - 3) for sentence in sentences]
        height = bold.line_mm + sum(len(lines) * style.line_mm + 0.7 for lines in broken)

        def draw(page: Page, top: float) -> None:
            top = self._lines(page, 0, top, [head], bold)
            for lines in broken:
                self._lines(page, 0, top, ["–"], style)
                top = self._lines(page, 3, top, lines, style) + 0.7

        return Block(height + 1, draw)

    def _draw_foot(self, page: Page, number: int, count: int) -> None:
        look = self.look
        words = f"Order {self.order.code}, page {number} of {count}"
        top = self.foot - look.small.line_mm
        self._lines(page, self.right, top, [words], look.small, second=True, align="right")
        room = self.width - width_mm(words, look.small) - 6
        contact = break_lines(self.workshop.email or self.workshop.name, look.small, room)
        if len(contact) > 1:
            contact = []  # the head of the first page has the name whole
        self._lines(page, self.left, top, contact, look.small, second=True)

    def _lines(
        self,
        page: Page,
        left: float,
        top: float,
        shown: list[str],
        style: Style,
        *,
        second: bool = False,
        align: str = "left",
    ) -> float:
        """Draw lines in the ink of this paper; return their bottom edge."""
        colour = self.look.second if second else self.look.ink
        return page.lines(left, top, shown, style, colour=colour, align=align)

    def _rule(self, page: Page, y: float) -> None:
        page.line((self.left, y), (self.right, y), stroke_mm=0.7, colour=self.look.ink)

    def _at(self, left: float, block: Block, page: Page, top: float) -> None:
        """Draw a block made from x = 0 on at another left edge."""
        with page.moved(left):
            block.draw(page, top)


def _stacked(*blocks: Block) -> Block:
    """Return blocks below each other as one that stays whole."""

    def draw(page: Page, top: float) -> None:
        for block in blocks:
            block.draw(page, top)
            top += block.height_mm

    return Block(sum(block.height_mm for block in blocks), draw)


def picture_of(version: Version, sides_mm: list[float]) -> Image.Image | None:
    """Return the film's picture, small enough for print, or None when it cannot be read."""
    if not version.film_picture:
        return None
    try:
        with version.film_picture.open("rb") as stored:
            picture: Image.Image = Image.open(BytesIO(stored.read()))
            picture.load()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None  # a lost or damaged file must not keep the slip from being printed
    if "transparency" in picture.info or picture.mode in ("RGBA", "LA", "PA"):
        flat = Image.new("RGBA", picture.size, "white")
        flat.alpha_composite(picture.convert("RGBA"))
        picture = flat
    longest = round(max(sides_mm) / 25.4 * PRINT_DPI)
    picture = picture.convert("L" if picture.mode in ("1", "L") else "RGB")
    picture.thumbnail((longest, longest), Image.Resampling.BICUBIC, reducing_gap=1.2)
    return picture
