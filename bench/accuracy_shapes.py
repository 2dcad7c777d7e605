"""Random shapes with known truth for `bench accuracy`, mm, about (20, 20) unless said otherwise."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon, affinity

from tests.geometry.innocent import petals, star, wedge
from tests.geometry.scans import disc, stroke

Planted = tuple[shapely.Geometry, tuple[str, ...], float]
CENTRE: NDArray[np.float64] = np.array([20.0, 20.0])
CUT_OUT = 60.0
WEB = ("thin-web", "thin-bridge")
LINE = ("thin-line",)
BELOW = ("line-below-kerf",)


def _turned(shape: shapely.Geometry, random: np.random.Generator) -> shapely.Geometry:
    """Return a shape turned at random about the centre and moved by parts of a pixel."""
    turned = affinity.rotate(shape, float(random.uniform(0, 360)), origin=tuple(CENTRE))
    return affinity.translate(turned, *random.uniform(-0.1, 0.1, 2))


def _lump(random: np.random.Generator, radius: float) -> NDArray[np.float64]:
    """Return a smooth closed line around the centre that sways as a hand does."""
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    phase, size = random.uniform(0, 2 * np.pi, 7), random.uniform(0.3, 1, 7)
    sway = sum(0.16 * size[k] / (k + 1) * np.sin((k + 2) * angle + phase[k]) for k in range(7))
    reach = radius * (1 + sway)
    return CENTRE + np.stack([reach * np.cos(angle), reach * np.sin(angle)], axis=1)


def wobbly(seed: int) -> shapely.Geometry:
    """Return a lump, a ring or a curl of a marker, their lines swaying smoothly."""
    random = np.random.default_rng(seed)
    if seed % 3 == 0:
        return Polygon(_lump(random, float(random.uniform(6, 14))))
    if seed % 3 == 1:
        line = _lump(random, float(random.uniform(7, 14)))
        ring = shapely.LinearRing(line).buffer(float(random.uniform(0.6, 1.4)), quad_segs=32)
        return max(shapely.get_parts(ring), key=lambda part: part.area)
    t = np.linspace(0, 2 * np.pi * random.uniform(1.2, 2.2), 600)
    reach = 14 - 9 * t / t[-1] + 0.25 * np.sin(7 * t + random.uniform(0, 6))
    line = CENTRE + np.stack([reach * np.cos(t), reach * np.sin(t)], axis=1)
    return LineString(line).buffer(float(random.uniform(0.6, 1.2)), quad_segs=32)


def planted(seed: int) -> Planted:
    """Return (black, kinds that are right, width): a hairline, thin line, neck, web or bridge."""
    random = np.random.default_rng(seed)
    width = float(random.uniform(0.2, 0.93))
    half = width / 2
    kind = seed % 5
    if kind == 0:
        width = float(random.uniform(0.08, 0.125))
        shape = shapely.union(disc(9, 9, 4), stroke([(14, 20), (26, 20)], width))
        return _turned(shape, random), BELOW, width
    if kind == 1:
        bow = Point(20, 28).buffer(8, quad_segs=64).exterior.buffer(half, quad_segs=32)
        shape = shapely.union(bow.intersection(shapely.box(0, 0, 40, 28)), disc(20, 34, 2.5))
        return _turned(shape, random), LINE, width
    if kind == 2:
        neck = shapely.box(19, 20 - half, 21, 20 + half)
        ends = [shapely.box(10, 15, 19.2, 25), shapely.box(20.8, 15, 30, 25)]
        return _turned(shapely.union_all([neck, *ends]), random), LINE, width
    if kind == 3:
        pair = [shapely.box(10, 14, 30, 20 - half), shapely.box(10, 20 + half, 30, 26)]
        return _turned(shapely.union_all(pair), random), WEB, width
    ring = disc(20, 27, 8).difference(disc(20, 27, 6))
    shape = ring.difference(shapely.box(20 - half, 15, 20 + half, 24))
    return _turned(shape, random), ("thin-bridge",), width


def planted_between_cusps(seed: int) -> Planted:
    """Return two discs that overlap in a neck, or that film finer than 0.4 mm keeps apart."""
    random = np.random.default_rng(seed)
    radius = float(random.uniform(2, 7))
    width = float(random.uniform(0.3, 0.7))
    half = math.sqrt(radius**2 - width**2 / 4)
    if seed % 2:
        width = float(random.uniform(0.03, 0.4))
        half = radius + width / 2
    pair = shapely.union(disc(20 - half, 20, radius), disc(20 + half, 20, radius))
    return _turned(pair, random), WEB if seed % 2 else LINE, width


def innocent(seed: int) -> Planted:
    """Return a shape that narrows to nothing somewhere and is fine to cut, or its film."""
    random = np.random.default_rng(seed)
    kind = seed % 8
    if kind == 0:
        shape = star(int(random.integers(4, 10)), float(random.uniform(11, 16)), 6)
    elif kind == 1:
        turn = wedge(float(random.uniform(12, 70)), float(random.uniform(10, 15)), 0)
        shape = affinity.translate(turn, -8, 0)
    elif kind == 2:
        shape = petals(int(random.integers(4, 7)), 9, float(random.uniform(5.5, 7)))
    elif kind == 3:
        line = [(8, 12), (18, float(random.uniform(18, 28))), (31, 22)]
        shape = stroke(line, float(random.uniform(1.15, 2.5)))
    elif kind == 4:
        bite = disc(20 + float(random.uniform(4, 7)), 20, 10)
        shape = disc(20, 20, 12).difference(bite)
    elif kind == 5:
        wide, high = random.uniform(1.2, 16, 2)
        shape = shapely.box(20 - wide / 2, 20 - high / 2, 20 + wide / 2, 20 + high / 2)
    elif kind == 6:
        corners = 14 * np.sqrt(random.uniform(0.5, 1, (7, 1))) * _around(random, 7) + CENTRE
        shape = Polygon(corners).convex_hull
    else:
        shape = shapely.union(disc(20, 26, 6), Polygon([(20, 6), (25.6, 24), (14.4, 24)]))
    black = _turned(shape, random)
    if seed % 16 >= 8 and kind not in (3, 5):  # as film: the same in a black square
        black = shapely.box(0.5, 0.5, 39.5, 39.5).difference(black)
    return black, (), 0.0


def _around(random: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Return directions all around, uneven."""
    angle = np.sort(random.uniform(0, 2 * np.pi, count))
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def flap(seed: int) -> tuple[shapely.Geometry, float, float, float]:
    """Return (black, neck, reach, area): a slot around a tongue of film, about (30, 30).

    The tongue may taper or widen beyond its neck and may have an opening in it.
    """
    random = np.random.default_rng(seed)
    neck, line = float(random.uniform(1.5, 6)), float(random.uniform(1.1, 1.8))
    reach = float(random.uniform(max(14, 2.6 * neck), 26))
    far = neck * float(random.uniform(1.0, 1.6))
    y0, y1 = 30 + reach / 2, 30 - reach / 2
    tongue = Polygon(
        [(30 - neck / 2, y0), (30 - far / 2, y1), (30 + far / 2, y1), (30 + neck / 2, y0)]
    )
    slot = tongue.buffer(line, join_style="mitre").difference(tongue)
    slot = slot.intersection(shapely.box(0, 0, 60, y0 - 1e-6))
    slot = max(shapely.get_parts(slot), key=lambda part: part.area)
    area = tongue.area
    if seed % 3 == 0 and far > 3.2:
        hole = disc(30, y1 + 4, min(far / 2 - 1.3, 1.5))
        slot, area = shapely.union(slot, hole), area - hole.area
    black = affinity.rotate(slot, float(random.uniform(0, 360)), origin=(30, 30))

    return black, neck, reach, area
