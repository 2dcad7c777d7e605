"""Fifty own drawings in ten kinds: islands and narrow places as vector arithmetic says.

Truth comes from shapely on the drawn shapes (see truth.py), never from this engine.
"""

from dataclasses import replace

import pytest

from geometry.crowding import find_crowding
from geometry.limits import Limits
from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import BLANK_MM, VARIANTS, Flaw, golden, mistakes
from tests.geometry.scans import outlines_of

DPI = 300


@pytest.mark.parametrize("kind", KINDS)
def test_golden_drawings_are_judged_right(kind: str) -> None:
    found = {variant: mistakes(golden(kind, variant), DPI) for variant in range(VARIANTS)}
    assert {variant: wrong for variant, wrong in found.items() if wrong} == {}


@pytest.mark.parametrize("kind", KINDS)
def test_golden_drawings_are_not_crowded(kind: str) -> None:
    """Their hatchings leave 2 mm of film or more between two lines."""
    for variant in range(VARIANTS):
        outlines = outlines_of(golden(kind, variant).black)
        assert find_crowding(outlines, BLANK_MM, Limits()) == []


def test_set_is_large_and_holds_every_kind_of_flaw() -> None:
    drawings = [golden(kind, variant) for kind in KINDS for variant in range(VARIANTS)]
    assert len(drawings) >= 40
    assert sum(len(drawing.islands) for drawing in drawings) > 150
    planted = {flaw.kind for drawing in drawings for flaw in drawing.flaws}
    assert planted == {"line-below-kerf", "thin-line", "thin-web"}


def test_the_judge_itself_tells_of_a_missed_flaw_and_of_one_too_many() -> None:
    drawing = golden("creatures", 1)
    (told,) = mistakes(replace(drawing, flaws=()), DPI)
    assert told.endswith("none there")
    more = (*drawing.flaws, Flaw("thin-web", (76.0, 20.0), 0.5))
    assert mistakes(replace(drawing, flaws=more), DPI) == ["thin-web of 0.50 mm found 0 times"]
