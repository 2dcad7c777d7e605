"""The same check written plainly with scikit-image and scipy, as a reference for its time.

Read, level the light, threshold, drop specks, label the film, skeletons with distance transforms of
line and film for the widths, and sub-pixel contours with their areas. It finds no flaps and no
paper, judges no tips and is less exact: the least that a plain pipeline has to do.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage
from skimage import filters, io, measure, morphology


def check(path: Path, px_per_mm: float | None = None) -> dict[str, Any]:
    """Return counts and least widths in mm of a square 6 in drawing."""
    grey = io.imread(path, as_gray=True).astype(np.float32)
    grey = grey / max(float(grey.max()), 1e-6)
    scale = px_per_mm or grey.shape[1] / 152.4
    cell = max(round(0.7 * scale), 1)
    small = grey[::cell, ::cell]
    paper = ndimage.zoom(ndimage.maximum_filter(small, 35), cell, order=1)
    paper = np.pad(
        paper, [(0, max(0, g - p)) for g, p in zip(grey.shape, paper.shape, strict=True)], "edge"
    )
    flat = grey / paper[: grey.shape[0], : grey.shape[1]]
    level = filters.threshold_otsu(flat)
    ink = flat < level
    labels = measure.label(ink, connectivity=2)
    sizes = np.bincount(labels.ravel())
    keep = sizes >= 0.2 * scale**2
    keep[0] = False
    ink = keep[labels]
    film = ~ink
    parts = measure.label(film, connectivity=1)
    islands = [
        part
        for part in measure.regionprops(parts)
        if part.label != parts[0, 0] and part.area >= scale**2
    ]
    widths = []
    for phase in (ink, film):
        distance = ndimage.distance_transform_edt(phase)
        middle = morphology.skeletonize(phase)
        width = 2 * distance[middle] / scale
        widths.append(float(width.min()) if width.size else None)
        narrow = measure.label(middle & (distance < scale / 2), connectivity=2)
        measure.regionprops(narrow)
    field = np.where(ink | (flat >= level), flat, level + 0.01)
    contours = [
        measure.approximate_polygon(line, 0.02 * scale)
        for line in measure.find_contours(field, level)
    ]
    return {"islands": len(islands), "least_mm": widths, "contours": len(contours)}
