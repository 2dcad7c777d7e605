"""The change of place, or of scale, that brings a drawing inside the margin of its blank."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from geometry.check import Checked
from geometry.prepared import Prepared
from geometry.recipe import SCALES, Placement, PointMm, Recipe, Stroke

CLEAR_MM: Final = 0.05
"""Kept beside the margin, so that rounding never falls short of it."""
LEAST_SHRINK: Final = 0.5
"""A drawing that had to be made smaller than this share is left to the artist. Judgement."""


@dataclass(frozen=True)
class Move:
    """A place for the drawing's centre on the blank, and its scale.

    What lay at p lies at shrinks_to * p + shift_mm then; shrinks_to is 1 if it only moved.
    """

    place_mm: PointMm
    scale: float
    shrinks_to: float
    shift_mm: PointMm

    @property
    def words(self) -> str:
        """What it does, as a button says it."""
        if self.shrinks_to == 1.0:
            return "Move it inside the margin"
        return f"Make it fit: {math.floor(self.shrinks_to * 1000) / 10:g} % of its size"

    def recipe(self, recipe: Recipe) -> Recipe:
        """Return a recipe with the drawing there; its strokes are left as they are."""
        return replace(recipe, place_mm=self.place_mm, scale=self.scale)


def find_move(prepared: Prepared, checked: Checked) -> Move | None:
    """Return the smallest shift of all openings inside the margin, None where they are there or
    hardly half of the drawing would fit.

    Where no shift is enough, the largest scale that fits, about the middle of the drawing, and then
    the smallest shift. Larger film, which would be the other way, is for the artist to choose.
    """
    boxes = np.array([one.box_mm for one in checked.outlines if not one.is_hole], float)
    if not len(boxes):
        return None
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    first = prepared.limits.margin_mm + CLEAR_MM
    last = np.array(checked.blank_mm, float) - first
    room = last - first
    if (room <= 0).any():
        return None
    fit = float((room / np.maximum(high - low, 1e-6)).min())
    share = 1.0 if fit >= 1 else math.floor(fit * 1e4) / 1e4
    scale = prepared.recipe.scale * share
    if share < LEAST_SHRINK or not SCALES[0] <= scale <= SCALES[1]:
        return None
    middle, half = (low + high) / 2, share * (high - low) / 2
    shift = np.maximum(first - (middle - half), 0) + np.minimum(last - (middle + half), 0)
    if share == 1.0 and not np.any(np.abs(shift) > 0):
        return None
    centre = np.array(_centre_mm(prepared, checked.placement))
    place = middle + share * (centre - middle) + shift
    return Move(
        (round(float(place[0]), 3), round(float(place[1]), 3)),
        scale,
        share,
        (float(place[0] - share * centre[0]), float(place[1] - share * centre[1])),
    )


def moved(prepared: Prepared, move: Move) -> Prepared:
    """Return the same ink at another place. Dust is what it was at the old scale."""
    return replace(prepared, recipe=move.recipe(prepared.recipe), _kept={})


def carried(strokes: tuple[Stroke, ...], before: Placement, after: Placement) -> tuple[Stroke, ...]:
    """Return strokes that lie on the drawing as they did before it moved."""
    return tuple(
        replace(
            stroke,
            points_mm=tuple(
                (round(float(x), 3), round(float(y), 3))
                for x, y in after.to_blank(before.to_paper(np.array(stroke.points_mm)))
            ),
            width_mm=round(stroke.width_mm * after.scale / before.scale, 4),
        )
        for stroke in strokes
    )


def _centre_mm(prepared: Prepared, placement: Placement) -> PointMm:
    """Return where the middle of what was drawn on paper lies on the blank (as check.place)."""
    loops = prepared.ink.loops
    boxes = loops.box_px[~loops.is_hole]
    corners = np.array([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
    middle = prepared.ink.to_mm(corners).mean(axis=0)
    x, y = placement.to_blank([middle])[0]
    return float(x), float(y)
