"""The film inside the held frame as small squares, and how fine the plate must look at each place.

A square is an eighth of a millimetre, so that a slit of the beam's width still parts the film. Its
share of film is told from the signed field, which is good to a hundredth of a millimetre where the
squares alone would make a web of 0.6 mm up to a fifth too wide.
"""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.ink import Ink
from geometry.kernels import UNIT
from geometry.recipe import Placement
from geometry.stencil import Stencil

CELL_MM: Final = 4.0
BLOCK: Final = 32
"""Squares along a whole cell; halved up to three times, a cell has four left."""
NARROW_MM: Final = ((3.5, 2), (1.2, 3))
"""Where film narrower than this opens into wider, cells are halved so often: 1 mm, 0.5 mm."""
APART: Final = 0.75
"""Of that width, wide film on two sides of a short neck lies at least so far apart."""
MOST_SQUARES: Final = 7_000_000
"""Squares of a raster; a blank over 12 x 13 in has larger ones, and wider slits may close."""
MOST_SMALL: Final = 22000
"""Cells of a plate, at about 6 kB each in its factor; beyond, the finest are left out."""


@dataclass(frozen=True)
class FilmRaster:
    """Film inside the held frame, in the blank's frame.

    film: (h, w) bool, h and w whole numbers of BLOCK. share: (h, w) how much of each film square
    (and of what it shares with cut neighbours) is film. held: (h + 2, w + 2) bool, film with one
    square of the frame around it. origin_mm: top left corner; square_mm: (width, height).
    """

    film: NDArray[np.bool_]
    share: NDArray[np.float32]
    held: NDArray[np.bool_]
    origin_mm: tuple[float, float]
    square_mm: tuple[float, float]

    def to_mm(self, x: float, y: float) -> tuple[float, float]:
        """Return the point of the blank at x, y squares from the raster's corner."""
        return (
            self.origin_mm[0] + float(x) * self.square_mm[0],
            self.origin_mm[1] + float(y) * self.square_mm[1],
        )


def film_raster(
    film: Ink | Stencil | None,
    placement: Placement,
    blank_mm: tuple[float, float],
    frame_mm: float,
    *,
    cell_mm: float = CELL_MM,
) -> FilmRaster:
    """Return the film of a blank inside a frame that is held: of ink, of a stencil, or all of it.

    placement: that of ink; a stencil lies in the blank's frame. Cells are as near to `cell_mm` as
    makes a whole number of them.
    """
    inner = [max(side - 2 * frame_mm, side / 4) for side in blank_mm]
    cell_mm = max(cell_mm, BLOCK * (inner[0] * inner[1] / MOST_SQUARES) ** 0.5)
    count = [max(round(side / cell_mm), 1) for side in inner]
    square = (inner[0] / count[0] / BLOCK, inner[1] / count[1] / BLOCK)
    origin = ((blank_mm[0] - inner[0]) / 2, (blank_mm[1] - inner[1]) / 2)
    width, height = count[0] * BLOCK + 2, count[1] * BLOCK + 2
    if film is None:
        field = np.full((height, width), UNIT // 2, np.int16)
    elif isinstance(film, Stencil):
        field = _drawn(film, origin, square, (width, height))
    else:
        field = _sampled(film, placement, origin, square, (width, height))
    held = field >= 0
    return FilmRaster(
        film=held[1:-1, 1:-1].copy(),
        share=film_shares(field)[1:-1, 1:-1].copy(),
        held=held,
        origin_mm=origin,
        square_mm=square,
    )


def _sampled(
    ink: Ink,
    placement: Placement,
    origin_mm: tuple[float, float],
    square_mm: tuple[float, float],
    size: tuple[int, int],
) -> NDArray[np.int16]:
    """Return the field at the middle of each square, with one row of squares more on each side."""
    grid = np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]) - 0.5
    corners = ink.to_px(placement.to_paper(grid * square_mm + origin_mm))
    step_x, step_y = corners[1] - corners[0], corners[2] - corners[0]
    matrix = np.column_stack([step_x, step_y, corners[0]])
    field = cv2.warpAffine(
        ink.f,
        matrix,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=UNIT // 2,
    )
    return np.asarray(field, np.int16)


def _drawn(
    stencil: Stencil,
    origin_mm: tuple[float, float],
    square_mm: tuple[float, float],
    size: tuple[int, int],
) -> NDArray[np.int16]:
    """Return a stencil's film as a field like that of ink: by its share of each square."""
    fine = 3
    mask = np.full((size[1] * fine, size[0] * fine), 255, np.uint8)
    for polygon in stencil.openings:
        rings = [
            ((np.asarray(ring.coords)[:, :2] - origin_mm) / square_mm + 1) * fine - 0.5
            for ring in (polygon.exterior, *polygon.interiors)
        ]
        cv2.fillPoly(
            mask, [np.rint(16 * ring).astype(np.int32) for ring in rings], 0, cv2.LINE_8, 4
        )
    share = cv2.resize(mask, size, interpolation=cv2.INTER_AREA).astype(np.int16)
    return np.asarray((share - 127) * (UNIT // 255), np.int16)


@njit(cache=True)
def film_shares(field: NDArray[np.int16]) -> NDArray[np.float32]:
    """Return (h, w) the share of film in each square, that of cut ones given to film beside them.

    The edge is where the field is 0; its way through a square follows from value over slope.
    """
    height, width = field.shape
    share = np.zeros((height, width), np.float32)
    for y in range(height):
        for x in range(width):
            value = float(field[y, x])
            left, right = field[y, max(x - 1, 0)], field[y, min(x + 1, width - 1)]
            up, down = field[max(y - 1, 0), x], field[min(y + 1, height - 1), x]
            is_film = value >= 0
            if is_film and left >= 0 and right >= 0 and up >= 0 and down >= 0:
                share[y, x] += 1.0
                continue
            if not is_film and left < 0 and right < 0 and up < 0 and down < 0:
                continue
            slope_x, slope_y = abs(float(right) - left) / 2, abs(float(down) - up) / 2
            # Where a line is as fine as the squares, slopes across it cancel out.
            if is_film:
                drop = max(
                    max(value - left, value - right, 0.0), max(value - up, value - down, 0.0)
                )
            else:
                drop = max(
                    max(left - value, right - value, 0.0), max(up - value, down - value, 0.0)
                )
            slope = max(max(np.hypot(slope_x, slope_y), drop), 1.0)
            part = min(max(0.5 + value / slope, 0.0), 1.0)
            if is_film:
                share[y, x] += part
                continue
            beside = int(left >= 0) + int(right >= 0) + int(up >= 0) + int(down >= 0)
            if left >= 0 and x > 0:
                share[y, x - 1] += part / beside
            if right >= 0 and x < width - 1:
                share[y, x + 1] += part / beside
            if up >= 0 and y > 0:
                share[y - 1, x] += part / beside
            if down >= 0 and y < height - 1:
                share[y + 1, x] += part / beside
    return share


def cell_levels(raster: FilmRaster, most: int = MOST_SMALL) -> NDArray[np.int8]:
    """Return (rows, columns) how often each whole cell is halved; neighbours differ by one at most.

    0 where all is film, 1 at a cut, more where narrow film opens into wider: a plate bends most
    there, and a cell larger than a short neck makes it a third too stiff.
    """
    rows, columns = (side // BLOCK for side in raster.film.shape)
    blocks = raster.film.reshape(rows, BLOCK, columns, BLOCK)
    levels = np.where(blocks.all(axis=(1, 3)), 0, 1).astype(np.int8)
    has_film = blocks.any(axis=(1, 3))
    coarse = raster.film[1::2, 1::2]
    step_mm = 2 * float(np.mean(raster.square_mm))
    rim = round(4 / step_mm)
    padded = np.pad(coarse.astype(np.uint8), rim, mode="edge")
    radius_mm = step_mm * cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    for narrow_mm, level in NARROW_MM:
        mouths = _mouths(padded, radius_mm, narrow_mm, step_mm)[rim:-rim, rim:-rim]
        half = BLOCK // 2
        fine = mouths.reshape(rows, half, columns, half).any(axis=(1, 3)) & has_film
        trial = levels.copy()
        trial[fine] = level
        trial = _graded(trial)
        if int((4.0**trial)[has_film].sum()) > most:
            break
        levels = trial
    return _graded(levels)


def _mouths(
    film: NDArray[np.uint8], radius_mm: NDArray[np.float32], narrow_mm: float, step_mm: float
) -> NDArray[np.bool_]:
    """Return the film narrower than `narrow_mm` near where it opens into wider film, and around."""
    middles = radius_mm >= narrow_mm / 2
    off, nearest = cv2.distanceTransformWithLabels(
        (~middles).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    off_mm = step_mm * off
    near = (film > 0) & (off_mm < narrow_mm)
    mouth = near & (off_mm > narrow_mm / 2 + step_mm)
    number = np.asarray(nearest, np.int32)
    mouth |= _short_necks(near, middles, number, APART * narrow_mm / step_mm)
    reach = 2 * round(narrow_mm / 4 / step_mm) + 1
    return cv2.dilate(mouth.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0


def _short_necks(
    film: NDArray[np.bool_],
    middles: NDArray[np.bool_],
    nearest: NDArray[np.int32],
    apart: float,
) -> NDArray[np.bool_]:
    """Return the film halfway between two wide parts: a neck, even where it is wider than long.

    nearest: a number per pixel of `middles`, at each place that of the nearest. Places side by side
    whose nearest lie more than `apart` pixels from each other have a neck between them.
    """
    at = np.zeros((int(nearest.max(initial=0)) + 1, 2), np.float32)
    rows, columns = np.nonzero(middles)
    at[nearest[rows, columns]] = np.stack([rows, columns], axis=1)
    neck = np.zeros_like(film)
    off_middle = film & ~middles
    for axis in (0, 1):
        first = (slice(None, -1), slice(None))[:: 1 - 2 * axis]
        second = (slice(1, None), slice(None))[:: 1 - 2 * axis]
        rows, columns = np.nonzero(off_middle[first] & off_middle[second])
        one = at[nearest[first][rows, columns]]
        other = at[nearest[second][rows, columns]]
        far = np.hypot(*(one - other).T) > apart
        neck[first][rows[far], columns[far]] = True
        neck[second][rows[far], columns[far]] = True
    return neck


def _graded(levels: NDArray[np.int8]) -> NDArray[np.int8]:
    """Return levels raised until neighbours differ by one at most."""
    for _ in range(3):
        around = cv2.dilate(levels.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.int8)
        levels = np.maximum(levels, around - 1)
    return levels
