"""How far film lifts when it lifts far: bending and stretch together, in a few shapes.

The first shape is the plate's under the load. Each further one is how the plate gives to the pull
of the stretched film, so that a tongue goes on bending where its root has stiffened; three of them
come within 3 % of ten. In one shape alone this is a + 4 mu C a^3 = F C.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.membrane import Membrane, Slopes, Stretch
from geometry.plate import Plate, Spot

SHAPES: Final = 3
AT_ONCE: Final = 110_000
"""Places times cells worked on together: more share their solves, fewer need less memory."""
_MOST_STEPS: Final = 100

Array = NDArray[np.float64]


@dataclass
class _Place:
    """One loaded place on its way: shapes of unit bending energy (times K in `forces`)."""

    row: Array
    shapes: list[Array]
    forces: list[Array]
    slopes: Slopes
    pairs: list[tuple[int, int]] = field(default_factory=list)
    stretch: list[Stretch] = field(default_factory=list)
    moved: list[Array] = field(default_factory=list)
    q: Array = field(default_factory=lambda: np.zeros(0))


def large_lifts(
    plate: Plate,
    membrane: Membrane,
    spots: list[Spot],
    under: Array,
    *,
    load_n: float,
    bending: float,
    tension: float,
    shapes: Sequence[int] | None = None,
) -> tuple[Array, Array]:
    """Return (lift in mm, slope there) of a load on each spot.

    under (unknowns, n): `Plate.shapes_under` of the spots. bending: D in N mm; tension: modulus
    times thickness, N/mm. shapes: how many for each, three by default.
    """
    rows = plate.rows(spots).toarray()
    shapes = shapes or [SHAPES] * len(spots)
    at_once = max(AT_ONCE // len(plate.cells.parts), 1)
    parts = [
        bent_far(
            plate,
            membrane,
            rows[start : start + at_once],
            under[:, start : start + at_once],
            load_n=load_n,
            bending=bending,
            tension=tension,
            shapes=shapes[start : start + at_once],
        )
        for start in range(0, len(spots), at_once)
    ]
    bent = np.concatenate(parts, axis=1)
    lift = (rows * bent.T).sum(axis=1)
    by_x, by_y = (
        np.asarray(plate.rows(spots, d).multiply(bent.T).sum(axis=1)).ravel()
        for d in ((1, 0), (0, 1))
    )
    return lift, np.hypot(by_x, by_y)


def bent_far(
    plate: Plate,
    membrane: Membrane,
    rows: Array,
    under: Array,
    *,
    load_n: float,
    bending: float,
    tension: float,
    shapes: Sequence[int],
) -> Array:
    """Return (unknowns, n) the plate bent by load_n times each of any loads: rows (n, unknowns).

    under (unknowns, n): the plate's answer to the rows for D = 1. shapes (n): how many for each.
    """
    places = [_begin(membrane, row, shape) for row, shape in zip(rows, under.T, strict=True)]
    for count in range(1, max(shapes) + 1):
        goes_on = [place for place, most in zip(places, shapes, strict=True) if most >= count]
        if count > 1:
            _add_shape(plate, membrane, goes_on)
        _widen(membrane, goes_on, count)
        for place in goes_on:
            _settle(place, load_n, bending, tension)
    return np.stack([np.stack(place.shapes, axis=1) @ place.q for place in places], axis=1)


def _begin(membrane: Membrane, row: Array, shape: Array) -> _Place:
    energy = np.sqrt(row @ shape)
    first = shape / energy
    return _Place(row, [first], [row / energy], membrane.slopes(first[:, None]))


def _widen(membrane: Membrane, places: list[_Place], count: int) -> None:
    """Work out the stretch of the newest shape with itself and all before, one solve for all."""
    for place in places:
        if count > 1:
            newest = membrane.slopes_at(place.slopes.cells, place.shapes[-1][:, None])
            place.slopes = Slopes(
                place.slopes.cells,
                np.concatenate([place.slopes.by_x, newest.by_x], axis=2),
                np.concatenate([place.slopes.by_y, newest.by_y], axis=2),
            )
        fresh = [(other, count - 1) for other in range(count)]
        place.pairs += fresh
        place.stretch.append(membrane.stretch(place.slopes, fresh))
    moved = membrane.give(np.concatenate([p.stretch[-1].load for p in places], axis=1))
    for index, place in enumerate(places):
        place.moved.append(moved[:, index * count : (index + 1) * count])


def _energies(place: _Place) -> Array:
    """Return (pairs, pairs): half the product of the stretch of two pairs, corners at ease."""
    strain, stress, on_inner, eased, load = (
        np.concatenate([getattr(part, name) for part in place.stretch], axis=-1, dtype=np.float64)
        for name in ("strain", "stress", "on_inner", "eased", "load")
    )
    count = strain.shape[-1]
    whole = strain.reshape(-1, count).T @ stress.reshape(-1, count)
    whole -= on_inner.reshape(-1, count).T @ eased.reshape(-1, count)
    whole -= load.T @ np.concatenate(place.moved, axis=1)
    # No stretch gives energy back: what rounding says so would let the film run away.
    values, vectors = np.linalg.eigh(0.25 * (whole + whole.T))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _settle(place: _Place, load_n: float, bending: float, tension: float) -> None:
    """Find the least energy over the shapes: Newton's way with steps cut short where they must."""
    count = len(place.shapes)
    energies = tension * _energies(place)
    four = np.zeros((count,) * 4)
    for i, (a, b) in enumerate(place.pairs):
        for j, (c, d) in enumerate(place.pairs):
            for one in {(a, b), (b, a)}:
                for other in {(c, d), (d, c)}:
                    four[one + other] = energies[i, j]
    push = load_n * np.array([place.row @ shape for shape in place.shapes])
    start = np.zeros(count)
    start[: len(place.q)] = place.q
    if count == 1:
        start[0] = _one_shape(push[0], bending, four[0, 0, 0, 0])

    def energy(q: Array) -> float:
        pair = np.einsum("ijkl,k,l->ij", four, q, q)
        return float(0.5 * bending * q @ q + q @ pair @ q - push @ q)

    place.q = _least(energy, start, four, push, bending)


def _least(
    energy: Callable[[Array], float], q: Array, four: Array, push: Array, bending: float
) -> Array:
    """Return the q of least energy."""
    size = len(q)
    for _ in range(_MOST_STEPS):
        pair = np.einsum("ijkl,k,l->ij", four, q, q)
        cross = np.einsum("ijkl,j,l->ik", four, q, q)
        slope = bending * q + 4 * pair @ q - push
        curve = bending * np.eye(size) + 4 * pair + 8 * cross
        step = -np.linalg.solve(curve, slope)
        if slope @ step > 0:
            step = -slope / np.linalg.norm(curve)
        share, before = 1.0, energy(q)
        while energy(q + share * step) > before and share > 1e-9:
            share /= 2
        q = q + share * step
        if np.abs(share * step).max() <= 1e-8 * np.abs(q).max():
            break
    return q


def _one_shape(push: float, bending: float, quartic: float) -> float:
    """Return q of bending q + 4 quartic q^3 = push."""
    if quartic <= 0:
        return push / bending
    root = np.sqrt(12 * quartic / bending)
    return float(2 / root * np.sinh(np.arcsinh(1.5 * root * push / bending) / 3))


def _add_shape(plate: Plate, membrane: Membrane, places: list[_Place]) -> None:
    """Give each place the shape in which the plate yields to the stretched film, one solve."""
    pulls = []
    for place in places:
        shares = np.array([place.q[a] * place.q[b] * (1 + (a != b)) for a, b in place.pairs])
        moved = np.concatenate(place.moved, axis=1) @ shares
        stretch = _joined(place.stretch)
        pulls.append(membrane.pull(place.slopes, stretch, moved, shares, place.q))
    given = plate.factor.solve(np.stack(pulls, axis=1))
    for place, pull, shape in zip(places, pulls, given.T, strict=True):
        for _ in range(2):  # twice, as rounding leaves some of the first shapes in it
            for known, force in zip(place.shapes, place.forces, strict=True):
                share = force @ shape
                shape = shape - share * known
                pull = pull - share * force
        energy = np.sqrt(max(float(shape @ pull), 1e-300))
        place.shapes.append(shape / energy)
        place.forces.append(pull / energy)


def _joined(parts: list[Stretch]) -> Stretch:
    names = ("strain", "stress", "on_inner", "eased", "load")
    return Stretch(*(np.concatenate([getattr(p, n) for p in parts], axis=-1) for n in names))
