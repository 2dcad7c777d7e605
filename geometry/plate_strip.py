"""A bridge added to a factored plate: a strip of the same film between two banks of an opening.

The strip is one plate element of its own, its four corners tied to the film where the banks are, so
the plate with it follows by Woodbury's identity, an update of rank 13: sixteen unknowns less the
three ways in which it can move without bending. One much wider than it is long is two side by side.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from geometry.plate_element import UNIT_MM, stiffness_of_squares

if TYPE_CHECKING:
    from geometry.plate import Plate, Spot

RANK: Final = 13
SEEK_MM: Final = 1.5
"""A bank is looked for so far back from a corner of the strip that lies in the opening."""
LEAST_GAP_MM: Final = 0.1
WIDE: Final = 2.0
"""Times its length that a strip is wide at most; a wider one is of two elements."""

Array = NDArray[np.float64]
PointMm = tuple[float, float]


class Strip:
    """A strip of film between two points of a plate.

    What its corners reach into the film adds nothing, as that film is there already. Slopes and
    twist are tied too, so a wide strip turns with its banks. Against the plate made anew with the
    strip drawn in, the compliance left differs by the figures of `python -m bench lift`.
    """

    def __init__(self, plate: "Plate", points_mm: tuple[PointMm, PointMm], width_mm: float) -> None:
        """Work out the strip's modes. Raises ValueError where a corner finds no film."""
        self._plate = plate
        start, end = (np.array(point, float) for point in points_mm)
        self._modes, give, gap_mm = strip_modes(plate, start, end, width_mm)
        if width_mm > WIDE * gap_mm:
            along = (end - start) / float(np.hypot(*(end - start)))
            off = width_mm / 4 * np.array([-along[1], along[0]])
            halves = [strip_modes(plate, start + by, end + by, width_mm / 2) for by in (-off, off)]
            self._modes = np.concatenate([modes for modes, _, _ in halves])
            give = np.concatenate([gives for _, gives, _ in halves])
        self._inner = np.linalg.inv(np.diag(give) + plate.factor.energies(self._modes.T))

    def compliance(self, spots: Sequence["Spot"], shapes: Array) -> Array:
        """Return (n) the compliance with the strip at spots, from their `Plate.shapes_under`."""
        before = np.asarray(self._plate.rows(spots).multiply(shapes.T).sum(axis=1)).ravel()
        moved = self._modes @ shapes
        return np.asarray(before - np.einsum("in,ij,jn->n", moved, self._inner, moved))


def strip_modes(
    plate: "Plate", start: Array, end: Array, width_mm: float
) -> tuple[Array, Array, float]:
    """Return (modes (13, unknowns), what each gives (13) mm/N for D = 1, the mean gap in mm)."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    sides = [offset * width_mm * across for offset in (-0.5, 0.5)]
    banks = [_bank(plate, start + side, along, length) for side in sides]
    far_banks = [_bank(plate, end + side, -along, length) for side in sides]
    # Corners as the element has them: both banks on one side of the strip, then on the other.
    corners = [banks[0], far_banks[0], banks[1], far_banks[1]]
    spots = [plate.spot((float(x), float(y))) for x, y in corners]
    found = [spot for spot in spots if spot is not None]
    if len(found) < 4:
        raise ValueError("a strip stands on film at all four corners")
    gaps = [float((far - near) @ along) for near, far in zip(banks, far_banks, strict=True)]
    gap_mm = max(float(np.mean(gaps)), LEAST_GAP_MM)
    cos, sin = along
    orders = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
    every = plate.rows_of([(spot, order) for order in orders for spot in found]).toarray()
    by = dict(zip(orders, every.reshape(len(orders), 4, -1), strict=True))
    slope = cos * by[1, 0] + sin * by[0, 1]
    tilt = cos * by[0, 1] - sin * by[1, 0]
    twist = cos * sin * (by[0, 2] - by[2, 0]) + (cos * cos - sin * sin) * by[1, 1]
    # The element's order of kinds at a corner is value, along, across, both (CORNERS).
    ties = np.stack([by[0, 0], UNIT_MM * slope, UNIT_MM * tilt, UNIT_MM**2 * twist], axis=1)
    stiffness = stiffness_of_squares(1, (gap_mm, width_mm), plate.poisson)[0]
    values, vectors = np.linalg.eigh(stiffness)
    bends = vectors[:, -RANK:].T
    return bends @ ties.reshape(16, -1), 1 / values[-RANK:], gap_mm


def _bank(plate: "Plate", corner: Array, ahead: Array, length_mm: float) -> Array:
    """Return the edge of the film at a corner of a strip that runs on ahead from there."""
    raster, labels = plate.raster, plate.cells.labels
    step = min(raster.square_mm) / 4
    back = round(SEEK_MM / step)
    ways = np.arange(-back, round(length_mm / step) + 1) * step
    at = (corner + ways[:, None] * ahead - raster.origin_mm) / raster.square_mm
    column = np.clip(at[:, 0].astype(int), 0, labels.shape[1] - 1)
    row = np.clip(at[:, 1].astype(int), 0, labels.shape[0] - 1)
    is_film = labels[row, column] >= 0
    if not is_film[back]:
        behind = np.flatnonzero(is_film[:back])
        if len(behind):
            return np.asarray(corner + ways[behind[-1]] * ahead)
        before = np.flatnonzero(is_film[back:])
        if not len(before):
            return corner
        back += int(before[0])
    gone = np.flatnonzero(~is_film[back:])
    last = back + int(gone[0]) - 1 if len(gone) else back
    return np.asarray(corner + ways[last] * ahead)
