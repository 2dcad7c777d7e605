"""Letters of the open faces in tests/fonts as exact shapes, mm: outlines read by fontTools."""

import itertools
from functools import cache
from pathlib import Path

import numpy as np
import shapely
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont
from numpy.typing import NDArray
from shapely import Polygon, affinity

FONTS = Path(__file__).parents[1] / "fonts"
STEPS = 16  # lines to a curve

Points = NDArray[np.float64]


@cache
def _font(face: str) -> TTFont:
    return TTFont(FONTS / f"{face}.woff")


def _contours(face: str, letter: str) -> list[Points]:
    """Return the closed lines of a letter, font units, y up."""
    font = _font(face)
    glyphs = font.getGlyphSet()
    pen = DecomposingRecordingPen(glyphs)
    glyphs[font.getBestCmap()[ord(letter)]].draw(pen)
    contours: list[list[tuple[float, float]]] = []
    for step, points in pen.value:
        if step == "moveTo":
            contours.append([points[0]])
        elif step == "lineTo":
            contours[-1].append(points[0])
        elif step == "qCurveTo" and points[-1] is None:  # a loop of handles without a point on it
            (x0, y0), (x1, y1) = points[-2], points[0]
            start = ((x0 + x1) / 2, (y0 + y1) / 2)
            contours.append(_quadratics(start, (*points[:-1], start)))
        elif step == "qCurveTo":
            contours[-1] += _quadratics(contours[-1][-1], points)
        elif step == "curveTo":
            contours[-1] += _bezier([contours[-1][-1], *points])
    return [np.array(contour, float) for contour in contours if len(contour) > 2]


def _quadratics(
    start: tuple[float, float], points: tuple[tuple[float, float], ...]
) -> list[tuple[float, float]]:
    """Return TrueType's run of quadratic curves; between two handles lies a point half way."""
    *handles, end = points
    flat: list[tuple[float, float]] = []
    for index, handle in enumerate(handles):
        after = handles[index + 1] if index + 1 < len(handles) else None
        stop = end if after is None else ((handle[0] + after[0]) / 2, (handle[1] + after[1]) / 2)
        flat += _bezier([start, handle, stop])
        start = stop
    return flat


def _bezier(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return points along one Bezier curve of any degree (de Casteljau), the start left out."""
    t = np.linspace(0, 1, STEPS + 1)[1:, None]
    level = [np.array(point, float) + 0 * t for point in points]
    while len(level) > 1:
        level = [(1 - t) * one + t * other for one, other in itertools.pairwise(level)]
    return [(float(x), float(y)) for x, y in level[0]]


def glyph(face: str, letter: str, height_mm: float, centre_mm: tuple[float, float]) -> Polygon:
    """Return a letter whose capitals are so high, its box centred, y down, filled even-odd."""
    black = shapely.Polygon()
    for contour in _contours(face, letter):
        black = shapely.symmetric_difference(black, shapely.make_valid(Polygon(contour)))
    font = _font(face)
    scale = height_mm / (font["OS/2"].sCapHeight or font["head"].unitsPerEm)  # icons: no capitals
    black = affinity.scale(black, scale, -scale, origin=(0, 0))
    x0, y0, x1, y1 = black.bounds
    return affinity.translate(black, centre_mm[0] - (x0 + x1) / 2, centre_mm[1] - (y0 + y1) / 2)
