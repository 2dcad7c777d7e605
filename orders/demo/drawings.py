"""Drawings of our own as a marker would leave them: tide creatures, a knot, a shop sign.

Every line wobbles a little and varies in width; the picture is paper, not pure white.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable, Sequence
from io import BytesIO

from PIL import Image, ImageDraw, ImageFilter

Point = tuple[float, float]
INCH_MM = 25.4
SCALE = 2  # drawn twice as large, then reduced, so that edges are soft as ink is


class Page:
    """A sheet of paper of the given size in mm that strokes in mm are drawn on."""

    def __init__(self, width_mm: float, height_mm: float, *, dpi: int = 300, seed: int = 1) -> None:
        self.dpi = dpi
        self.px_per_mm = dpi / INCH_MM * SCALE
        size = (round(width_mm * self.px_per_mm), round(height_mm * self.px_per_mm))
        self.image = Image.new("L", size, 255)
        self.pen = ImageDraw.Draw(self.image)
        self.random = random.Random(seed)  # noqa: S311 (wobble, not secrets)

    def stroke(self, points: Sequence[Point], width_mm: float, *, ink: int = 0) -> None:
        """Draw a wobbling line of about this width through the points."""
        phase = self.random.uniform(0, math.tau)
        for index, (x, y) in enumerate(_dense(points)):
            swell = 1 + 0.07 * math.sin(index / 31 + phase)
            shake_x = 0.12 * math.sin(index / 17 + phase)
            shake_y = 0.12 * math.cos(index / 23 + phase)
            self._dot(x + shake_x, y + shake_y, width_mm * swell / 2, ink)

    def erase(self, start: Point, end: Point, width_mm: float) -> None:
        """Draw across a line with the white pen: a bridge."""
        self.pen.line(
            [self._px(start), self._px(end)], fill=255, width=round(width_mm * self.px_per_mm)
        )

    def blot(self, points: Sequence[Point]) -> None:
        """Fill a shape with ink."""
        self.pen.polygon([self._px(point) for point in points], fill=0)

    def png(self) -> bytes:
        """Return the page as a grey PNG with its dpi."""
        small = self.image.resize(
            (self.image.width // SCALE, self.image.height // SCALE), Image.Resampling.LANCZOS
        ).filter(ImageFilter.GaussianBlur(0.6))
        paper = small.point(lambda value: 24 + value * 222 // 255)
        out = BytesIO()
        paper.save(out, "PNG", dpi=(self.dpi, self.dpi), optimize=True)
        return out.getvalue()

    def _dot(self, x: float, y: float, radius: float, ink: int) -> None:
        left, top = self._px((x - radius, y - radius))
        right, bottom = self._px((x + radius, y + radius))
        self.pen.ellipse((left, top, right, bottom), fill=ink)

    def _px(self, point: Point) -> Point:
        return (point[0] * self.px_per_mm, point[1] * self.px_per_mm)


def limpet(bridges: int = 8) -> bytes:
    """A limpet shell: two rings with ribs between them, bridged in so many of eight places."""
    page = Page(152.4, 152.4, seed=3)
    centre = (76.0, 78.0)
    outer = [_around(centre, 52 + 2.5 * math.sin(9 * a), a) for a in _turn(240)]
    inner = [_around(centre, 16, a) for a in _turn(120)]
    page.stroke(outer, 2.6)
    page.stroke(inner, 2.4)
    for rib in range(8):
        angle = math.tau * rib / 8 + 0.2
        page.stroke([_around(centre, 24, angle), _around(centre, 44, angle + 0.08)], 2.2)
    for number in range(bridges):
        ring = (52, 16)[number % 2]
        angle = math.tau * (number // 2) / 4 + (0.55 if number % 2 == 0 else 0.2)
        page.erase(_around(centre, ring - 6, angle), _around(centre, ring + 6, angle), 2.2)
    return page.png()


def crab() -> bytes:
    """A shore crab: the shell is drawn in four strokes with gaps between, so it holds."""
    page = Page(152.4, 152.4, seed=5)
    for quarter in range(4):
        start = quarter * math.tau / 4 + 0.82
        page.stroke(
            [(76 + 34 * math.cos(a), 84 + 23 * math.sin(a)) for a in _arc(start, start + 1.42)], 3.0
        )
    for side in (-1, 1):
        for leg in range(3):
            x, y = 76 + side * (36 - leg * 4), 88 + leg * 9
            page.stroke(
                [(x, y), (x + side * 13, y - 6 + leg * 3), (x + side * 19, y + 10 + leg * 2)], 2.6
            )
        claw = (76 + side * 42, 46)
        opening = -1.1 if side > 0 else math.pi + 1.1
        page.stroke([_around(claw, 10, a) for a in _arc(opening + 0.5, opening + 5.6)], 4.4)
        page.stroke([(76 + side * 30, 70), (76 + side * 36, 61)], 3.4)
        page.stroke([(76 + side * 9, 57), (76 + side * 11, 49)], 2.2)
        page.blot([_around((76 + side * 11, 43), 3.4, a) for a in _turn(40)])
        page.blot([_around((76 + side * 12, 78), 2.2, a) for a in _turn(40)])
    page.stroke([_around((76, 78), 15, a) for a in _arc(0.6, math.pi - 0.6)], 2.2)
    return page.png()


def knot() -> bytes:
    """A trefoil in rope: each strand stops short of the one that lies over it."""
    page = Page(101.6, 101.6, seed=7)
    curve = [_trefoil(math.tau * i / TREFOIL_STEPS) for i in range(TREFOIL_STEPS)]
    page.stroke([*curve, curve[0]], 3.6)
    for over in _overs(curve):
        strand = [curve[(over + i) % TREFOIL_STEPS] for i in range(-24, 25)]
        page.stroke(strand[12:-12], 9.2, ink=255)
        page.stroke(strand, 3.6)
    return page.png()


TREFOIL_STEPS = 360


def _overs(curve: list[Point]) -> list[int]:
    """Return the three steps at which the strand lies over another one."""
    apart = range(40, TREFOIL_STEPS - 40)
    nearest = sorted(
        (math.dist(curve[i], curve[(i + gap) % TREFOIL_STEPS]), i)
        for i in range(TREFOIL_STEPS)
        for gap in apart
        if math.sin(3 * math.tau * i / TREFOIL_STEPS) > 0
    )
    overs: list[int] = []
    for _, step in nearest:
        if all(min(abs(step - o), TREFOIL_STEPS - abs(step - o)) > 30 for o in overs):
            overs.append(step)
        if len(overs) == 3:
            break
    return overs


def _trefoil(t: float) -> Point:
    return (
        50.8 + 11.5 * (math.sin(t) + 2 * math.sin(2 * t)),
        54.0 + 11.5 * (math.cos(t) - 2 * math.cos(2 * t)),
    )


def sign() -> bytes:
    """A shop sign, OPEN, lettered by somebody who forgot that the O drops out."""
    page = Page(152.4, 152.4, seed=11)
    base, height = 92.0, 34.0
    page.stroke([(31 + 11 * math.cos(a), 75 + 17 * math.sin(a)) for a in _turn(120)], 4.0)
    page.stroke([(53, base), (53, base - height)], 4.0)
    page.stroke([(53, 58), (62, 58), (68, 63), (68, 69), (62, 75), (53, 75)], 4.0)
    page.stroke([(97, 58), (80, 58), (80, base), (97, base)], 4.0)
    page.stroke([(80, 75), (93, 75)], 4.0)
    page.stroke([(110, base), (110, base - height), (130, base), (130, base - height)], 4.0)
    page.stroke([(20 + 3 * x, 108 + 3 * math.sin(x / 2.2)) for x in range(38)], 1.8)
    page.stroke([(20 + 3 * x, 44 + 3 * math.sin(x / 2.2)) for x in range(38)], 1.8)
    return page.png()


def starfish() -> bytes:
    """A small solid starfish for a trading card, with a few dots beside it."""
    page = Page(63.5, 88.9, seed=13)
    outline = [
        _around((31.7, 38.0), 13.2 + 7.6 * math.cos(5 * (a + math.pi / 2)), a) for a in _turn(240)
    ]
    page.blot(outline)
    for arm in range(5):
        angle = math.tau * arm / 5 - math.pi / 2
        page.erase((31.7, 38.0), _around((31.7, 38.0), 24, angle), 1.6)
    for index in range(5):
        x = 13.7 + index * 9
        page.blot([_around((x, 74 + (index % 2) * 3), 1.9, a) for a in _turn(30)])
    return page.png()


DRAWINGS: dict[str, tuple[str, str, Callable[[], bytes]]] = {
    "limpet": ("Limpet", "6x6in", limpet),
    "crab": ("Shore crab", "6x6in", crab),
    "knot": ("Trefoil knot", "4x4in", knot),
    "sign": ("Open sign", "6x6in", sign),
    "starfish": ("Starfish card", "2.5x3.5in", starfish),
}


def _around(centre: Point, radius: float, angle: float) -> Point:
    return (centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle))


def _turn(steps: int) -> list[float]:
    return [math.tau * i / steps for i in range(steps + 1)]


def _arc(start: float, end: float, steps: int = 120) -> list[float]:
    return [start + (end - start) * i / steps for i in range(steps + 1)]


def _dense(points: Sequence[Point], step_mm: float = 0.15) -> list[Point]:
    dense: list[Point] = []
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        count = max(1, math.ceil(math.hypot(x1 - x0, y1 - y0) / step_mm))
        dense += [(x0 + (x1 - x0) * i / count, y0 + (y1 - y0) * i / count) for i in range(count)]
    return [*dense, points[-1]]
