"""Places: where lines or webs are narrow, found on the whole drawing or only near what changed.

Where something may be narrow falls into zones that touch nowhere, and what is found in one depends
on nothing outside of it and a little around. So after a change only the zones that it reaches are
searched again; the others keep what was found in them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from geometry.bands import BLOCK_PX, FARTHEST_PX, Band, find_band, influence_px
from geometry.ink import Ink
from geometry.lines import Spur, measured_lines, use_hairline_widths
from geometry.narrow import Narrow, narrow_places
from geometry.skeleton import (
    FINEST_PX_PER_MM,
    Blocks,
    Chains,
    block_px,
    blocks_around,
    find_chains,
    rasterise,
)

Labels = NDArray[np.int32]

FIRST_WINDOW_MM = 10.0
"""How far around a change is looked at first; twice as far each time that is not enough."""


@dataclass(frozen=True)
class Asked:
    """What counts as narrow: widths below limit_px, and from which length on where not a neck."""

    limit_px: float
    least_length_px: float


@dataclass(frozen=True)
class Places:
    """The narrow places of ink or film.

    by_limit: the places for each `Asked`. spurs: of ink. zones: (h, w) int32, 0 or the number of a
    zone, in cells of BLOCK_PX blocks; corner: x, y of the first cell, counted from the field's.
    """

    by_limit: tuple[tuple[Narrow, ...], ...]
    spurs: tuple[Spur, ...]
    zones: Labels = field(repr=False)
    corner: tuple[int, int]
    factor: int

    def zone_at(self, points_px: NDArray[np.float64]) -> NDArray[np.int32]:
        """Return the numbers of the zones at points (n, 2) of the field's middle lines."""
        cells = np.floor((points_px + 0.5) / (self.factor * BLOCK_PX)).astype(int) - self.corner
        return np.asarray(self.zones[cells[:, 1], cells[:, 0]])


def find_places(
    solid: NDArray[np.int16],
    ink: Ink,
    widest_mm: float,
    asked: Sequence[Asked],
    *,
    is_ink: bool,
    before: Places | None = None,
    changed_px: NDArray[np.float64] | None = None,
) -> Places:
    """Return the narrow places of the ink (or film) that is narrower than `widest_mm`.

    solid: the field to look at. before: the places before the field changed within some boxes (n,
    4) x0, y0, x1, y1, which must lie in a field of the same size and place.
    """
    # Where the limit is very wide, coarser blocks keep what is looked at in reach.
    half_px = widest_mm / 2 * ink.px_per_mm
    factor = max(block_px(ink.px_per_mm, FINEST_PX_PER_MM), int(np.ceil(half_px / FARTHEST_PX)))
    reach = half_px / factor + 1.5
    whole = blocks_around(ink.loops.around_px, factor, int(np.ceil(reach)) + 6)
    if before is None or changed_px is None:
        raster = rasterise(solid, factor, whole)
        band = find_band(raster.ink() if is_ink else raster.film(), reach)
        zones = _numbered(band)
        chains = find_chains(raster, band, is_ink=is_ink)
        return _places(chains, solid, ink, widest_mm, asked, zones, raster.corner, is_ink=is_ink)
    cells = _changed_cells(changed_px, whole, factor, influence_px(reach))
    away = FIRST_WINDOW_MM * ink.px_per_mm / factor
    rows, columns = np.nonzero(cells)
    while True:
        window, trusted = _window(rows, columns, whole, away, influence_px(reach))
        raster = rasterise(solid, factor, window)
        band = find_band(raster.ink() if is_ink else raster.film(), reach)
        zones = _numbered(band)
        inside = _part(cells, whole, window)
        reached = np.unique(zones[inside])
        reached = reached[reached > 0]
        is_reached = np.isin(zones, reached)
        if window == whole or not (is_reached & ~trusted).any():
            break
        away *= 2
    band = replace(band, zone=is_reached.astype(np.uint8))
    chains = find_chains(raster, band, is_ink=is_ink)
    new = _places(chains, solid, ink, widest_mm, asked, zones, raster.corner, is_ink=is_ink)
    return _merged(before, new, is_reached, cells, whole)


def _numbered(band: Band) -> Labels:
    """Return the zones of a band, numbered from 1."""
    return np.asarray(cv2.connectedComponents(band.zone, connectivity=8)[1], np.int32)


def _places(
    chains: Chains,
    solid: NDArray[np.int16],
    ink: Ink,
    widest_mm: float,
    asked: Sequence[Asked],
    zones: Labels,
    corner: tuple[int, int],
    *,
    is_ink: bool,
) -> Places:
    """Return the places on some chains."""
    lines, spurs = measured_lines(
        chains, solid, ink.px_per_mm, widest_mm * ink.px_per_mm, is_ink=is_ink
    )
    if is_ink:
        use_hairline_widths(lines, ink, chains)
    by_limit = tuple(
        tuple(narrow_places(lines, chains, one.limit_px, least_length_px=one.least_length_px))
        for one in asked
    )
    cells = (corner[0] // BLOCK_PX, corner[1] // BLOCK_PX)
    return Places(by_limit, tuple(spurs), zones, cells, chains.factor)


def _changed_cells(
    changed_px: NDArray[np.float64], whole: Blocks, factor: int, influence: int
) -> NDArray[np.bool_]:
    """Return which cells of the whole a change within some boxes can reach."""
    cells = np.zeros(_cell_shape(whole), np.bool_)
    for x0, y0, x1, y1 in changed_px / factor:
        left, top = (int((side - influence) // BLOCK_PX) for side in (x0 - whole[0], y0 - whole[1]))
        right, low = (
            int((side + influence) // BLOCK_PX) + 1 for side in (x1 - whole[0], y1 - whole[1])
        )
        cells[max(top, 0) : max(low, 0), max(left, 0) : max(right, 0)] = True
    return cells


def _cell_shape(blocks: Blocks) -> tuple[int, int]:
    """Return (rows, columns) of the cells of some blocks."""
    return (blocks[3] - blocks[1]) // BLOCK_PX, (blocks[2] - blocks[0]) // BLOCK_PX


def _window(
    rows: NDArray[np.intp], columns: NDArray[np.intp], whole: Blocks, away: float, influence: int
) -> tuple[Blocks, NDArray[np.bool_]]:
    """Return the blocks to look at around some cells, and which of their cells can be relied on."""
    if not len(rows):
        rows = columns = np.zeros(1, np.intp)
    rim, out = -(-influence // BLOCK_PX) + 1, int(away // BLOCK_PX)
    high, wide = _cell_shape(whole)
    first = np.array([columns.min(), rows.min()]) - out
    last = np.array([columns.max(), rows.max()]) + out + 1
    low, top = np.maximum(first - rim, 0), np.minimum(last + rim, [wide, high])
    trusted = np.zeros((top - low)[::-1], np.bool_)
    # One cell less, so that a zone which goes on outside is seen to.
    inner = np.where(low > 0, rim + 1, 0), np.where(top < [wide, high], rim + 1, 0)
    trusted[
        inner[0][1] : trusted.shape[0] - inner[1][1], inner[0][0] : trusted.shape[1] - inner[1][0]
    ] = True
    x0, y0 = (whole[axis] + int(low[axis]) * BLOCK_PX for axis in (0, 1))
    x1, y1 = (whole[axis] + int(top[axis]) * BLOCK_PX for axis in (0, 1))
    return (x0, y0, x1, y1), trusted


def _part(cells: NDArray[np.bool_], whole: Blocks, window: Blocks) -> NDArray[np.bool_]:
    """Return the cells of the whole that lie in a window."""
    left, top = (window[0] - whole[0]) // BLOCK_PX, (window[1] - whole[1]) // BLOCK_PX
    rows, columns = _cell_shape(window)
    return cells[top : top + rows, left : left + columns]


def _merged(
    before: Places,
    new: Places,
    is_reached: NDArray[np.bool_],
    cells: NDArray[np.bool_],
    whole: Blocks,
) -> Places:
    """Return what was found before outside of the zones reached, and what is new inside them."""
    shift = (whole[0] // BLOCK_PX - before.corner[0], whole[1] // BLOCK_PX - before.corner[1])
    rows, columns = np.nonzero(cells)
    rows, columns = rows + shift[1], columns + shift[0]
    fits = (rows >= 0) & (rows < before.zones.shape[0])
    fits &= (columns >= 0) & (columns < before.zones.shape[1])
    gone = np.zeros(int(before.zones.max(initial=0)) + 1, np.bool_)
    gone[before.zones[rows[fits], columns[fits]]] = True
    gone[0] = False
    zones = np.zeros(_cell_shape(whole), np.int32)
    _put(zones, (whole[0] // BLOCK_PX, whole[1] // BLOCK_PX), before.zones, before.corner)
    zones[gone[zones]] = 0
    fresh = np.where(is_reached, new.zones + len(gone), 0)
    _put(zones, (whole[0] // BLOCK_PX, whole[1] // BLOCK_PX), fresh, new.corner, over=is_reached)
    by_limit = tuple(
        (*_outside(before, old, gone), *added)
        for old, added in zip(before.by_limit, new.by_limit, strict=True)
    )
    kept = before.zone_at(np.array([at for at, _ in before.spurs]).reshape(-1, 2))
    spurs = tuple(one for one, zone in zip(before.spurs, kept, strict=True) if not gone[zone])
    corner = (whole[0] // BLOCK_PX, whole[1] // BLOCK_PX)
    return Places(by_limit, (*spurs, *new.spurs), zones, corner, before.factor)


def _outside(before: Places, places: Sequence[Narrow], gone: NDArray[np.bool_]) -> list[Narrow]:
    """Return the places in zones that are not gone."""
    at = np.array([place.line.start_px for place in places]).reshape(-1, 2)
    return [place for place, zone in zip(places, before.zone_at(at), strict=True) if not gone[zone]]


def _put(
    onto: NDArray[Any],
    onto_corner: tuple[int, int],
    part: NDArray[Any],
    corner: tuple[int, int],
    over: NDArray[np.bool_] | None = None,
) -> None:
    """Put the cells of a part onto others, where they overlap (and `over` is True)."""
    left, top = corner[0] - onto_corner[0], corner[1] - onto_corner[1]
    rows = slice(max(top, 0), min(top + part.shape[0], onto.shape[0]))
    columns = slice(max(left, 0), min(left + part.shape[1], onto.shape[1]))
    own = np.s_[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]
    if over is None:
        onto[rows, columns] = part[own]
    else:
        onto[rows, columns][over[own]] = part[own][over[own]]
