"""Finding the four edges of a sheet of paper in a picture.

Method: at a coarse scale ink is closed away, edge pixels vote for straight lines that are bright
on one side (a Hough transform with polarity), pairs of facing lines make quadrilaterals, and the
one whose sides are edges over most of their length, with something other than paper beyond them,
is the sheet. Its sides are then fitted to sub-pixel profiles of the full picture.
"""

import math
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[Any]  # uint8
Light = NDArray[Any]  # float32
Floats = NDArray[np.float64]

COARSE_PX: Final = 720  # longest side of the coarse picture
PAD_PX: Final = 16  # coarse pixels put round the picture, so that an edge may lie at its border
CLOSED_PX: Final = 13  # ink up to this wide is closed away: 4 mm where 150 mm fill the picture
LEAST_CONTRAST: Final = 0.05  # natural logarithm of paper over what lies beyond its edge
LEAST_AREA: Final = 0.12  # share of the picture that the sheet covers
LEAST_SUPPORT: Final = 0.35  # share of each side that must be an edge: scraps may hide the rest
MEAN_SUPPORT: Final = 0.75  # share of all sides together
MOST_TRIED: Final = 80
LEAST_HOLD: Final = 0.5  # share of a fitted side that should lie on an edge of the full picture
LOOKS_AGREE: Final = 0.01  # of the sheet's size: farthest two looks at one corner may differ
MOST_LINES: Final = 56
SIZE_SLACK: Final = 0.025  # how far a side on a scan may be from its true size
SHAPE_SLACK: Final = 0.2  # how far the seen shape may be from the paper's, by perspective
SEEN_SHAPE_SLACK: Final = 0.05  # the same after perspective has been taken out
_FOCAL_LENGTHS: Final = (0.6, 0.75, 1.0, 1.5, 4.0)  # of cameras, in longest sides of the picture
STEP_PX: Final = 3.0  # an edge is measured this far to both of its sides
WIDE_PX: Final = 8.0  # and this far: a bright joint between dark tiles is no edge of paper
_BEYOND: Final = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.12, 0.17, 0.24)  # shares of the size
_FRAME_DIP: Final = 0.2  # a drawn frame is at least this much darker than paper (logarithm)


def shrunk(grey: Grey, longest_px: int) -> tuple[Grey, Floats]:
    """Return (the picture made smaller by averaging, how many of its pixels one spans along x, y).

    Halved while it can be, since halving is ten times as fast as averaging by odd amounts; a last
    odd row or column is left out. A point p of the smaller one lies at (p + 0.5) * scale - 0.5.
    """
    scale = np.ones(2)
    while max(grey.shape) >= 2 * longest_px:
        height, width = grey.shape[0] // 2, grey.shape[1] // 2
        grey = cv2.resize(
            grey[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA
        )
        scale = scale * 2
    height, width = grey.shape
    factor = max(1.0, max(height, width) / longest_px)
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    smaller = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return smaller, scale * (width / size[0], height / size[1])


def find_edges(
    grey: Grey,
    paper_mm: tuple[float, float],
    *,
    scan_px_per_mm: float | None = None,
    may_touch: bool = False,
) -> Floats | None:
    """Return the corners (4, 2) x, y of the sheet in pixels, clockwise as seen, or None.

    grey: (h, w) uint8. paper_mm: the sheet's size, either way round, whose shape is asked of what
    is found. scan_px_per_mm: the resolution of a scan, where the sheet must have its true
    size within 2.5 %. may_touch: the sheet may be flush with the picture's border.
    Pixel centres lie at integers. The error is about 0.2 px where the paper is flat.
    """
    if min(grey.shape) < 60:
        return None
    coarse, scale = shrunk(grey, COARSE_PX)
    factor = float(scale.mean())
    expected_px = None if scan_px_per_mm is None else np.array(paper_mm) * scan_px_per_mm / factor
    flush = False
    corners = _best_quad(light_of(coarse, flush=False), paper_mm, expected_px)
    if corners is None and may_touch:
        flush = True
        corners = _best_quad(light_of(coarse, flush=True), paper_mm, expected_px)
    if corners is None:
        return None
    corners = (corners - PAD_PX + 0.5) * scale - 0.5
    outside = 0 if flush else None
    first, hold = _settle(grey, corners, 2.5 * factor + 3, outside)
    if hold < LEAST_HOLD:
        # A coarse line may have leant on something beside the sheet: look farther for its edge.
        size = math.sqrt(float(areas(corners[None])[0]))
        again, better = _settle(grey, corners, 0.03 * size, outside)
        if better >= LEAST_HOLD:
            return again
        # Bent paper lies on no straight line, yet both looks find the same one. Looks that differ
        # leant on a patterned table: no answer beats a wrong one.
        apart = float(np.abs(again - first).max())
        if apart > LOOKS_AGREE * size:
            return None
        return again if better > hold else first
    return first


def _settle(
    grey: Grey, corners: Floats, reach_px: float, outside: int | None
) -> tuple[Floats, float]:
    """Return (corners fitted to the picture, the least share of a side that lies on its edge)."""
    corners, _ = _refined(grey, corners, reach_px, outside=outside)
    return _refined(grey, corners, 5.0, outside=outside)


def light_of(coarse: Grey, *, flush: bool) -> Light:
    """Return the logarithm of the coarse picture, PAD_PX larger all round, ink closed away.

    Beyond the border the table goes on; or it is dark there, for a sheet flush with the border.
    """
    border = cv2.BORDER_CONSTANT if flush else cv2.BORDER_REPLICATE
    wide = cv2.copyMakeBorder(coarse, PAD_PX, PAD_PX, PAD_PX, PAD_PX, border, value=0)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (CLOSED_PX, CLOSED_PX))
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc)
    return cv2.GaussianBlur(np.log(closed.astype(np.float32) + 8), (0, 0), 1.0)


def _best_quad(
    light: Light, paper_mm: tuple[float, float], expected_px: Floats | None
) -> Floats | None:
    """Return the corners of the best sheet in the coarse picture, or None."""
    lines = edge_lines(light)
    if len(lines) < 4:
        return None
    quads, sides = line_quads(lines, light.shape)
    if not len(quads):
        return None
    fits = has_shape(quads, paper_mm) & (areas(quads) >= LEAST_AREA * light.size)
    if expected_px is not None:
        strange = _size_error(quads, expected_px)
        fits &= strange < SIZE_SLACK
        slack = 0.0
    else:
        strange = shape_error(quads, paper_mm, light.shape)
        fits &= strange < SEEN_SHAPE_SLACK
        slack = 0.02
    quads, sides, strange = quads[fits], sides[fits], strange[fits]
    support = _support(light, lines, quads, sides)
    fits = (support.min(axis=1) >= LEAST_SUPPORT) & (support.mean(axis=1) >= MEAN_SUPPORT)
    quads, support, strange = quads[fits], support[fits], strange[fits]
    # Weights found by trying several hundred made photographs; a larger sheet wins a close race.
    merit = support.mean(axis=1) ** 4 * support.min(axis=1) ** 0.5 * _paper_likeness(light, quads)
    merit *= areas(quads) ** 0.1 * np.exp(-np.maximum(strange - slack, 0) / 0.01)
    for index in np.argsort(-merit)[:MOST_TRIED]:
        if _is_sheet(light, quads[index]):
            return quads[index]
    return None


def _paper_likeness(light: Light, quads: Floats) -> Floats:
    """Return how much (n,) the rim inside each quadrilateral is like paper: bright and even.

    Shadows change slowly along the rim, the pattern of a table does not.
    """
    share = np.linspace(0.08, 0.92, 20)[:, None]
    inside = quads + 0.05 * (quads.mean(axis=1, keepdims=True) - quads)
    starts, ends = inside[:, :, None], np.roll(inside, -1, axis=1)[:, :, None]
    rim = nearest(light, starts + share * (ends - starts)).reshape(len(quads), 80)
    rough = np.minimum(np.abs(np.diff(rim, axis=1)), 0.3).mean(axis=1)
    bright = rim.mean(axis=1) - float(np.percentile(light, 95))
    return np.exp(2 * np.minimum(bright, 0.0) - 16 * rough)


def _edge_pixels(light: Light) -> tuple[Floats, Floats, Floats]:
    """Return (points (n, 2), unit normals (n, 2) towards the bright side, weights (n,)) of edges.

    Only ridges of the gradient count, so that one edge is one pixel wide, and only where it stays
    brighter farther in and darker farther out.
    """
    gx, gy = (cv2.Sobel(light, cv2.CV_32F, *d, ksize=3, scale=0.125) for d in ((1, 0), (0, 1)))
    strength = cv2.magnitude(gx, gy)
    ridge = np.zeros(strength.shape, bool)
    inner = strength[1:-1, 1:-1]
    level = (inner >= strength[1:-1, :-2]) & (inner > strength[1:-1, 2:])
    plumb = (inner >= strength[:-2, 1:-1]) & (inner > strength[2:, 1:-1])
    flat = np.abs(gx[1:-1, 1:-1]) > np.abs(gy[1:-1, 1:-1])
    ridge[1:-1, 1:-1] = np.where(flat, level, plumb) & (inner > 0.012)
    y, x = np.nonzero(ridge)
    weight = strength[ridge]
    normal = np.stack([gx[ridge], gy[ridge]], axis=1) / np.maximum(weight, 1e-9)[:, None]
    points = np.stack([x, y], axis=1).astype(float)
    inner, outer = (nearest(light, points + sign * WIDE_PX * normal) for sign in (1, -1))
    lasting = inner - outer > LEAST_CONTRAST
    return points[lasting], normal[lasting], np.minimum(weight[lasting], 0.1)


def edge_lines(light: Light) -> Floats:
    """Return straight edges (n, 3), the strongest first: normal x, normal y, offset.

    A point p lies on the bright side of an edge where p . normal > offset.
    """
    points, normal, weight = _edge_pixels(light)
    angle = np.degrees(np.arctan2(normal[:, 1], normal[:, 0]))
    reach = math.ceil(math.hypot(*light.shape))
    votes: Light = np.zeros(360 * 2 * reach)
    for lean in range(-4, 5):
        turn = np.round(angle + lean).astype(int) % 360
        radians = np.radians(turn)
        offset = points[:, 0] * np.cos(radians) + points[:, 1] * np.sin(radians)
        place = turn * 2 * reach + np.round(offset).astype(int) + reach
        votes += np.bincount(place, weight, votes.size)
    votes = votes.reshape(360, 2 * reach).astype(np.float32)
    votes = cv2.blur(np.vstack([votes[-8:], votes, votes[:8]]), (3, 1))
    peaks = (votes >= cv2.dilate(votes, np.ones((9, 9), np.uint8))) & (votes > 0)
    peaks[:8] = peaks[-8:] = False
    rows, columns = np.nonzero(peaks)
    best = np.argsort(-votes[rows, columns])[:MOST_LINES]
    radians = np.radians(rows[best] - 8.0)
    found = np.stack([np.cos(radians), np.sin(radians), columns[best] - float(reach)], axis=1)
    return np.array([_settled(line, points, normal, weight) for line in found]).reshape(-1, 3)


def _settled(line: Floats, points: Floats, normal: Floats, weight: Floats) -> Floats:
    """Return a line fitted to the edge pixels near it: the vote is good to half a degree only."""
    for near_px in (4.0, 2.5, 1.5):
        close = np.abs(points @ line[:2] - line[2]) < near_px
        close &= normal @ line[:2] > 0.94
        if close.sum() < 20:
            return line
        mine, share = points[close], weight[close] / weight[close].sum()
        middle = share @ mine
        spread = (mine - middle).T @ ((mine - middle) * share[:, None])
        across = np.linalg.eigh(spread)[1][:, 0]
        across = across if across @ line[:2] > 0 else -across
        line = np.array([across[0], across[1], middle @ across])
    return line


def line_quads(
    lines: Floats, shape: tuple[int, ...], *, beyond_px: float = 2.0
) -> tuple[Floats, NDArray[np.int64]]:
    """Return quadrilaterals (n, 4, 2), clockwise as seen, and the lines (n, 4) of their sides.

    Side k runs from corner k to corner k + 1. The bright side of every line faces inwards. A corner
    may lie `beyond_px` outside.
    """
    normal, offset = lines[:, :2], lines[:, 2]
    cosines = normal @ normal.T
    first, third = np.nonzero(np.triu(cosines < math.cos(math.radians(150))))
    gap = -(offset[first] + offset[third])  # how far apart two facing lines are, roughly
    far = gap > 0.2 * min(shape)
    first, third = first[far], third[far]
    a, b = (grid.ravel() for grid in np.meshgrid(*[np.arange(len(first))] * 2, indexing="ij"))
    cross = normal[first[a], 0] * normal[first[b], 1] - normal[first[a], 1] * normal[first[b], 0]
    turned = np.abs(cosines[first[a], first[b]]) < math.sin(math.radians(35))
    a, b = a[turned & (cross > 0)], b[turned & (cross > 0)]
    sides = np.stack([first[a], first[b], third[a], third[b]], axis=1)
    corners = np.stack(
        [_meet(lines[sides[:, (k - 1) % 4]], lines[sides[:, k]]) for k in range(4)], axis=1
    )
    height, width = shape
    most = np.array([width - 1, height - 1]) + beyond_px
    inside = ((corners >= -beyond_px) & (corners <= most)).all(axis=(1, 2))
    return corners[inside], sides[inside]


def _meet(one: Floats, other: Floats) -> Floats:
    """Return where lines meet, (n, 2)."""
    across = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    across = np.where(np.abs(across) < 1e-9, 1e-9, across)
    x = (one[:, 2] * other[:, 1] - other[:, 2] * one[:, 1]) / across
    y = (one[:, 0] * other[:, 2] - other[:, 0] * one[:, 2]) / across
    return np.stack([x, y], axis=1)


def areas(quads: Floats) -> Floats:
    """Return the area of each quadrilateral (n,)."""
    after = np.roll(quads, -1, axis=1)
    return np.abs((quads[..., 0] * after[..., 1] - quads[..., 1] * after[..., 0]).sum(axis=1)) / 2


def has_shape(quads: Floats, paper_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """Tell which quadrilaterals may be the paper seen at a slant, either way round."""
    side = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2) + 1e-9
    opposite = np.abs(np.log(side[:, :2] / side[:, 2:])).max(axis=1) < math.log(1.6)
    wide = (side[:, 0] + side[:, 2]) / (side[:, 1] + side[:, 3])
    ratio = np.abs(np.log(paper_mm[0] / paper_mm[1]))
    return opposite & (np.abs(np.abs(np.log(wide)) - ratio) < SHAPE_SLACK)


def shape_error(quads: Floats, paper_mm: tuple[float, float], shape: tuple[int, ...]) -> Floats:
    """Return how far (n,), a logarithm, the true shape of each quadrilateral is from the paper's.

    The proportion of a rectangle seen in perspective follows from its corners and the focal length
    (Zhang and He, Whiteboard scanning and image enhancement, Digital Signal Processing 17, 2007,
    section 3.2); of the usual focal lengths the best is taken, the lens on the picture's middle.
    """
    middle = (np.array(shape[::-1]) - 1) / 2
    flat = quads - middle
    m1, m2, m4, m3 = (np.insert(flat[:, k], 2, 1.0, axis=1) for k in range(4))
    cross = np.cross(m1, m4)
    k2 = (cross * m3).sum(axis=1) / (np.cross(m2, m4) * m3).sum(axis=1)
    k3 = (cross * m2).sum(axis=1) / (np.cross(m3, m4) * m2).sum(axis=1)
    n2, n3 = k2[:, None] * m2 - m1, k3[:, None] * m3 - m1
    focal = np.array(_FOCAL_LENGTHS)[:, None] * (max(shape) - 2 * PAD_PX)
    length = [np.hypot(n[:, 0], n[:, 1]) ** 2 / focal**2 + n[:, 2] ** 2 for n in (n2, n3)]
    seen = np.abs(np.log(length[0] / length[1])) / 2
    error: Floats = np.abs(seen - abs(math.log(paper_mm[0] / paper_mm[1]))).min(axis=0)
    return error


def _size_error(quads: Floats, expected_px: Floats) -> Floats:
    """Return the largest error (n,) of a side, a logarithm, the sheet taken either way round."""
    side = np.linalg.norm(np.roll(quads, -1, axis=1) - quads, axis=2) + 1e-9
    upright, turned = (
        np.abs(np.log(side / np.tile(size, 2))).max(axis=1)
        for size in (expected_px, expected_px[::-1])
    )
    return np.minimum(upright, turned)


def _support(light: Light, lines: Floats, quads: Floats, sides: NDArray[np.int64]) -> Floats:
    """Return which share (n, 4) of each side of each quadrilateral is an edge, bright inside."""
    height, width = light.shape
    reach = math.ceil(math.hypot(height, width))
    along = np.arange(-reach, reach + 1, dtype=np.float32)
    sums = np.empty((len(lines), len(along) + 1))
    for index, (nx, ny, offset) in enumerate(lines):
        step = np.full(len(along), -1.0, np.float32)
        for shift in (-2, -1, 0, 1, 2):
            x, y = (offset + shift) * nx - along * ny, (offset + shift) * ny + along * nx
            near, far = (
                _sample(light, x + reach_px * nx, y + reach_px * ny)
                - _sample(light, x - reach_px * nx, y - reach_px * ny)
                for reach_px in (STEP_PX, WIDE_PX)
            )
            step = np.maximum(step, np.minimum(near, far))
        sums[index] = np.concatenate([[0], np.cumsum(step > LEAST_CONTRAST)])
    direction = np.stack([-lines[:, 1], lines[:, 0]], axis=1)[sides]
    starts, ends = quads, np.roll(quads, -1, axis=1)
    t0, t1 = ((points * direction).sum(axis=2) + reach for points in (starts, ends))
    low, high = (np.clip(f(t0, t1), 0, len(along)).astype(int) for f in (np.minimum, np.maximum))
    return (sums[sides, high] - sums[sides, low]) / np.maximum(np.abs(t1 - t0), 1)


def nearest(light: Light, points: Floats) -> Light:
    """Return the values (...) at the pixels nearest to points (..., 2), many at once."""
    at = np.clip(np.round(points).astype(int), 0, np.array(light.shape[::-1]) - 1)
    return light[at[..., 1], at[..., 0]]


def _sample(light: Light, x: Floats, y: Floats) -> Light:
    """Return values at points (n,), those beyond the picture as at its border."""
    return cv2.remap(
        light,
        np.asarray(x, np.float32)[None],
        np.asarray(y, np.float32)[None],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )[0]


def _is_sheet(light: Light, quad: Floats) -> bool:
    """Tell whether paper ends at the sides: a drawn frame has paper on its far side again."""
    height, width = light.shape
    size = math.sqrt(float(areas(quad[None])[0]))
    share = np.linspace(0.06, 0.94, 48)[:, None]
    centre = quad.mean(axis=0)
    rim = []
    for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        points = start + share * (end - start)
        out = np.array([end[1] - start[1], start[0] - end[0]]) / np.linalg.norm(end - start)
        out = out if (points.mean(axis=0) - centre) @ out > 0 else -out
        inner = _sample(light, *(points - 0.03 * size * out).T)
        rim.append(inner)
        room = _room(points, out, width, height)
        places: list[Any] = [d * size for d in _BEYOND if d * size <= room.min()]
        if room.max() > 2:
            places.append(
                np.minimum(room, size)
            )  # the farthest place in the picture: a frame near its border
        darkest = inner
        for distance in places:
            beyond = _sample(light, *(points + np.reshape(distance, (-1, 1)) * out).T)
            again = (beyond - darkest > _FRAME_DIP) & (np.abs(beyond - inner) < 0.6 * _FRAME_DIP)
            if np.mean(again) > 0.6:
                return False
            darkest = np.minimum(darkest, beyond)
    values = np.concatenate(rim)
    return bool(np.mean(values > np.percentile(values, 75) - 0.9) > 0.9)


def _room(points: Floats, out: Floats, width: int, height: int) -> Floats:
    """Return how far each point (n, 2) can go in a direction: to just beyond the border."""
    least = PAD_PX - STEP_PX
    room = np.full(len(points), np.inf)
    for axis, most in enumerate((width - 1 - least, height - 1 - least)):
        if abs(out[axis]) > 1e-6:
            limit = most if out[axis] > 0 else least
            room = np.minimum(room, (limit - points[:, axis]) / out[axis])
    return np.maximum(room, 0.0)


def _refined(
    grey: Grey, corners: Floats, reach_px: float, *, outside: int | None
) -> tuple[Floats, float]:
    """Return (corners with each side fitted within `reach_px` of where it was, the least hold)."""
    fitted, holds = np.empty((4, 3)), np.empty(4)
    for index in range(4):
        start, end = corners[index], corners[(index + 1) % 4]
        fitted[index], holds[index] = _fit_side(grey, start, end, reach_px, outside)
    met = [_meet(fitted[None, (k - 1) % 4], fitted[None, k])[0] for k in range(4)]
    return np.stack(met, axis=0), float(holds.min())


def _fit_side(
    grey: Grey, start: Floats, end: Floats, reach_px: float, outside: int | None
) -> tuple[Floats, float]:
    """Return (the line of one side, the share of it that lies on an edge within 1 px).

    A line is normal x, normal y, offset; the sheet lies on the right hand of start to end.
    """
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    inward = np.array([-along[1], along[0]])
    share = np.linspace(0.03, 0.97, int(np.clip(length / 6, 40, 400)))
    across = np.arange(-math.ceil(reach_px) - 2, math.ceil(reach_px) + 3, dtype=float)
    base = start + share[:, None] * (end - start)
    points = (base[:, None] + across[None, :, None] * inward).astype(np.float32)
    mode = cv2.BORDER_REPLICATE if outside is None else cv2.BORDER_CONSTANT
    profile = cv2.remap(
        grey, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=mode, borderValue=0
    ).astype(np.float32)
    slope = np.gradient(cv2.GaussianBlur(profile, (0, 0), sigmaX=1.0, sigmaY=0.8), axis=1)
    slope = slope[:, 1:-1]
    best = np.clip(slope.argmax(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(best))
    before, at, after = (slope[rows, best + step] for step in (-1, 0, 1))
    bend = np.minimum(before - 2 * at + after, -1e-6)
    place = across[best + 1] + np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    level, tilt = _robust_line(share - 0.5, place, at)
    clear = at > 0.3 * np.percentile(at, 80)
    hold = float(np.mean((np.abs(place - level - tilt * (share - 0.5)) < 1.0) & clear))
    middle = (start + end) / 2 + level * inward
    turned = along * length + tilt * inward
    normal = np.array([-turned[1], turned[0]]) / np.linalg.norm(turned)
    return np.array([normal[0], normal[1], float(middle @ normal)]), hold


def _robust_line(x: Floats, y: Floats, strength: Light) -> tuple[float, float]:
    """Return (level, tilt) of y = level + tilt x: Theil-Sen's median, then Tukey's biweight."""
    half = len(x) // 2
    tilt = float(np.median((y[half : 2 * half] - y[:half]) / (x[half : 2 * half] - x[:half])))
    level = float(np.median(y - tilt * x))
    seen = np.clip(strength, 0, np.median(strength) + 1e-6)
    for _ in range(8):
        rest = y - level - tilt * x
        spread = max(0.25, 1.4826 * float(np.median(np.abs(rest))))
        weight = seen * np.clip(1 - (rest / (4 * spread)) ** 2, 0, None) ** 2 + 1e-9
        total = weight.sum()
        mean_x, mean_y = (weight * x).sum() / total, (weight * y).sum() / total
        tilt = float(
            (weight * (x - mean_x) * (y - mean_y)).sum() / (weight * (x - mean_x) ** 2).sum()
        )
        level = float(mean_y - tilt * mean_x)
    return level, tilt


def refine_quad(grey: Grey, corners: Floats, *, dark_inside: bool = False) -> Floats:
    """Return the corners (4, 2) of a small even quadrilateral, clockwise, fitted to sub-pixel.

    Its sides are looked for within an eighth of its size; bright inside unless `dark_inside`.
    """
    size = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean())
    reach = max(2.0, size / 8)
    room = math.ceil(reach + 6)
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - room, 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + room + 1
    part = grey[low[1] : high[1], low[0] : high[0]]
    part = 255 - part if dark_inside else part
    fitted, _ = _refined(part, corners - low, reach, outside=None)
    fitted, _ = _refined(part, fitted, 2.0, outside=None)
    return fitted + low
