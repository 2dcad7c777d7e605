"""A maker of test drawings: vector arithmetic in mm turned into pictures, scans and photographs.

The drawings are of a harbour of our own: a snail's shell, a crab, a rope knot and a shop sign.
Every line is written as numbers here, so that the true sizes and counts are known.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Points = NDArray[np.float64]
Grey = NDArray[np.uint8]
PAPER_MM = (152.4, 152.4)
_SHIFT = 6  # bits below one pixel that OpenCV's drawing takes


@dataclass(frozen=True)
class Line:
    """A stroke of a round pen, mm; closed strokes come back to their start."""

    points_mm: Points
    width_mm: float
    closed: bool = False


@dataclass(frozen=True)
class Drawing:
    """Black lines and solids, then white gaps drawn over them; islands: how many are cut loose."""

    size_mm: tuple[float, float]
    lines: tuple[Line, ...] = ()
    solids: tuple[Points, ...] = ()
    gaps: tuple[Line, ...] = ()
    islands: int = 0


def ring(
    centre: tuple[float, float], radius: float, *, wobble: float = 0.0, seed: int = 0
) -> Points:
    """Return a circle of points, mm, as a hand draws it: the radius sways by up to `wobble` mm."""
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, 3)
    sway = sum(np.sin((k + 2) * angle + phase[k]) / (k + 1) for k in range(3)) / 1.9
    reach = radius + wobble * sway
    return np.stack([centre[0] + reach * np.cos(angle), centre[1] + reach * np.sin(angle)], axis=1)


def spiral(centre: tuple[float, float], inner: float, outer: float, turns: float) -> Points:
    """Return a spiral of points, mm, from the outer to the inner radius."""
    angle = np.linspace(0, 2 * np.pi * turns, 400)
    reach = np.linspace(outer, inner, 400)
    return np.stack([centre[0] + reach * np.cos(angle), centre[1] + reach * np.sin(angle)], axis=1)


def trefoil(centre: tuple[float, float], size: float) -> Points:
    """Return a rope knot of three lobes that crosses itself three times, mm."""
    t = np.linspace(0, 2 * np.pi, 600, endpoint=False)
    x, y = np.sin(t) + 2 * np.sin(2 * t), np.cos(t) - 2 * np.cos(2 * t)
    return np.stack([centre[0] + size / 3 * x, centre[1] + size / 3 * y], axis=1)


# Letters of a shop sign on a grid 4 wide and 6 high: strokes, closed where first equals last.
_LETTERS: dict[str, list[list[tuple[float, float]]]] = {
    "R": [[(0, 6), (0, 0), (3, 0), (4, 1), (4, 2), (3, 3), (0, 3)], [(1.6, 3), (4, 6)]],
    "O": [[(1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0)]],
    "P": [[(0, 6), (0, 0), (3, 0), (4, 1), (4, 2), (3, 3), (0, 3)]],
    "E": [[(4, 0), (0, 0), (0, 6), (4, 6)], [(0, 3), (3, 3)]],
}


def lettering(text: str, at_mm: tuple[float, float], unit_mm: float, width_mm: float) -> list[Line]:
    """Return the strokes of a word; `at_mm` is its top left, a letter is 4 units wide, 6 high."""
    lines = []
    for place, letter in enumerate(text):
        for stroke in _LETTERS[letter]:
            points = np.array(stroke, float) * unit_mm + at_mm
            points[:, 0] += place * 6 * unit_mm
            lines.append(Line(points, width_mm))
    return lines


def _gap(x: float, y: float, towards_deg: float, *, width: float = 2.4, reach: float = 2.2) -> Line:
    """Return a white gap across a line at (x, y), running in a direction, mm."""
    along = np.array([math.cos(math.radians(towards_deg)), math.sin(math.radians(towards_deg))])
    return Line(np.array([(x, y) - reach * along, (x, y) + reach * along]), width)


def harbour(bridged: float = 0.0) -> Drawing:
    """Return the harbour drawing on 6 x 6 in; `bridged` is the share of its 13 islands held.

    Islands: the shell 1, the crab 5 (body, two eyes, two claws), the knot 4, the letters R O P 3.
    """
    lines = [
        Line(ring((46, 46), 24, wobble=0.8, seed=1), 2.2, closed=True),
        Line(spiral((46, 46), 3.5, 18.5, 2.4), 1.8),
        Line(ring((106, 50), 15, wobble=0.6, seed=2), 2.0, closed=True),
        Line(ring((99, 27), 4.2), 1.6, closed=True),
        Line(ring((113, 27), 4.2), 1.6, closed=True),
        Line(ring((84, 32), 5.5, wobble=0.3, seed=3), 1.8, closed=True),
        Line(ring((129, 32), 5.5, wobble=0.3, seed=4), 1.8, closed=True),
        Line(trefoil((46, 108), 22), 2.4, closed=True),
        *_crab_legs((106, 50)),
        *lettering("ROPE", (82, 98), 2.5, 1.8),
    ]
    knot = trefoil((46, 108), 22)
    centre = np.array([46.0, 108.0])
    tips = [knot[np.argmax((knot - centre) @ d)] for d in _thirds()]
    inner = knot[np.argmin(np.linalg.norm(knot - centre, axis=1))]
    inward = math.degrees(math.atan2(*(inner - centre)[::-1]))
    gaps = [
        _gap(46, 46 + 24, 90, reach=3.2),
        _gap(106, 50 + 15, 90, reach=3.0),
        _gap(99, 27 - 4.2, -90),
        _gap(113, 27 - 4.2, -90),
        _gap(84 - 5.5, 32, 180),
        _gap(129 + 5.5, 32, 0),
        *[_gap(*tip, math.degrees(math.atan2(*(tip - centre)[::-1])), reach=3.0) for tip in tips],
        _gap(*inner, inward, reach=3.0),
        _gap(82 + 2.5 * 1.5, 98, 90),
        _gap(82 + 2.5 * 8, 98, 90),
        _gap(82 + 2.5 * 13.5, 98, 90),
    ]
    held = round(bridged * len(gaps))
    return Drawing(PAPER_MM, tuple(lines), gaps=tuple(gaps[:held]), islands=len(gaps) - held)


def _crab_legs(body: tuple[float, float]) -> list[Line]:
    """Return three legs on each side of a crab, clear of its body."""
    legs = []
    for angle in (-10, 20, 50, 130, 160, 190):
        out = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        legs.append(Line(np.array([body + 18.5 * out, body + 25 * out + (0, 4)]), 1.8))
    return legs


def _thirds() -> list[Points]:
    """Return the directions of the three lobes of the knot."""
    return [np.array([math.sin(a), -math.cos(a)]) for a in (math.pi, math.pi / 3, -math.pi / 3)]


def ruler_cross(size_mm: tuple[float, float] = PAPER_MM) -> Drawing:
    """Return a drawing of known size: a ring of 100 mm outer diameter and a bar inside it."""
    x, y = size_mm[0] / 2, size_mm[1] / 2
    bar = np.array([(x - 40, y), (x + 40, y)])
    return Drawing(size_mm, (Line(ring((x, y), 49), 2.0, closed=True), Line(bar, 3.0)), islands=1)


def shifted(drawing: Drawing, by_mm: tuple[float, float]) -> Drawing:
    """Return the drawing moved by (x, y) mm on the same paper."""
    return replace(
        drawing,
        lines=tuple(replace(line, points_mm=line.points_mm + by_mm) for line in drawing.lines),
        solids=tuple(solid + by_mm for solid in drawing.solids),
        gaps=tuple(replace(gap, points_mm=gap.points_mm + by_mm) for gap in drawing.gaps),
    )


def paint(
    drawing: Drawing, px_per_mm: float, *, ink: int = 25, paper: int = 245, fine: int = 2
) -> Grey:
    """Return the drawing as grey (h, w), edges smoothed by drawing `fine` times larger."""
    scale = px_per_mm * fine
    shape = (round(drawing.size_mm[1] * px_per_mm), round(drawing.size_mm[0] * px_per_mm))
    canvas = np.full((shape[0] * fine, shape[1] * fine), paper, np.uint8)
    for solid in drawing.solids:
        cv2.fillPoly(canvas, [_fixed(solid, scale)], ink, cv2.LINE_8, _SHIFT)
    for line in drawing.lines:
        _stroke(canvas, line, scale, ink)
    for gap in drawing.gaps:
        _stroke(canvas, gap, scale, paper)
    return cv2.resize(canvas, shape[::-1], interpolation=cv2.INTER_AREA)


def _stroke(canvas: Grey, line: Line, scale: float, value: int) -> None:
    """Draw one round stroke as discs and rectangles, exact to a fraction of a fine pixel."""
    points = line.points_mm
    ends = np.roll(points, -1, axis=0) if line.closed else points[1:]
    half = line.width_mm / 2
    for start, end in zip(points, ends, strict=False):
        along = end - start
        length = math.hypot(*along)
        if length > 0:
            side = np.array([-along[1], along[0]]) / length * half
            corners = np.array([start + side, end + side, end - side, start - side])
            cv2.fillConvexPoly(canvas, _fixed(corners, scale), value, cv2.LINE_8, _SHIFT)
    for point in points:
        x, y = _fixed(point, scale).tolist()
        cv2.circle(canvas, (x, y), round(half * scale * 2**_SHIFT), value, -1, cv2.LINE_8, _SHIFT)


def _fixed(points_mm: Points, scale: float) -> NDArray[np.int32]:
    """Return points as OpenCV's fixed-point pixels, pixel centres at integers."""
    return np.round((points_mm * scale - 0.5) * 2**_SHIFT).astype(np.int32)


def on_scanner(
    paper: Grey,
    px_per_mm: float,
    *,
    at_mm: tuple[float, float],
    page_mm: tuple[float, float] = (210.0, 297.0),
    lid: int = 250,
    edge: int = 0,
    turn_deg: float = 0.0,
    noise: float = 1.5,
) -> Grey:
    """Return a scan of a page that holds a smaller paper, its top left at `at_mm`, under a lid.

    edge: how much darker than the lid the paper's faint outline is.
    """
    width, height = (round(side * px_per_mm) for side in page_mm)
    page = np.full((height, width), lid, np.uint8)
    x, y = (round(value * px_per_mm) for value in at_mm)
    centre = (x + paper.shape[1] / 2, y + paper.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(centre, turn_deg, 1.0)
    turn[:, 2] += turn[:, :2] @ (x, y)
    size = (width, height)
    inside = cv2.warpAffine(np.full_like(paper, 255), turn, size, flags=cv2.INTER_LINEAR)
    moved = cv2.warpAffine(paper, turn, size, flags=cv2.INTER_LINEAR, borderValue=255)
    if edge:
        grown = cv2.dilate(inside, np.ones((5, 5), np.uint8))
        page[grown > 0] = max(0, lid - edge)
    page[inside > 127] = moved[inside > 127]
    grain = np.random.default_rng(5).normal(0, noise, page.shape)
    return np.clip(page + grain, 0, 255).astype(np.uint8)


def save(path: Path, picture: Grey, *, dpi: float | None = None, quality: int = 92) -> Path:
    """Write a picture in the format of its name, with a dpi tag where one is given."""
    more: dict[str, object] = {"quality": quality} if path.suffix in (".jpg", ".webp") else {}
    if dpi is not None:
        more["dpi"] = (dpi, dpi)
    Image.fromarray(picture).save(path, **more)
    return path


def known_counts(drawings: Iterable[Drawing]) -> list[int]:
    """Return the island counts that the drawings were made with."""
    return [drawing.islands for drawing in drawings]
