"""How the packing slip is set on a sheet of paper and on a label."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from reportlab.lib.colors import Color

from .lettering import Style
from .page import BLACK, HAIR, INK, PAINT, PENCIL


@dataclass(frozen=True)
class Look:
    """How the slip is set on one kind of paper; lengths in mm."""

    edge_mm: float
    picture_mm: float  # the largest side of a picture
    count_mm: float  # the column of quantities
    qr_mm: float  # the dark squares; the quiet zone lies outside
    scan_mm: float  # the column of the code and its sentence
    gap_mm: float
    small: Style
    text: Style
    name: Style
    title: Style
    count: Style
    heading: Style
    second: Color  # of text that comes second
    hair: Color
    ink: Color
    accent: Color

    def with_names(self, share: float) -> Look:
        """Return the look with text and names set at a share of their size."""
        small, text, name = (
            replace(style, size_pt=style.size_pt * share)
            for style in (self.small, self.text, self.name)
        )
        return replace(self, small=small, text=text, name=name)


SHEET_LOOK: Final = Look(
    edge_mm=14,
    picture_mm=42,
    count_mm=34,
    qr_mm=26,
    scan_mm=31,
    gap_mm=5.2,
    small=Style("text", 8),
    text=Style("text", 9.5, 1.4),
    name=Style("bold", 12),
    title=Style("bold", 12),
    count=Style("display", 26, 1.15),
    heading=Style("display", 28, 1.15),
    second=PENCIL,
    hair=HAIR,
    ink=INK,
    accent=PAINT,
)
# Label printers know only black: no washes, no greys, and nothing under 6.5 pt at 203 dpi.
LABEL_LOOK: Final = Look(
    edge_mm=5,
    picture_mm=20,
    count_mm=22,
    qr_mm=22,
    scan_mm=25,
    gap_mm=3,
    small=Style("text", 6.5, 1.28),
    text=Style("text", 7.5, 1.3),
    name=Style("bold", 9.5),
    title=Style("bold", 9),
    count=Style("display", 18, 1.15),
    heading=Style("display", 19, 1.15),
    second=BLACK,
    hair=BLACK,
    ink=BLACK,
    accent=BLACK,
)
