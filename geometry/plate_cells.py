"""The film of a blank as cells for the plate: which elements there are and what nodes they share.

A cell that a cut divides is doubled: each part of its film that hangs together by sides has an
element of its own, and parts of neighbouring cells share nodes only where their film meets. So a
slit, however narrow, never closes. Cells are halved where the film is narrow; a node in the middle
of a larger neighbour's edge follows the nodes at the edge's ends.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from geometry.block_factor import Elements
from geometry.film_raster import BLOCK, FilmRaster
from geometry.plate_element import halfway, stiffness_of_squares
from geometry.plate_kernels import SLOTS, label_parts, link_parts, squares_of

VOID: Final = 1e-7
"""Stiffness of the empty share of a cell against film: keeps nodes that hold little film steady."""

Array = NDArray[np.float64]
_EDGES: Final = ((0, 1), (2, 3), (0, 2), (1, 3))  # slots at the ends of top, bottom, left, right


@dataclass(frozen=True)
class Cells:
    """The elements of a raster.

    labels: (h, w) the part of each square, -1 in an opening or in film that hangs on nothing.
    parts: (p, 4) left, top, side and number of squares. own: (p, 4) nodes of its corners: a number,
    -1 held, or -2 - k for the follower k. follows: (f, 4) two nodes, 0 or 1 for an edge along x or
    y, squares along it.
    """

    raster: FilmRaster
    labels: NDArray[np.int32]
    parts: NDArray[np.int32]
    own: NDArray[np.int32]
    follows: NDArray[np.int32]
    node_count: int

    @cached_property
    def mixed(self) -> NDArray[np.bool_]:
        """Which parts have a corner that follows others."""
        return np.asarray((self.own < -1).any(axis=1))

    @cached_property
    def groups(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Numbers of the plain parts and of those with followers."""
        return np.flatnonzero(~self.mixed), np.flatnonzero(self.mixed)

    @cached_property
    def elements(self) -> tuple[Elements, Elements]:
        """Plain elements of four nodes, then those with followers, of up to eight."""
        plain, mixed = self.groups
        box = self.parts[:, [0, 1, 0, 1]].copy()
        box[:, 2:] += self.parts[:, 2:3]
        return (
            Elements(self.own[plain], box[plain]),
            Elements(self._masters(mixed), box[mixed]),
        )

    def _masters(self, chosen: NDArray[np.int64]) -> NDArray[np.int32]:
        """Return (n, 8): a corner's node or those that it follows, two places for each corner."""
        own = self.own[chosen]
        nodes = np.full((len(chosen), 4, 2), -1, np.int32)
        nodes[..., 0] = np.maximum(own, -1)
        follower = own < -1
        nodes[follower] = self.follows[-2 - own[follower], :2]
        return nodes.reshape(-1, 8)

    def spread(self, chosen: NDArray[np.int64]) -> Array:
        """Return (n, 16, 32): corners' unknowns of parts from those of the nodes of `_masters`."""
        matrix = np.zeros((len(chosen), 4, 4, 4, 2, 4))  # corner, kind; corner, master, kind
        own = self.own[chosen]
        for corner in range(4):
            follower = own[:, corner] < -1
            matrix[~follower, corner, :, corner, 0] = np.eye(4)
            for index in np.flatnonzero(follower):
                rule = self.rule(-2 - int(own[index, corner]))
                matrix[index, corner, :, corner] = rule.reshape(4, 2, 4)
        return matrix.reshape(len(chosen), 16, 32)

    def rule(self, follower: int) -> Array:
        """Return (4, 8): a follower's unknowns from those of the two nodes that it follows."""
        along, squares = (int(value) for value in self.follows[follower, 2:])
        return halfway(along, squares * self.raster.square_mm[along])


def build_cells(raster: FilmRaster, levels: NDArray[np.int8]) -> Cells:
    """Return the cells of a raster, blocks halved `levels` (rows, columns) times.

    Levels of neighbours may differ by one. Film that does not hang on the frame is left out.
    """
    labels, parts, count = label_parts(raster.film, BLOCK, levels)
    finest = BLOCK >> int(levels.max(initial=0))
    root, whole = link_parts(labels, parts, finest, raster.held)
    stays = whole[1:] == whole[0]
    renumber = np.full(count + 1, -1, np.int32)
    renumber[:-1][stays] = np.arange(np.count_nonzero(stays))
    slots = root[1:].reshape(count, SLOTS)[stays]
    parts = parts[stays]
    nodes, follows, node_count = _number_nodes(slots, parts, int(root[0]))
    return Cells(raster, renumber[labels], parts, nodes, follows, node_count)


def _number_nodes(
    slots: NDArray[np.int32], parts: NDArray[np.int32], ground: int
) -> tuple[NDArray[np.int32], NDArray[np.int32], int]:
    """Return (own, follows, count) as in Cells from the classes of slots (p, 8)."""
    corners = slots[:, :4]
    used = np.unique(corners)
    middles, at = np.unique(slots[:, 4:].ravel(), return_index=True)
    followed = np.isin(middles, used) & (middles != ground)
    middles, at = middles[followed], at[followed]
    free = np.setdiff1d(used, np.append(middles, ground))
    top = int(slots.max(initial=0)) + 1
    numbers = np.full(max(top, ground + 1), -1, np.int32)
    numbers[free] = np.arange(len(free))
    numbers[middles] = -2 - np.arange(len(middles))
    own = numbers[corners]
    follows = np.zeros((len(middles), 4), np.int32)
    part, edge = at // 4, at % 4
    for end in range(2):
        slot = np.array([pair[end] for pair in _EDGES])[edge]
        follows[:, end] = own[part, slot]
    follows[:, 2] = edge // 2
    follows[:, 3] = parts[part, 2]
    return own, follows, len(free)


def corner_rows(cells: Cells) -> sparse.csr_array:
    """Return (16 p, 4 nodes): what the corners of every part do, from the unknowns of the nodes."""
    own = cells.own.ravel()
    plain = np.flatnonzero(own >= 0)[:, None]
    kinds = np.arange(4)
    rows = [(4 * plain + kinds).ravel()]
    columns = [(4 * own[plain].astype(np.int64) + kinds).ravel()]
    values = [np.ones(rows[0].size)]
    follower = np.flatnonzero(own < -1)
    if len(follower):
        rules = np.stack([cells.rule(-2 - int(number)) for number in own[follower]])
        at, kind, column = np.nonzero(rules)
        master = cells.follows[-2 - own[follower]][at, column // 4].astype(np.int64)
        moves = master >= 0
        rows.append((4 * follower[at] + kind)[moves])
        columns.append((4 * master + column % 4)[moves])
        values.append(rules[at, kind, column][moves])
    place = (np.concatenate(rows), np.concatenate(columns))
    size = (4 * len(own), 4 * cells.node_count)
    return sparse.csr_array((np.concatenate(values), place), shape=size)


def part_stiffness(cells: Cells, nu: float) -> Array:
    """Return (p, 16, 16): the bending stiffness of every part for D = 1 N mm."""
    out = np.empty((len(cells.parts), 16, 16))
    sides, inverse = np.unique(cells.parts[:, 2], return_inverse=True)
    for index, side in enumerate(sides):
        squares = int(side)
        size_mm = (squares * cells.raster.square_mm[0], squares * cells.raster.square_mm[1])
        table = stiffness_of_squares(squares, size_mm, nu).reshape(squares * squares, 256)
        whole = table.sum(axis=0)
        chosen = np.flatnonzero(inverse == index)
        full = cells.parts[chosen, 3] == squares * squares
        out[chosen[full]] = whole.reshape(16, 16)
        cut = chosen[~full]
        if len(cut):
            weights = squares_of(cells.labels, cells.parts, cut, cells.raster.share)
            out[cut] = (weights @ table + VOID * whole).reshape(-1, 16, 16)
    return out
