"""Smooth curves: within 0.02 mm of the contour, few, corners and straight edges kept."""

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from geometry.curves import TOLERANCE_MM, Curve, fit_curve, straight_curve
from tests.geometry.cut_reading import farthest_mm
from tests.geometry.stencils import wavy


def ring_of(polygon: Polygon) -> np.ndarray:
    """Its outer points, the first not repeated."""
    return shapely.get_coordinates(polygon.exterior)[:-1]


def distance_mm(curve: Curve, polygon: Polygon) -> float:
    """The farthest the curve and the polygon's edge are from each other, either way."""
    return farthest_mm([curve.flattened(40)], polygon.exterior)


SHAPES = {
    "starfish": wavy(60, 60, 30),
    "traced starfish": wavy(60, 60, 30).simplify(0.02).buffer(-0.075),
    "tiny starfish": wavy(5, 5, 1, 4),
    "disc": Point(50, 50).buffer(20, quad_segs=64),
    "small disc": Point(5, 5).buffer(0.5, quad_segs=16),
    "stroke": LineString([(0, 0), (10, 3), (20, -3), (30, 8)]).buffer(1.0),
    "hairpin": LineString([(0, 0), (20, 0.5), (0, 1.2)]).buffer(0.2),
    "rounded square": box(0, 0, 10, 10).buffer(1),
    "thorn": Polygon([(0, 0), (20, 1), (0, 2), (3, 1)]),
}


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())
def test_a_curve_stays_within_0_02_mm(shape: Polygon) -> None:
    """Measured on the flattened curve, both ways; it does not cross itself."""
    curve = fit_curve(ring_of(shape))
    assert distance_mm(curve, shape) <= TOLERANCE_MM
    flat = Polygon(curve.flattened(40))
    assert flat.is_valid
    assert abs(flat.area - shape.area) < 0.0025 * shape.length  # 0.0025 mm to one side


@pytest.mark.parametrize("seed", range(4))
def test_a_trembling_hand_is_followed_too(seed: int) -> None:
    """Noise of the size that tracing leaves."""
    turn = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    radius = 25 + 3 * np.sin(4 * turn) + np.random.default_rng(seed).normal(0, 0.01, 1500)
    shape = Polygon(np.column_stack([60 + radius * np.cos(turn), 60 + radius * np.sin(turn)]))
    assert distance_mm(fit_curve(ring_of(shape)), shape) <= TOLERANCE_MM


def test_smooth_shapes_take_few_curves() -> None:
    """A disc of 256 points is four curves."""
    disc = fit_curve(ring_of(SHAPES["disc"]))
    assert len(disc.pieces) <= 6
    starfish = fit_curve(ring_of(SHAPES["starfish"]))
    assert len(starfish.pieces) <= 60


def test_a_rough_edge_is_averaged_and_not_followed() -> None:
    """A ring of 25 mm whose radius trembles by 0.012 mm every 0.4 mm, over 390 points."""
    turn = np.linspace(0, 2 * np.pi, 390, endpoint=False)
    radius = 25 + np.random.default_rng(1).uniform(-0.012, 0.012, 390)
    curve = fit_curve(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]))
    assert len(curve.pieces) <= 25
    away = np.abs(np.hypot(*curve.flattened(40).T) - 25)
    assert away.max() < 0.015


def test_neighbours_mostly_meet_in_one_direction() -> None:
    """Bends at the joints of a smooth starfish, degrees."""
    curve = fit_curve(ring_of(wavy(60, 60, 30)))
    ends = [piece[-1] - piece[-2] for piece in curve.pieces]
    heres = [curve.start, *[piece[-1] for piece in curve.pieces[:-1]]]
    begins = [piece[0] - here for piece, here in zip(curve.pieces, heres, strict=True)]
    bends = [
        np.degrees(np.arccos(np.clip(a @ b / np.hypot(*a) / np.hypot(*b), -1, 1)))
        for a, b in zip(ends, begins[1:] + begins[:1], strict=True)
    ]
    assert np.median(bends) < 0.1
    assert max(bends) < 5


def test_straight_edges_and_corners_are_kept_exactly() -> None:
    """A rectangle is four lines through its own corners."""
    corners = np.array([[0.0, 0], [30, 0], [30, 20], [10, 20], [0, 10]])
    curve = fit_curve(corners)
    assert [len(piece) for piece in curve.pieces] == [1] * 5
    assert curve.flattened().tolist() == [*corners.tolist(), [0.0, 0.0]]


def test_a_curve_starts_where_its_contour_starts_and_closes() -> None:
    """The beam begins where the order of cutting said."""
    ring = np.roll(ring_of(SHAPES["starfish"]), 37, axis=0)
    curve = fit_curve(ring)
    assert curve.start.tolist() == ring[0].tolist()
    assert curve.pieces[-1][-1] == pytest.approx(ring[0])


def test_an_open_line_keeps_both_ends() -> None:
    """An arc of a quarter turn of 40 points is three curves at most."""
    turn = np.linspace(0, np.pi / 2, 40)
    arc = np.column_stack([20 * np.cos(turn), 20 * np.sin(turn)])
    curve = fit_curve(arc, closed=False)
    assert len(curve.pieces) <= 3
    assert curve.start == pytest.approx(arc[0])
    assert curve.pieces[-1][-1] == pytest.approx(arc[-1])


def test_moving_a_curve_moves_every_handle() -> None:
    """A quarter turn and a shift, as for a turned blank."""
    curve = fit_curve(ring_of(SHAPES["disc"]))
    matrix, shift = np.array([[0.0, -1], [1, 0]]), np.array([100.0, 5])
    moved = curve.moved(matrix, shift)
    assert moved.flattened() == pytest.approx(curve.flattened() @ matrix.T + shift)


def test_lines_are_the_contour_itself() -> None:
    """Point for point, back to the first."""
    corners = np.array([[0.0, 0], [30, 0], [30, 20]])
    flat = straight_curve(corners).flattened()
    assert flat.tolist() == [*corners.tolist(), [0.0, 0.0]]
