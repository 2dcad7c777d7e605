"""Stencil type against ordinary type: open faces with known counters as outside truth.

Faces from the @fontsource packages saira-stencil-one, black-ops-one (stencil faces: no counters)
and libre-franklin (ordinary), under the SIL Open Font License; see tests/fonts.
"""

import string
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.islands import find_islands
from geometry.limits import Limits
from geometry.margins import find_margin_faults
from geometry.outlines import trace
from geometry.recipe import Placement
from geometry.widths import find_thin

FONTS = Path(__file__).parents[1] / "fonts"
LETTERS = string.ascii_uppercase + string.digits
COUNTERS = dict.fromkeys("ADOPQR0469", 1) | dict.fromkeys("B8", 2)  # the alphabet's own
PX_PER_MM = 300 / 25.4
SIDE_MM = 100.0


def findings_of(letter: str, face: str) -> list[Finding]:
    """Findings on a letter about 75 mm high on 100 mm paper at 300 dpi."""
    side = round(SIDE_MM * PX_PER_MM)
    picture = Image.new("L", (side, side), 255)
    font = ImageFont.truetype(FONTS / f"{face}.woff", 900)
    ImageDraw.Draw(picture).text((side / 2, side / 2), letter, 0, font, "mm")
    ink = find_ink(np.array(picture), PX_PER_MM)
    outlines = trace(ink, Placement())
    blank = (SIDE_MM, SIDE_MM)
    found = find_islands(outlines, ink, Placement(), blank, Limits())
    found += find_margin_faults(outlines, blank, Limits(margin_mm=2.0))
    return found + find_thin(ink, Placement(), Limits())


@pytest.mark.parametrize(
    "face", ["saira-stencil-one-latin-400-normal", "black-ops-one-latin-400-normal"]
)
def test_stencil_type_has_nothing_to_find(face: str) -> None:
    assert {letter: found for letter in LETTERS if (found := findings_of(letter, face))} == {}


def test_ordinary_type_loses_exactly_its_counters() -> None:
    counted = {}
    for letter in LETTERS:
        found = findings_of(letter, "libre-franklin-latin-700-normal")
        assert {finding.kind for finding in found} <= {"island"}
        if found:
            counted[letter] = len(found)
    assert counted == COUNTERS
