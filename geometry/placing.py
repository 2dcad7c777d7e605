"""Where a drawing lies, for those who place it by hand: its extent, the largest size, its strokes.

All of it follows from the ink of one check; nothing is drawn or judged here.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.check import find_bare_ink, place, refuse_coarse
from geometry.errors import UnreadableError
from geometry.ink import Ink, with_strokes
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.paper import Page, Straight
from geometry.recipe import SCALES, Placement, PointMm, Recipe, Stroke
from geometry.units import same_size

SCALE_STEP: Final = 1e-4
PLACE_STEP_MM: Final = 1e-3
NARROWEST_MM: Final = 1e-3  # a stroke made smaller with its drawing stays a stroke


@dataclass(frozen=True)
class Lie:
    """Where the ink lies on paper, and the paper on the blank.

    centre_mm: about which place, scale and turn act, in the paper's frame. hull_mm: (n, 2) the
    outermost points of all that is cut, the strokes included, paper frame, clockwise as seen.
    placement: from the paper's frame to the blank's.
    """

    centre_mm: PointMm
    hull_mm: NDArray[np.float64]
    placement: Placement

    @property
    def place_mm(self) -> PointMm:
        """Where the centre lies on the blank."""
        x, y = self.placement.to_blank([self.centre_mm])[0]
        return float(x), float(y)


def find_lie(straight: Straight, page: Page, recipe: Recipe, limits: Limits) -> Lie:
    """Return where a straightened drawing lies. Raises UnreadableError where nothing is drawn."""
    refuse_coarse(page, limits)
    return lie_of(find_bare_ink(straight, recipe, limits), page, recipe)


def lie_of(bare_ink: Ink, page: Page, recipe: Recipe) -> Lie:
    """Return where ink lies that was found on paper, the recipe's strokes drawn over it.

    The extent is that of the outlines which the check measures margins on.
    """
    placement = place(bare_ink, page, recipe)
    boxes = bare_ink.loops.box_px[~bare_ink.loops.is_hole]
    ends = np.array([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])
    x, y = bare_ink.to_mm(ends).mean(axis=0)
    drawn = with_strokes(bare_ink, recipe.strokes, placement)
    lines = [outline.dense_mm for outline in trace(drawn, Placement()) if not outline.is_hole]
    if not lines:
        raise UnreadableError("blank", "The white strokes cover all that is drawn.")
    hull = cv2.convexHull(np.concatenate(lines).astype(np.float32), clockwise=True)
    return Lie((float(x), float(y)), hull.reshape(-1, 2).astype(float), placement)


def usual_place(page: Page, centre_mm: PointMm, blank_mm: tuple[float, float]) -> PointMm:
    """Return where the centre of the ink lies on a blank when a recipe names no place, mm."""
    if page.framed and same_size(page.paper_mm, blank_mm):
        return centre_mm
    return blank_mm[0] / 2, blank_mm[1] / 2


def largest(
    hull_mm: ArrayLike,
    centre_mm: PointMm,
    turn_deg: float,
    blank_mm: tuple[float, float],
    margin_mm: float,
) -> tuple[float, PointMm]:
    """Return (scale, place_mm) at which a turned drawing fills the blank up to its margin.

    hull_mm: (n, 2) its outermost points, centre_mm: what it turns about, both in the paper's frame.
    The tighter side decides; the other is centred. The scale is rounded down to whole 0.0001 and
    the place to 0.001 mm; 0.001 mm is left on each side, so that the margin holds all the same.

    >>> largest([(0, 0), (50, 0), (50, 20), (0, 20)], (25, 10), 0, (100, 100), 10)
    (1.5999, (50.0, 50.0))
    """
    turned = Placement(turn_deg=turn_deg).to_blank(np.asarray(hull_mm, float) - centre_mm)
    low, high = turned.min(axis=0), turned.max(axis=0)
    room = np.array(blank_mm) - 2 * (margin_mm + PLACE_STEP_MM)
    size = np.maximum(high - low, 1e-6)
    fits = float(np.clip((room / size).min(), *SCALES))
    scale = max(round(np.floor(fits / SCALE_STEP) * SCALE_STEP, 4), SCALES[0])
    x, y = np.array(blank_mm) / 2 - scale * (low + high) / 2
    return float(scale), (round(float(x), 3), round(float(y), 3))


def moved_strokes(
    strokes: Sequence[Stroke], before: Placement, after: Placement
) -> tuple[Stroke, ...]:
    """Return strokes (blank frame) that go with a drawing from one placement to another.

    A stroke stays where it was on the drawing: its points move, and its width follows the scale.
    """
    factor = after.scale / before.scale
    return tuple(
        replace(
            stroke,
            points_mm=tuple(
                (round(float(x), 4), round(float(y), 4))
                for x, y in after.to_blank(before.to_paper(np.array(stroke.points_mm)))
            ),
            width_mm=max(round(stroke.width_mm * factor, 4), NARROWEST_MM),
        )
        for stroke in strokes
    )
