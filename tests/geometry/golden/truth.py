"""The golden drawings with what is true of them, by vector arithmetic and shapely alone."""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from geometry.errors import UnreadableError
from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.islands import find_islands
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.recipe import Placement
from geometry.widths import find_thin
from tests.geometry.golden.hand import Hand
from tests.geometry.golden.kinds import KINDS, SIDE_MM
from tests.geometry.scans import coverage

VARIANTS = 5
BLANK_MM = (SIDE_MM, SIDE_MM)
ISLAND_MM2 = 1.0
NARROW = ("line-below-kerf", "thin-line", "thin-web", "thin-bridge")


@dataclass(frozen=True)
class Flaw:
    """A narrow place put in on purpose: kind of finding, where, its least width, mm."""

    kind: str
    at_mm: tuple[float, float]
    width_mm: float


@dataclass(frozen=True)
class Golden:
    """A drawing: its black shape on the blank, mm, and its planted flaws."""

    kind: str
    variant: int
    black: shapely.Geometry
    flaws: tuple[Flaw, ...]

    @property
    def islands(self) -> list[shapely.Polygon]:
        """Every part of the film but the frame, of 1 mm2 or more."""
        parts = shapely.get_parts(shapely.box(0, 0, *BLANK_MM).difference(self.black))
        frame = max(range(len(parts)), key=lambda index: _on_edge(parts[index]) * parts[index].area)
        return [p for i, p in enumerate(parts) if i != frame and p.area >= ISLAND_MM2]


def _on_edge(part: shapely.Polygon) -> bool:
    return bool(part.intersects(shapely.box(0, 0, *BLANK_MM).exterior))


def _planted(
    variant: int, random: np.random.Generator
) -> tuple[list[shapely.Geometry], list[Flaw]]:
    """Return flaws under the drawing: by turns none, a hairline, a neck, a web, or all of them."""
    shapes, flaws = [], []
    which = ((), (0,), (1,), (2,), (0, 1, 2))[variant % 5]
    for flaw in which:
        at = (30.0 + 45 * flaw, 137.0)
        turn = float(random.uniform(-12, 12))
        if flaw == 0:
            width, kind = 0.1, "line-below-kerf"
            shape = shapely.LineString([(at[0] - 4, at[1]), (at[0] + 4, at[1])]).buffer(width / 2)
        elif flaw == 1:
            width, kind = float(random.uniform(0.4, 0.8)), "thin-line"
            neck = shapely.box(at[0] - 4, at[1] - width / 2, at[0] + 4, at[1] + width / 2)
            ends = [shapely.Point(at[0] + dx, at[1]).buffer(2.4, 32) for dx in (-5, 5)]
            shape = shapely.union_all([neck, *ends])
        else:
            width, kind = float(random.uniform(0.4, 0.8)), "thin-web"
            bars = [
                shapely.box(at[0] - 6, at[1] + low, at[0] + 6, at[1] + low + 1.8)
                for low in (width / 2, -width / 2 - 1.8)
            ]
            shape = shapely.union_all(bars)
        shapes.append(affinity.rotate(shape, turn, origin=at))
        flaws.append(Flaw(kind, at, width))
    return shapes, flaws


@cache
def golden(kind: str, variant: int) -> Golden:
    """Return one drawing of the set."""
    seed = 100 * list(KINDS).index(kind) + variant
    hand = Hand(np.random.default_rng(seed))
    drawn = KINDS[kind](hand, variant)
    shapes, flaws = _planted(variant, hand.random)
    black = shapely.union_all([drawn, *shapes]) if shapes else drawn
    return Golden(kind, variant, black, tuple(flaws))


def scan_of(drawing: Golden, dpi: float) -> tuple[NDArray[np.uint8], float]:
    """Return a scan (grey, px_per_mm): streaky marker, off-white paper, sloping light, shadow."""
    px_per_mm = dpi / 25.4
    random = np.random.default_rng(drawing.variant)
    dark = coverage(drawing.black, BLANK_MM, px_per_mm)
    height, width = dark.shape
    streaks = random.uniform(0.86, 1.0, (height // 12 + 2, width // 40 + 2)).astype(np.float32)
    dark *= cv2.resize(streaks, (width, height), interpolation=cv2.INTER_CUBIC)
    dark = np.asarray(cv2.GaussianBlur(dark, (0, 0), 0.7), np.float32)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / px_per_mm
    light = (0.86 + 0.14 * x / SIDE_MM) * (1 - 0.22 / (1 + np.exp(-(x + 2 * y - 330) / 5)))
    grey = 236 * light * (1 - 0.8 * dark) + random.normal(0, 2.5, dark.shape).astype(np.float32)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8), px_per_mm


def findings_of(grey: NDArray[np.uint8], px_per_mm: float) -> list[Finding]:
    """Return what the engine finds: islands and narrow places."""
    ink = find_ink(grey, px_per_mm)
    outlines = trace(ink, Placement(), BLANK_MM)
    found = find_islands(outlines, ink, Placement(), BLANK_MM, Limits())
    return found + find_thin(ink, Placement(), Limits())


def mistakes(drawing: Golden, dpi: float) -> list[str]:
    """Return one sentence for everything that the engine gets wrong in a drawing."""
    try:
        found = findings_of(*scan_of(drawing, dpi))
    except UnreadableError as error:
        return [f"refused: {error.code}"]
    islands = [one for one in found if one.kind == "island"]
    return _wrong_islands(drawing, islands) + _wrong_widths(drawing, found, dpi)


def _wrong_islands(drawing: Golden, found: list[Finding]) -> list[str]:
    """Compare islands: count, area to 2 % or the edge's 0.02 mm, centroid to 0.1 mm."""
    wrong, left = [], list(found)
    for part in drawing.islands:
        point = part.centroid
        lies_on = part.contains(point)
        off_mm2 = max(0.02 * part.area, 0.02 * part.length)
        same = [
            one
            for one in left
            if abs((one.area_mm2 or 0) - part.area) <= off_mm2
            and (
                np.hypot(one.at_mm[0] - point.x, one.at_mm[1] - point.y) <= 0.1
                if lies_on
                else part.buffer(0.1).contains(shapely.Point(one.at_mm))
            )
        ]
        if same:
            left.remove(same[0])
        else:
            wrong.append(f"island of {part.area:.1f} mm2 at {point.x:.1f} {point.y:.1f} missing")
    wrong += [f"no island of {one.area_mm2:.1f} mm2 at {_at(one)}" for one in left]
    return wrong


def _wrong_widths(drawing: Golden, found: list[Finding], dpi: float) -> list[str]:
    """Compare narrow places: every planted one within 0.03 mm of its width, and no others."""
    wrong = []
    left = [one for one in found if one.kind in NARROW]
    for flaw in drawing.flaws:
        near = [
            one
            for one in left
            if one.kind == flaw.kind
            and np.hypot(one.at_mm[0] - flaw.at_mm[0], one.at_mm[1] - flaw.at_mm[1]) <= 7
        ]
        if len(near) != 1:
            wrong.append(f"{flaw.kind} of {flaw.width_mm:.2f} mm found {len(near)} times")
        elif abs((near[0].width_mm or 0) - flaw.width_mm) > 0.03:
            wrong.append(f"{flaw.kind} of {flaw.width_mm:.3f} mm measured {near[0].width_mm:.3f}")
        left = [one for one in left if one not in near]
    return wrong + [
        f"{one.kind} of {one.width_mm:.2f} mm at {_at(one)}: none there" for one in left
    ]


def _at(finding: Finding) -> str:
    return f"{finding.at_mm[0]:.1f} {finding.at_mm[1]:.1f}"
