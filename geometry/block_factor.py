"""A symmetric positive matrix made of elements, factored by nested dissection in dense fronts.

The plane is halved again and again along lines of few elements; the nodes on a line are taken out
after those of both halves (George 1973; the multifrontal way of Duff and Reid 1983). Each front is
dense, so that LAPACK does the work. The same tree, walked from the top down, gives the entries of
the inverse that lie within one element (Takahashi, Fagan and Chen 1973).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import blas, lapack

from geometry.plate_kernels import assemble, extend_add, halving_line, pick, pick_elements

LEAF: Final = 40
"""Elements in a leaf of the tree; fewer cost more calls, more cost more arithmetic."""

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Elements:
    """Elements of one kind: nodes (n, k), -1 where held, and where each lies, for halving.

    box: (n, 4) whole numbers left, top, right, bottom.
    """

    nodes: NDArray[np.int32]
    box: NDArray[np.int32]


@dataclass(frozen=True)
class Front:
    """One step: nodes taken out, nodes left over, children, elements per kind (leaves only)."""

    pivots: NDArray[np.int32]
    rest: NDArray[np.int32]
    children: tuple[int, ...]
    elements: tuple[Index, ...]


def dissect(kinds: Sequence[Elements], node_count: int, leaf: int = LEAF) -> list[Front]:
    """Return the fronts, children before parents, that take out every node once."""
    sizes = [len(kind.nodes) for kind in kinds]
    box = np.concatenate([kind.box for kind in kinds])
    halves: list[tuple[Index, int, int]] = []  # elements of a leaf, or two children
    _halve(box, np.arange(len(box)), leaf, halves)
    leaf_of = np.zeros(len(box), np.int64)
    for number, (own, _, _) in enumerate(halves):
        leaf_of[own] = number
    # A node is taken out where the subtree holds all its elements; as children come before
    # parents, the last front of a subtree is its root and the first leaf bounds it from below.
    starts = np.cumsum([0, *sizes])
    first = np.full(node_count, len(halves), np.int64)
    last = np.full(node_count, -1, np.int64)
    for kind, start in zip(kinds, starts, strict=False):
        for column in kind.nodes.T:
            there = column >= 0
            number = leaf_of[start : start + len(column)][there]
            np.minimum.at(first, column[there], number)
            np.maximum.at(last, column[there], number)
    lowest = np.arange(len(halves))
    fronts: list[Front] = []
    for number, (own, left, right) in enumerate(halves):
        if left < 0:
            split = tuple(
                own[(own >= start) & (own < start + size)] - start
                for start, size in zip(starts, sizes, strict=False)
            )
            touched = [
                kind.nodes[chosen].ravel() for kind, chosen in zip(kinds, split, strict=True)
            ]
            nodes = np.unique(np.concatenate(touched))
            nodes = nodes[nodes >= 0]
            children: tuple[int, ...] = ()
        else:
            lowest[number] = lowest[left]
            nodes = np.union1d(fronts[left].rest, fronts[right].rest)
            children, split = (left, right), ()
        done = (first[nodes] >= lowest[number]) & (last[nodes] <= number)
        fronts.append(Front(nodes[done], nodes[~done], children, split))
    return fronts


def _halve(
    box: NDArray[np.int32], own: Index, most: int, halves: list[tuple[Index, int, int]]
) -> int:
    """Halve elements until few are left; append children before parents; return own number."""
    if len(own) > most:
        sides = box[own, 2:].max(axis=0) - box[own, :2].min(axis=0)
        for axis in (int(sides[1] > sides[0]), int(sides[1] <= sides[0])):
            line = halving_line(box[own, axis])
            if line >= 0:
                low = box[own, axis] + box[own, axis + 2] < 2 * line
                left = _halve(box, own[low], most, halves)
                right = _halve(box, own[~low], most, halves)
                halves.append((own[:0], left, right))
                return len(halves) - 1
    halves.append((own, -1, -1))
    return len(halves) - 1


class Factor:
    """The factored matrix of `kinds` of elements with `per_node` unknowns at each node."""

    def __init__(
        self,
        kinds: Sequence[Elements],
        matrices: Sequence[Array],
        node_count: int,
        per_node: int,
    ) -> None:
        """Factor; matrices: (n, k d, k d) per kind. Raises ValueError if not positive."""
        self.kinds, self.per_node, self.node_count = tuple(kinds), per_node, node_count
        self.fronts = dissect(kinds, node_count, leaf=4 * LEAF // per_node)
        self._pivots: list[Array] = []
        self._below: list[Array] = []
        self._place = np.full(node_count, -1, np.int32)
        left_over: dict[int, Array] = {}
        for number, front in enumerate(self.fronts):
            pivot, below, rest = self._assembled(front, matrices, left_over)
            pivot, failed = lapack.dpotrf(pivot, lower=1, overwrite_a=1)
            if failed:
                raise ValueError("the film is not held")
            if len(front.rest):
                below = blas.dtrsm(1.0, pivot, below, side=1, lower=1, trans_a=1, overwrite_b=1)
                left_over[number] = blas.dsyrk(
                    -1.0, below, beta=1.0, c=rest, lower=1, overwrite_c=1
                )
            self._pivots.append(pivot)
            self._below.append(below)

    def _assembled(
        self, front: Front, matrices: Sequence[Array], left_over: dict[int, Array]
    ) -> tuple[Array, Array, Array]:
        """Return a front's three blocks before its step: lower halves, columns one by one."""
        kept, d = len(front.pivots), self.per_node
        self._set_places(front)
        pivot = np.zeros((kept * d, kept * d), order="F")
        below = np.zeros((len(front.rest) * d, kept * d), order="F")
        rest = np.zeros((len(front.rest) * d,) * 2, order="F")
        for kind, own, matrix in zip(self.kinds, front.elements, matrices, strict=False):
            if len(own):
                assemble(kind.nodes, matrix, own, self._place, kept, d, pivot, below, rest)
        for child in front.children:
            if child in left_over:
                at = self._place[self.fronts[child].rest]
                extend_add(left_over.pop(child), at, kept, d, pivot, below, rest)
        return pivot, below, rest

    def _set_places(self, front: Front) -> None:
        kept = len(front.pivots)
        self._place[front.pivots] = np.arange(kept, dtype=np.int32)
        self._place[front.rest] = np.arange(kept, kept + len(front.rest), dtype=np.int32)

    def solve(self, load: Array) -> Array:
        """Return the answer (node_count * per_node, m) to loads of the same shape."""
        order, spans = self._order
        given = np.reshape(load, (self.node_count, self.per_node, -1))
        x = given[order].reshape(self.node_count * self.per_node, -1)
        # The rows of one front lie together in x: turned over, they are a triangle's right side.
        for pivot, below, (own, rest) in zip(self._pivots, self._below, spans, strict=True):
            if own.stop > own.start:
                part = blas.dtrsm(1.0, pivot, x[own].T, side=1, lower=1, trans_a=1, overwrite_b=1).T
                x[own] = part
                if len(rest):
                    x[rest] -= below @ part
        for pivot, below, (own, rest) in zip(
            reversed(self._pivots), reversed(self._below), reversed(spans), strict=True
        ):
            if own.stop > own.start:
                part = x[own] - below.T @ x[rest] if len(rest) else x[own]
                x[own] = blas.dtrsm(1.0, pivot, part.T, side=1, lower=1, overwrite_b=1).T
        answer = np.empty_like(given)
        answer[order] = x.reshape(given.shape)
        return answer.reshape(np.shape(load))

    def energies(self, load: Array) -> Array:
        """Return (m, m): load' K^-1 load for loads (node_count * per_node, m).

        The forward half of a solve says it, and only on the fronts from the loaded nodes up to the
        root: for a few nodes next to nothing.
        """
        order, spans = self._order
        given = np.reshape(load, (self.node_count, self.per_node, -1))
        x = given[order].reshape(self.node_count * self.per_node, -1)
        touched = [False] * len(self.fronts)
        for number, (pivot, below, (own, rest)) in enumerate(
            zip(self._pivots, self._below, spans, strict=True)
        ):
            if own.stop == own.start or not x[own].any():
                continue
            touched[number] = True
            part = blas.dtrsm(1.0, pivot, x[own].T, side=1, lower=1, trans_a=1, overwrite_b=1).T
            x[own] = part
            if len(rest):
                x[rest] -= below @ part
        parts = [x[own] for is_one, (own, _) in zip(touched, spans, strict=True) if is_one]
        done = np.concatenate(parts) if parts else x[:0]
        return np.asarray(done.T @ done)

    @cached_property
    def _order(self) -> tuple[NDArray[np.int32], list[tuple[slice, Index]]]:
        """The nodes as they are taken out, and each front's rows so: its own and those left."""
        d = self.per_node
        order = np.concatenate([front.pivots for front in self.fronts])
        place = np.empty(self.node_count, np.int64)
        place[order] = np.arange(self.node_count)
        stops = np.cumsum([len(front.pivots) for front in self.fronts]).tolist()
        spans = [
            (
                slice(d * (stop - len(front.pivots)), d * stop),
                (place[front.rest][:, None] * d + np.arange(d)).ravel(),
            )
            for front, stop in zip(self.fronts, stops, strict=True)
        ]
        return order, spans

    def inverse_at_elements(self) -> list[Array]:
        """Return, per kind, (n, k d, k d): the inverse between the unknowns of each element."""
        d = self.per_node
        out = [
            np.zeros((*kind.nodes.shape[:1], *(d * kind.nodes.shape[1],) * 2))
            for kind in self.kinds
        ]
        wanted: dict[int, Array] = {}
        empty = np.zeros((0, 0), order="F")
        for number in range(len(self.fronts) - 1, -1, -1):
            front = self.fronts[number]
            kept = len(front.pivots)
            own, below = self._pivots[number], self._below[number]
            rest = wanted.pop(number, empty)
            if kept:
                pivot, _ = lapack.dpotri(own, lower=1)
                if len(front.rest):
                    # Two products of triangles less: (L^-1)^T by one solve, then plain products.
                    back = blas.dtrsm(1.0, own, below, side=1, lower=1)
                    below = blas.dsymm(-1.0, rest, back, lower=1)
                    pivot = blas.dgemm(-1.0, back, below, 1.0, pivot, trans_a=1, overwrite_c=1)
            else:
                pivot = own
            self._set_places(front)
            for kind, chosen, square in zip(self.kinds, front.elements, out, strict=False):
                if len(chosen):
                    pick_elements(
                        kind.nodes, chosen, self._place, kept, d, pivot, below, rest, square
                    )
            for child in front.children:
                at = self._place[self.fronts[child].rest]
                wanted[child] = pick(at, kept, d, pivot, below, rest)
        return out
