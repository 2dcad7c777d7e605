"""Bridges look as if a hand had put them: square to the edge, staggered, alike where shapes are.

What looks well is judgement (common practice, no source); the figures here hold it fast.
"""

from itertools import combinations

import numpy as np
import pytest
import shapely
from shapely import LineString, Point

from geometry.bridges import propose_bridges
from geometry.prepared import prepare_picture
from tests.geometry.golden.truth import golden, scan_of
from tests.geometry.test_bridges import picture_of, proposed


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
