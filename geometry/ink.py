"""Ink: which part of a straightened picture is drawn, as one signed field with a sub-pixel edge.

The field serves everything that follows: its sign is the cut, its zero crossing the outline and
its slope the widths. It is relative to the paper's own grey at each place, so uneven light and a
soft shadow do not move the edge.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.errors import UnreadableError
from geometry.hairlines import Hairline, restore_hairlines
from geometry.half_covered import find_half_covered
from geometry.kernels import (
    UNIT,
    darkness_histogram,
    draw_capsule,
    erase_ink,
    fill_field,
)
from geometry.paper_level import cells_of, paper_level
from geometry.recipe import Placement, Stroke
from geometry.tracing import edges_by_row, loop_measures, trace_field

MIDDLE_LEVEL = 0.5
PALEST_SPECK = 0.62
MOST_SPECKS = 2000
LEAST_CONTRAST = 0.25
"""Ink lighter than this share below the paper is taken for pencil or nothing. Judgement."""

_BLANK = (
    "Nothing dark enough to cut was found on this page. "
    "Draw with a black pen or marker, or send a picture with more contrast."
)
_SOLID = (
    "The whole page is dark, so no film would be left. "
    "Send a picture of black lines on white paper."
)
_NOISE = (
    "This picture is not a drawing in ink on paper: it is made of countless small dots. "
    "Scan or photograph the drawing again, or check that the right file was sent."
)


@dataclass(frozen=True)
class Speck:
    """A dot of ink that was cleaned away. Position in paper mm."""

    x_mm: float
    y_mm: float
    area_mm2: float


@dataclass(frozen=True)
class Loops:
    """Every edge of the field, in pixels: points (n, 2) float32 x, y; starts (m + 1).

    is_hole, parent, first_ink as in kernels.trace_field; area_px2 (m); box_px (m, 4) x0 y0 x1 y1.
    row_starts, row_places as of tracing.edges_by_row, of all rows; row_edges: to which edge (of m)
    each place belongs.
    """

    points: NDArray[np.float32]
    starts: NDArray[np.int64]
    is_hole: NDArray[np.bool_]
    parent: NDArray[np.int32]
    first_ink: NDArray[np.int32]
    area_px2: NDArray[np.float64]
    box_px: NDArray[np.float64]
    row_starts: NDArray[np.int64]
    row_places: NDArray[np.int32]
    row_edges: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.is_hole)

    @property
    def around_px(self) -> NDArray[np.float64]:
        """The box around every edge, x0 y0 x1 y1."""
        low, high = self.box_px[:, :2].min(axis=0), self.box_px[:, 2:].max(axis=0)
        return np.concatenate([low, high])

    def points_of(self, loop: int) -> NDArray[np.float64]:
        """Return the points (k, 2) of one closed edge, the first not repeated, px."""
        return self.points[self.starts[loop] : self.starts[loop + 1]].astype(np.float64)


@dataclass(frozen=True)
class Ink:
    """What is drawn, in the paper's frame.

    f: (h, w) int16, negative is ink (cut), positive paper (film), 0 on the edge; UNIT steps lie
    between full ink and bare paper. level: where the edge lies, 0 at ink, 1 at paper. contrast: how
    far ink lies below paper, as a share of the paper's grey. origin_px: the paper's pixel (x, y)
    that is f[0, 0]. hairlines: lines too fine for the picture, drawn into f at their true width.
    """

    f: NDArray[np.int16]
    px_per_mm: float
    level: float = MIDDLE_LEVEL
    contrast: float = 1.0
    origin_px: tuple[float, float] = (0, 0)
    specks: tuple[Speck, ...] = ()
    hairlines: tuple[Hairline, ...] = ()
    half_covered: tuple[tuple[float, float, float], ...] = field(default=())

    @property
    def black(self) -> NDArray[np.uint8]:
        """The ink as a mask (h, w) of 0 and 255."""
        return np.where(self.f < 0, np.uint8(255), np.uint8(0))

    @property
    def size_mm(self) -> tuple[float, float]:
        """(width, height) of the field in mm."""
        return self.f.shape[1] / self.px_per_mm, self.f.shape[0] / self.px_per_mm

    @cached_property
    def loops(self) -> Loops:
        """Every edge of the field."""
        return find_loops(self.f)

    def to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Return points (n, 2) of the field's pixels in paper mm."""
        return (np.asarray(points_px, float) + self.origin_px + 0.5) / self.px_per_mm

    def to_px(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return points (n, 2) of paper mm in the field's pixels, centres at integers."""
        return np.asarray(points_mm, float) * self.px_per_mm - 0.5 - self.origin_px


def find_ink(
    straight_grey: NDArray[np.uint8],
    px_per_mm: float,
    *,
    ink_level: float | None = None,
    speck_mm2: float = 0.2,
    speck_length_mm: float = 1.0,
) -> Ink:
    """Return the ink of a straightened picture (h, w), 255 = white paper, at px_per_mm.

    The paper's grey is found on cells of 0.7 mm (solid shapes are bridged over), the ink's by the
    dark peak of grey over paper, and the edge lies halfway, or at `ink_level` of the way from ink
    to paper. Pencil up to 45 % of the ink's contrast drops out. Black hairlines finer than the
    picture can show fully dark are restored from their summed darkness. Dots below `speck_mm2` that
    are not longer than `speck_length_mm` are cleaned away and listed.

    Raises UnreadableError: blank (nothing drawn), solid (no paper left, or noise). The input is not
    changed.
    """
    if straight_grey.ndim != 2 or straight_grey.size == 0:
        raise ValueError("the picture must have two dimensions and at least one pixel")
    grey = np.ascontiguousarray(straight_grey)
    inverse_paper, cell_px, contrast = _greys(grey, px_per_mm)
    level = MIDDLE_LEVEL if ink_level is None else ink_level
    f = np.empty(grey.shape, np.int16)
    fill_field(grey, inverse_paper, cell_px, contrast, 1.0 - level, f)
    if _is_noise(f):
        raise UnreadableError("solid", _NOISE)
    half_covered = find_half_covered(f, px_per_mm, level)
    loops = find_loops(f)
    hairlines = restore_hairlines(f, px_per_mm, level, (loops.points, loops.starts))
    ink = Ink(f, px_per_mm, level, contrast, hairlines=hairlines, half_covered=half_covered)
    if not hairlines:
        ink = _with_loops(ink, loops)
    small = _small_dots(ink, speck_mm2, speck_length_mm)
    if np.count_nonzero(small) > MOST_SPECKS and _is_mostly(ink, small):
        raise UnreadableError("solid", _NOISE)
    ink = _without_specks(ink, small, speck_mm2)
    if len(ink.loops) == 0:
        raise UnreadableError("blank", _BLANK)
    if float(ink.loops.area_px2[~ink.loops.is_hole].max()) > 0.97 * f.size and (
        np.count_nonzero(f < 0) > 0.97 * f.size
    ):
        raise UnreadableError("solid", _SOLID)
    return ink


def paleness(straight_grey: NDArray[np.uint8], px_per_mm: float) -> NDArray[np.uint8]:
    """Return a straightened picture (h, w) evened out: 0 full ink, 255 the bare paper everywhere.

    A pixel is ink at `ink_level` where its value is below 256 * ink_level, as for `find_ink`, which
    besides restores hairlines and cleans dots away. Errors as there: blank, solid.
    """
    grey = np.ascontiguousarray(straight_grey)
    inverse_paper, cell_px, contrast = _greys(grey, px_per_mm)
    f = np.empty(grey.shape, np.int16)
    fill_field(grey, inverse_paper, cell_px, contrast, 1.0, f)
    return np.clip(f >> (UNIT.bit_length() - 9), 0, 255).astype(np.uint8)


def _greys(grey: NDArray[np.uint8], px_per_mm: float) -> tuple[NDArray[np.float32], int, float]:
    """Return (1 / the paper's grey on cells, pixels a cell, how far ink lies below paper)."""
    cell_px = max(round(0.7 * px_per_mm), 2)
    cells = cells_of(grey, cell_px)
    if np.percentile(cells, 98) < 70:
        raise UnreadableError("solid", _SOLID)
    inverse_paper = np.float32(1) / paper_level(cells, cell_px / px_per_mm)
    step = 3 if grey.size > 1_000_000 else 1
    counts = darkness_histogram(grey, inverse_paper, cell_px, step)
    contrast = ink_contrast(counts, (px_per_mm / step) ** 2)
    if contrast < LEAST_CONTRAST:
        raise UnreadableError("blank", _BLANK)
    return inverse_paper, cell_px, contrast


def ink_contrast(counts: NDArray[np.int64], samples_per_mm2: float) -> float:
    """Return how far ink lies below paper, as a share of the paper: the darkest peak of size.

    counts: (2, 256) as of kernels.darkness_histogram. The peak is sought among the darkest samples
    that fill 2 mm2 or half a percent of all that is clearly dark, so that a page full of pencil
    with a few lines of ink is measured by the ink. Where no line is wide enough to be solid
    inside, all lines look paler than their ink, and nearly half is added, up to what black ink
    usually has.
    """
    every, solid = counts
    is_solid = solid[64:].sum() >= samples_per_mm2
    used = solid if is_solid else every
    dark = np.cumsum(used[::-1])[::-1]
    enough = max(min(2.0 * samples_per_mm2, dark[64] / 2), dark[64] / 200, 1.0)
    filled = np.nonzero(dark >= enough)[0]
    darkest = int(filled[-1]) if filled.size else 0
    smooth = np.convolve(used, np.ones(9) / 9, mode="same")
    low = int(0.75 * darkest)
    peak = (low + int(np.argmax(smooth[low:])) + 0.5) / 256
    return peak if is_solid else max(peak, min(0.82, 1.45 * peak))


def find_loops(
    f: NDArray[np.int16], before: Loops | None = None, changed: tuple[int, int] = (0, 0)
) -> Loops:
    """Return every edge of a signed field, with nesting: ink 8-connected, film 4-connected.

    before: the edges of a field of the same size that differs in some rows only, the first and the
    one after the last of which are `changed`.
    """
    height = f.shape[0]
    if before is None:
        starts, places, vertical = edges_by_row(f, 0, height)
    else:
        first, last = max(changed[0], 0), max(min(changed[1], height), 0)
        starts, places = before.row_starts, before.row_places
        vertical = len(before.points) - len(places)
        if first < last:
            new_starts, new_places, more = edges_by_row(f, first, last)
            above, below = places[: starts[first]], places[starts[last] :]
            rest = starts[last + 1 :] - starts[last] + len(above) + len(new_places)
            starts = np.concatenate([starts[:first], new_starts + len(above), rest])
            places = np.concatenate([above, new_places, below])
            vertical += more
    points, point_starts, is_hole, parent, first_ink, edges = trace_field(
        f, starts, places, vertical
    )
    measures = loop_measures(points, point_starts)
    return Loops(
        points,
        point_starts,
        is_hole,
        parent,
        first_ink,
        measures[:, 0],
        measures[:, 1:],
        starts,
        places,
        edges,
    )


def _without_specks(ink: Ink, small: NDArray[np.bool_], speck_mm2: float) -> Ink:
    """Return the ink without the dots that some edges (m) go round; its field is changed.

    Dots nowhere darker than 62 % of ink are the grain of pencil and are not listed.
    """
    if not small.any():
        return ink
    loops, scale = ink.loops, ink.px_per_mm
    most = int(4 * speck_mm2 * scale**2) + 16
    chosen = np.nonzero(small)[0]
    least = erase_ink(ink.f, loops.first_ink[chosen], UNIT // 4, most)
    listed = chosen[least < (1 - ink.level - PALEST_SPECK) * UNIT]
    at_mm = ink.to_mm((loops.box_px[listed, :2] + loops.box_px[listed, 2:]) / 2)
    areas_mm2 = loops.area_px2[listed] / scale**2
    specks = (
        Speck(x, y, area) for (x, y), area in zip(at_mm.tolist(), areas_mm2.tolist(), strict=True)
    )
    return _with_loops(replace(ink, specks=(*ink.specks, *specks)), _kept_loops(loops, ~small))


def _kept_loops(loops: Loops, kept: NDArray[np.bool_]) -> Loops:
    """Return the edges (m) that are kept, without what lies inside of others.

    Wherever ink went, no edge of other ink moved: it lies between its own pixels and film.
    """
    kept = kept.copy()
    for loop, parent in enumerate(loops.parent):
        # What an edge lies in is found before it.
        if parent >= 0 and not kept[parent]:
            kept[loop] = False
    sizes = np.diff(loops.starts)
    number = np.cumsum(kept) - 1
    stays = kept[loops.row_edges]
    parents = loops.parent[kept]
    return Loops(
        loops.points[np.repeat(kept, sizes)],
        np.concatenate([[0], np.cumsum(sizes[kept])]),
        loops.is_hole[kept],
        np.where(parents >= 0, number[parents], -1).astype(np.int32),
        loops.first_ink[kept],
        loops.area_px2[kept],
        loops.box_px[kept],
        np.concatenate([[0], np.cumsum(stays)])[loops.row_starts],
        loops.row_places[stays],
        np.where(stays, number[loops.row_edges], -1)[stays].astype(np.int32),
    )


def _with_loops(ink: Ink, loops: Loops) -> Ink:
    """Return the ink with its edges, which are known already."""
    ink = replace(ink)
    vars(ink)["loops"] = loops
    return ink


def _small_dots(ink: Ink, speck_mm2: float, speck_length_mm: float) -> NDArray[np.bool_]:
    """Return which edges (m) go round a dot below that area and no longer than that length."""
    loops, scale = ink.loops, ink.px_per_mm
    sides = loops.box_px[:, 2:] - loops.box_px[:, :2]
    small = ~loops.is_hole & (loops.area_px2 < speck_mm2 * scale**2)
    return np.asarray(small & (np.hypot(sides[:, 0], sides[:, 1]) <= speck_length_mm * scale))


def with_strokes(ink: Ink, strokes: Sequence[Stroke], placement: Placement) -> Ink:
    """Return the ink with pen strokes (blank mm) drawn over it in order: white is film, black cut.

    The field grows where a stroke goes beyond the paper. Edges are exact to a few hundredths of a
    pixel.
    """
    if not strokes:
        return ink
    lines = [ink.to_px(placement.to_paper(np.array(stroke.points_mm))) for stroke in strokes]
    radii = [stroke.width_mm / 2 / placement.scale * ink.px_per_mm for stroke in strokes]
    black = [
        (line, radius)
        for line, radius, stroke in zip(lines, radii, strokes, strict=True)
        if stroke.pen == "black"
    ]
    grown = _grown_for(ink, black)
    shift = np.subtract(ink.origin_px, grown.origin_px)
    for line, radius, stroke in zip(lines, radii, strokes, strict=True):
        moved = line + shift
        for index in range(max(len(moved) - 1, 1)):
            ends = np.concatenate([moved[index], moved[min(index + 1, len(moved) - 1)]])
            draw_capsule(grown.f, ends, radius, stroke.pen == "black", UNIT / 2, UNIT / 2)
    if grown.f.shape != ink.f.shape:
        return grown
    boxes = stroke_boxes(ink, strokes, placement)
    rows = int(np.floor(boxes[:, 1].min())), int(np.ceil(boxes[:, 3].max())) + 1
    return _with_loops(grown, find_loops(grown.f, ink.loops, rows))


def stroke_boxes(ink: Ink, strokes: Sequence[Stroke], placement: Placement) -> NDArray[np.float64]:
    """Return boxes (n, 4) x0 y0 x1 y1, px, outside of which these strokes change nothing."""
    boxes = []
    for stroke in strokes:
        line = ink.to_px(placement.to_paper(np.array(stroke.points_mm)))
        out = stroke.width_mm / 2 / placement.scale * ink.px_per_mm + 3
        after = line[1:] if len(line) > 1 else line
        before = line[: len(after)]
        low, high = np.minimum(before, after) - out, np.maximum(before, after) + out
        boxes.append(np.concatenate([low, high], axis=1))
    return np.concatenate(boxes) if boxes else np.empty((0, 4))


def _grown_for(ink: Ink, black: list[tuple[NDArray[np.float64], float]]) -> Ink:
    """Return a copy of the ink whose field holds all black strokes (lines in px with radii)."""
    height, width = ink.f.shape
    left = top = right = bottom = 0
    for line, radius in black:
        left = max(left, int(np.ceil(radius + 2 - line[:, 0].min())))
        top = max(top, int(np.ceil(radius + 2 - line[:, 1].min())))
        right = max(right, int(np.ceil(line[:, 0].max() + radius + 2 - width)))
        bottom = max(bottom, int(np.ceil(line[:, 1].max() + radius + 2 - height)))
    if max(left, top, right, bottom) == 0:
        return replace(ink, f=ink.f.copy())
    f = cv2.copyMakeBorder(ink.f, top, bottom, left, right, cv2.BORDER_CONSTANT, value=UNIT // 2)
    origin_px = (ink.origin_px[0] - left, ink.origin_px[1] - top)
    return replace(ink, f=f.astype(np.int16, copy=False), origin_px=origin_px)


def _is_noise(f: NDArray[np.int16]) -> bool:
    """Tell whether ink and paper change places too often for a drawing, from every eighth row."""
    rows, below = f[:-1:8] < 0, f[1::8] < 0
    if rows.size == 0:
        return False
    across = np.count_nonzero(rows[:, 1:] != rows[:, :-1])
    return bool(min(across, np.count_nonzero(rows != below)) > 0.2 * rows.size)


def _is_mostly(ink: Ink, small: NDArray[np.bool_]) -> bool:
    """Tell whether small dots (m) hold more ink than all else."""
    every_px2 = np.count_nonzero(ink.f < 0)
    return bool(ink.loops.area_px2[small].sum() > 0.5 * every_px2)
