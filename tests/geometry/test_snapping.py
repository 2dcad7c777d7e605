"""A stroke laid square across a line: exact on straight lines, the shortest way on any other."""

import math

import cv2
import numpy as np
import pytest
import shapely
from shapely import affinity

from geometry.check import check_picture
from geometry.picture import Picture
from geometry.prepared import Prepared, prepare_picture
from geometry.recipe import Placement, PointMm, Recipe, Stroke
from geometry.snapping import INTO_FILM_MM, snap_across, snap_stroke

PX_PER_MM = 11.811
MIDDLE = (76.2, 76.2)


def picture_of(shape: shapely.Geometry) -> Picture:
    """A picture of one shape of ink on 6 x 6 in of paper, drawn 8 times larger and reduced."""
    side = round(152.4 * PX_PER_MM)
    large = np.full((side * 8, side * 8), 245, np.uint8)
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors]
        points = [shapely.get_coordinates(ring) * PX_PER_MM * 8 - 0.5 for ring in rings]
        cv2.fillPoly(large, [np.rint(p * 16).astype(np.int32) for p in points], 20, cv2.LINE_8, 4)
    grey = cv2.resize(large, (side, side), interpolation=cv2.INTER_AREA).astype(np.uint8)
    return Picture(grey, None, "a" * 64, "PNG", grey.shape[::-1])


def prepared_of(shape: shapely.Geometry, recipe: Recipe | None = None) -> Prepared:
    return prepare_picture(picture_of(shape), recipe)


def bar(width_mm: float, turn_deg: float, at: PointMm = MIDDLE) -> shapely.Polygon:
    """A straight line of a width, `turn_deg` off level, 60 mm long."""
    level = shapely.box(at[0] - 30, at[1] - width_mm / 2, at[0] + 30, at[1] + width_mm / 2)
    return affinity.rotate(level, turn_deg, origin=at)


def rough(turn_deg: float, off_deg: float, half_mm: float = 4.0, at: PointMm = MIDDLE) -> Stroke:
    """A stroke across a line of that turn, off the square by some degrees."""
    angle = math.radians(turn_deg + 90 + off_deg)
    way = np.array([math.cos(angle), math.sin(angle)])
    first, last = np.array(at) - half_mm * way, np.array(at) + 1.3 * half_mm * way
    return Stroke("white", (tuple(first), tuple(last)), 1.5)


def angle_of(stroke: Stroke) -> float:
    (x0, y0), (x1, y1) = stroke.points_mm
    return math.degrees(math.atan2(y1 - y0, x1 - x0)) % 360


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 62.5, 90, 131])
@pytest.mark.parametrize("off_deg", [-50, -20, 0, 35])
def test_on_a_straight_line_the_strip_stands_square_and_reaches_into_both_sides(
    turn_deg: float, off_deg: float
) -> None:
    width_mm = 2.0
    snapped = snap_stroke(prepared_of(bar(width_mm, turn_deg)), rough(turn_deg, off_deg))
    assert snapped is not None
    off_square = (angle_of(snapped) - (turn_deg + 90) + 180) % 360 - 180
    assert abs(off_square) < 0.5
    ends = np.array(snapped.points_mm)
    # by arithmetic: the line's width and the same reach into film at both ends
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(width_mm + 2 * INTO_FILM_MM, abs=0.06)
    normal = np.array([-math.sin(math.radians(turn_deg)), math.cos(math.radians(turn_deg))])
    away = (ends - MIDDLE) @ normal
    assert away[0] == pytest.approx(-(width_mm / 2 + INTO_FILM_MM), abs=0.05)
    assert away[1] == pytest.approx(width_mm / 2 + INTO_FILM_MM, abs=0.05)


def test_a_strip_already_square_stays_where_it_is() -> None:
    prepared = prepared_of(bar(2.0, 30))
    once = snap_stroke(prepared, rough(30, 25))
    assert once is not None
    again = snap_stroke(prepared, once)
    assert again is not None
    assert np.abs(np.subtract(once.points_mm, again.points_mm)).max() < 0.02


def shortest_chord_mm(shape: shapely.Geometry, at: np.ndarray) -> float:
    """By shapely: the shortest chord of a shape through a point, 0.25 degrees apart."""
    lengths = []
    for angle in np.radians(np.arange(0, 180, 0.25)):
        way = 60 * np.array([math.cos(angle), math.sin(angle)])
        cut = shape.intersection(shapely.LineString([at - way, at + way]))
        parts = [part for part in shapely.get_parts(cut) if part.distance(shapely.Point(at)) < 1e-6]
        lengths.append(max((part.length for part in parts), default=math.inf))
    return min(lengths)


RING = shapely.Point(MIDDLE).buffer(22, 128).difference(shapely.Point(MIDDLE).buffer(19, 128))
OVAL = affinity.scale(RING, 1.4, 0.8, origin=MIDDLE)
WEDGE = shapely.Polygon([(40, 70), (112, 74), (112, 78), (40, 86)])
SHAPES = [
    (RING, [(76.2, 51.0), (79.0, 61.0)]),
    (RING, [(88.0, 92.0), (97.0, 95.0)]),
    (OVAL, [(76.0, 66.0), (81.0, 54.0)]),
    (OVAL, [(99.0, 70.0), (112.0, 80.0)]),
    (WEDGE, [(74.0, 60.0), (80.0, 92.0)]),
]


@pytest.mark.parametrize("number", range(len(SHAPES)))
def test_the_way_across_is_the_shortest_chord_that_shapely_finds(number: int) -> None:
    shape, line = SHAPES[number]
    snapped = snap_stroke(prepared_of(shape), Stroke("white", tuple(line), 1.0))
    assert snapped is not None
    across = shapely.LineString(snapped.points_mm).intersection(shape)
    middle = np.array(across.interpolate(0.5, normalized=True).coords[0])
    shortest = shortest_chord_mm(shape, middle)
    assert across.length <= 1.005 * shortest + 0.02
    for end in snapped.points_mm:
        assert not shape.contains(shapely.Point(end))


def test_the_strip_frees_no_sliver_at_its_sides_on_a_sharp_curve() -> None:
    small = shapely.Point(MIDDLE).buffer(4, 64).difference(shapely.Point(MIDDLE).buffer(2, 64))
    prepared = prepared_of(small)
    snapped = snap_stroke(prepared, Stroke("white", ((75.5, 70.0), (76.5, 76.0)), 2.0))
    assert snapped is not None
    (x0, y0), (x1, y1) = snapped.points_mm
    way = np.array([x1 - x0, y1 - y0]) / math.hypot(x1 - x0, y1 - y0)
    aside = 0.95 * np.array([-way[1], way[0]])
    strip = shapely.LineString(snapped.points_mm).buffer(1.0, 32)
    for sign in (-1, 1):
        edge = shapely.LineString(np.array(snapped.points_mm) + sign * aside)
        assert edge.intersection(small).within(strip)
    left = small.difference(strip)
    assert left.geom_type == "Polygon"


def test_a_stroke_along_a_line_or_in_film_stays_as_drawn() -> None:
    prepared = prepared_of(bar(2.0, 0))
    along = Stroke("white", ((60.0, 76.0), (92.0, 76.4)), 1.5)
    assert snap_stroke(prepared, along) is None
    beside = Stroke("white", ((60.0, 60.0), (70.0, 62.0)), 1.5)
    assert snap_stroke(prepared, beside) is None
    outside = Stroke("white", ((-300.0, -300.0), (-290.0, -290.0)), 1.5)
    assert snap_stroke(prepared, outside) is None


def test_of_two_lines_the_one_at_the_middle_of_the_stroke_is_crossed() -> None:
    two = shapely.union(bar(2.0, 0), bar(2.0, 0, at=(76.2, 86.2)))
    snapped = snap_stroke(prepared_of(two), Stroke("white", ((76.0, 72.0), (76.4, 84.0)), 1.5))
    assert snapped is not None
    assert all(74 < y < 79 for _, y in snapped.points_mm)


def test_a_stroke_that_begins_in_the_line_is_laid_across_all_of_it() -> None:
    snapped = snap_stroke(prepared_of(bar(3.0, 0)), Stroke("white", ((76, 76.2), (76.5, 81)), 1.5))
    assert snapped is not None
    ys = sorted(y for _, y in snapped.points_mm)
    assert ys == pytest.approx([76.2 - 1.5 - INTO_FILM_MM, 76.2 + 1.5 + INTO_FILM_MM], abs=0.06)


def test_lines_drawn_with_the_black_pen_count_and_white_ones_do_not() -> None:
    prepared = prepared_of(bar(2.0, 0))
    black = Stroke("black", ((60.0, 100.0), (92.0, 100.0)), 2.0)
    across = Stroke("white", ((75.0, 95.0), (77.0, 105.0)), 1.5)
    assert snap_stroke(prepared, across) is None
    snapped = snap_stroke(prepared, across, [black])
    assert snapped is not None
    assert np.abs(np.diff(snapped.points_mm, axis=0)[0][0]) < 0.05
    white = Stroke("white", ((60.0, 100.0), (92.0, 100.0)), 4.0)
    assert snap_stroke(prepared, across, [black, white]) is None


@pytest.mark.parametrize("recipe", [Recipe(turn_deg=20.0), Recipe(scale=0.8, place_mm=(70, 80))])
def test_a_drawing_turned_or_moved_on_its_blank_is_snapped_there(recipe: Recipe) -> None:
    prepared = prepared_of(bar(2.5, 0), recipe)
    checked = check_picture(picture_of(bar(2.5, 0)), recipe)
    x, y = checked.placement.to_blank([MIDDLE])[0].tolist()
    turn = recipe.turn_deg
    snapped = snap_stroke(prepared, rough(turn, 15, at=(x, y)))
    assert snapped is not None
    assert abs((angle_of(snapped) - (turn + 90) + 180) % 360 - 180) < 0.5
    width_mm = 2.5 * recipe.scale
    assert math.dist(*snapped.points_mm) == pytest.approx(width_mm + 2 * INTO_FILM_MM, abs=0.06)


def test_the_input_is_not_changed_and_a_shift_shifts_the_answer() -> None:
    prepared = prepared_of(bar(2.0, 25))
    before = prepared.ink.f.copy()
    first = snap_across(prepared.ink, Placement(), (75, 70), (77, 83), width_mm=1.5)
    assert (prepared.ink.f == before).all()
    step = 24 / PX_PER_MM  # whole pixels
    moved = prepared_of(affinity.translate(bar(2.0, 25), step, step))
    second = snap_across(
        moved.ink, Placement(), (75 + step, 70 + step), (77 + step, 83 + step), width_mm=1.5
    )
    assert first is not None
    assert second is not None
    assert np.abs(np.subtract(second, first) - step).max() < 0.02
