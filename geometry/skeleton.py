"""Skeletons: the middle lines of narrow ink or film, as chains of pixels between wide places.

What is wider stays whole and ends a chain ("wide").
"""

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.bands import BLOCK_PX, Band, pool, ways_to_edge
from geometry.thinning import SIMPLE_4, SIMPLE_8, by_way, link_chains, part_corners, thin

FREE, WIDE, JOINT = 0, 1, 2
Box = NDArray[np.float64]
Blocks = tuple[int, int, int, int]
FINEST_PX_PER_MM: Final = 12.0
EXACT_PX: Final = 24
"""Ways of all the film are exact up to this, 4 mm, and right to 2 % beyond."""


@dataclass(frozen=True)
class Chains:
    """Middle lines of the narrow parts of one phase (ink or film), on a grid of its own.

    pixels: (n, 2) x, y, chain after chain, each in order; starts (m + 1). ends: (m, 2) FREE, WIDE
    or JOINT at the first and the last pixel; joint: (m, 2) index of the joint or -1. beyond: (m, 4)
    x, y of the wide or joint pixel next to the first and the last pixel, or that pixel itself.
    joint_radius: (j) greatest distance to the edge in a joint, px; joint_wide: (j) it touches a
    wide part. radius: (n) distance to the edge, px. mask: (h, w) uint8 of the phase around all ink;
    ways2: (h, w) squares of the way to the edge, px2. pad_px: (2) x, y of the field's first block.
    factor: pixels of the field per pixel here. reach_px: what is farther from the edge is wide.
    """

    pixels: NDArray[np.int32]
    starts: NDArray[np.int64]
    ends: NDArray[np.int8]
    joint: NDArray[np.int32]
    beyond: NDArray[np.int32]
    joint_radius: NDArray[np.float32]
    joint_wide: NDArray[np.bool_]
    radius: NDArray[np.float32]
    mask: NDArray[np.uint8]
    ways2: NDArray[Any]
    pad_px: NDArray[np.int64]
    factor: int
    reach_px: float

    def __len__(self) -> int:
        return len(self.ends)

    def clear_px(self, pixels: NDArray[np.int32]) -> NDArray[np.float64]:
        """Return how far from pixels (n, 2) no edge can be, px of the field (n)."""
        ways2 = self.ways2[pixels[:, 1], pixels[:, 0]].astype(float)
        return np.asarray(np.maximum(np.sqrt(ways2) - 2, 0) * self.factor)

    def to_field(self, pixels: NDArray[Any]) -> NDArray[Any]:
        """Return pixels (n, 2) of this grid as points of the field, pixel centres at integers."""
        return (pixels - self.pad_px + 0.5) * self.factor - 0.5


@dataclass(frozen=True)
class Raster:
    """Ink and film on blocks of factor x factor pixels of the field.

    filled: (h, w) uint8 as of bands.pool. corner: x, y of its first block, counted from the
    field's, a whole number of BLOCK_PX.
    """

    filled: NDArray[np.uint8]
    corner: tuple[int, int]
    factor: int

    def ink(self) -> NDArray[np.uint8]:
        """Return the ink (h, w) as 0 and 1: blocks at least half in it, so that no neck is lost."""
        return (self.filled != 0).astype(np.uint8)

    def film(self) -> NDArray[np.uint8]:
        """Return the film (h, w) as 0 and 1: blocks at least half in it, as with ink."""
        return (self.filled != 1).astype(np.uint8)


def block_px(px_per_mm: float, finest_px_per_mm: float) -> int:
    """Return the pixels along a block's side, for a raster of about `finest_px_per_mm`."""
    return max(round(px_per_mm / finest_px_per_mm), 1)


def blocks_around(box_px: Box, factor: int, rim: int) -> Blocks:
    """Return the blocks of a box (x0, y0, x1, y1 in px) with `rim` more round it, first and last.

    The lasts are not included. Both are whole numbers of BLOCK_PX.
    """
    first = np.floor((np.floor(box_px[:2] / factor) - rim) / BLOCK_PX)
    last = np.ceil((np.floor(box_px[2:] / factor) + 2 + rim) / BLOCK_PX)
    x0, y0, x1, y1 = (int(side) * BLOCK_PX for side in (*first, *last))
    return x0, y0, x1, y1


def rasterise(field: NDArray[np.int16], factor: int, blocks: Blocks) -> Raster:
    """Return ink and film on some blocks of a field; beyond it is film."""
    return Raster(pool(field, factor, blocks), blocks[:2], factor)


def find_chains(raster: Raster, band: Band, *, is_ink: bool) -> Chains:
    """Return the middle lines of all ink (or film) in a band's zone.

    Where nothing may be narrow, as beside a blunt corner, there is no chain. A caliper on the field
    has to confirm each width. The film goes on outside the raster.
    """
    mask, zone = band.mask.copy(), band.zone
    if not is_ink:
        mask[:1], mask[-1:], mask[:, :1], mask[:, -1:] = 0, 0, 0, 0
        zone = _without_rim(zone)
    order, starts = by_way(mask, zone, band.ways2, band.reach)
    kept = thin(mask, order, starts, SIMPLE_8 if is_ink else SIMPLE_4)
    return _chains(mask, kept, band.mask, band.ways2, raster, band.reach)


def _without_rim(zone: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a zone without its outermost blocks: they are the film that goes on outside."""
    inner = np.zeros_like(zone)
    inner[1:-1, 1:-1] = zone[1:-1, 1:-1]
    return inner


def film_skeleton(raster: Raster, zone: NDArray[np.uint8]) -> Chains:
    """Return the middle lines of all the film in a zone, however wide.

    zone: 1 in cells of BLOCK_PX blocks. Film that meets at a corner only is parted first, as a
    corner holds nothing. A WIDE end is the film outside of the zone, or around the raster.
    """
    mask = raster.film()
    part_corners(mask)
    whole = mask.copy()
    mask[:1], mask[-1:], mask[:, :1], mask[:, -1:] = 0, 0, 0, 0
    far = np.asarray(cv2.distanceTransform(whole, cv2.DIST_L2, cv2.DIST_MASK_5), np.float32)
    ways2 = np.rint(np.minimum(far, max(mask.shape) / 2) ** 2).astype(np.int32)
    near2 = ways_to_edge(whole, EXACT_PX)
    np.copyto(ways2, near2, where=near2 < EXACT_PX**2)
    reach = float(np.sqrt(ways2.max()))
    order, starts = by_way(mask, _without_rim(zone), ways2, reach)
    # Without corners that meet, film is 4-connected where it is 8-connected.
    kept = thin(mask, order, starts, SIMPLE_8)
    return _chains(mask, kept, whole, ways2, raster, reach)


def _chains(
    thinned: NDArray[np.uint8],
    kept: NDArray[np.int64],
    whole: NDArray[np.uint8],
    ways2: NDArray[Any],
    raster: Raster,
    reach: float,
) -> Chains:
    """Return the chains of a thinned mask, which is used up."""
    pixels, starts, ends, joint, beyond, joint_radius, joint_wide = link_chains(
        thinned, kept, ways2
    )
    return Chains(
        pixels,
        starts,
        ends,
        joint,
        beyond,
        joint_radius,
        joint_wide,
        np.sqrt(ways2[pixels[:, 1], pixels[:, 0]].astype(np.float32)),
        whole,
        ways2,
        -np.array(raster.corner),
        raster.factor,
        reach,
    )
