"""Finding the four edges of a sheet of paper in a picture.

Method: at a coarse scale ink is closed away, edge pixels vote for straight lines that are bright
on one side (a Hough transform with polarity), pairs of facing lines make quadrilaterals, and the
one whose sides are edges over most of their length, with something other than paper beyond them,
is the sheet. Its sides are then fitted to sub-pixel profiles of the full picture.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry import paper_kernels as kernels
from geometry.paper_fit import refined
from geometry.paper_kernels import PAD_PX, Floats
from geometry.paper_lines import COARSE_PX, Edges, Grey, Overview

LEAST_AREA: Final = 0.12  # share of the picture that the sheet covers
LEAST_SUPPORT: Final = 0.35  # share of each side that must be an edge: scraps may hide the rest
MEAN_SUPPORT: Final = 0.75  # share of all sides together
MOST_TRIED: Final = 80
LEAST_HOLD: Final = 0.5  # share of a fitted side that should lie on an edge of the full picture
LOOKS_AGREE: Final = 0.01  # of the sheet's size: farthest two looks at one corner may differ
SIZE_SLACK: Final = 0.025  # how far a side on a scan may be from its true size
SHAPE_SLACK: Final = 0.2  # how far the seen shape may be from the paper's, by perspective
SEEN_SHAPE_SLACK: Final = 0.05  # the same after perspective has been taken out
_FOCAL_LENGTHS: Final = (0.6, 0.75, 1.0, 1.5, 4.0)  # of cameras, in longest sides of the picture


def find_edges(
    overview: Overview,
    paper_mm: tuple[float, float],
    *,
    scan_px_per_mm: float | None = None,
    may_touch: bool = False,
) -> Floats | None:
    """Return the corners (4, 2) x, y of the sheet in pixels, clockwise as seen, or None.

    overview: of the picture. paper_mm: the sheet's size, either way round, whose shape is asked of
    what is found. scan_px_per_mm: the resolution of a scan, where the sheet must have its true
    size within 2.5 %. may_touch: the sheet may be flush with the picture's border.
    Pixel centres lie at integers. The error is about 0.2 px where the paper is flat.
    """
    grey = overview.grey
    if min(grey.shape) < 60:
        return None
    scale = overview.shrunk(COARSE_PX)[1]
    factor = float(scale.mean())
    expected_px = None if scan_px_per_mm is None else np.array(paper_mm) * scan_px_per_mm / factor
    flush = False
    corners = _best_quad(overview.edges, paper_mm, expected_px)
    if corners is None and may_touch:
        flush = True
        corners = _best_quad(overview.flush_edges, paper_mm, expected_px)
    if corners is None:
        return None
    corners = (corners - PAD_PX + 0.5) * scale - 0.5
    outside = 0 if flush else None
    first, hold = _settle(grey, corners, 2.5 * factor + 3, outside)
    if hold < LEAST_HOLD:
        # A coarse line may have leant on something beside the sheet: look farther for its edge.
        size = math.sqrt(float(areas(corners[None])[0]))
        again, better = _settle(grey, corners, 0.03 * size, outside)
        if better >= LEAST_HOLD:
            return again
        # Bent paper lies on no straight line, yet both looks find the same one. Looks that differ
        # leant on a patterned table: no answer beats a wrong one.
        apart = float(np.abs(again - first).max())
        if apart > LOOKS_AGREE * size:
            return None
        return again if better > hold else first
    return first


def _settle(
    grey: Grey, corners: Floats, reach_px: float, outside: int | None
) -> tuple[Floats, float]:
    """Return (corners fitted to the picture, the least share of a side that lies on its edge)."""
    corners, _ = refined(grey, corners, reach_px, outside=outside)
    return refined(grey, corners, 5.0, outside=outside)


def _best_quad(
    edges: Edges, paper_mm: tuple[float, float], expected_px: Floats | None
) -> Floats | None:
    """Return the corners of the best sheet in the coarse picture, or None."""
    light, (quads, sides) = edges.light, edges.quads
    fits = has_shape(quads, paper_mm) & (areas(quads) >= LEAST_AREA * light.size)
    if expected_px is not None:
        strange = _size_error(quads, expected_px)
        fits &= strange < SIZE_SLACK
        slack = 0.0
    else:
        strange = shape_error(quads, paper_mm, light.shape)
        fits &= strange < SEEN_SHAPE_SLACK
        slack = 0.02
    quads, sides, strange = quads[fits], sides[fits], strange[fits]
    support = kernels.side_support(light, edges.lines, quads, sides)
    fits = (support.min(axis=1) >= LEAST_SUPPORT) & (support.mean(axis=1) >= MEAN_SUPPORT)
    if not fits.any():
        return None
    quads, support, strange = quads[fits], support[fits], strange[fits]
    # Weights found by trying several hundred made photographs; a larger sheet wins a close race.
    merit = support.mean(axis=1) ** 4 * support.min(axis=1) ** 0.5 * _paper_likeness(edges, quads)
    merit *= areas(quads) ** 0.1 * np.exp(-np.maximum(strange - slack, 0) / 0.01)
    tried = quads[np.argsort(-merit)[:MOST_TRIED]]
    index = kernels.first_sheet(light, tried)
    return tried[index] if index >= 0 else None


def _paper_likeness(edges: Edges, quads: Floats) -> Floats:
    """Return how much (n,) the rim inside each quadrilateral is like paper: bright and even.

    Shadows change slowly along the rim, the pattern of a table does not.
    """
    level, rough = kernels.rim_of(edges.light, quads).T
    return np.exp(2 * np.minimum(level - edges.bright, 0.0) - 16 * rough)


def areas(quads: Floats) -> Floats:
    """Return the area of each quadrilateral (n,)."""
    after = np.roll(quads, -1, axis=1)
    return np.abs((quads[..., 0] * after[..., 1] - quads[..., 1] * after[..., 0]).sum(axis=1)) / 2


def has_shape(quads: Floats, paper_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """Tell which quadrilaterals may be the paper seen at a slant, either way round."""
    side = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2) + 1e-9
    opposite = np.abs(np.log(side[:, :2] / side[:, 2:])).max(axis=1) < math.log(1.6)
    wide = (side[:, 0] + side[:, 2]) / (side[:, 1] + side[:, 3])
    ratio = np.abs(np.log(paper_mm[0] / paper_mm[1]))
    return opposite & (np.abs(np.abs(np.log(wide)) - ratio) < SHAPE_SLACK)


def shape_error(quads: Floats, paper_mm: tuple[float, float], shape: tuple[int, ...]) -> Floats:
    """Return how far (n,), a logarithm, the true shape of each quadrilateral is from the paper's.

    The proportion of a rectangle seen in perspective follows from its corners and the focal length
    (Zhang and He, Whiteboard scanning and image enhancement, Digital Signal Processing 17, 2007,
    section 3.2); of the usual focal lengths the best is taken, the lens on the picture's middle.
    """
    middle = (np.array(shape[::-1]) - 1) / 2
    flat = quads - middle
    m1, m2, m4, m3 = (np.insert(flat[:, k], 2, 1.0, axis=1) for k in range(4))
    cross = np.cross(m1, m4)
    k2 = (cross * m3).sum(axis=1) / (np.cross(m2, m4) * m3).sum(axis=1)
    k3 = (cross * m2).sum(axis=1) / (np.cross(m3, m4) * m2).sum(axis=1)
    n2, n3 = k2[:, None] * m2 - m1, k3[:, None] * m3 - m1
    focal = np.array(_FOCAL_LENGTHS)[:, None] * (max(shape) - 2 * PAD_PX)
    length = [np.hypot(n[:, 0], n[:, 1]) ** 2 / focal**2 + n[:, 2] ** 2 for n in (n2, n3)]
    seen = np.abs(np.log(length[0] / length[1])) / 2
    error: Floats = np.abs(seen - abs(math.log(paper_mm[0] / paper_mm[1]))).min(axis=0)
    return error


def _size_error(quads: Floats, expected_px: Floats) -> Floats:
    """Return the largest error (n,) of a side, a logarithm, the sheet taken either way round."""
    side = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2) + 1e-9
    upright, turned = (
        np.abs(np.log(side / np.tile(size, 2))).max(axis=1)
        for size in (expected_px, expected_px[::-1])
    )
    return np.minimum(upright, turned)
