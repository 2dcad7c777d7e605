"""A small piece to cut from a film: slots and webs of stepped widths, for this laser's own limits.

Slots and webs are cut with no kerf taken: a slot drawn w wide comes out w + kerf, a web drawn w
wide comes out w - kerf. The kerf is the one constant that fits all measured widths best (least
squares of a constant: their mean), its spread the standard deviation of single widths. The smallest
web that survived is the narrowest drawn one from which on all wider ones survived too; its width on
film is what was drawn less the kerf. A drawing's limits are widths on film as well.
"""

import io
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from shapely import Polygon, box

from geometry.errors import InvalidInputError
from geometry.kerf import Contour
from geometry.stencil import Stencil
from geometry.stroke_letters import strokes_of

SIZE_MM: Final = (101.6, 101.6)
SLOTS_MM: Final = (0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0)
WEBS_MM: Final = (0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0)
LENGTH_MM: Final = 20.0
PITCH_MM: Final = 8.8
LEFT_MM: Final = 11.2
SLOT_TOP_MM: Final = 16.0
WEB_TOP_MM: Final = 58.0
BESIDE_WEB_MM: Final = 2.0
"""How wide the two openings are that a web stands between."""
FIGURE_MM: Final = 2.2
LARGEST_KERF_MM: Final = 1.0
LEAST_WIDTHS: Final = 4
FAR_OFF_MM: Final = 0.25
"""A width that lies this far from what the rest tell was misread; judgement."""


@dataclass(frozen=True)
class KerfFit:
    """The kerf in mm, the standard deviation of single widths, how many there were, and each
    width's own kerf less the fitted one, by its letter and number ("S3", "W5")."""

    kerf_mm: float
    spread_mm: float
    widths: int
    off_mm: dict[str, float]


def names() -> list[tuple[str, float]]:
    """Return (name, width as drawn in mm) of each slot S1 to S10 and web W1 to W10."""
    return [(f"S{n}", width) for n, width in enumerate(SLOTS_MM, 1)] + [
        (f"W{n}", width) for n, width in enumerate(WEBS_MM, 1)
    ]


def piece_stencil() -> Stencil:
    """Return the piece as a stencil: slots above, webs between two openings each below."""
    openings: list[Polygon] = []
    for place, width in enumerate(SLOTS_MM):
        middle = LEFT_MM + PITCH_MM * place
        openings.append(
            box(middle - width / 2, SLOT_TOP_MM, middle + width / 2, SLOT_TOP_MM + LENGTH_MM)
        )
    for place, width in enumerate(WEBS_MM):
        middle = LEFT_MM + PITCH_MM * place
        for left in (middle - width / 2 - BESIDE_WEB_MM, middle + width / 2):
            openings.append(box(left, WEB_TOP_MM, left + BESIDE_WEB_MM, WEB_TOP_MM + LENGTH_MM))
    return Stencil(SIZE_MM, "stencil", tuple(openings))


def piece_marks() -> list[Contour]:
    """Return the names of slots and webs as strokes to be marked, above each."""
    strokes = []
    for place in range(len(SLOTS_MM)):
        for letter, top in (("S", SLOT_TOP_MM), ("W", WEB_TOP_MM)):
            text = f"{letter}{place + 1}"
            wide = (len(text) * 5.5 - 1.5) * FIGURE_MM / 6
            at = (LEFT_MM + PITCH_MM * place - wide / 2, top - 2.0 - FIGURE_MM)
            strokes += strokes_of(text, FIGURE_MM, at)
    return [Contour(stroke, "mark", closed=False) for stroke in strokes]


def fit_kerf(measured_mm: Mapping[str, float]) -> KerfFit:
    """Return the kerf by least squares from widths measured on film, mm, by name ("S3": 0.65).

    Each slot tells measured - drawn, each web drawn - measured; the constant with the least squares
    of differences is their mean. Raises InvalidInputError with a sentence for fewer than four
    widths, names that are none, widths that no kerf of 0 to 1 mm gives, and one misread width.
    """
    drawn = dict(names())
    for name, width in measured_mm.items():
        if name not in drawn:
            raise InvalidInputError(f"There is no slot or web {name} on the test piece.")
        if not 0 < width < 10:
            raise InvalidInputError(f"{name} is {width:g} mm wide? Write its width in mm.")
    if len(measured_mm) < LEAST_WIDTHS:
        raise InvalidInputError(f"At least {LEAST_WIDTHS} measured widths are needed.")
    own = {
        name: (width - drawn[name]) * (1 if name[0] == "S" else -1)
        for name, width in measured_mm.items()
    }
    usual = float(np.median(list(own.values())))
    farthest = max(own, key=lambda name: abs(own[name] - usual))
    if abs(own[farthest] - usual) > FAR_OFF_MM:
        raise InvalidInputError(
            f"{farthest} was drawn {drawn[farthest]:g} mm and measured "
            f"{measured_mm[farthest]:g} mm, which does not go with the others; measure it again, "
            "or leave it out."
        )
    values = np.array(list(own.values()))
    kerf = float(values.mean())
    if not 0 <= kerf <= LARGEST_KERF_MM:
        raise InvalidInputError(
            f"These widths tell a kerf of {kerf:.2f} mm. Slots come out wider than drawn and webs "
            "narrower; was the kerf already taken off in the machine's own software?"
        )
    return KerfFit(
        kerf, float(values.std(ddof=1)), len(values), {n: v - kerf for n, v in own.items()}
    )


def smallest_web_mm(survived: Mapping[str, bool], kerf_mm: float) -> float:
    """Return the width on film, in mm, of the smallest web that survived with all wider ones.

    survived: by name ("W4"), of those that were looked at. Raises InvalidInputError where none was,
    or where not even the widest held.
    """
    drawn = dict(names())
    webs = sorted(((drawn[n], held) for n, held in survived.items() if n in drawn), reverse=True)
    smallest = None
    for width, held in webs:
        if not held:
            break
        smallest = width
    if smallest is None:
        raise InvalidInputError(
            "Tick the webs that survived whole. If none did, the film gets too hot: "
            "cut faster or with less power, as the machine's manual says, and cut the piece again."
        )
    return max(0.0, round(smallest - kerf_mm, 3))


def piece_form(film_name: str) -> bytes:
    """Return the form to write on, one A4 page: what to do, and a line for each slot and web."""
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=A4, invariant=1, pageCompression=1)
    canvas.setTitle("Kerf test piece: form")
    canvas.setCreator("Holdfast")
    height = A4[1]
    canvas.setFont("Helvetica-Bold", 16)
    canvas.drawString(20 * mm, height - 22 * mm, "Kerf test piece")
    canvas.setFont("Helvetica", 9)
    for row, text in enumerate(_SENTENCES):
        canvas.drawString(20 * mm, height - (31 + 5 * row) * mm, text)
    canvas.drawString(20 * mm, height - 63 * mm, f"Film: {film_name}")
    canvas.drawString(
        20 * mm, height - 70 * mm, "Speed, power, lens: ______________________________"
    )
    canvas.drawString(125 * mm, height - 70 * mm, "Date: ______________")
    _draw_piece(canvas, 20 * mm, height - 172 * mm, 0.95)
    for column, (letter, widths) in enumerate((("S", SLOTS_MM), ("W", WEBS_MM))):
        _draw_column(canvas, (20 + 90 * column) * mm, height - 186 * mm, letter, widths)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


_SENTENCES: Final = (
    "1. Cut the piece from the film, with the settings that you cut it with. No kerf is taken off.",
    "2. Lay it flat and clean. Measure each slot (S) and each web (W) across its middle: under a",
    "    loupe with a scale, or from a scan of the piece at 1200 dpi or more beside a ruler.",
    "3. Write the widths down in mm to 0.01. Leave out what you cannot measure; four are enough.",
    "4. Tick each web that is whole: not melted through, not curled, holds when you press it.",
)


def _draw_piece(canvas: Canvas, left: float, bottom: float, scale: float) -> None:
    """Draw the piece, y up, with its names."""
    high = SIZE_MM[1]
    canvas.saveState()
    canvas.translate(left, bottom)
    canvas.scale(scale * mm, scale * mm)
    canvas.setLineWidth(0.3)
    canvas.rect(0, 0, *SIZE_MM)
    for opening in piece_stencil().openings:
        x0, y0, x1, y1 = opening.bounds
        canvas.rect(x0, high - y1, x1 - x0, y1 - y0, stroke=0, fill=1)
    for mark in piece_marks():
        points = [(x, high - y) for x, y in mark.points_mm.tolist()]
        for one, other in pairwise(points):
            canvas.line(*one, *other)
    canvas.restoreState()


def _draw_column(
    canvas: Canvas, left: float, top: float, letter: str, widths: tuple[float, ...]
) -> None:
    heads = [(0, "slot" if letter == "S" else "web"), (14, "drawn"), (32, "measured, mm")]
    if letter == "W":
        heads.append((62, "whole"))
    canvas.setFont("Helvetica-Bold", 9)
    for shift, word in heads:
        canvas.drawString(left + shift * mm, top, word)
    canvas.setFont("Helvetica", 9)
    for row, width in enumerate(widths):
        y = top - (8 + 8 * row) * mm
        canvas.drawString(left, y, f"{letter}{row + 1}")
        canvas.drawString(left + 14 * mm, y, f"{width:g} mm")
        canvas.line(left + 32 * mm, y - 1, left + 56 * mm, y - 1)
        if letter == "W":
            canvas.rect(left + 64 * mm, y - 1, 3.5 * mm, 3.5 * mm)
