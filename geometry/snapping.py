"""A stroke drawn roughly across a line, turned to stand square on it and to end in the film.

Method: the way across the ink is the shortest chord through the middle of the ink that the stroke
meets, found among directions up to 60 degrees off the stroke; the middle is found anew on each
chord until it rests. Where both sides are about straight the direction is balanced (chords
to either side are equally long), which tells it to a fraction of a degree.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.check import place
from geometry.ink import Ink, with_strokes
from geometry.prepared import Prepared
from geometry.recipe import Placement, PointMm, Stroke

MOST_TURN_DEG: Final = 60.0
"""A stroke farther off than this runs along a line, not across it, and stays as it was drawn."""
LONGEST_MM: Final = 40.0
"""The widest line that a bridge is laid across."""
INTO_FILM_MM: Final = 0.3
"""The strip goes on into the film by this much at each end, and as far as its sides have ink."""
_ROUNDS: Final = 8
_BALANCE_DEG: Final = (14.0, 19.0, 24.0, 29.0)
_SLACK: Final = (1.004, 0.15)  # a balanced chord may be longer than the shortest: share, px


def snap_stroke(prepared: Prepared, stroke: Stroke, others: Sequence[Stroke] = ()) -> Stroke | None:
    """Return a stroke laid square across the line that it crosses, as two points; or None.

    others: all strokes that are drawn besides it. None where it crosses no line, runs along one, or
    the line is wider than 40 mm. Its width, pen and origin stay.
    """
    placement = place(prepared.ink, prepared.page, prepared.recipe)
    from_mm, to_mm = stroke.points_mm[0], stroke.points_mm[-1]
    near = _near(prepared.ink, placement, from_mm, to_mm, others)
    ends = snap_across(near, placement, from_mm, to_mm, width_mm=stroke.width_mm)
    return replace(stroke, points_mm=ends) if ends else None


def snap_across(
    ink: Ink, placement: Placement, from_mm: PointMm, to_mm: PointMm, *, width_mm: float
) -> tuple[PointMm, PointMm] | None:
    """Return the ends (blank mm) of the strip of film that crosses the line between two points.

    The strip stands square on the line, in the direction in which it was drawn, and its ends lie
    in film: 0.3 mm, or as far as its sides still have ink. Of several lines between the points the
    one at the middle of the stroke counts. The error is a few hundredths of a pixel along the
    strip where the line's sides are smooth. None as in snap_stroke.
    """
    start, end = ink.to_px(placement.to_paper([from_mm, to_mm]))
    way = end - start
    length = float(np.hypot(*way))
    middle = _middle_of_ink(ink.f, start, end)
    if middle is None or length < 1:
        return None
    mm = placement.scale / ink.px_per_mm
    drawn = float(np.arctan2(way[1], way[0]))
    found = _shortest(ink.f, middle, drawn, LONGEST_MM / mm)
    if found is None:
        return None
    first, last = _into_film(ink.f, *found, width_mm / mm, INTO_FILM_MM / mm)
    ends = placement.to_blank(ink.to_mm(np.array([first, last])))
    (x0, y0), (x1, y1) = ends.tolist()
    return (x0, y0), (x1, y1)


def _near(
    ink: Ink, placement: Placement, from_mm: PointMm, to_mm: PointMm, others: Sequence[Stroke]
) -> Ink:
    """Return the part of the ink that a snap can reach, the other strokes drawn over it."""
    mm = placement.scale / ink.px_per_mm
    out = LONGEST_MM / mm + 4
    ends = ink.to_px(placement.to_paper([from_mm, to_mm]))
    height, width = ink.f.shape
    low = np.clip(np.floor(ends.min(axis=0) - out), 0, [max(width - 4, 0), max(height - 4, 0)])
    high = np.minimum(np.ceil(ends.max(axis=0) + out), [width, height])
    (left, top), (right, bottom) = low.astype(int), np.maximum(high, low + 4).astype(int)
    origin_px = (ink.origin_px[0] + left, ink.origin_px[1] + top)
    part = Ink(ink.f[top:bottom, left:right].copy(), ink.px_per_mm, origin_px=origin_px)
    reaching = [stroke for stroke in others if _reaches(part, placement, stroke)]
    return with_strokes(part, reaching, placement)


def _reaches(ink: Ink, placement: Placement, stroke: Stroke) -> bool:
    """Tell whether a stroke comes near the field of the ink."""
    line = ink.to_px(placement.to_paper(np.array(stroke.points_mm)))
    out = stroke.width_mm / 2 / placement.scale * ink.px_per_mm + 3
    height, width = ink.f.shape
    low, high = line.min(axis=0) - out, line.max(axis=0) + out
    return bool((high >= 0).all() and low[0] <= width and low[1] <= height)


def _values(f: NDArray[np.int16], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the field between pixels (bilinear) at points (..., 2); its border goes on outside."""
    x, y = points[..., 0], points[..., 1]
    height, width = f.shape
    x = np.clip(x, 0.0, width - 1.001)
    y = np.clip(y, 0.0, height - 1.001)
    left, top = x.astype(int), y.astype(int)
    share_x, share_y = x - left, y - top
    right, low = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    upper = f[top, left] * (1 - share_x) + f[top, right] * share_x
    lower = f[low, left] * (1 - share_x) + f[low, right] * share_x
    return np.asarray(upper * (1 - share_y) + lower * share_y)


def _reach(
    f: NDArray[np.int16],
    starts: NDArray[np.float64],
    ways: NDArray[np.float64],
    sign: int,
    longest: float,
) -> NDArray[np.float64]:
    """Return how far from points (n, 2) along unit vectors (n, 2) the field keeps a sign, px.

    0 from a point that has another sign, infinity where it goes on beyond `longest`.
    """
    steps = np.arange(int(longest) + 2)
    along = starts[:, None, :] + steps[None, :, None] * ways[:, None, :]
    values = sign * _values(f, along)
    outside = values <= 0
    index = outside.argmax(axis=1)
    rows = np.arange(len(starts))
    before = values[rows, np.maximum(index - 1, 0)]
    after = values[rows, index]
    share = before / np.where(before - after == 0, 1.0, before - after)
    reach = np.where(index == 0, 0.0, index - 1 + share)
    return np.where(outside.any(axis=1), reach, np.inf)


def _middle_of_ink(
    f: NDArray[np.int16], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Return the middle of the stretch of ink nearest to the middle of a stroke, or None."""
    count = max(int(np.ceil(2 * np.hypot(*(end - start)))), 2) + 1
    shares = np.linspace(0, 1, count)
    is_ink = _values(f, start + shares[:, None] * (end - start)) < 0
    if not is_ink.any():
        return None
    edges = np.diff(np.concatenate([[0], is_ink.astype(np.int8), [0]]))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    half = (count - 1) / 2
    away = np.maximum(np.maximum(firsts - half, half - lasts), 0)
    nearest = int(np.argmin(away))
    share = (shares[firsts[nearest]] + shares[lasts[nearest]]) / 2
    return np.asarray(start + share * (end - start))


def _chords(
    f: NDArray[np.int16], middle: NDArray[np.float64], angles: NDArray[np.float64], longest: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return, per angle, the length of the chord through a point and its parts ahead and back."""
    ways = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    starts = np.broadcast_to(middle, ways.shape)
    ahead = _reach(f, starts, ways, -1, longest)
    back = _reach(f, starts, -ways, -1, longest)
    return ahead + back, ahead, back


def _shortest(
    f: NDArray[np.int16], middle: NDArray[np.float64], drawn: float, longest: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return the ends (on the ink's edges) of the shortest way across at about a point, or None."""
    most = np.radians(MOST_TURN_DEG)
    angle, step = drawn, most / 12
    for turn in range(_ROUNDS):
        around = np.arange(-12, 13) if turn == 0 else np.arange(-4, 5)
        angles = angle + around * step
        lengths, ahead, back = _chords(f, middle, angles, longest)
        best = int(np.argmin(lengths))
        if not np.isfinite(lengths[best]) or lengths[best] <= 0:
            return None
        if turn == 0 and best in (0, len(angles) - 1):
            return None
        angle = float(angles[best])
        way = np.array([np.cos(angle), np.sin(angle)])
        middle = middle + (ahead[best] - back[best]) / 2 * way
        step = step if turn < 2 else step / 2
        longest = min(longest, 2.5 * float(lengths[best]) + 2)
    angle = _balanced(f, middle, angle, longest)
    lengths, ahead, back = _chords(f, middle, np.array([angle]), longest)
    if abs(angle - drawn) > most or not np.isfinite(lengths[0]):
        return None
    way = np.array([np.cos(angle), np.sin(angle)])
    return middle - back[0] * way, middle + ahead[0] * way


def _balanced(
    f: NDArray[np.int16], middle: NDArray[np.float64], angle: float, longest: float
) -> float:
    """Return the angle at which chords to either side are equally long, or the one given."""
    tried = angle + np.radians(np.linspace(-6, 6, 13))
    aside = np.radians(_BALANCE_DEG)[:, None]
    left = _chords(f, middle, (tried - aside).ravel(), longest)[0]
    right = _chords(f, middle, (tried + aside).ravel(), longest)[0]
    own = _chords(f, middle, tried, longest)[0]
    if not (np.isfinite(left).all() and np.isfinite(right).all() and np.isfinite(own).all()):
        return angle
    lean = (left - right).reshape(len(aside), -1).sum(axis=0)
    cross = np.flatnonzero((lean[:-1] > 0) & (lean[1:] <= 0))
    if len(cross) != 1:
        return angle
    at = int(cross[0])
    share = lean[at] / (lean[at] - lean[at + 1])
    balanced = float(tried[at] + share * (tried[at + 1] - tried[at]))
    length = _chords(f, middle, np.array([balanced]), longest)[0][0]
    return balanced if length <= _SLACK[0] * own.min() + _SLACK[1] else angle


def _into_film(
    f: NDArray[np.int16],
    first: NDArray[np.float64],
    last: NDArray[np.float64],
    width: float,
    into: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a way across the ink with its ends moved on into the film, px."""
    way = (last - first) / max(float(np.hypot(*(last - first))), 1e-9)
    aside = np.array([-way[1], way[0]])
    sides = np.array([-0.5, -0.25, 0.25, 0.5])[:, None] * width * aside
    moved = []
    for end, outward in ((first, -way), (last, way)):
        ways = np.broadcast_to(outward, sides.shape)
        more = _reach(f, end + sides, ways, -1, width)
        more = np.where(np.isfinite(more), more, width)
        # from just beyond the edge, as the edge itself has no sign
        depth = _reach(f, (end + 0.7 * outward)[None], outward[None], 1, 2 * width + into)[0]
        far = float(more.max()) + into
        # narrow film is not bridged over to what lies behind it
        far = min(far, max(float(depth) + 0.7 - width / 2, min(into, float(depth) / 2)))
        moved.append(end + far * outward)
    return moved[0], moved[1]
