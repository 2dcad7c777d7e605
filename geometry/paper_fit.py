"""Fitting the sides of a quadrilateral to sub-pixel profiles of a picture."""

import math

import cv2
import numpy as np

from geometry.paper_kernels import Floats, robust_line
from geometry.paper_lines import Grey, meet


def refined(
    grey: Grey, corners: Floats, reach_px: float, *, outside: int | None
) -> tuple[Floats, float]:
    """Return (corners with each side fitted within `reach_px` of where it was, the least hold)."""
    fitted, holds = np.empty((4, 3)), np.empty(4)
    for index in range(4):
        start, end = corners[index], corners[(index + 1) % 4]
        fitted[index], holds[index] = _fit_side(grey, start, end, reach_px, outside)
    met = [meet(fitted[None, (k - 1) % 4], fitted[None, k])[0] for k in range(4)]
    return np.stack(met, axis=0), float(holds.min())


def _fit_side(
    grey: Grey, start: Floats, end: Floats, reach_px: float, outside: int | None
) -> tuple[Floats, float]:
    """Return (the line of one side, the share of it that lies on an edge within 1 px).

    A line is normal x, normal y, offset; the sheet lies on the right hand of start to end.
    """
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    share = np.linspace(0.03, 0.97, int(np.clip(length / 6, 40, 400)))
    across = np.arange(-math.ceil(reach_px) - 2, math.ceil(reach_px) + 3, dtype=float)
    base = start + share[:, None] * (end - start)
    x, y = ((base[:, axis, None] + across * inward[axis]).astype(np.float32) for axis in (0, 1))
    mode = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    sampled = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=mode, borderValue=0)
    profile = cv2.GaussianBlur(sampled.astype(np.float32), (0, 0), sigmaX=1.0, sigmaY=0.8)
    slope = (profile[:, 2:] - profile[:, :-2]) / 2
    best = np.clip(slope.argmax(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(best))
    before, at, after = (slope[rows, best + step] for step in (-1, 0, 1))
    bend = np.minimum(before - 2 * at + after, -1e-6)
    place = across[best + 1] + np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    level, tilt = robust_line(share - 0.5, place, at)
    clear = at > 0.3 * np.percentile(at, 80)
    hold = float(np.mean((np.abs(place - level - tilt * (share - 0.5)) < 1.0) & clear))
    middle = (start + end) / 2 + level * inward
    turned = along * length + tilt * inward
    normal = np.array([-turned[1], turned[0]]) / np.linalg.norm(turned)
    return np.array([normal[0], normal[1], float(middle @ normal)]), hold


def refine_quad(grey: Grey, corners: Floats, *, dark_inside: bool = False) -> Floats:
    """Return the corners (4, 2) of a small even quadrilateral, clockwise, fitted to sub-pixel.

    Its sides are looked for within an eighth of its size; bright inside unless `dark_inside`.
    """
    size = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean())
    reach = max(2.0, size / 8)
    room = math.ceil(reach + 6)
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - room, 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + room + 1
    part = grey[low[1] : high[1], low[0] : high[0]]
    part = 255 - part if dark_inside else part
    fitted, _ = refined(part, corners - low, reach, outside=None)
    fitted, _ = refined(part, fitted, 2.0, outside=None)
    return fitted + low
