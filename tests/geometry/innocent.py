"""Twenty shapes that narrow to nothing somewhere and are fine to cut, mm."""

import math

import shapely
from shapely import Polygon, affinity

from tests.geometry.scans import disc, stroke


def star(points: int, outer: float, inner: float) -> Polygon:
    """Return a star around (20, 20)."""
    corners = []
    for k in range(2 * points):
        r, a = (outer, inner)[k % 2], math.pi * k / points + 0.1
        corners.append((20 + r * math.cos(a), 20 + r * math.sin(a)))
    return Polygon(corners)


def wedge(apex_deg: float, length: float, turn_deg: float) -> Polygon:
    """Return a triangle with that angle at its tip."""
    half = length * math.tan(math.radians(apex_deg / 2))
    shape = Polygon([(0, 0), (length, -half), (length, half)])
    return affinity.translate(affinity.rotate(shape, turn_deg, origin=(0, 0)), 20, 20)


def petals(count: int, reach: float, radius: float) -> Polygon:
    """Return a flower of pointed petals (two arcs each) around a disc."""
    lens = disc(0, radius - 3, radius).intersection(disc(0, 3 - radius, radius))
    lens = affinity.translate(lens, reach, 0)
    turned = [affinity.rotate(lens, 360 * k / count, origin=(0, 0)) for k in range(count)]
    return affinity.translate(shapely.union_all([*turned, disc(0, 0, reach - 3)]), 20, 20)


def _moon() -> Polygon:
    return disc(20, 20, 12).difference(disc(25, 20, 10.5))


def _drop() -> Polygon:
    return shapely.union_all([disc(20, 26, 6), Polygon([(20, 6), (25.6, 24), (14.4, 24)])])


def _gear() -> Polygon:
    tooth = shapely.box(18.5, 5, 21.5, 20)
    teeth = [affinity.rotate(tooth, 30 * k, origin=(20, 20)) for k in range(12)]
    return shapely.union_all([disc(20, 20, 11), *teeth]).difference(
        shapely.union_all([stroke([(20, 20), (24, 20)], 3)])
    )


def _leaf() -> Polygon:
    return affinity.rotate(disc(20, 30, 18).intersection(disc(20, 10, 18)), 20, origin=(20, 20))


def _bolt() -> Polygon:
    return Polygon([(22, 4), (12, 22), (19, 22), (15, 36), (28, 16), (21, 16), (26, 4)])


INNOCENT: dict[str, shapely.Geometry] = {
    "square": shapely.box(10, 10, 30, 30),
    "turned square": affinity.rotate(shapely.box(10, 10, 30, 30), 17),
    "narrow bar": shapely.box(8, 19, 32, 20.3),
    "turned bar": affinity.rotate(shapely.box(8, 19, 32, 20.3), 33),
    "round-ended stroke": stroke([(8, 12), (32, 27)], 1.3),
    "zigzag": stroke([(6, 10), (16, 30), (22, 12), (34, 32)], 1.8),
    "sharp zigzag": shapely.LineString([(6, 10), (13, 32), (19, 10), (27, 32)]).buffer(
        1.0, join_style="mitre", cap_style="flat", mitre_limit=20
    ),
    "five-point star": star(5, 15, 6),
    "eight-point star": star(8, 16, 7),
    "sharp star": star(12, 17, 7),
    "wedge 12": wedge(12, 18, 20),
    "wedge 20": wedge(20, 17, 75),
    "wedge 35": wedge(35, 16, 200),
    "wedge 60": wedge(60, 14, 311),
    "moon": _moon(),
    "drop": _drop(),
    "petals": petals(6, 9, 6),
    "gear": _gear(),
    "leaf": _leaf(),
    "bolt": _bolt(),
    "small discs": shapely.union_all([disc(8 + 6 * k, 20, 0.55 + 0.15 * k) for k in range(5)]),
    "half disc": disc(20, 20, 12).intersection(shapely.box(0, 0, 40, 21)),
}
