"""Drawings as a hand and a scanner make them, for benchmarks: many strokes of a marker on paper.

Strokes waver, swell and fray at the edge; the ink is not even; paper has a grain, uneven light and
the scanner's noise. The same arguments give the same picture.
"""

from __future__ import annotations

import io
import math

import cv2
import numpy as np
from numpy.typing import NDArray

MM_PER_INCH = 25.4
_SHIFT = 4  # bits below one pixel that OpenCV's drawing takes


def scan(
    side_inch: float, dpi: int, *, strokes: int | None = None, seed: int = 1
) -> NDArray[np.uint8]:
    """Return a square drawing as a scanner gives it, grey; strokes: by default 2 a square inch."""
    random = np.random.default_rng(seed)
    px_per_mm = dpi / MM_PER_INCH
    side = round(side_inch * dpi)
    strokes = round(2 * side_inch**2) if strokes is None else strokes
    ink = np.zeros((side, side), np.uint8)
    for outline, is_gap in _marks(side_inch * MM_PER_INCH, strokes, random):
        points = np.rint((outline * px_per_mm - 0.5) * 2**_SHIFT).astype(np.int32)
        cv2.fillPoly(ink, [points], 0 if is_gap else 255, cv2.LINE_AA, _SHIFT)
    ink = cv2.GaussianBlur(ink, (0, 0), 0.03 * px_per_mm)
    grain = _cloud(side, max(side // round(6 * px_per_mm), 4), 5.0, random)
    light = _cloud(side, 4, 7.0, random)
    noise = np.empty((side, side), np.float32)
    cv2.setRNGSeed(seed)
    cv2.randn(noise, 0, 2.2)
    paper = 238 + light + grain + noise
    dark = 34 + 1.5 * grain + 0.5 * noise
    share = ink.astype(np.float32) / 255
    return np.clip(paper + (dark - paper) * share, 0, 255).astype(np.uint8)


def jpeg(grey: NDArray[np.uint8], dpi: int, quality: int = 90) -> bytes:
    """Return the picture as a scanner saves it."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(grey).save(out, "JPEG", quality=quality, dpi=(dpi, dpi))
    return out.getvalue()


def _cloud(side: int, cells: int, strength: float, random: np.random.Generator) -> NDArray:
    """Return smooth noise."""
    coarse = random.normal(0, strength / 2, (cells, cells)).astype(np.float32)
    return np.asarray(cv2.resize(coarse, (side, side), interpolation=cv2.INTER_CUBIC))


def _marks(
    side_mm: float, strokes: int, random: np.random.Generator
) -> list[tuple[NDArray[np.float64], bool]]:
    """Return outlines in mm, and whether each is a white gap: on a grid of cells, each with a curl,
    a ring (most of them with a gap), a leaf or a row of dashes."""
    columns = math.ceil(math.sqrt(strokes))
    margin = min(12.0, side_mm / 12)
    cell = (side_mm - 2 * margin) / columns
    found: list[tuple[NDArray[np.float64], bool]] = []
    for index in range(strokes):
        row, column = divmod(index, columns)
        centre = np.array([margin + (column + 0.5) * cell, margin + (row + 0.5) * cell])
        reach = 0.4 * cell
        width = min(max(random.normal(1.6, 0.35), 0.9), 0.35 * reach)
        kind = index % 5
        if kind == 0:
            found.append((_brush(_curl(centre, reach, random), width, random), False))
        elif kind in (1, 2):
            ring = _ring(centre, reach - width, random)
            found.append((_brush(ring, width, random), False))
            if kind == 2 or index % 3:
                out = ring[0] - centre
                ends = np.array([centre + out * 0.5, centre + out * 1.6])
                found.append((_brush(np.linspace(*ends, 9), 1.8, random), True))
        elif kind == 3:
            found.append((_ring(centre, reach, random, 0.3), False))
        else:
            for step in range(3):
                y = centre[1] + (step - 1) * 0.6 * reach
                line = np.linspace((centre[0] - reach, y), (centre[0] + reach, y), 40)
                found.append((_brush(_wavered(line, random), width, random), False))
    return found


def _curl(centre: NDArray, reach: float, random: np.random.Generator) -> NDArray:
    turn = np.linspace(0, 2 * math.pi * random.uniform(1.2, 1.9), 140)
    away = reach * (1 - 0.75 * turn / turn[-1])
    start = random.uniform(0, 2 * math.pi)
    points = centre + np.stack([away * np.cos(turn + start), away * np.sin(turn + start)], 1)
    return _wavered(points, random)


def _ring(
    centre: NDArray, reach: float, random: np.random.Generator, sway: float = 0.07
) -> NDArray:
    turn = np.linspace(0, 2 * math.pi, 160)
    phase = random.uniform(0, 2 * math.pi, 4)
    lobes = sum(np.sin((k + 2) * turn + phase[k]) / (k + 1) for k in range(4)) / 2.1
    away = reach * (1 - sway + sway * lobes)
    return centre + np.stack([away * np.cos(turn), away * np.sin(turn)], 1)


def _wavered(points: NDArray, random: np.random.Generator) -> NDArray:
    """Return a line as a hand draws it: off by some tenths of a millimetre, smoothly."""
    off = random.normal(0, 1, points.shape)
    smooth = np.stack([np.convolve(off[:, k], np.ones(15) / 15, "same") for k in (0, 1)], 1)
    return points + 0.5 * smooth


def _brush(points: NDArray, width: float, random: np.random.Generator) -> NDArray:
    """Return the outline of a stroke along points, its width swelling and its edge frayed, mm."""
    way = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    steps = np.linspace(0, way[-1], max(round(way[-1] / 0.12), 8))
    line = np.stack([np.interp(steps, way, points[:, k]) for k in (0, 1)], 1)
    along = np.gradient(line, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], 1)
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    swell = 1 + 0.12 * np.sin(steps / 6 + random.uniform(0, 6))
    sides = []
    for sign in (1, -1):
        fray = np.convolve(random.normal(0, 0.05, len(steps)), np.ones(3) / 3, "same")
        sides.append(line + sign * normal * (width / 2 * swell + fray)[:, None])
    return np.concatenate([sides[0], sides[1][::-1]])
