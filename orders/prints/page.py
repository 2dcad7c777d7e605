"""One page of paper: millimetres from its top left corner, y down, in the colours of the look."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import Any, Final

from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from geometry.units import MM_PER_INCH, NAMED_SIZES_MM
from orders.errors import RefusedError

from .lettering import FACES, POINTS_PER_MM, Style, load_faces, width_mm

# static/css/ink.css holds the same colours for the screen
INK: Final = HexColor("#231f19")
PENCIL: Final = HexColor("#5b5344")
HAIR: Final = HexColor("#b9ad97")
FILM: Final = HexColor("#e3ebee")
PAINT: Final = HexColor("#2a389c")
BLACK: Final = HexColor("#000000")

QUIET_MODULES: Final = 4  # the quiet zone that ISO/IEC 18004 asks for


@dataclass(frozen=True)
class Paper:
    """A paper, upright: its code, its name, and its sides in mm."""

    code: str
    name: str
    width_mm: float
    height_mm: float

    def turned(self) -> Paper:
        """Return the same paper lying on its side."""
        return Paper(self.code, self.name, self.height_mm, self.width_mm)


PAPERS: Final[dict[str, Paper]] = {
    paper.code: paper
    for paper in (
        Paper("letter", "Letter", *NAMED_SIZES_MM["letter"]),
        Paper("a4", "A4", *NAMED_SIZES_MM["a4"]),
        Paper("4x6", "4 x 6 in", 4 * MM_PER_INCH, 6 * MM_PER_INCH),
        Paper("a3", "A3", *NAMED_SIZES_MM["a3"]),
        Paper("a2", "A2", 420.0, 594.0),  # ISO 216
    )
}

# The sign of Holdfast (static/pictures/holdfast.svg), a square of 48 units, y down.
_SIGN: Final[tuple[tuple[float, ...], ...]] = (
    (23, 3),
    (17, 8, 15.5, 15, 19.5, 21.5),
    (20.4, 23, 21.2, 24.5, 21.5, 26.5),
    (23, 26.5, 23, 26.5, 23, 26.5),
    (25, 3),
    (31, 8, 32.5, 15, 28.5, 21.5),
    (27.6, 23, 26.8, 24.5, 26.5, 26.5),
    (25, 26.5, 25, 26.5, 25, 26.5),
    (21.6, 28.5),
    (21.1, 31.5, 19, 33, 15.6, 33.7),
    (12.6, 34.4, 10.3, 35.7, 9, 38.5),
    (12.5, 37, 15, 37.2, 17.2, 38.3),
    (19.6, 36.4, 21.8, 33.8, 23, 28.5),
    (26.4, 28.5),
    (26.9, 31.5, 29, 33, 32.4, 33.7),
    (35.4, 34.4, 37.7, 35.7, 39, 38.5),
    (35.5, 37, 33, 37.2, 30.8, 38.3),
    (28.4, 36.4, 26.2, 33.8, 25, 28.5),
    (24, 32),
    (23.2, 35, 21.7, 37.3, 19.4, 39.2),
    (21, 40.2, 22.4, 40.5, 24, 40.5),
    (25.6, 40.5, 27, 40.2, 28.6, 39.2),
    (26.3, 37.3, 24.8, 35, 24, 32),
    (5, 41.5),
    (7.2, 40.2, 9.4, 39.5, 11.6, 39.5),
    (15.3, 39.5, 18.6, 42.8, 24, 42.8),
    (29.4, 42.8, 32.7, 39.5, 36.4, 39.5),
    (38.6, 39.5, 40.8, 40.2, 43, 41.5),
    (41, 46, 41, 46, 41, 46),
    (7, 46, 7, 46, 7, 46),
)


def paper_named(code: str, allowed: Sequence[str]) -> Paper:
    """Return a paper by its code. Raises RefusedError, naming the papers there are."""
    if code not in allowed:
        names = ", ".join(allowed)
        raise RefusedError(f"That paper is not known here. Choose one of: {names}.")
    return PAPERS[code]


class Document:
    """A PDF being written; the same calls always give the same bytes."""

    def __init__(self, paper: Paper, title: str, author: str) -> None:
        load_faces()
        self._out = BytesIO()
        size = (paper.width_mm * POINTS_PER_MM, paper.height_mm * POINTS_PER_MM)
        self._canvas = Canvas(self._out, pagesize=size, invariant=1, lang="en")
        self._canvas.setTitle(title)
        self._canvas.setAuthor(author)
        self._canvas.setCreator("Holdfast")
        # ask the print dialog to start at 100 %; the reader may still change it
        self._canvas.setViewerPreference("PrintScaling", "None")
        self._paper = paper
        self._pages = 0

    def new_page(self) -> Page:
        """End the page before, if any, and begin the next."""
        if self._pages:
            self._canvas.showPage()
        self._pages += 1
        return Page(self._canvas, self._paper)

    def to_bytes(self) -> bytes:
        """Return the finished file."""
        self._canvas.showPage()
        self._canvas.save()
        return self._out.getvalue()


class Page:
    """Draws on one page; every place and length is in mm, from the page's top left, y down."""

    def __init__(self, canvas: Canvas, paper: Paper) -> None:
        self._canvas = canvas
        self.paper = paper
        self._left = 0.0

    @contextmanager
    def moved(self, left: float) -> Iterator[None]:
        """Draw from another left edge for a while."""
        before, self._left = self._left, self._left + left
        try:
            yield
        finally:
            self._left = before

    def words(
        self,
        x: float,
        baseline: float,
        shown: str,
        style: Style,
        *,
        colour: Color = INK,
        align: str = "left",
    ) -> None:
        """Draw one line that is already in visual order; x is its left, middle or right end."""
        share = {"left": 0.0, "centre": 0.5, "right": 1.0}[align]
        left = x - share * width_mm(shown, style)
        self._canvas.setFillColor(colour)
        self._canvas.setFont(FACES[style.face], style.size_pt)
        self._canvas.drawString(*self._at(left, baseline), shown)

    def lines(
        self,
        x: float,
        top: float,
        shown: Sequence[str],
        style: Style,
        *,
        colour: Color = INK,
        align: str = "left",
    ) -> float:
        """Draw lines below each other from a top edge on; return the bottom edge."""
        for number, line in enumerate(shown):
            baseline = top + number * style.line_mm + style.rise_mm
            self.words(x, baseline, line, style, colour=colour, align=align)
        return top + len(shown) * style.line_mm

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        *,
        stroke_mm: float = 0.25,
        colour: Color = INK,
        dash_mm: Sequence[float] = (),
    ) -> None:
        """Draw a straight line, its stroke centred on it."""
        self._pen(stroke_mm, colour, dash_mm)
        self._canvas.line(*self._at(*start), *self._at(*end))

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        stroke_mm: float = 0.25,
        colour: Color | None = INK,
        fill: Color | None = None,
        dash_mm: Sequence[float] = (),
    ) -> None:
        """Draw a rectangle, its stroke centred on the edge."""
        self._pen(stroke_mm, colour or INK, dash_mm)
        if fill is not None:
            self._canvas.setFillColor(fill)
        left, bottom = self._at(x, y + height)
        self._canvas.rect(
            left,
            bottom,
            width * POINTS_PER_MM,
            height * POINTS_PER_MM,
            stroke=int(colour is not None),
            fill=int(fill is not None),
        )

    def shape(self, points: Sequence[tuple[float, float]], *, colour: Color = INK) -> None:
        """Fill a polygon."""
        path = self._canvas.beginPath()
        path.moveTo(*self._at(*points[0]))
        for point in points[1:]:
            path.lineTo(*self._at(*point))
        path.close()
        self._canvas.setFillColor(colour)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def rings(
        self,
        x: float,
        y: float,
        shapes: Iterable[Sequence[Sequence[tuple[float, float]]]],
        *,
        colour: Color = INK,
    ) -> None:
        """Fill shapes with their holes, moved by x, y; each is a list of rings, of any turn."""
        self._canvas.setFillColor(colour)
        for rings in shapes:
            path = self._canvas.beginPath()
            for ring in rings:
                path.moveTo(*self._at(x + ring[0][0], y + ring[0][1]))
                for px, py in ring[1:]:
                    path.lineTo(*self._at(x + px, y + py))
                path.close()
            self._canvas.drawPath(path, stroke=0, fill=1, fillMode=0)

    @contextmanager
    def inside(self, x: float, y: float, width: float, height: float) -> Iterator[None]:
        """Draw only inside of a rectangle for a while."""
        self._canvas.saveState()
        path = self._canvas.beginPath()
        left, bottom = self._at(x, y + height)
        path.rect(left, bottom, width * POINTS_PER_MM, height * POINTS_PER_MM)
        self._canvas.clipPath(path, stroke=0, fill=0)
        try:
            yield
        finally:
            self._canvas.restoreState()

    def disc(self, x: float, y: float, radius: float, *, fill: Color) -> None:
        """Fill a circle."""
        self._canvas.setFillColor(fill)
        self._canvas.circle(*self._at(x, y), radius * POINTS_PER_MM, stroke=0, fill=1)

    def cut_line(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        bridge_mm: float = 8.0,
        stroke_mm: float = 0.7,
        colour: Color = INK,
    ) -> None:
        """Draw an outline held by four bridges, round what asks for something."""
        for top in (y, y + height):
            for left, right in (
                (x, x + (width - bridge_mm) / 2),
                (x + (width + bridge_mm) / 2, x + width),
            ):
                self.line((left, top), (right, top), stroke_mm=stroke_mm, colour=colour)
        gap = min(bridge_mm, height / 2)
        for side in (x, x + width):
            for top, bottom in ((y, y + (height - gap) / 2), (y + (height + gap) / 2, y + height)):
                self.line((side, top), (side, bottom), stroke_mm=stroke_mm, colour=colour)

    def sign(self, x: float, y: float, side: float, *, colour: Color = INK) -> None:
        """Draw the sign of Holdfast into a square."""
        path = self._canvas.beginPath()
        for part in _SIGN:
            points = [
                value
                for px, py in zip(part[0::2], part[1::2], strict=True)
                for value in self._at(x + px * side / 48, y + py * side / 48)
            ]
            if len(points) == 2:
                path.moveTo(*points)
            else:
                path.curveTo(*points)
        self._canvas.setFillColor(colour)
        self._canvas.drawPath(path, stroke=0, fill=1, fillMode=1)

    def picture(self, x: float, y: float, width: float, height: float, image: Any) -> None:
        """Draw a Pillow picture into a rectangle."""
        left, bottom = self._at(x, y + height)
        self._canvas.drawImage(
            ImageReader(image), left, bottom, width * POINTS_PER_MM, height * POINTS_PER_MM
        )

    def code(self, x: float, y: float, side: float, qr: Any) -> None:
        """Draw a QR code, its dark squares filling the side; the caller leaves quiet_mm around."""
        count = qr.getModuleCount()
        module = side / count
        path = self._canvas.beginPath()
        for row in range(count):
            for start, length in _dark_runs(qr, row, count):
                left, bottom = self._at(x + start * module, y + (row + 1) * module)
                path.rect(left, bottom, length * module * POINTS_PER_MM, module * POINTS_PER_MM)
        self._canvas.setFillColor(BLACK)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def _at(self, x: float, y: float) -> tuple[float, float]:
        """Return a place in PDF points, y up."""
        return (self._left + x) * POINTS_PER_MM, (self.paper.height_mm - y) * POINTS_PER_MM

    def _pen(self, stroke_mm: float, colour: Color, dash_mm: Sequence[float]) -> None:
        self._canvas.setLineWidth(stroke_mm * POINTS_PER_MM)
        self._canvas.setStrokeColor(colour)
        self._canvas.setDash([length * POINTS_PER_MM for length in dash_mm])


def make_code(text: str) -> Any:
    """Return the QR code of a text, error correction level M."""
    qr = QrCodeWidget(text, barLevel="M").qr
    qr.make()
    return qr


def quiet_mm(qr: Any, side_mm: float) -> float:
    """Return the width of the quiet zone round a code whose dark squares fill a side."""
    return float(QUIET_MODULES * side_mm / qr.getModuleCount())


def _dark_runs(qr: Any, row: int, count: int) -> list[tuple[int, int]]:
    """Return (start, length) of the dark runs of a row, so that no seam shows between modules."""
    runs: list[tuple[int, int]] = []
    for column in range(count):
        if not qr.isDark(row, column):
            continue
        if runs and sum(runs[-1]) == column:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((column, 1))
    return runs
