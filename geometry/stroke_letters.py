"""Letters and figures as single strokes, for the beam to mark: nothing encloses film.

Drawn for this project on a grid 4 wide and 6 high; each glyph is strokes of grid points, y down.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

GRID_HIGH: Final = 6
ADVANCE: Final = 5.5
_GLYPHS: Final[dict[str, tuple[str, ...]]] = {
    # "xy" pairs of grid points, one text per stroke
    "0": ("10 30 41 45 36 16 05 01 10",),
    "1": ("12 30 36",),
    "2": ("01 10 30 41 42 06 46",),
    "3": ("00 40 22 33 44 45 36 16 05",),
    "4": ("36 30 04 44",),
    "5": ("40 00 02 32 43 45 36 06",),
    "6": ("30 02 05 16 36 45 44 33 13 04",),
    "7": ("00 40 16",),
    "8": ("13 02 01 10 30 41 42 33 13 04 05 16 36 45 44 33",),
    "9": ("16 44 41 30 10 01 02 13 33 42",),
    "A": ("06 20 46", "14 34"),
    "B": ("03 33 42 41 30 00 06 36 45 44 33",),
    "C": ("41 30 10 01 05 16 36 45",),
    "D": ("00 06 26 44 42 20 00",),
    "E": ("40 00 06 46", "03 33"),
    "F": ("40 00 06", "03 33"),
    "G": ("41 30 10 01 05 16 36 45 43 23",),
    "H": ("00 06", "40 46", "03 43"),
    "I": ("20 26", "10 30", "16 36"),
    "J": ("30 35 26 16 05",),
    "K": ("00 06", "40 03 46"),
    "L": ("00 06 46",),
    "M": ("06 00 23 40 46",),
    "N": ("06 00 46 40",),
    "O": ("10 30 41 45 36 16 05 01 10",),
    "P": ("06 00 30 41 42 33 03",),
    "Q": ("10 30 41 45 36 16 05 01 10", "24 46"),
    "R": ("06 00 30 41 42 33 03", "23 46"),
    "S": ("41 30 10 01 02 13 33 44 45 36 16 05",),
    "T": ("00 40", "20 26"),
    "U": ("00 05 16 36 45 40",),
    "V": ("00 26 40",),
    "W": ("00 16 23 36 40",),
    "X": ("00 46", "40 06"),
    "Y": ("00 23 40", "23 26"),
    "Z": ("00 40 06 46",),
    "-": ("13 33",),
    ".": ("25 26",),
    " ": (),
}


def strokes_of(text: str, height_mm: float, at_mm: tuple[float, float]) -> list[Points]:
    """Return the strokes (n, 2) of a line of text whose top left corner is `at_mm`, in mm.

    Small letters are written as capitals; signs that are not known as a space.
    """
    scale = height_mm / GRID_HIGH
    strokes = []
    for place, sign in enumerate(text.upper()):
        for stroke in _GLYPHS.get(sign, ()):
            grid = np.array([(int(pair[0]), int(pair[1])) for pair in stroke.split()], np.float64)
            grid[:, 0] += place * ADVANCE
            strokes.append(grid * scale + np.array(at_mm))
    return strokes


def width_mm(text: str, height_mm: float) -> float:
    """Return how wide a line of text comes out."""
    return max(0.0, len(text) * ADVANCE - (ADVANCE - 4)) * height_mm / GRID_HIGH
