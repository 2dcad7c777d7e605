"""A sheet of paper with a corner out of the picture: told as such, never measured by."""

from typing import Final

import cv2
import numpy as np

from geometry import paper_edges
from geometry.paper_kernels import LEAST_CONTRAST, PAD_PX, STEP_PX, WIDE_PX, Floats, Light
from geometry.paper_lines import Overview, line_quads

BEYOND: Final = 0.35  # how far outside a corner may lie, in longest sides of the picture
LEAST_SEEN: Final = 0.3  # share of each side that must be in the picture
LEAST_SUPPORT: Final = 0.6  # share of what is seen of each side that must be an edge
MEAN_SUPPORT: Final = 0.85
MOST_LINES: Final = 28  # the strongest; bounds the time
PLACES: Final = 48  # looked at along a side


def corner_cut_off(overview: Overview, paper_mm: tuple[float, float]) -> str | None:
    """Return which corner of the sheet is out of the picture ("top left", ...), or None.

    overview: of a picture in which no whole sheet was found. The sheet must show parts of all four
    of its sides and have the paper's shape. Where two corners are out, the farther one is named.
    """
    if min(overview.grey.shape) < 60:
        return None
    light, lines = overview.edges.light, overview.edges.lines[:MOST_LINES]
    quads, _ = line_quads(lines, light.shape, beyond_px=BEYOND * max(light.shape))
    if not len(quads):
        return None
    out = _outside(quads, light.shape)
    fits = paper_edges.has_shape(quads, paper_mm) & (out.max(axis=1) > 2)
    fits &= paper_edges.areas(quads) >= 2 * paper_edges.LEAST_AREA * light.size
    fits &= paper_edges.shape_error(quads, paper_mm, light.shape) < paper_edges.SEEN_SHAPE_SLACK
    quads, out = quads[fits], out[fits]
    if not len(quads):
        return None
    seen, support = _support(light, quads)
    fits = (seen.min(axis=1) >= LEAST_SEEN) & (support.min(axis=1) >= LEAST_SUPPORT)
    fits &= support.mean(axis=1) >= MEAN_SUPPORT
    if not fits.any():
        return None
    best = int(np.argmax(np.where(fits, support.mean(axis=1), -1)))
    corner = quads[best, int(out[best].argmax())] - quads[best].mean(axis=0)
    return f"{'top' if corner[1] < 0 else 'bottom'} {'left' if corner[0] < 0 else 'right'}"


def _outside(points: Floats, shape: tuple[int, ...]) -> Floats:
    """Return how far (...) points (..., 2) lie outside the padded picture's true border, px."""
    low = np.full(2, PAD_PX, float)
    high = np.array(shape[::-1], float) - 1 - PAD_PX
    return np.maximum(low - points, points - high).max(axis=-1)


def _support(light: Light, quads: Floats) -> tuple[Floats, Floats]:
    """Return (share of each side (n, 4) in the picture, share of that which is an edge)."""
    share = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    starts, ends = quads[:, :, None], np.roll(quads, -1, axis=1)[:, :, None]
    points = starts + share * (ends - starts)
    along = (ends - starts) / np.maximum(np.linalg.norm(ends - starts, axis=3, keepdims=True), 1e-9)
    inward = np.stack([-along[..., 1], along[..., 0]], axis=3)
    inside = _outside(points, light.shape) < -STEP_PX
    smooth = cv2.blur(light, (3, 3))
    step = np.min(
        [
            _nearest(smooth, points + reach * inward) - _nearest(smooth, points - reach * inward)
            for reach in (STEP_PX, WIDE_PX)
        ],
        axis=0,
    )
    held = (step > LEAST_CONTRAST) & inside
    return inside.mean(axis=2), held.sum(axis=2) / np.maximum(inside.sum(axis=2), 1)


def _nearest(light: Light, points: Floats) -> Light:
    """Return the values (...) at the pixels nearest to points (..., 2), many at once."""
    at = np.clip(np.round(points).astype(int), 0, np.array(light.shape[::-1]) - 1)
    return light[at[..., 1], at[..., 0]]
