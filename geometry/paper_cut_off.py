"""A sheet of paper with a corner out of the picture: told as such, never measured by."""

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry import paper_edges as edges

Floats = NDArray[np.float64]

BEYOND: Final = 0.35  # how far outside a corner may lie, in longest sides of the picture
LEAST_SEEN: Final = 0.3  # share of each side that must be in the picture
LEAST_SUPPORT: Final = 0.6  # share of what is seen of each side that must be an edge
MEAN_SUPPORT: Final = 0.85
MOST_LINES: Final = 28  # the strongest; bounds the time
PLACES: Final = 48  # looked at along a side


def corner_cut_off(grey: NDArray[Any], paper_mm: tuple[float, float]) -> str | None:
    """Return which corner of the sheet is out of the picture ("top left", ...), or None.

    grey: (h, w) uint8 in which no whole sheet was found. The sheet must show parts of all four of
    its sides and have the paper's shape. Where two corners are out, the farther one is named.
    """
    if min(grey.shape) < 60:
        return None
    light = edges.light_of(edges.shrunk(grey, edges.COARSE_PX)[0], flush=False)
    lines = edges.edge_lines(light)[:MOST_LINES]
    if len(lines) < 4:
        return None
    quads, _ = edges.line_quads(lines, light.shape, beyond_px=BEYOND * max(light.shape))
    if not len(quads):
        return None
    out = _outside(quads, light.shape)
    fits = edges.has_shape(quads, paper_mm) & (out.max(axis=1) > 2)
    fits &= edges.areas(quads) >= 2 * edges.LEAST_AREA * light.size
    fits &= edges.shape_error(quads, paper_mm, light.shape) < edges.SEEN_SHAPE_SLACK
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
    low = np.full(2, edges.PAD_PX, float)
    high = np.array(shape[::-1], float) - 1 - edges.PAD_PX
    return np.maximum(low - points, points - high).max(axis=-1)


def _support(light: NDArray[Any], quads: Floats) -> tuple[Floats, Floats]:
    """Return (share of each side (n, 4) in the picture, share of that which is an edge)."""
    share = (np.arange(PLACES) + 0.5)[:, None] / PLACES
    starts, ends = quads[:, :, None], np.roll(quads, -1, axis=1)[:, :, None]
    points = starts + share * (ends - starts)
    along = (ends - starts) / np.maximum(np.linalg.norm(ends - starts, axis=3, keepdims=True), 1e-9)
    inward = np.stack([-along[..., 1], along[..., 0]], axis=3)
    inside = _outside(points, light.shape) < -edges.STEP_PX
    smooth = cv2.blur(light, (3, 3))
    step = np.min(
        [
            edges.nearest(smooth, points + reach * inward)
            - edges.nearest(smooth, points - reach * inward)
            for reach in (edges.STEP_PX, edges.WIDE_PX)
        ],
        axis=0,
    )
    held = (step > edges.LEAST_CONTRAST) & inside
    return inside.mean(axis=2), held.sum(axis=2) / np.maximum(inside.sum(axis=2), 1)
