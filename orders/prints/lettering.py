"""Lettering on paper: the faces, and text of any direction broken into lines.

Text is kept in reading order until a line is final; only then are Arabic letters joined
(arabic-reshaper) and the line set in visual order by the Unicode bidirectional algorithm,
UAX 9 (python-bidi), as a PDF draws glyphs from left to right.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from arabic_reshaper import ArabicReshaper
from bidi import get_display
from bidi.mirror import MIRRORED
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

POINTS_PER_MM: Final = 72 / 25.4  # a PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3)
FONTS: Final = Path(__file__).parent / "fonts"
FACES: Final[dict[str, str]] = {
    "text": "DejaVuSans",
    "bold": "DejaVuSans-Bold",
    "display": "StardosStencil-Bold",  # fixed words and codes only: it holds Latin letters
}
UNBROKEN: Final = "\u00a0"  # a space at which no line ends
NO_GLYPH: Final = "\u25a1"  # an empty square, where the faces have no letter

_AFTER: Final = "\u034f"  # combining grapheme joiner, a non-spacing mark that draws nothing

# The face has no glyph for the one-piece word ligature; lam with alef is always joined.
_reshaper = ArabicReshaper({"ARABIC LIGATURE ALLAH": False})


@dataclass(frozen=True)
class Style:
    """How a text is set: face, size in points, distance of base lines as a share of the size."""

    face: str = "text"
    size_pt: float = 9.5
    spacing: float = 1.32

    @property
    def line_mm(self) -> float:
        """Height of one line in mm."""
        return float(self.size_pt * self.spacing / POINTS_PER_MM)

    @property
    def rise_mm(self) -> float:
        """From the top of a line down to its base line, in mm."""
        return float((self.spacing - 1) / 2 * self.size_pt + 0.8 * self.size_pt) / POINTS_PER_MM


@lru_cache(maxsize=1)
def load_faces() -> dict[str, Any]:
    """Register the faces with reportlab once per process; return face -> its glyph table."""
    tables = {}
    for face, name in FACES.items():
        font = TTFont(name, str(FONTS / f"{name}.ttf"))
        pdfmetrics.registerFont(font)
        tables[face] = font.face.charToGlyph
    return tables


def printable(text: str) -> str:
    """Return text in reading order without control characters, in composed form, on one line.

    Points of Hebrew and vowel marks of Arabic are left out: without a shaping engine they would
    stand beside their letters.
    """
    kept = []
    for letter in unicodedata.normalize("NFC", text):
        category = unicodedata.category(letter)
        if letter == _AFTER or (category == "Mn" and "\u0590" <= letter <= "\u08ff"):
            continue
        if category == "Cf" and letter not in "\u200c\u200d":
            continue
        is_space = letter != UNBROKEN and (letter.isspace() or category in _UNPRINTED)
        kept.append(" " if is_space else letter)
    return " ".join(word for word in "".join(kept).split(" ") if word)


def has_gaps(text: str) -> bool:
    """Whether some letter of a text can only be printed as an empty square."""
    return NO_GLYPH in visual(printable(text)) and NO_GLYPH not in text


def visual(line: str, *, base: str = "", face: str = "text") -> str:
    """Return one line in the order in which its glyphs stand from left to right."""
    if any(_is_right_to_left(letter) for letter in line):
        line = _reorder(_reshaper.reshape(line), base or _direction(line))
    glyphs = load_faces()[face]
    shown = (letter for letter in line if unicodedata.category(letter) != "Cf")
    drawn = "".join(letter if ord(letter) in glyphs else NO_GLYPH for letter in shown)
    return drawn.replace(UNBROKEN, " ")


def _reorder(line: str, base: str) -> str:
    """Return a line in visual order, its brackets turned round where they run right to left.

    python-bidi orders by UAX 9 with its bracket pairs (N0) but leaves the mirroring of glyphs
    (L4) to its caller. A mark without width, set after each bracket, tells: it takes the
    bracket's direction (W1, N0) and comes out before it only in a run from right to left.
    """
    marked = "".join(letter + _AFTER if letter in MIRRORED else letter for letter in line)
    ordered = iter(get_display(marked, base_dir=base))
    shown = []
    for letter in ordered:
        if letter == _AFTER:
            shown.append(MIRRORED[next(ordered)])
        else:
            shown.append(letter)
            if letter in MIRRORED:
                next(ordered)
    return "".join(shown)


def width_mm(shown: str, style: Style) -> float:
    """Return the width in mm of a line already in visual order."""
    load_faces()
    return float(pdfmetrics.stringWidth(shown, FACES[style.face], style.size_pt) / POINTS_PER_MM)


def break_lines(text: str, style: Style, room_mm: float) -> list[str]:
    """Return the lines, in visual order, of a text set into a width; nothing is ever cut off.

    A word wider than the room is broken between letters. An empty text gives no line.
    """
    text = printable(text)
    base = _direction(text)
    lines = _fill(_pieces(text.split(" "), style, room_mm), style, room_mm) if text else []
    return [visual(line, base=base, face=style.face) for line in lines]


def _fill(words: Iterable[str], style: Style, room_mm: float) -> list[str]:
    """Put words together into lines no wider than the room, in reading order."""
    lines = [""]
    for word in words:
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if lines[-1] and _measure(longer, style) > room_mm:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _pieces(words: Iterable[str], style: Style, room_mm: float) -> Iterable[str]:
    """Give each word, those wider than the room in parts that fit."""
    for word in words:
        part = ""
        for letter in word if _measure(word, style) > room_mm else ():
            if part and _measure(part + letter, style) > room_mm:
                yield part
                part = ""
            part += letter
        yield part or word


def _measure(words: str, style: Style) -> float:
    return width_mm(visual(words, face=style.face), style)


# controls, private and unassigned places, halves of surrogate pairs
_UNPRINTED: Final = ("Cc", "Cs", "Co", "Cn")


def _is_right_to_left(letter: str) -> bool:
    return unicodedata.bidirectional(letter) in ("R", "AL")


def _direction(text: str) -> str:
    """Return "R" or "L" by the first strong letter, as UAX 9 (rules P2 and P3) has it."""
    for letter in text:
        if unicodedata.bidirectional(letter) in ("L", "R", "AL"):
            return "R" if _is_right_to_left(letter) else "L"
    return "L"
