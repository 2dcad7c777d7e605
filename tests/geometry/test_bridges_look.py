"""Bridges look as if a hand had put them: square to the edge, staggered, alike where shapes are.

What looks well is judgement (common practice, no source); the figures here hold it fast.
"""

from itertools import combinations

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, affinity

from geometry.bridge_sites import film_parts
from geometry.bridge_symmetry import find_symmetry
from geometry.bridges import propose_bridges
from geometry.limits import Limits
from geometry.prepared import prepare_picture
from geometry.recheck import recheck
from tests.geometry.golden.truth import golden, scan_of
from tests.geometry.test_bridges import SMALL, picture_of, proposed, ring, small

MIDDLE = (50.8, 50.8)


@pytest.mark.parametrize(("kind", "variant"), [("silhouettes", 2), ("solid shapes", 2)])
def test_bridges_meet_the_eyes_of_a_solid_shape_square_to_their_edge(
    kind: str, variant: int
) -> None:
    """Neither along the edge of two eyes, nor two to the frame from one spot of an eye."""
    drawing = golden(kind, variant)
    body = max(shapely.get_parts(drawing.black), key=lambda part: part.area)
    eyes = [shapely.Polygon(loop) for loop in body.interiors]
    proposal = propose_bridges(prepare_picture(picture_of(scan_of(drawing, 200)[0])))
    assert proposal.left == ()
    outer: dict[int, list[tuple[float, float]]] = {}
    for bridge in proposal.bridges:
        ends = [Point(*end) for end in (bridge.site.from_mm, bridge.site.to_mm)]
        met = {k: end for end in ends for k, eye in enumerate(eyes) if eye.distance(end) < 0.3}
        for k, end in met.items():
            centre, angle = eyes[k].centroid, np.radians(bridge.site.angle_deg)
            to_x, to_y = np.subtract((centre.x, centre.y), bridge.site.at_mm)
            radius = float(np.sqrt(eyes[k].area / np.pi))
            assert abs(to_y * np.cos(angle) - to_x * np.sin(angle)) < 0.8 * radius
            if len(met) == 1:
                outer.setdefault(k, []).append((end.x, end.y))
    for spots in outer.values():
        for one, other in combinations(spots, 2):
            assert np.hypot(*np.subtract(one, other)) > 3


def test_bridges_between_the_turns_of_a_spiral_are_staggered() -> None:
    """No two of neighbouring turns stand in one line, as a row of them reads as a cut."""
    turn = np.linspace(0, 2 * np.pi * 6, 700)
    reach = np.linspace(34, 4, 700)
    line = np.stack([50.8 + reach * np.cos(turn), 50.8 + reach * np.sin(turn)], axis=1)
    proposal = proposed(LineString(line).buffer(0.9))
    assert proposal.left == ()
    sites = [bridge.site for bridge in proposal.bridges]
    for number, one in enumerate(sites):
        way = np.radians(one.angle_deg)
        for other in sites[:number]:
            to = np.subtract(other.at_mm, one.at_mm)
            if np.hypot(*to) < 8:
                assert abs(to @ np.array([-np.sin(way), np.cos(way)])) > 1.5


@pytest.mark.parametrize("count", [3, 5, 8])
def test_a_rosette_gets_bridges_that_turn_with_it(count: int) -> None:
    """Truth: the places turned by 360 / n about the middle lie on places again."""
    petal = affinity.rotate(affinity.scale(Point(75, 50.8).buffer(7, 64), 1.0, 0.7), 20)
    petals = [affinity.rotate(petal, 360 * k / count + 7, MIDDLE) for k in range(count)]
    proposal = proposed(shapely.union_all([one.exterior.buffer(0.9) for one in petals]))
    assert proposal.left == ()
    assert len(proposal.bridges) % count == 0
    places = np.array([bridge.site.at_mm for bridge in proposal.bridges]) - MIDDLE
    angle = 2 * np.pi / count
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    away = [np.hypot(*(places - turn @ place).T).min() for place in places]
    assert max(away) < 0.6


def test_a_drawing_that_is_mirrored_about_a_slanting_line_gets_mirrored_bridges() -> None:
    """Truth: shapely's turning of a drawing about an upright line by 25 degrees."""
    shapes = [ring(50.8, 38, 4), ring(50.8, 66, 8)]
    for side in (-1, 1):
        shapes += [ring(50.8 + 20 * side, 32, 4), ring(50.8 + 22 * side, 60, 8)]
    proposal = proposed(affinity.rotate(shapely.union_all(shapes), 25, MIDDLE))
    places = [Point(*bridge.site.at_mm) for bridge in proposal.bridges]
    upright = [affinity.rotate(place, -25, MIDDLE) for place in places]
    points = np.array([(place.x, place.y) for place in upright])
    images = np.array([101.6, 0.0]) + points * np.array([-1.0, 1.0])
    assert max(np.hypot(*(points - image).T).min() for image in images) < 0.4
    assert len(points) == 9


def test_a_drawing_without_symmetry_is_not_taken_for_one() -> None:
    """Three rings of three sizes at no two like ways."""
    black = shapely.union_all([ring(30, 30, 5), ring(65, 40, 11), ring(40, 72, 8)])
    prepared = prepare_picture(small(black), SMALL)
    checked = recheck(prepared, ())
    film = film_parts(checked.ink, checked.outlines, checked.placement, (101.6, 101.6), Limits())
    assert find_symmetry(film, checked.placement.scale / checked.ink.px_per_mm) is None
