"""Bridges for lettering: ordinary type needs about as many as it has counters, stencil type none.

Faces as in test_type; the alphabet's own counters are the outside truth.
"""

import string

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from geometry.bridges import Proposal, propose_bridges
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from tests.geometry.test_type import COUNTERS, FONTS

SIDE_PX = 1200  # of 6 x 6 in at 200 dpi
ALPHABET = string.ascii_uppercase + string.digits
LINES = "\n".join(ALPHABET[start : start + 6] for start in range(0, 36, 6))
ORDINARY = "libre-franklin-latin-700-normal"


def page(text: str, face: str, size_px: int) -> NDArray[np.uint8]:
    picture = Image.new("L", (SIDE_PX, SIDE_PX), 255)
    font = ImageFont.truetype(FONTS / f"{face}.woff", size_px)
    middle = (SIDE_PX / 2, SIDE_PX / 2)
    draw = ImageDraw.Draw(picture)
    draw.multiline_text(middle, text, 0, font, "mm", spacing=size_px // 5, align="center")
    return np.array(picture)


def proposed(text: str, face: str, size_px: int) -> Proposal:
    grey = page(text, face, size_px)
    return propose_bridges(prepare_picture(Picture(grey, None, "c" * 64, "PNG", grey.shape)))


@pytest.mark.parametrize("size_px", [100, 150])
def test_ordinary_alphabet_gets_no_more_than_its_counters_and_half_as_many(size_px: int) -> None:
    """Letters 9 and 13 mm high."""
    proposal = proposed(LINES, ORDINARY, size_px)
    flaps = [finding for finding in proposal.before.findings if finding.kind == "flap"]
    counters = sum(COUNTERS.values())
    assert counters <= len(proposal.bridges) <= 1.5 * counters + len(flaps)
    assert proposal.after.verdict == "passed"
    assert proposal.left == ()


def test_every_bridge_of_a_tall_letter_holds_a_counter_or_a_flap() -> None:
    """Above 12 mm one bridge would leave a counter hinged: it gets two, and no more."""
    for letter, most in (("A", 2), ("B", 4), ("O", 2), ("4", 2)):
        proposal = proposed(letter, ORDINARY, 600)
        assert proposal.after.verdict == "passed"
        assert COUNTERS[letter] < len(proposal.bridges) <= most
        assert all(bridge.holds for bridge in proposal.bridges)


@pytest.mark.parametrize(
    "face", ["saira-stencil-one-latin-400-normal", "black-ops-one-latin-400-normal"]
)
def test_stencil_alphabet_gets_none(face: str) -> None:
    assert proposed(LINES, face, 150).bridges == ()
