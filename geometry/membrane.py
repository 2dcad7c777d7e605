"""The film's stretch: how much stiffer it becomes as it lifts.

Film that is held on more than one side must stretch to lift far. Stretch is von Karman's, the
in-plane displacement that relieves it best is found by plane stress on cells of 2 mm without
smaller ones among them (a small cell's corner held straight between a large one's locks the film).
Elements have four nodes and two inner quadratics in each direction (Wilson's, in Taylor's form that
passes the patch test), summed over small squares like the plate's.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import sparse

from geometry.block_factor import Factor
from geometry.film_raster import BLOCK, MOST_SMALL
from geometry.plate import Plate
from geometry.plate_cells import VOID, build_cells
from geometry.plate_element import CORNERS, shape
from geometry.plate_kernels import squares_of

POINTS: Final = 2
"""Points of a cell at which stretch is summed, both ways; four give the same within 2 %."""
TELLING: Final = 3e-3
"""Cells whose squared slope is below this share of the largest are left out of a shape's sums."""

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Slopes:
    """Slopes (n, points, m) of m shapes by x and y at the points of chosen cells (n)."""

    cells: Index
    by_x: Array
    by_y: Array


@dataclass(frozen=True)
class Stretch:
    """What pairs (k) of shapes stretch, before the corners give way.

    strain, stress (n, points, 3, k): stress times the film's area at the point. on_inner, eased
    (n, 4, k): forces on inner unknowns and what those do. load (unknowns, k): forces on the nodes.
    """

    strain: NDArray[np.float32]
    stress: NDArray[np.float32]
    on_inner: Array
    eased: Array
    load: Array


class Membrane:
    """The stretch of a plate's film, for modulus times thickness of 1 N/mm."""

    def __init__(self, plate: Plate) -> None:
        raster = plate.raster
        rows, columns = (side // BLOCK for side in raster.film.shape)
        level = 1 if 4 * rows * columns <= MOST_SMALL else 0
        self._plate = plate
        self._cells = build_cells(raster, np.full((rows, columns), level, np.int8))
        self._side = BLOCK >> level
        self._size_mm = (self._side * raster.square_mm[0], self._side * raster.square_mm[1])
        nu = plate.poisson
        self._elastic = np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]]) / (1 - nu**2)
        self._corner, self._inner = self._strains()
        self._weights = self._film_at_points()
        stiffness = self._condensed()
        elements, none = self._cells.elements
        nothing = np.zeros((0, 16, 16))
        self._factor = Factor((elements, none), (stiffness, nothing), self._cells.node_count, 2)

    def _film_at_points(self) -> Array:
        """Return (p, points): the area in mm2 of film around each point of a part's cell."""
        cells, side = self._cells, self._side
        out = np.ones((len(cells.parts), POINTS * POINTS))
        cut = np.flatnonzero(cells.parts[:, 3] < side * side)
        if len(cut):
            squares = squares_of(cells.labels, cells.parts, cut, cells.raster.share)
            each = side // POINTS
            tiles = squares.reshape(len(cut), POINTS, each, POINTS, each)
            out[cut] = tiles.mean(axis=(2, 4)).reshape(len(cut), -1)
        return out * (self._size_mm[0] * self._size_mm[1] / POINTS**2)

    def _strains(self) -> tuple[Array, Array]:
        """Return strains (points, 3, 8) by the corners' unknowns, (points, 3, 4) by the inner."""
        width, height = self._size_mm
        at = (np.arange(POINTS) + 0.5) / POINTS
        y, x = (grid.ravel() for grid in np.meshgrid(at, at, indexing="ij"))
        corner, inner = np.zeros((len(x), 3, 8)), np.zeros((len(x), 3, 4))
        for index, (right, down) in enumerate(CORNERS):
            by_x = (2 * right - 1) * (y if down else 1 - y) / width
            by_y = (2 * down - 1) * (x if right else 1 - x) / height
            corner[:, 0, 2 * index] = corner[:, 2, 2 * index + 1] = by_x
            corner[:, 1, 2 * index + 1] = corner[:, 2, 2 * index] = by_y
        # Along x then along y, a bow over the cell's width then over its height.
        inner[:, 0, 0] = inner[:, 2, 1] = (4 - 8 * x) / width
        inner[:, 2, 2] = inner[:, 1, 3] = (4 - 8 * y) / height
        return corner, inner

    def _condensed(self) -> Array:
        """Return (p, 8, 8) stiffness with the inner unknowns taken out; keep what they need."""
        both = np.concatenate([self._corner, self._inner], axis=2)
        products = np.einsum("qia,ij,qjb->qab", both, self._elastic, both)
        square = (self._weights @ products.reshape(len(both), -1)).reshape(-1, 12, 12)
        lead = (self._weights @ both.reshape(len(both), -1)).reshape(-1, 3, 12)
        self._mean = lead[:, :, 8:] / self._weights.sum(axis=1)[:, None, None]
        # Inner strains with their mean over the film taken off: a constant stress does no work.
        shift = np.einsum("nia,ij,njb->nab", lead, self._elastic, self._mean)
        area = float(np.prod(self._size_mm))
        steady = 1e-6 * area * np.eye(4) * np.trace(products.mean(axis=0)[8:, 8:])
        self._within = np.linalg.inv(square[:, 8:, 8:] - shift[:, 8:] + steady)
        across = square[:, :8, 8:] - shift[:, :8]
        self._across = self._within @ across.transpose(0, 2, 1)
        whole = VOID * area * products.mean(axis=0)[:8, :8]
        return np.asarray(square[:, :8, :8] + whole - across @ self._across)

    @cached_property
    def _samples(self) -> tuple[sparse.csr_array, sparse.csr_array]:
        """(points of all parts, 16 p of the plate), twice: slopes at points from plate corners."""
        plate = self._plate
        part, x, y = _points_of_film(
            self._cells.labels, self._cells.parts, plate.cells.labels, POINTS
        )
        sides = plate.cells.parts[:, 2]
        point = np.flatnonzero(part >= 0)
        own = part[point]
        local_x = (x[point] - plate.cells.parts[own, 0]) / sides[own]
        local_y = (y[point] - plate.cells.parts[own, 1]) / sides[own]
        found = []
        for derivative in ((1, 0), (0, 1)):
            values = np.empty((len(point), 16))
            for side in np.unique(sides):
                of_side = np.flatnonzero(sides[own] == side)
                size = plate.cell_mm(int(np.flatnonzero(sides == side)[0]))
                values[of_side] = shape(local_x[of_side], local_y[of_side], size, derivative)
            columns = 16 * own[:, None].astype(np.int32) + np.arange(16, dtype=np.int32)
            starts = np.concatenate([[0], np.cumsum(part >= 0)]).astype(np.int32) * 16
            size_of = (len(part), 16 * len(sides))
            found.append(sparse.csr_array((values.ravel(), columns.ravel(), starts), shape=size_of))
        return found[0], found[1]

    def slopes(self, shapes: Array) -> Slopes:
        """Return the slopes of shapes (plate unknowns, m) where the first one's are telling."""
        corners = self._plate.corner_rows @ shapes
        by_x, by_y = (
            (rows @ corners).reshape(-1, POINTS * POINTS, shapes.shape[1]) for rows in self._samples
        )
        steep = (by_x[:, :, 0] ** 2 + by_y[:, :, 0] ** 2).max(axis=1)
        chosen = np.flatnonzero(steep >= TELLING * steep.max())
        return Slopes(chosen, by_x[chosen], by_y[chosen])

    def slopes_at(self, chosen: Index, shapes: Array) -> Slopes:
        """Return the slopes of shapes (plate unknowns, m) in chosen cells."""
        corners = self._plate.corner_rows @ shapes
        points = (chosen[:, None] * POINTS**2 + np.arange(POINTS**2)).ravel()
        by_x, by_y = (
            (rows[points] @ corners).reshape(len(chosen), POINTS**2, -1) for rows in self._samples
        )
        return Slopes(chosen, by_x, by_y)

    def stretch(self, slopes: Slopes, pairs: list[tuple[int, int]]) -> Stretch:
        """Return the stretch of pairs of shapes: that of their sum is the sum over all pairs."""
        first, second = (np.array([pair[end] for pair in pairs]) for end in (0, 1))
        x, y, cells = slopes.by_x, slopes.by_y, slopes.cells
        strain = np.empty((*x.shape[:2], 3, len(pairs)), np.float32)
        strain[:, :, 0] = x[..., first] * x[..., second] / 2
        strain[:, :, 1] = y[..., first] * y[..., second] / 2
        strain[:, :, 2] = (x[..., first] * y[..., second] + y[..., first] * x[..., second]) / 2
        stress = self._elastic.astype(np.float32) @ strain
        stress *= self._weights[cells][:, :, None, None].astype(np.float32)
        flat = stress.reshape(len(cells), 3 * POINTS**2, -1)
        on_corners = -(self._corner.reshape(-1, 8).T @ flat)
        on_inner = -(self._inner.reshape(-1, 4).T @ flat)
        on_inner += self._mean[cells].transpose(0, 2, 1) @ stress.sum(axis=1)
        eased = self._within[cells] @ on_inner
        force = on_corners - self._across[cells].transpose(0, 2, 1) @ on_inner
        load = np.zeros((2 * self._factor.node_count, len(pairs)))
        nodes = self._cells.own[cells]
        for corner in range(4):
            free = nodes[:, corner] >= 0
            for along in range(2):
                np.add.at(load, 2 * nodes[free, corner] + along, force[free, 2 * corner + along])
        return Stretch(strain, stress, on_inner, eased, load)

    def give(self, load: Array) -> Array:
        """Return the in-plane displacements (unknowns, k) under loads."""
        return self._factor.solve(load)

    def pull(
        self, slopes: Slopes, stretch: Stretch, moved: Array, shares: Array, q: Array
    ) -> Array:
        """Return (plate unknowns) the force of stretched film on the plate.

        shares (k): how much of each pair is in it; moved: `give` of their load; q (m): of shapes.
        """
        cells = slopes.cells
        x, y = slopes.by_x @ q, slopes.by_y @ q
        corners = np.zeros((len(cells), 8))
        nodes = self._cells.own[cells]
        for corner in range(4):
            for along in range(2):
                at = 2 * nodes[:, corner] + along
                corners[:, 2 * corner + along] = np.where(nodes[:, corner] >= 0, moved[at], 0.0)
        inner = stretch.eased @ shares
        inner -= np.einsum("nak,nk->na", self._across[cells], corners)
        strain = (
            np.einsum("qik,nk->nqi", self._corner, corners)
            + np.einsum("qia,na->nqi", self._inner, inner)
            - np.einsum("nia,na->ni", self._mean[cells], inner)[:, None]
        )
        tension = (strain @ self._elastic) * self._weights[cells][:, :, None]
        tension += stretch.stress @ shares
        points = (cells[:, None] * POINTS**2 + np.arange(POINTS**2)).ravel()
        on_x = (tension[..., 0] * x + tension[..., 2] * y).ravel()
        on_y = (tension[..., 1] * y + tension[..., 2] * x).ravel()
        rows_x, rows_y = self._samples
        force = np.zeros((2, rows_x.shape[0]))
        force[0, points], force[1, points] = on_x, on_y
        return np.asarray(self._plate.corner_rows.T @ (rows_x.T @ force[0] + rows_y.T @ force[1]))


@njit(cache=True)
def _points_of_film(
    labels: NDArray[np.int32],
    parts: NDArray[np.int32],
    plate_labels: NDArray[np.int32],
    points: int,
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """Return, per part and point, (plate part or -1, x, y): the film nearest each point's middle.

    x and y in squares of the raster.
    """
    count = len(parts) * points * points
    part = np.full(count, -1, np.int32)
    at_x, at_y = np.zeros(count), np.zeros(count)
    for index in range(len(parts)):
        side = parts[index, 2]
        each = side // points
        for row in range(points):
            for column in range(points):
                x0, y0 = parts[index, 0] + column * each, parts[index, 1] + row * each
                point = (index * points + row) * points + column
                nearest = 1e9
                for y in range(y0, y0 + each):
                    for x in range(x0, x0 + each):
                        if labels[y, x] != index or plate_labels[y, x] < 0:
                            continue
                        off = (x + 0.5 - x0 - each / 2) ** 2 + (y + 0.5 - y0 - each / 2) ** 2
                        if off < nearest:
                            nearest = off
                            part[point] = plate_labels[y, x]
                            at_x[point], at_y[point] = x + 0.5, y + 0.5
    return part, at_x, at_y
