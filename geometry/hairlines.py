"""Hairlines: black lines too fine for the picture to show them dark, found by summed darkness.

A black line of 0.08 mm is about one pixel of a 300 dpi scan and shows up half dark, like pencil.
But pencil is wide and pale, while a hairline is narrow and only as pale as its width makes it:
the darkness summed across it is its true width, and its spread no more than the picture's blur.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial import cKDTree
from scipy.special import erfinv

from geometry.kernels import UNIT, draw_capsule

WIDEST_MM = 0.2
SHORTEST_MM = 1.0
LEAST_DARKNESS = 0.25
PENCIL_SPREAD = 1.5
"""Spread (variance across) above this many times a black line's means pencil. Black lines have 0.95
to 1.5; pencil of 0.2 mm at 300 dpi has 2.1 and more at a blur of 0.5 px, but 1.5 to 1.7 at 0.7."""
NOISE_SPREAD = 0.1
"""What noise may add to the spread of a short line, px2."""
DARKEST_RIM = 0.15
"""Darkness beside a hairline above which it is only the rim of something pale. Judgement."""
USUAL_BLUR_PX = 0.75
_MOST_PLACES = 400_000


@dataclass(frozen=True)
class Hairline:
    """A black line of at most 0.2 mm. points_px (n, 2) x, y along it, unordered; one width each."""

    points_px: NDArray[np.float64]
    widths_px: NDArray[np.float64]
    length_px: float


@njit(cache=True)
def _least(line: NDArray[np.int16]) -> int:
    """Return the least of some values; written so that it is done in wide registers."""
    least = line[0]
    for x in range(len(line)):
        if line[x] < least:
            least = line[x]
    return least


@njit(cache=True)
def _mark(
    marks: NDArray[np.int16],
    here: NDArray[np.int16],
    near: tuple[NDArray[np.int16], NDArray[np.int16]],
    far: tuple[NDArray[np.int16], NDArray[np.int16]],
    paper: int,
) -> None:
    """Mark where a row is darker than both rows `near` and twice as dark as both rows `far`.

    In quarter steps, which leave room in 16 bits, so a few more than those are marked.
    """
    before, after = near
    one, other = far
    base = np.int16(paper // 4)
    for x in range(len(here)):
        value = np.int16(here[x] >> 2)
        rise = np.int16(np.int16(min(one[x], other[x]) >> 2) - value)
        dark = np.int16(base - value)
        marks[x] = marks[x] | np.int16(np.int16(rise + rise + 4) > dark) & np.int16(
            here[x] < before[x]
        ) & np.int16(here[x] <= after[x])


@njit(cache=True)
def _ridges(
    field: NDArray[np.int16], paper: float, least: float, reach: int, most: int
) -> NDArray[np.float32]:
    """Return (n, 4) per ridge pixel: x, y, steps from it to the line's middle, direction 0 to 3.

    Darkness is paper - field. A ridge pixel is darker than both neighbours across and twice as
    dark as `reach` pixels out on either side.
    """
    height, width = field.shape
    found = np.empty((most, 4), np.float32)
    count = 0
    steps_x = np.array([1, 0, 1, 1])
    steps_y = np.array([0, 1, 1, -1])
    outs = np.array([reach, reach, (reach * 3 + 2) // 4, (reach * 3 + 2) // 4])
    rim = reach + 2
    bound = paper - least * UNIT
    marks = np.zeros(width, np.int16)
    block = 64
    for y in range(rim, height - rim):
        for start in range(rim, width - rim, block):
            stop = min(start + block, width - rim)
            if _least(field[y, start:stop]) > bound:
                continue
            part = marks[start:stop]
            part[:] = 0
            for way in range(4):
                step_x, step_y, out = steps_x[way], steps_y[way], outs[way]
                x0, x1 = start + step_x, stop + step_x
                before = field[y - step_y, start - step_x : stop - step_x]
                after = field[y + step_y, x0:x1]
                one = field[y + out * step_y, start + out * step_x : stop + out * step_x]
                other = field[y - out * step_y, start - out * step_x : stop - out * step_x]
                _mark(part, field[y, start:stop], (before, after), (one, other), int(paper))
            for x in range(start, stop):
                if not marks[x] or field[y, x] > bound:
                    continue
                if count < most and _ridge(field, x, y, paper, reach, found[count]):
                    count += 1
    return found[:count]


@njit(cache=True)
def _ridge(
    field: NDArray[np.int16],
    x: int,
    y: int,
    paper: float,
    reach: int,
    ridge: NDArray[np.float32],
) -> bool:
    """Fill in one ridge pixel as of _ridges (4) and tell whether it is one."""
    steps_x = (1, 0, 1, 1)
    steps_y = (0, 1, 1, -1)
    here = paper - field[y, x]
    best, across = 0.5 * here, -1
    for way in range(4):
        step_x, step_y = steps_x[way], steps_y[way]
        out = reach if way < 2 else (reach * 3 + 2) // 4
        one = paper - field[y + out * step_y, x + out * step_x]
        other = paper - field[y - out * step_y, x - out * step_x]
        rise = here - max(one, other)
        if (
            rise > best
            and field[y, x] < field[y - step_y, x - step_x]
            and field[y, x] <= field[y + step_y, x + step_x]
        ):
            best, across = rise, way
    if across < 0:
        return False
    step_x, step_y = steps_x[across], steps_y[across]
    out = reach if across < 2 else (reach * 3 + 2) // 4
    left = (
        2 * paper
        - field[y - out * step_y, x - out * step_x]
        - field[y - (out + 1) * step_y, x - (out + 1) * step_x]
    ) / 2
    right = (
        2 * paper
        - field[y + out * step_y, x + out * step_x]
        - field[y + (out + 1) * step_y, x + (out + 1) * step_x]
    ) / 2
    total = first = 0.0
    for t in range(-out, out + 1):
        share = (t + out + 0.5) / (2 * out + 1)
        dark = paper - field[y + t * step_y, x + t * step_x]
        dark -= left + share * (right - left)
        total += dark
        first += dark * t
    if total <= 0:
        return False
    ridge[0], ridge[1] = x, y
    ridge[2] = min(max(first / total, -1.0), 1.0)
    ridge[3] = across
    return True


def restore_hairlines(
    field: NDArray[np.int16],
    px_per_mm: float,
    level: float,
    edges: tuple[NDArray[np.float32], NDArray[np.int64]],
) -> tuple[Hairline, ...]:
    """Draw black hairlines into the field (changed in place) and return them.

    edges: points and starts as of tracing.trace_field, for the picture's blur.

    A hairline is at most 0.2 mm wide by its summed darkness, at least 1 mm long, a quarter as dark
    as ink or more, and no wider spread than blur and that width explain. Found from about one
    pixel's width of ink on: 0.08 mm at 300 dpi, 0.05 mm at 600 dpi.
    """
    reach = max(round(0.1 * px_per_mm + 2.5), 4)
    if min(field.shape) <= 2 * reach + 6:
        return ()
    paper = (1.0 - level) * UNIT
    ridges = _ridges(field, paper, LEAST_DARKNESS, reach, _MOST_PLACES)
    if not 2 <= len(ridges) < _MOST_PLACES:
        return ()
    group, links, points = _groups(ridges)
    tree = minimum_spanning_tree(links).tocoo()
    groups = int(group.max()) + 1
    lengths_px = np.bincount(group[tree.row], weights=tree.data, minlength=groups)
    is_long = lengths_px >= SHORTEST_MM * px_per_mm
    is_long &= np.bincount(group, minlength=groups) >= 0.6 * SHORTEST_MM * px_per_mm
    used = np.flatnonzero(is_long[group])
    if not used.size:
        return ()
    used = used[np.argsort(group[used], kind="stable")]
    middles, sums = _measured(field, points[used], group[used], paper, reach, 0.4 * px_per_mm)
    starts = np.flatnonzero(np.diff(group[used], prepend=-1))
    blur_px = picture_blur(field, *edges)
    widths, lines = np.zeros(len(points)), []
    for start, stop in zip(starts, [*starts[1:], len(used)], strict=True):
        measured = sums[start:stop]
        middle_px, spread, rim = np.median(measured, axis=0)
        is_wide = (
            middle_px > WIDEST_MM * px_per_mm
            or spread > PENCIL_SPREAD * (blur_px**2 + middle_px**2 / 12) + NOISE_SPREAD
        )
        if is_wide or rim > DARKEST_RIM:
            continue
        middle = middles[start:stop]
        evened = _evened(middle, measured[:, 0], 1.5 * px_per_mm)
        lines.append(Hairline(middle, evened, float(lengths_px[group[used[start]]])))
        points[used[start:stop]], widths[used[start:stop]] = middle, measured[:, 0]
    _draw(field, points, widths, tree.row, tree.col)
    return tuple(lines)


def _groups(
    ridges: NDArray[np.float32],
) -> tuple[NDArray[np.int32], coo_array, NDArray[np.float64]]:
    """Return (group per ridge pixel, lengths of links between near ones, middles (n, 2) in px)."""
    steps = np.array([[1, 0], [0, 1], [1, 1], [1, -1]])[ridges[:, 3].astype(int)]
    points = ridges[:, :2].astype(np.float64) + steps * ridges[:, 2:3]
    pairs = cKDTree(points).query_pairs(2.6, output_type="ndarray")
    lengths = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    links = coo_array(
        (np.maximum(lengths, 1e-6), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points))
    ).tocsr()
    return connected_components(links, directed=False)[1], links, points


@njit(cache=True)
def _strip_sums(
    field: NDArray[np.int16],
    lines: NDArray[np.float64],
    paper: float,
    reach: int,
    half_length: float,
) -> NDArray[np.float64]:
    """Return (n, 3) per short line (middle x, y, normal x, y): width, px, spread, px2, and rim.

    All pixels of a strip along the line are summed, so that no slant or phase of the pixels
    matters; what lies just beyond the strip on both sides is its base. rim: the darkness (1 is ink)
    of the darker side.
    """
    sums = np.zeros((len(lines), 3))
    height, width = field.shape
    box = int(np.ceil(np.hypot(half_length, reach + 2.5)))
    for index in range(len(lines)):
        middle_x, middle_y, normal_x, normal_y = lines[index]
        base = 0.0
        for turn in range(2):
            count = total = first = second = 0.0
            rim = np.zeros(2)
            beside = np.zeros(2)
            for y in range(max(int(middle_y) - box, 0), min(int(middle_y) + box + 2, height)):
                for x in range(max(int(middle_x) - box, 0), min(int(middle_x) + box + 2, width)):
                    off_x, off_y = x - middle_x, y - middle_y
                    # Edges of the strip are soft, or rows of pixels would fall in or out as one.
                    share = half_length + 0.5 - abs(off_y * normal_x - off_x * normal_y)
                    if share <= 0:
                        continue
                    share = min(share, 1.0)
                    t = off_x * normal_x + off_y * normal_y
                    dark = paper - field[y, x] - base
                    inside = share * min(max(reach + 1.0 - abs(t), 0.0), 1.0)
                    total += inside * dark
                    first += inside * dark * t
                    second += inside * dark * t * t
                    count += inside
                    if reach + 0.5 < abs(t) <= reach + 2.5:
                        rim[int(t > 0)] += dark
                        beside[int(t > 0)] += 1
            if turn == 0:
                base = rim.sum() / max(beside.sum(), 1.0)
                sums[index, 2] = (rim / np.maximum(beside, 1.0)).max() / UNIT
            elif total > 0 and count > 0:
                sums[index, 0] = total / UNIT / count * (2 * reach + 1)
                sums[index, 1] = second / total - (first / total) ** 2
    return sums


def _measured(
    field: NDArray[np.int16],
    points: NDArray[np.float64],
    group: NDArray[np.int32],
    paper: float,
    reach: int,
    half_px: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points (n, 2) moved onto the line through their neighbours, and sums (n, 3) there.

    Neighbours lie within half_px and are of the same group. The sums are width, px, spread, px2,
    and rim, darkness.
    """
    pairs = cKDTree(points).query_pairs(half_px, output_type="ndarray")
    pairs = pairs[group[pairs[:, 0]] == group[pairs[:, 1]]]
    count = _near_sums(np.ones(len(points)), pairs)
    mean_x, mean_y = (_near_sums(points[:, axis], pairs) / count for axis in (0, 1))
    # About a fixed point, so that squares of large positions cost no digits.
    off_x, off_y = (points - points.mean(axis=0)).T
    off_mean_x, off_mean_y = _near_sums(off_x, pairs) / count, _near_sums(off_y, pairs) / count
    spread_x = _near_sums(off_x**2, pairs) / count - off_mean_x**2
    spread_y = _near_sums(off_y**2, pairs) / count - off_mean_y**2
    slant = _near_sums(off_x * off_y, pairs) / count - off_mean_x * off_mean_y
    angle = 0.5 * np.arctan2(2 * slant, spread_x - spread_y)
    along_x, along_y = np.cos(angle), np.sin(angle)
    lines = np.stack([mean_x, mean_y, -along_y, along_x], axis=1)
    ahead = (points[:, 0] - mean_x) * along_x + (points[:, 1] - mean_y) * along_y
    moved = np.stack([mean_x + ahead * along_x, mean_y + ahead * along_y], axis=1)
    return moved, _strip_sums(field, lines, paper, reach, 0.45 * half_px)


def _near_sums(values: NDArray[np.float64], pairs: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return for each value (n) the sum of itself and those it is paired with (m, 2)."""
    one, other = pairs.T
    return np.asarray(
        values
        + np.bincount(one, weights=values[other], minlength=len(values))
        + np.bincount(other, weights=values[one], minlength=len(values))
    )


def _evened(
    points: NDArray[np.float64], widths: NDArray[np.float64], reach_px: float
) -> NDArray[np.float64]:
    """Return the widths averaged over what lies within `reach_px`: a tenth of a pixel is noise."""
    pairs = cKDTree(points).query_pairs(reach_px, output_type="ndarray")
    return _near_sums(widths, pairs) / _near_sums(np.ones(len(widths)), pairs)


def picture_blur(
    field: NDArray[np.int16], points: NDArray[np.float32], starts: NDArray[np.int64]
) -> float:
    """Return the picture's blur as the standard deviation of a Gaussian, px, from strong edges, or
    a usual one where there are too few: a single disc of 4 mm at 300 dpi is enough."""
    sizes = np.diff(starts)
    strong = np.concatenate(
        [np.arange(s, s + n) for s, n in zip(starts, sizes, strict=False) if n > 100]
        or [np.empty(0, int)]
    )
    if len(strong) < 140:
        return USUAL_BLUR_PX
    sample = np.rint(points[strong[:: max(len(strong) // 20_000, 1)]]).astype(int)
    inside = ((sample > 3) & (sample < np.array(field.shape[::-1]) - 4)).all(axis=1)
    x, y = sample[inside].T
    f = field.astype(np.int32, copy=False) if field.size < 1_000_000 else field
    deep = np.minimum.reduce([f[y, x - 3], f[y, x + 3], f[y - 3, x], f[y + 3, x]]) < -0.35 * UNIT
    if deep.sum() < 100:
        return USUAL_BLUR_PX
    x, y = x[deep], y[deep]
    slope_x = (f[y, x + 1].astype(float) - f[y, x - 1]) / 2
    slope_y = (f[y + 1, x].astype(float) - f[y - 1, x]) / 2
    slope = float(np.percentile(np.hypot(slope_x, slope_y), 42)) / UNIT
    slope = min(max(slope, 0.02), 0.495)
    return float(np.clip(1 / (np.sqrt(2) * erfinv(2 * slope)), 0.5, 3.0))


@njit(cache=True)
def _draw(
    field: NDArray[np.int16],
    points: NDArray[np.float64],
    widths: NDArray[np.float64],
    starts: NDArray[np.int32],
    stops: NDArray[np.int32],
) -> None:
    """Draw the links between points that have a width, no finer than 1.6 px: they stay whole."""
    ends = np.empty(4)
    for link in range(len(starts)):
        one, other = starts[link], stops[link]
        if widths[one] > 0 or widths[other] > 0:
            radius = max((widths[one] + widths[other]) / 4, 0.8)
            ends[:2], ends[2:] = points[one], points[other]
            draw_capsule(field, ends, radius, True, UNIT / 4, UNIT / 2)
