"""Ten kinds of own drawings on 6 x 6 in, each of many variants; no line or web below 1.2 mm.

All keep to the upper part of the blank (y below 126 mm) so that flaws can be planted under them.
"""

from collections.abc import Callable, Iterable

import numpy as np
import shapely

from tests.geometry.golden.hand import Hand, Points, arc, circle, gap, turned

SIDE_MM = 152.4
CENTRE = (76.0, 70.0)


def _all(*shapes: shapely.Geometry | Iterable[shapely.Geometry]) -> shapely.Geometry:
    flat: list[shapely.Geometry] = []
    for shape in shapes:
        flat.extend([shape] if isinstance(shape, shapely.Geometry) else shape)
    return shapely.union_all(flat)


def creature(hand: Hand, variant: int) -> shapely.Geometry:
    """A crab with eyes, claws, legs and a spiral on its back; some loops are held by gaps."""
    body, left, right = circle(76, 74, 26, 20), circle(64, 36, 6), circle(88, 36, 6)
    claws = [circle(34, 50, 8), circle(118, 50, 8)]
    legs = [
        turned(np.array([(106.0, 74.0), (122.0, 70.0), (124.0, 80.0)]), angle, (76, 74))
        for angle in (10, 40, 140, 170)
    ]
    turns = np.linspace(0, 2 * np.pi * (1.5 + 0.2 * variant), 200)
    reach = np.linspace(17, 4, 200)
    back = np.stack([76 + reach * np.cos(turns), 74 + reach * np.sin(turns)], axis=1)
    black = _all(
        [hand.stroke(loop, 1.9, closed=True) for loop in (body, left, right, *claws)],
        [hand.stroke(line, 1.7) for line in (*legs, back)],
    )
    held = [body, left, right, *claws][: variant % 6]
    return black.difference(_all([gap(loop, 0.55) for loop in held]))


def knot(hand: Hand, variant: int) -> shapely.Geometry:
    """A rope that winds around a ring of lobes and crosses itself."""
    lobes = 3 + variant % 4
    t = np.linspace(0, 2 * np.pi * (1 if lobes % 2 else 2), 900)
    if lobes % 2:
        reach = 32 + 15 * np.cos(lobes * t)
        x, y = reach * np.cos(2 * t), reach * np.sin(2 * t)
    else:
        reach = 32 + 14 * np.cos((lobes - 1) * t / 2 + 0.3)
        x, y = reach * np.cos(t), reach * np.sin(t)
    path = np.stack([CENTRE[0] + x, CENTRE[1] + y], axis=1)
    black = hand.stroke(path, 2.0 + 0.2 * (variant % 3), closed=True)
    return black if variant % 2 else _all(black, hand.stroke(circle(*CENTRE, 8), 1.8, closed=True))


def mandala(hand: Hand, variant: int) -> shapely.Geometry:
    """Rings with petals between them, all turned about one centre."""
    petals = 6 + 2 * (variant % 3)
    rings = [circle(*CENTRE, radius) for radius in (11, 50)]
    black = [hand.stroke(ring, 1.8, closed=True) for ring in rings]
    x, y = CENTRE
    half = 10.5 if petals == 6 else 7.5 if petals == 8 else 5.5
    t = np.linspace(0, 2 * np.pi, 120)
    petal = np.stack([x + 31 + 12 * np.cos(t), y + half * np.sin(t)], axis=1)
    for k in range(petals):
        loop = turned(petal, 360 * k / petals, CENTRE)
        shape = hand.stroke(loop, 1.6, closed=True)
        black.append(shape.difference(gap(loop, 0.5)) if k < variant else shape)
    return _all(black)


# Letters of our own on a grid 4 wide and 6 high.
LETTERS: dict[str, list[list[tuple[float, float]]]] = {
    "A": [[(0, 6), (2, 0), (4, 6)], [(0.75, 4), (3.25, 4)]],
    "B": [
        [(0, 0), (3, 0), (3.7, 1), (3.7, 2), (3, 3), (0, 3)],
        [(3, 3), (4, 4), (4, 5), (3, 6), (0, 6), (0, 0)],
    ],
    "D": [[(0, 0), (2.5, 0), (4, 1.5), (4, 4.5), (2.5, 6), (0, 6), (0, 0)]],
    "E": [[(4, 0), (0, 0), (0, 6), (4, 6)], [(0, 3), (3, 3)]],
    "H": [[(0, 0), (0, 6)], [(4, 0), (4, 6)], [(0, 3), (4, 3)]],
    "L": [[(0, 0), (0, 6), (4, 6)]],
    "O": [[(1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0)]],
    "P": [[(0, 6), (0, 0), (3, 0), (4, 1), (4, 2), (3, 3), (0, 3)]],
    "R": [[(0, 6), (0, 0), (3, 0), (4, 1), (4, 2), (3, 3), (0, 3)], [(2, 3), (4, 6)]],
    "S": [[(4, 0.5), (3, 0), (1, 0), (0, 1), (0, 2), (4, 4), (4, 5), (3, 6), (1, 6), (0, 5.5)]],
    "T": [[(0, 0), (4, 0)], [(2, 0), (2, 6)]],
}
WORDS = (("BOAT", "SHED"), ("ROPE", "DOLE"), ("TAR", "PEBBLE"), ("SOLE", "HARBOR"))


def lettering(hand: Hand, variant: int) -> shapely.Geometry:
    """Two words of a shop sign, one above the other."""
    black = []
    for row, word in enumerate(WORDS[variant % len(WORDS)]):
        unit = min(110 / (6 * len(word) - 2), 6.0)
        for place, letter in enumerate(word):
            for stroke in LETTERS[letter]:
                points = np.array(stroke, float) * unit + (20 + 6 * unit * place, 20 + 52 * row)
                black.append(hand.stroke(points, 1.5 + 0.15 * unit))
    return _all(black)


def hatching(hand: Hand, variant: int) -> shapely.Geometry:
    """A round or square field full of slanted lines, inside an outline that they do not reach."""
    field = shapely.Point(CENTRE).buffer(40) if variant % 2 else shapely.box(34, 28, 118, 112)
    pitch = 3.6 + 0.6 * (variant % 3)
    black = []
    for offset in np.arange(-70, 70, pitch):
        ends = turned(
            np.array([(CENTRE[0] + offset, -10.0), (CENTRE[0] + offset, 150.0)]),
            25 + 20 * variant,
            CENTRE,
        )
        line = shapely.LineString(ends).intersection(field)
        if line.length > 6:
            black.append(hand.stroke(np.array(line.coords), 1.6))
    outline = np.array(field.buffer(5).exterior.coords)
    return _all(black, hand.stroke(outline, 1.8, closed=True))


def spirals(hand: Hand, variant: int) -> shapely.Geometry:
    """One to three spirals side by side; in some a ring goes around."""
    count = 1 + variant % 3
    outer = {1: 44.0, 2: 26.0, 3: 17.0}[count]
    black = []
    for k in range(count):
        x = CENTRE[0] + (k - (count - 1) / 2) * (2 * outer + 6)
        turns = (outer - 4) / (4.4 + 0.3 * variant)
        t = np.linspace(0, 2 * np.pi * turns, 600)
        reach = np.linspace(outer, 4, 600)
        path = np.stack([x + reach * np.cos(t + k), CENTRE[1] + reach * np.sin(t + k)], axis=1)
        black.append(hand.stroke(path, 1.8))
        if variant % 2:
            black.append(hand.stroke(circle(x, 116, 5), 1.6, closed=True))
    return _all(black)


def _blob(hand: Hand, x: float, y: float, radius: float) -> Points:
    """Return a smooth lump around (x, y)."""
    angle = np.linspace(0, 2 * np.pi, 240)
    phase = hand.random.uniform(0, 2 * np.pi, 4)
    sway = sum(0.16 / (k + 1) * np.sin((k + 2) * angle + phase[k]) for k in range(4))
    reach = radius * (1 + sway)
    return np.stack([x + reach * np.cos(angle), y + reach * np.sin(angle)], axis=1)


def silhouette(hand: Hand, variant: int) -> shapely.Geometry:
    """A filled lump with white eyes; a pupil in some of them."""
    black = hand.solid(_blob(hand, *CENTRE, 36))
    for k in range(1 + variant % 4):
        x, y = 62 + 14 * (k % 3), 60 + 16 * (k // 3)
        black = black.difference(hand.solid(circle(x, y, 4.5)))
        if k % 2:
            black = _all(black, hand.solid(circle(x, y, 1.6)))
    return black


def solids(hand: Hand, variant: int) -> shapely.Geometry:
    """Large filled shapes, up to 100 mm, with windows."""
    corners = 4 + variant % 3
    angle = np.radians(15 + 360 * np.arange(corners + 1) / corners)
    shape = np.stack([76 + 52 * np.cos(angle), 70 + 50 * np.sin(angle)], axis=1)
    black = hand.solid(shape)
    windows = [hand.solid(circle(76 + 14 * (k - 1), 64 + 5 * k, 5)) for k in range(variant % 4)]
    dots = [hand.solid(circle(24 + 11 * k, 128, 2.2)) for k in range(3)]
    return _all(black.difference(_all(windows)) if windows else black, dots)


def border(hand: Hand, variant: int) -> shapely.Geometry:
    """A double frame with waves between; in some a line runs off the blank and cuts a corner."""
    box = np.array([(18, 16), (134, 16), (134, 124), (18, 124), (18, 16)], float)
    inner = np.array([(32, 30), (120, 30), (120, 110), (32, 110), (32, 30)], float)
    x = np.linspace(27, 125, 300)
    wave = np.stack([x, 23 + 1.8 * np.sin(x / 3.2)], axis=1)
    black = _all(
        hand.stroke(box, 2, closed=True),
        hand.stroke(inner, 1.6, closed=True),
        hand.stroke(wave, 1.5),
    )
    held = [gap(box, share) for share in (0.35, 0.6)[: variant % 3]]
    black = black.difference(_all(held)) if held else black
    if variant % 2:
        black = _all(black, hand.stroke(np.array([(-4.0, 14.0), (14.0, -4.0)]), 1.5))
    return black


def nested(hand: Hand, variant: int) -> shapely.Geometry:
    """Rings within rings, some open, some off the centre, a dot inside."""
    black, held = [], []
    for k, radius in enumerate(np.linspace(50, 9, 4 + variant % 3)):
        loop = circle(CENTRE[0] + 0.6 * k, CENTRE[1], radius, 40 * k)
        black.append(hand.stroke(loop, 2.0, closed=True))
        if (variant + k) % 3 == 0:
            held.append(gap(loop, 0.5))
    ring = _all(black).difference(_all(held)) if held else _all(black)
    arcs = [hand.stroke(arc(*CENTRE, 55, a, a + 50), 1.6) for a in (0, 120, 240)]
    return _all(ring, arcs, hand.solid(circle(CENTRE[0] + 2, CENTRE[1], 2.5)))


KINDS: dict[str, Callable[[Hand, int], shapely.Geometry]] = {
    "creatures": creature,
    "knots": knot,
    "mandalas": mandala,
    "lettering": lettering,
    "hatching": hatching,
    "spirals": spirals,
    "silhouettes": silhouette,
    "solid shapes": solids,
    "borders": border,
    "nested rings": nested,
}
