"""A picture seen roughly: reduced, its ink closed away, and the straight edges and quadrilaterals.

Edge pixels vote for straight lines that are bright on one side (a Hough transform with polarity),
pairs of facing lines make quadrilaterals. Several searches look at one picture, so what they share
is made once.
"""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry import paper_kernels as kernels
from geometry.paper_kernels import PAD_PX, Floats, Indices, Light

Grey = NDArray[Any]  # uint8

COARSE_PX: Final = 720  # longest side of the coarse picture
CLOSED_PX: Final = 13  # ink up to this wide is closed away: 4 mm where 150 mm fill the picture
MOST_LINES: Final = 56
_LOGARITHM: Final = np.log(np.arange(256, dtype=np.float32) + 8)  # of a grey, darkest ones alike


class Overview:
    """One picture (h, w) uint8 at smaller sizes, and its edges at one of them."""

    def __init__(self, grey: Grey) -> None:
        self.grey = grey
        self._halved = [grey]
        self._smaller: dict[int, tuple[Grey, Floats]] = {}

    def shrunk(self, longest_px: int) -> tuple[Grey, Floats]:
        """Return (the picture made smaller by averaging, how many pixels one spans along x, y).

        Halved while it can be, since halving is ten times as fast as averaging by odd amounts; a
        last odd row or column is left out. A point p of the smaller one lies at
        (p + 0.5) * scale - 0.5.
        """
        if longest_px not in self._smaller:
            times = 0
            while max(self._half(times).shape) >= 2 * longest_px:
                times += 1
            grey = self._half(times)
            height, width = grey.shape
            factor = max(1.0, max(height, width) / longest_px)
            size = (max(1, round(width / factor)), max(1, round(height / factor)))
            smaller = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
            scale = np.array([width / size[0], height / size[1]]) * 2.0**times
            self._smaller[longest_px] = smaller, scale
        return self._smaller[longest_px]

    def _half(self, times: int) -> Grey:
        """Return the picture halved so many times."""
        while len(self._halved) <= times:
            grey = self._halved[-1]
            height, width = grey.shape[0] // 2, grey.shape[1] // 2
            even = grey[: 2 * height, : 2 * width]
            smaller = cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA)
            self._halved.append(smaller)
        return self._halved[times]

    @cached_property
    def edges(self) -> "Edges":
        """The coarse picture's edges, the table going on beyond its border."""
        return Edges(light_of(self.shrunk(COARSE_PX)[0], flush=False))

    @cached_property
    def flush_edges(self) -> "Edges":
        """The same with darkness beyond the border, for a sheet flush with it."""
        return Edges(light_of(self.shrunk(COARSE_PX)[0], flush=True))


@dataclass(frozen=True)
class Edges:
    """The straight edges of a coarse picture. light: as `light_of` gives it."""

    light: Light

    @cached_property
    def lines(self) -> Floats:
        """The straight edges (n, 3), the strongest first."""
        return edge_lines(self.light)

    @cached_property
    def quads(self) -> tuple[Floats, Indices]:
        """What `line_quads` makes of the lines."""
        return line_quads(self.lines, self.light.shape)

    @cached_property
    def bright(self) -> float:
        """What 5 % of the light are brighter than."""
        return float(np.percentile(self.light, 95))


def light_of(coarse: Grey, *, flush: bool) -> Light:
    """Return the logarithm of the coarse picture, PAD_PX larger all round, ink closed away.

    Beyond the border the table goes on; or it is dark there, for a sheet flush with the border.
    """
    border = cv2.BORDER_CONSTANT if flush else cv2.BORDER_REPLICATE
    wide = cv2.copyMakeBorder(coarse, PAD_PX, PAD_PX, PAD_PX, PAD_PX, border, value=0)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (CLOSED_PX, CLOSED_PX))
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc)
    return cv2.GaussianBlur(cv2.LUT(closed, _LOGARITHM), (0, 0), 1.0)


def edge_lines(light: Light) -> Floats:
    """Return straight edges (n, 3), the strongest first: normal x, normal y, offset.

    A point p lies on the bright side of an edge where p . normal > offset.
    """
    slope_x = cv2.Sobel(light, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    slope_y = cv2.Sobel(light, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    strength = cv2.magnitude(slope_x, slope_y)
    pixels, starts = kernels.edge_pixels(light, slope_x, slope_y, strength)
    reach = math.ceil(math.hypot(*light.shape))
    turns, offsets = kernels.vote_peaks(kernels.line_votes(pixels, starts, reach), MOST_LINES).T
    radians = np.radians(turns)
    found = np.stack([np.cos(radians), np.sin(radians), offsets - float(reach)], axis=1)
    return np.asarray(kernels.settle_lines(found, pixels, starts))


def line_quads(
    lines: Floats, shape: tuple[int, ...], *, beyond_px: float = 2.0
) -> tuple[Floats, Indices]:
    """Return quadrilaterals (n, 4, 2), clockwise as seen, and the lines (n, 4) of their sides.

    Side k runs from corner k to corner k + 1. The bright side of every line faces inwards. A corner
    may lie `beyond_px` outside.
    """
    normal, offset = lines[:, :2], lines[:, 2]
    cosines = normal @ normal.T
    first, third = np.nonzero(np.triu(cosines < math.cos(math.radians(150))))
    gap = -(offset[first] + offset[third])  # how far apart two facing lines are, roughly
    far = gap > 0.2 * min(shape)
    first, third = first[far], third[far]
    a, b = (grid.ravel() for grid in np.meshgrid(*[np.arange(len(first))] * 2, indexing="ij"))
    cross = normal[first[a], 0] * normal[first[b], 1] - normal[first[a], 1] * normal[first[b], 0]
    turned = np.abs(cosines[first[a], first[b]]) < math.sin(math.radians(35))
    a, b = a[turned & (cross > 0)], b[turned & (cross > 0)]
    sides = np.stack([first[a], first[b], third[a], third[b]], axis=1)
    corners = np.stack(
        [meet(lines[sides[:, (k - 1) % 4]], lines[sides[:, k]]) for k in range(4)], axis=1
    )
    height, width = shape
    most = np.array([width - 1, height - 1]) + beyond_px
    inside = ((corners >= -beyond_px) & (corners <= most)).all(axis=(1, 2))
    return corners[inside], sides[inside]


def meet(one: Floats, other: Floats) -> Floats:
    """Return where lines meet, (n, 2)."""
    across = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    across = np.where(np.abs(across) < 1e-9, 1e-9, across)
    x = (one[:, 2] * other[:, 1] - other[:, 2] * one[:, 1]) / across
    y = (one[:, 0] * other[:, 2] - other[:, 0] * one[:, 2]) / across
    return np.stack([x, y], axis=1)
