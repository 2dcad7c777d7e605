"""The grey of the bare paper everywhere on a page, also under solid shapes and in soft shadow."""

import cv2
import numpy as np
from numpy.typing import NDArray

STEEP = 1.18
"""Neighbouring cells whose greys differ by more than this factor lie across an edge of ink."""
PAPER_SHARE = 0.66
"""A smooth region this bright, against the paper around it, is paper too. Judgement."""
_STEPS = 1 << 20
"""Of values up to their greatest, for sorting."""


def cells_of(grey: NDArray[np.uint8], cell_px: int) -> NDArray[np.float32]:
    """Return the grey of the brightest quarter of each cell of cell_px pixels, (rows, columns)."""
    part_px = max(cell_px // 4, 1)
    rows, columns = -(-grey.shape[0] // cell_px), -(-grey.shape[1] // cell_px)
    parts = -(-cell_px // part_px)
    fine = cv2.resize(
        grey[
            : grey.shape[0] // part_px * part_px or None,
            : grey.shape[1] // part_px * part_px or None,
        ],
        (max(grey.shape[1] // part_px, 1), max(grey.shape[0] // part_px, 1)),
        interpolation=cv2.INTER_AREA,
    )
    bright = cv2.dilate(fine, np.ones((parts, parts), np.uint8))
    centre_y = np.clip((np.arange(rows) * cell_px + cell_px // 2) // part_px, 0, fine.shape[0] - 1)
    centre_x = np.clip(
        (np.arange(columns) * cell_px + cell_px // 2) // part_px, 0, fine.shape[1] - 1
    )
    return bright[np.ix_(centre_y, centre_x)].astype(np.float32)


def paper_level(cells: NDArray[np.float32], cell_mm: float) -> NDArray[np.float32]:
    """Return the paper's grey for each cell, (rows, columns), at least 1.

    Cells without a steep step to their neighbours form smooth regions: bare paper, or solid ink.
    The largest bright one is paper; a region is paper as well when it is nearly as bright as the
    paper around it says. What is left is filled in from the paper, coarse to fine. A shadow whose
    edge is soft over 2 mm or more stays one region with the paper; ink never does.
    """
    cells = np.maximum(cells, 1.0)
    window = np.ones((3, 3), np.uint8)
    smooth = (cv2.dilate(cells, window) <= STEEP * cv2.erode(cells, window)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(smooth, connectivity=4)
    label = np.asarray(labels, np.int32)
    bright = float(np.percentile(cells, 98))
    if count == 1:
        return np.full_like(cells, bright)
    median = _medians(cells, label, count)
    size = stats[:, cv2.CC_STAT_AREA].astype(float)
    size[0] = 0
    least = np.where(size * cell_mm**2 >= 4, PAPER_SHARE, 0.85)
    paper = int(np.argmax(np.where(median >= 0.6 * bright, size, -1)))
    is_paper = np.zeros(count, bool)
    is_paper[paper] = True
    for _ in range(4):
        filled = fill_from(cells, is_paper[label] & (smooth > 0))
        more = is_paper | (_medians(cells / filled, label, count) >= least)
        if (more == is_paper).all():
            break
        is_paper = more
    known = is_paper[label] & (smooth > 0)
    filled = fill_from(cells, known)
    known |= cells >= 0.93 * filled
    return np.maximum(cv2.GaussianBlur(fill_from(cells, known), (0, 0), 1.0), 1.0)


def _medians(
    values: NDArray[np.float32], label: NDArray[np.int32], count: int
) -> NDArray[np.float64]:
    """Return the median of each region 1 to count - 1, none of which is empty; 0 for region 0."""
    # One key a cell, region before value, as sorting whole numbers is fast.
    step = float(values.max()) / _STEPS
    steps = np.round(values / step).astype(np.int64)
    keys = np.sort((label.astype(np.int64) * (2 * _STEPS) + steps)[label > 0])
    sizes = np.bincount(label.ravel(), minlength=count)[1:]
    firsts = np.cumsum(sizes) - sizes
    ordered = (keys % (2 * _STEPS)) * step
    middle = (ordered[firsts + (sizes - 1) // 2] + ordered[firsts + sizes // 2]) / 2
    return np.concatenate([[0.0], middle])


def fill_from(cells: NDArray[np.float32], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return cells with those not known filled in from those that are, coarse to fine."""
    weight = known.astype(np.float32)
    if not known.any():
        return np.full_like(cells, cells.max())
    if known.all() or min(cells.shape) < 2:
        mean = float((cells * weight).sum() / weight.sum())
        return np.where(known, cells, np.float32(mean))
    size = ((cells.shape[1] + 1) // 2, (cells.shape[0] + 1) // 2)
    coarse_weight = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(cells * weight, size, interpolation=cv2.INTER_AREA)
    some = coarse_weight > 1e-3
    below = fill_from(np.where(some, coarse / np.maximum(coarse_weight, 1e-3), 0), some)
    up = cv2.resize(below, (cells.shape[1], cells.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.where(known, cells, up)
