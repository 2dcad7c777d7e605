"""The compiled inner loops of finding paper; `geometry.paper_edges` says what they do and why.

A light is a picture (h, w) float32, the logarithm of its brightness. A line is normal x, normal y,
offset; its bright side lies where p . normal > offset. All lengths in its pixels, x before y.
"""

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

Light = NDArray[Any]  # float32
Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

PAD_PX: Final = 16  # coarse pixels put round the picture, so that an edge may lie at its border
STEP_PX: Final = 3.0  # an edge is measured this far to both of its sides
WIDE_PX: Final = 8.0  # and this far: a bright joint between dark tiles is no edge of paper
LEAST_CONTRAST: Final = 0.05  # natural logarithm of paper over what lies beyond its edge
_LEAST_SLOPE: Final = 0.012  # of the light in a pixel, to be looked at as an edge
_MOST_WEIGHT: Final = 0.1  # of an edge pixel: a strong edge counts no more than a fair one
_LEANS: Final = 4  # degrees that an edge pixel may lean on either side of its line
_PEAK_PX: Final = 4  # a peak of the votes is the greatest this far round, in degrees and pixels
_LEAST_PIXELS: Final = 20  # that a line is fitted to
_BEYOND: Final = (0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.12, 0.17, 0.24)  # shares of the size
_FRAME_DIP: Final = 0.2  # a drawn frame is at least this much darker than paper (logarithm)
_RIM_PLACES: Final = 48  # looked at along a side for what lies beyond it
_LIKE_PLACES: Final = 20  # and for how even the paper is


@njit(cache=True, inline="always")
def _nearest(light: Light, x: float, y: float) -> Any:
    """Return the value at the pixel nearest to a point, at the border beyond it."""
    height, width = light.shape
    column = min(max(int(np.rint(x)), 0), width - 1)
    row = min(max(int(np.rint(y)), 0), height - 1)
    return light[row, column]


@njit(cache=True, inline="always")
def _between(light: Light, x: float, y: float) -> Any:
    """Return the value at a point by its four pixels, at the border beyond it."""
    height, width = light.shape
    x = min(max(x, 0.0), width - 1.0)
    y = min(max(y, 0.0), height - 1.0)
    left, top = int(x), int(y)
    right, below = min(left + 1, width - 1), min(top + 1, height - 1)
    fx, fy = np.float32(x - left), np.float32(y - top)
    upper = light[top, left] + fx * (light[top, right] - light[top, left])
    lower = light[below, left] + fx * (light[below, right] - light[below, left])
    return upper + fy * (lower - upper)


@njit(cache=True)
def edge_pixels(
    light: Light, slope_x: Light, slope_y: Light, strength: Light
) -> tuple[Floats, Indices]:
    """Return (edge pixels (n, 5), where (361,) those of each whole degree begin among them).

    A row is x, y, the unit normal towards the bright side, weight. Only ridges of the gradient
    count, so that one edge is one pixel wide, and only where it stays brighter farther in and
    darker farther out.
    """
    height, width = light.shape
    count = 0
    found = np.empty(height * width, np.int32)
    turns = np.empty(height * width, np.int16)
    starts = np.zeros(361, np.int64)
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            here = strength[y, x]
            if here <= np.float32(_LEAST_SLOPE):
                continue
            gx, gy = slope_x[y, x], slope_y[y, x]
            if abs(gx) > abs(gy):
                ridge = here >= strength[y, x - 1] and here > strength[y, x + 1]
            else:
                ridge = here >= strength[y - 1, x] and here > strength[y + 1, x]
            if not ridge:
                continue
            nx, ny = gx / here, gy / here
            inner = _nearest(light, x + WIDE_PX * nx, y + WIDE_PX * ny)
            outer = _nearest(light, x - WIDE_PX * nx, y - WIDE_PX * ny)
            if inner - outer > np.float32(LEAST_CONTRAST):
                turn = int(np.rint(math.degrees(math.atan2(ny, nx)))) % 360
                found[count], turns[count] = y * width + x, turn
                starts[turn + 1] += 1
                count += 1
    starts = np.cumsum(starts)
    free = starts.copy()
    pixels = np.empty((count, 5))
    for index in range(count):
        y, x = divmod(found[index], width)
        here = strength[y, x]
        row = pixels[free[turns[index]]]
        row[0], row[1] = x, y
        row[2], row[3] = slope_x[y, x] / here, slope_y[y, x] / here
        row[4] = min(here, np.float32(_MOST_WEIGHT))
        free[turns[index]] += 1
    return pixels, starts


@njit(cache=True)
def line_votes(pixels: Floats, starts: Indices, reach: int) -> Light:
    """Return the votes (360, 2 * reach) float32 for lines: by degree and by offset + reach.

    A pixel votes for the lines through it within _LEANS degrees of its normal. Averaged over
    three neighbours along the offset.
    """
    votes = np.zeros((360, 2 * reach), np.float32)
    exact = np.zeros(2 * reach)
    for turn in range(360):
        exact[:] = 0
        cosine, sine = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        for lean in range(-_LEANS, _LEANS + 1):
            nearby = (turn - lean) % 360
            for index in range(starts[nearby], starts[nearby + 1]):
                x, y, weight = pixels[index, 0], pixels[index, 1], pixels[index, 4]
                exact[int(np.rint(x * cosine + y * sine)) + reach] += weight
        for place in range(1, 2 * reach - 1):
            total = exact[place - 1] + exact[place] + exact[place + 1]
            votes[turn, place] = total / 3
    return votes


@njit(cache=True)
def vote_peaks(votes: Light, most: int) -> Indices:
    """Return where (n, 2) the votes are greatest all round, the `most` strongest, strongest first.

    Of equal ones those of the lesser degree and offset come first.
    """
    turns, offsets = votes.shape
    places, values = np.empty((most, 2), np.int64), np.zeros(most, np.float32)
    count, least = 0, np.float32(0)  # what a peak must exceed to be among the strongest
    for turn in range(turns):
        for offset in range(offsets):
            here = votes[turn, offset]
            if here <= least or not _is_peak(votes, turn, offset):
                continue
            place = min(count, most - 1)
            while place and values[place - 1] < here:
                places[place], values[place] = places[place - 1], values[place - 1]
                place -= 1
            places[place, 0], places[place, 1], values[place] = turn, offset, here
            count = min(count + 1, most)
            least = values[most - 1]
    return places[:count]


@njit(cache=True)
def _is_peak(votes: Light, turn: int, offset: int) -> bool:
    """Tell whether no vote within _PEAK_PX is greater; degrees go round."""
    here = votes[turn, offset]
    first, last = max(offset - _PEAK_PX, 0), min(offset + _PEAK_PX, votes.shape[1] - 1)
    for step in range(2 * _PEAK_PX + 1):
        lean = (step + 1) // 2 * (1 if step % 2 else -1)  # its own row first: most are beaten there
        row = votes[(turn + lean) % len(votes)]
        for place in range(first, last + 1):
            if row[place] > here:
                return False
    return True


@njit(cache=True)
def settle_lines(lines: Floats, pixels: Floats, starts: Indices) -> Floats:
    """Return lines (n, 3) fitted to the edge pixels near them, by weighted total least squares.

    The vote is good to half a degree only. A line with too few pixels stays as it is.
    """
    settled = lines.copy()
    for line in settled:
        for near_px in (4.0, 2.5, 1.5):
            nx, ny, offset = line[0], line[1], line[2]
            middle = int(np.rint(math.degrees(math.atan2(ny, nx))))
            count, total = 0, 0.0
            u1, v1, uu, uv, vv = 0.0, 0.0, 0.0, 0.0, 0.0
            for turn in range(middle - 21, middle + 22):  # cosine 0.94 is 20 degrees
                for index in range(starts[turn % 360], starts[turn % 360 + 1]):
                    pixel = pixels[index]
                    across = pixel[0] * nx + pixel[1] * ny - offset
                    if abs(across) >= near_px or pixel[2] * nx + pixel[3] * ny <= 0.94:
                        continue
                    along = pixel[1] * nx - pixel[0] * ny
                    weight = pixel[4]
                    count += 1
                    total += weight
                    u1 += weight * along
                    v1 += weight * across
                    uu += weight * along * along
                    uv += weight * along * across
                    vv += weight * across * across
            if count < _LEAST_PIXELS:
                break
            u1, v1 = u1 / total, v1 / total
            uu, uv, vv = uu / total - u1 * u1, uv / total - u1 * v1, vv / total - v1 * v1
            lean = 0.5 * math.atan2(2 * uv, uu - vv)  # of the long axis off the line
            cosine, sine = math.cos(lean), math.sin(lean)
            line[0], line[1] = cosine * nx + sine * ny, cosine * ny - sine * nx
            line[2] = cosine * (offset + v1) - sine * u1
    return settled


@njit(cache=True)
def side_support(light: Light, lines: Floats, quads: Floats, sides: Indices) -> Floats:
    """Return which share (n, 4) of each side of quads (n, 4, 2) is an edge, bright inside.

    sides: (n, 4) the line of each side, which may lie two pixels off.
    """
    reach = math.ceil(math.hypot(light.shape[0], light.shape[1]))
    places = 2 * reach + 1
    ends = np.empty((len(quads), 4, 2))
    first, last = np.full(len(lines), places), np.zeros(len(lines), np.int64)
    for index in range(len(quads)):
        for side in range(4):
            line = sides[index, side]
            nx, ny = lines[line, 0], lines[line, 1]
            for end in range(2):
                point = quads[index, (side + end) % 4]
                ends[index, side, end] = point[1] * nx - point[0] * ny + reach
            low, high = ends[index, side].min(), ends[index, side].max()
            first[line] = min(first[line], int(min(max(low, 0.0), places)))
            last[line] = max(last[line], int(min(max(high, 0.0), places)))
    sums = np.zeros((len(lines), places + 1), np.int32)
    for line in range(len(lines)):
        for place in range(first[line], last[line]):
            is_edge = _is_edge(light, lines[line], place - reach)
            sums[line, place + 1] = sums[line, place] + is_edge
    support = np.empty((len(quads), 4))
    for index in range(len(quads)):
        for side in range(4):
            low, high = ends[index, side].min(), ends[index, side].max()
            sum_ = sums[sides[index, side]]
            held = sum_[int(min(max(high, 0.0), places))] - sum_[int(min(max(low, 0.0), places))]
            support[index, side] = held / max(high - low, 1.0)
    return support


@njit(cache=True)
def _is_edge(light: Light, line: Floats, along: float) -> bool:
    """Tell whether it is brighter on the bright side of a line, both near to it and farther off."""
    nx, ny = line[0], line[1]
    for shift in range(-2, 3):
        x, y = (line[2] + shift) * nx - along * ny, (line[2] + shift) * ny + along * nx
        held = True
        for reach in (STEP_PX, WIDE_PX):
            inner = _between(light, x + reach * nx, y + reach * ny)
            outer = _between(light, x - reach * nx, y - reach * ny)
            held = held and inner - outer > np.float32(LEAST_CONTRAST)
            if not held:
                break
        if held:
            return True
    return False


@njit(cache=True)
def rim_of(light: Light, quads: Floats) -> Floats:
    """Return how bright and how uneven (n, 2) the rim inside each quadrilateral (n, 4, 2) is."""
    rims = np.empty((len(quads), 2))
    for index in range(len(quads)):
        centre_x, centre_y = quads[index, :, 0].mean(), quads[index, :, 1].mean()
        before, total, rough = np.float32(0), 0.0, 0.0
        for side in range(4):
            start, end = quads[index, side], quads[index, (side + 1) % 4]
            for place in range(_LIKE_PLACES):
                share = 0.08 + 0.84 * place / (_LIKE_PLACES - 1)
                x = start[0] + share * (end[0] - start[0])
                y = start[1] + share * (end[1] - start[1])
                here = _nearest(light, x + 0.05 * (centre_x - x), y + 0.05 * (centre_y - y))
                if side or place:
                    rough += min(abs(here - before), np.float32(0.3))
                total += here
                before = here
        rims[index, 0] = total / (4 * _LIKE_PLACES)
        rims[index, 1] = rough / (4 * _LIKE_PLACES - 1)
    return rims


@njit(cache=True)
def first_sheet(light: Light, quads: Floats) -> int:
    """Return the first quadrilateral (n, 4, 2) at whose sides paper ends, -1 where none does.

    A drawn frame has paper on its far side again. Paper is as bright all along its rim.
    """
    rim = np.empty(4 * _RIM_PLACES, np.float32)
    for index in range(len(quads)):
        quad = quads[index]
        after = np.empty_like(quad)
        after[:3], after[3] = quad[1:], quad[0]
        cross = (quad[:, 0] * after[:, 1] - quad[:, 1] * after[:, 0]).sum()
        size = math.sqrt(abs(cross) / 2)
        framed = False
        for side in range(4):
            part = rim[side * _RIM_PLACES : (side + 1) * _RIM_PLACES]
            if _is_framed(light, quad, side, size, part):
                framed = True
                break
        if framed:
            continue
        ordered = np.sort(rim)
        at = 0.75 * (len(rim) - 1)
        low = int(at)
        high = ordered[low] + (at - low) * (ordered[low + 1] - ordered[low])
        if (rim > high - 0.9).sum() > 0.9 * len(rim):
            return index
    return -1


@njit(cache=True)
def _is_framed(light: Light, quad: Floats, side: int, size: float, rim: Light) -> bool:
    """Tell whether paper goes on beyond a side; write into `rim` how bright it is inside."""
    start, end = quad[side], quad[(side + 1) % 4]
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    out_x, out_y = (end[1] - start[1]) / length, (start[0] - end[0]) / length
    middle_x, middle_y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    away = (middle_x - quad[:, 0].mean()) * out_x + (middle_y - quad[:, 1].mean()) * out_y
    if away <= 0:
        out_x, out_y = -out_x, -out_y
    x, y = np.empty(_RIM_PLACES), np.empty(_RIM_PLACES)
    room = np.empty(_RIM_PLACES)
    for place in range(_RIM_PLACES):
        share = 0.06 + 0.88 * place / (_RIM_PLACES - 1)
        x[place] = start[0] + share * (end[0] - start[0])
        y[place] = start[1] + share * (end[1] - start[1])
        room[place] = _room(light, x[place], y[place], out_x, out_y)
        inside = 0.03 * size
        rim[place] = _between(light, x[place] - inside * out_x, y[place] - inside * out_y)
    darkest = rim.copy()
    least_room, most_room = room.min(), room.max()
    for step in range(len(_BEYOND) + 1):
        farthest = step == len(_BEYOND)  # in the picture: a frame near its border
        if farthest and most_room <= 2:
            break
        distance = 0.0 if farthest else _BEYOND[step] * size
        if distance > least_room:
            continue
        again = 0
        for place in range(_RIM_PLACES):
            far = min(room[place], size) if farthest else distance
            beyond = _between(light, x[place] + far * out_x, y[place] + far * out_y)
            risen = beyond - darkest[place] > np.float32(_FRAME_DIP)
            again += risen and abs(beyond - rim[place]) < np.float32(0.6 * _FRAME_DIP)
            darkest[place] = min(darkest[place], beyond)
        if again > 0.6 * _RIM_PLACES:
            return True
    return False


@njit(cache=True)
def _room(light: Light, x: float, y: float, out_x: float, out_y: float) -> float:
    """Return how far a point can go in a direction: to just beyond the picture's border."""
    least = PAD_PX - STEP_PX
    room = np.inf
    if abs(out_x) > 1e-6:
        limit = light.shape[1] - 1 - least if out_x > 0 else least
        room = min(room, (limit - x) / out_x)
    if abs(out_y) > 1e-6:
        limit = light.shape[0] - 1 - least if out_y > 0 else least
        room = min(room, (limit - y) / out_y)
    return max(room, 0.0)


@njit(cache=True)
def robust_line(x: Floats, y: Floats, strength: Light) -> tuple[float, float]:
    """Return (level, tilt) of y = level + tilt x: Theil-Sen's median, then Tukey's biweight."""
    half = len(x) // 2
    tilt = np.median((y[half : 2 * half] - y[:half]) / (x[half : 2 * half] - x[:half]))
    level = np.median(y - tilt * x)
    most = np.median(strength) + 1e-6
    for _ in range(8):
        rest = y - level - tilt * x
        spread = max(0.25, 1.4826 * np.median(np.abs(rest)))
        total, mean_x, mean_y = 0.0, 0.0, 0.0
        weight = np.empty(len(x))
        for index in range(len(x)):
            seen = min(max(strength[index], 0.0), most)
            near = max(1 - (rest[index] / (4 * spread)) ** 2, 0.0)
            weight[index] = seen * near**2 + 1e-9
            total += weight[index]
            mean_x += weight[index] * x[index]
            mean_y += weight[index] * y[index]
        mean_x, mean_y = mean_x / total, mean_y / total
        along = (weight * (x - mean_x) ** 2).sum()
        tilt = (weight * (x - mean_x) * (y - mean_y)).sum() / along
        level = mean_y - tilt * mean_x
    return level, tilt
