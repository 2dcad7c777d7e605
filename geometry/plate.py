"""The film of a stencil as a thin elastic plate held in a frame: how far it gives where pushed.

Kirchhoff's plate with free edges at every cut, clamped in the frame. The answers are for a bending
stiffness of 1 N mm, so that one plate serves every thickness: divide by `bending_stiffness`. The
edge of the film lies inside cells, whose stiffness is summed over small squares; error against a
mesh of 0.5 mm: 2 % where the film is 0.6 mm wide or more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from geometry.block_factor import Factor
from geometry.film_raster import FilmRaster, cell_levels
from geometry.plate_cells import Cells, build_cells, corner_rows, part_stiffness
from geometry.plate_element import shape
from geometry.plate_strip import Strip

SAMPLE: Final = 2
"""Squares between the places of a map, both ways: a quarter of a millimetre."""
NEAR_MM: Final = 1.5
"""A point this far off the film is taken to be on it."""

Array = NDArray[np.float64]
PointMm = tuple[float, float]


def bending_stiffness(film_mm: float, modulus_mpa: float, poisson: float) -> float:
    """Return D = E t^3 / 12 (1 - nu^2) in N mm."""
    return modulus_mpa * film_mm**3 / (12 * (1 - poisson**2))


@dataclass(frozen=True)
class Spot:
    """A point on the film: its part of the plate, and where in that part's cell, 0..1."""

    part: int
    x: float
    y: float


class Plate:
    """A factored plate, D = 1 N mm. Points are (x, y) in blank mm; a load of 1 N acts downwards.

    Raises ValueError where no film hangs on the frame, or nothing of it is free to move.
    """

    def __init__(
        self, raster: FilmRaster, poisson: float, *, levels: NDArray[np.int8] | None = None
    ) -> None:
        """Build and factor. levels: how often cells are halved, by default where it matters."""
        self.raster, self.poisson = raster, poisson
        self.cells: Cells = build_cells(raster, cell_levels(raster) if levels is None else levels)
        if not self.cells.node_count:
            raise ValueError("no film hangs on the frame")
        stiffness = part_stiffness(self.cells, poisson)
        plain, mixed = self.cells.groups
        self._spread = self.cells.spread(mixed)
        squares = [stiffness[plain], _congruent(self._spread, stiffness[mixed])]
        self.factor = Factor(self.cells.elements, squares, self.cells.node_count, 4)

    @cached_property
    def corner_rows(self) -> sparse.csr_array:
        """(16 p, unknowns): what the corners of every part do, from the unknowns."""
        return corner_rows(self.cells)

    def cell_mm(self, part: int) -> tuple[float, float]:
        """Return the sides of a part's cell."""
        squares = int(self.cells.parts[part, 2])
        return squares * self.raster.square_mm[0], squares * self.raster.square_mm[1]

    def spot(self, at_mm: PointMm) -> Spot | None:
        """Return the film at a point, or the nearest within 1.5 mm; None where there is none."""
        square = self.raster.square_mm
        x = (at_mm[0] - self.raster.origin_mm[0]) / square[0]
        y = (at_mm[1] - self.raster.origin_mm[1]) / square[1]
        labels = self.cells.labels
        reach = round(NEAR_MM / min(square))
        rows = slice(max(int(y) - reach, 0), max(int(y) + reach + 1, 0))
        columns = slice(max(int(x) - reach, 0), max(int(x) + reach + 1, 0))
        near_y, near_x = np.nonzero(labels[rows, columns] >= 0)
        if not len(near_y):
            return None
        near_y, near_x = near_y + rows.start, near_x + columns.start
        nearest = int(np.argmin((near_y + 0.5 - y) ** 2 + (near_x + 0.5 - x) ** 2))
        part = int(labels[near_y[nearest], near_x[nearest]])
        left, top, side, _ = (int(value) for value in self.cells.parts[part])
        # Off the film the nearest place of its cell stands for the point: cubics run away outside.
        at_x, at_y = np.clip([(x - left) / side, (y - top) / side], 0.0, 1.0)
        return Spot(part, float(at_x), float(at_y))

    def rows(self, spots: Sequence[Spot], derivative: tuple[int, int] = (0, 0)) -> sparse.csr_array:
        """Return (n, unknowns): the deflection at spots (or its derivative) from the unknowns."""
        return self.rows_of([(spot, derivative) for spot in spots])

    def rows_of(self, asked: Sequence[tuple[Spot, tuple[int, int]]]) -> sparse.csr_array:
        """Return (n, unknowns): as `rows`, each spot with a derivative of its own."""
        values = [
            shape(np.array(spot.x), np.array(spot.y), self.cell_mm(spot.part), derivative)
            for spot, derivative in asked
        ]
        columns = [16 * spot.part + np.arange(16) for spot, _ in asked]
        local = sparse.csr_array(
            (
                np.concatenate(values),
                (np.repeat(np.arange(len(asked)), 16), np.concatenate(columns)),
            ),
            shape=(len(asked), 16 * len(self.cells.parts)),
        )
        return local @ self.corner_rows

    def shapes_under(self, spots: Sequence[Spot]) -> Array:
        """Return (unknowns, n): how the film bends under 1 N at each spot, by plain solves."""
        return self.factor.solve(self.rows(spots).toarray().T)

    def compliance_at(self, points_mm: Sequence[PointMm]) -> Array:
        """Return (n) the deflection in mm under 1 N at each point, times D; NaN off the film."""
        spots = [self.spot(point) for point in points_mm]
        found = [spot for spot in spots if spot is not None]
        out = np.full(len(spots), np.nan)
        if found:
            rows = self.rows(found)
            bent = self.factor.solve(rows.toarray().T)
            given = np.asarray((rows.multiply(bent.T)).sum(axis=1)).ravel()
            out[[spot is not None for spot in spots]] = given
        return out

    def compliance_map(self) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
        """Return (compliance, part) on every second square both ways; NaN and -1 off the film.

        From the inverse within each element (selected inversion): exact, not a sample of solves.
        """
        plain, mixed = self.cells.groups
        of_plain, of_mixed = self.factor.inverse_at_elements()
        inverse = np.empty((len(self.cells.parts), 16, 16))
        inverse[plain] = of_plain
        inverse[mixed] = self._spread @ of_mixed @ self._spread.transpose(0, 2, 1)
        return self._on_samples(inverse.reshape(-1, 256))

    def _on_samples(self, inverse: Array) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
        """Return the map from the inverse (p, 256) of every part's corners."""
        labels = self.cells.labels
        height, width = labels.shape
        tiles = labels.reshape(height // SAMPLE, SAMPLE, width // SAMPLE, SAMPLE)
        owner = tiles.max(axis=(1, 3))
        value = np.full(owner.shape, np.nan, np.float32)
        sides = self.cells.parts[:, 2]
        for side in np.unique(sides):
            count = int(side) // SAMPLE
            middle = (np.arange(count) + 0.5) / count
            y, x = np.meshgrid(middle, middle, indexing="ij")
            chosen = np.flatnonzero(sides == side)
            functions = shape(x.ravel(), y.ravel(), self.cell_mm(int(chosen[0])))
            products = (functions[:, :, None] * functions[:, None, :]).reshape(-1, 256)
            given = (inverse[chosen] @ products.T).astype(np.float32)
            row, column = np.nonzero((owner >= 0) & (sides[owner] == side))
            place = np.full(len(sides), -1)
            place[chosen] = np.arange(len(chosen))
            own = owner[row, column]
            left, top = self.cells.parts[own, 0] // SAMPLE, self.cells.parts[own, 1] // SAMPLE
            value[row, column] = given[place[own], (row - top) * count + column - left]
        return value, owner

    def strip(self, from_mm: PointMm, to_mm: PointMm, width_mm: float) -> Strip | None:
        """Return the effect of film added as a strip between two points; None off the film."""
        if self.spot(from_mm) is None or self.spot(to_mm) is None or from_mm == to_mm:
            return None
        try:
            return Strip(self, (from_mm, to_mm), width_mm)
        except ValueError:
            return None


def screen(
    plate: Plate,
    under: Array,
    compliance_from: Array,
    compliance_to: Array,
    ends: Sequence[tuple[Spot, Spot]],
) -> Array:
    """Return (n) what each bridge would take off a place's compliance by its force alone.

    under (unknowns): the shape under 1 N on the place. The squared jump between a bridge's ends
    over what both give; a real strip also turns its ends and takes off more. No solve is needed, so
    that hundreds of bridges can be ranked and the best ten worked out by `Plate.strip`.
    """
    first, second = (plate.rows([pair[end] for pair in ends]) @ under for end in (0, 1))
    return np.asarray((first - second) ** 2 / (compliance_from + compliance_to))


def _congruent(spread: Array, squares: Array) -> Array:
    """Return T' K T for each element."""
    return np.asarray(spread.transpose(0, 2, 1) @ squares @ spread)
