"""Lengths and sizes: what people write, turned into millimetres, and back into words.

Everything past this module is in millimetres. One inch is 25.4 mm exactly (NIST SP 811, B.6).
"""

import math
import re
from typing import Final

from geometry.errors import SizeError

MM_PER_INCH: Final = 25.4
LARGEST_SIDE_MM: Final = 1000.0
SMALLEST_SIDE_MM: Final = 10.0

# ISO 216 (A series) and the two office sizes of North America, upright, in millimetres.
NAMED_SIZES_MM: Final[dict[str, tuple[float, float]]] = {
    "a3": (297.0, 420.0),
    "a4": (210.0, 297.0),
    "a5": (148.0, 210.0),
    "a6": (105.0, 148.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
}

_UNITS_MM: Final[dict[str, float]] = {
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "\u2033": MM_PER_INCH,
}
_UNIT = r'(mm|cm|inches|inch|in|"|\u2033)?'
_NUMBER = r"(\d+\s+\d+/\d+|\d+/\d+|\d+-\d+/\d+|\d*[.,]?\d+)"
_SIZE = re.compile(rf"{_NUMBER}\s*{_UNIT}\s*[x\u00d7*]\s*{_NUMBER}\s*{_UNIT}", re.ASCII)
_LENGTH = re.compile(rf"{_NUMBER}\s*{_UNIT}", re.ASCII)


def mm_from_inches(length_inches: float) -> float:
    """Return a length in millimetres."""
    return length_inches * MM_PER_INCH


def inches_from_mm(length_mm: float) -> float:
    """Return a length in inches."""
    return length_mm / MM_PER_INCH


def parse_length(text: str) -> float:
    """Return a length in mm from words such as "5 mm", "1 1/2 in", "2.5" (inches without a unit).

    Raises SizeError when the text is no length.
    """
    match = _LENGTH.fullmatch(text.strip().lower()[:80])
    if match is None:
        raise SizeError(f"{_quoted(text)} is not a length. Write it like 5mm or 1.5in.")
    return _to_mm(match[1], match[2] or "in", text)


def parse_size(text: str) -> tuple[float, float]:
    """Return (width_mm, height_mm) of a size: "6x6in", "152.4x152.4mm", "2 1/2 x 3 1/2 in", "a4".

    Without a unit the numbers are inches, as the trade writes its blanks; one unit serves both.
    Sides lie between 10 and 1000 mm. Raises SizeError otherwise.

    >>> parse_size("6x6in")
    (152.4, 152.4)
    """
    words = text.strip().lower()[:80]
    if words in NAMED_SIZES_MM:
        return NAMED_SIZES_MM[words]
    match = _SIZE.fullmatch(words)
    if match is None:
        raise SizeError(f"{_quoted(text)} is not a size. Write it like 6x6in, 152.4x152.4mm or a4.")
    unit = match[4] or match[2] or "in"
    width_mm = _to_mm(match[1], match[2] or unit, text)
    return check_size((width_mm, _to_mm(match[3], unit, text)))


def check_size(size_mm: tuple[float, float]) -> tuple[float, float]:
    """Return the size unchanged, or raise SizeError if a side is not between 10 and 1000 mm."""
    for side_mm in size_mm:
        if not (math.isfinite(side_mm) and SMALLEST_SIDE_MM <= side_mm <= LARGEST_SIDE_MM):
            raise SizeError(
                f"A side of {side_mm:.4g} mm cannot be used. "
                f"Sides lie between {SMALLEST_SIDE_MM:g} and {LARGEST_SIDE_MM:g} mm."
            )
    return size_mm


def describe_size(size_mm: tuple[float, float]) -> str:
    """Return a size in words: "6 x 6 in" where both sides are whole eighths of an inch, else mm."""
    for name, named_mm in NAMED_SIZES_MM.items():
        if name.startswith("a") and same_size(size_mm, named_mm):
            return name.upper()
    eighths = [inches_from_mm(side_mm) * 8 for side_mm in size_mm]
    if all(abs(side - round(side)) < 1e-6 for side in eighths):
        width, height = (f"{round(side) / 8:g}" for side in eighths)
        return f"{width} x {height} in"
    return f"{size_mm[0]:.6g} x {size_mm[1]:.6g} mm"


def same_size(
    one_mm: tuple[float, float], other_mm: tuple[float, float], *, within_mm: float = 0.05
) -> bool:
    """Tell whether two sizes agree, side by side, within `within_mm` (inclusive)."""
    return all(abs(a - b) <= within_mm for a, b in zip(one_mm, other_mm, strict=True))


def _to_mm(words: str, unit: str, whole: str) -> float:
    """Return a written number in mm, to the nearest nanometre so that 6 inches are 152.4."""
    return round(_number(words, whole) * _UNITS_MM[unit], 6)


def _number(words: str, whole: str) -> float:
    """Return a number written as 2.5, 2,5, 1/2, 2 1/2 or 2-1/2."""
    total = 0.0
    for part in re.split(r"[\s-]+", words.replace(",", ".")):
        over, _, under = part.partition("/")
        if under and float(under) == 0:
            raise SizeError(f"{_quoted(whole)} is not a size: it divides by nothing.")
        total += float(over) / float(under or 1)
    return total


def _quoted(text: str) -> str:
    """Return the caller's words, short and printable, in quotation marks."""
    shown = "".join(c if c.isprintable() else "?" for c in text[:40])
    return f'"{shown}"'
