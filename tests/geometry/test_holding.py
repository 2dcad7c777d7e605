"""Which thin webs hold film, against scipy's labels of the film with all webs cut."""

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from geometry.holding import holds_film
from geometry.ink import find_loops
from geometry.kernels import UNIT

SIDE = 300


def field_of(ink: NDArray[np.uint8]) -> NDArray[np.int16]:
    """Return a blurred field of ink (1) and film (0)."""
    soft = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), 0.8)
    return ((0.5 - soft) * UNIT).astype(np.int16)


def web(x: float, y: float, width: float, angle: float) -> list[float]:
    return [width, x, y, np.cos(angle), np.sin(angle)]


def test_single_bridge_of_a_ring_holds_its_inside() -> None:
    ink = np.zeros((SIDE, SIDE), np.uint8)
    cv2.circle(ink, (150, 150), 60, 1, 12)
    ink[140:160, 200:220] = 0
    calipers = np.array([web(210, 149.5, 20, np.pi / 2)])
    assert holds_film(find_loops(field_of(ink)), calipers, least_area_px=100).tolist() == [True]


def test_web_between_two_openings_holds_nothing() -> None:
    ink = np.zeros((SIDE, SIDE), np.uint8)
    ink[100:140, 50:250] = 1
    ink[150:190, 50:250] = 1
    calipers = np.array([web(150, 144.5, 10, np.pi / 2)])
    assert holds_film(find_loops(field_of(ink)), calipers, least_area_px=100).tolist() == [False]


def test_what_is_freed_counts_from_the_least_area_on() -> None:
    ink = np.zeros((SIDE, SIDE), np.uint8)
    cv2.circle(ink, (150, 150), 16, 1, 8)
    ink[145:155, 158:175] = 0
    calipers = np.array([web(166, 149.5, 10, np.pi / 2)])
    loops = find_loops(field_of(ink))
    inside = np.pi * 12**2
    assert holds_film(loops, calipers, least_area_px=0.7 * inside).tolist() == [True]
    assert holds_film(loops, calipers, least_area_px=1.5 * inside).tolist() == [False]


def test_web_inside_an_island_holds_nothing_of_the_frame() -> None:
    ink = np.zeros((SIDE, SIDE), np.uint8)
    cv2.circle(ink, (150, 150), 100, 1, 10)
    cv2.circle(ink, (150, 150), 40, 1, 10)
    ink[145:155, 180:200] = 0
    calipers = np.array([web(190, 149.5, 10, np.pi / 2)])
    assert holds_film(find_loops(field_of(ink)), calipers, least_area_px=50).tolist() == [False]


@pytest.mark.parametrize("seed", range(12))
def test_random_webs_are_those_of_labels(seed: int) -> None:
    random = np.random.default_rng(seed)
    ink = np.zeros((SIDE, SIDE), np.uint8)
    calipers = []
    for _ in range(9):
        x, y = random.uniform(40, SIDE - 40, 2)
        radius = random.uniform(14, 30)
        ring = np.zeros_like(ink)
        cv2.circle(ring, (round(x), round(y)), round(radius), 1, 6)
        ink |= ring
        for angle in random.uniform(0, 2 * np.pi, random.integers(1, 3)):
            calipers.append((x, y, radius, angle))
    webs = []
    for x, y, radius, angle in calipers:
        middle = np.array([x + radius * np.cos(angle), y + radius * np.sin(angle)])
        across = np.array([np.cos(angle), np.sin(angle)])
        ends = [tuple(np.rint(middle + side * 7 * across).astype(int).tolist()) for side in (-1, 1)]
        cv2.line(ink, ends[0], ends[1], 0, 6)
        webs.append((middle, np.array([-across[1], across[0]])))
    field = field_of(ink)
    measured = np.array([m for m in (_chord(field, *one) for one in webs) if m is not None])
    cut = field >= 0
    for width, x, y, way_x, way_y in measured:
        for step in np.arange(-width / 2 - 1.5, width / 2 + 1.5, 0.2):
            at = np.rint([y + step * way_y, x + step * way_x]).astype(int)
            cut[at[0], at[1]] = cut[at[0], at[1] + 1] = False
    before, _ = ndimage.label(field >= 0)
    after, count = ndimage.label(cut)
    areas = ndimage.sum_labels(cut, after, range(count + 1))
    expected = []
    for _, x, y, way_x, way_y in measured:
        sides = [(round(y + s * 4 * way_x), round(x - s * 4 * way_y)) for s in (-1, 1)]
        joined = any(before[at] == before[0, 0] for at in sides)
        freed = any(
            after[at] > 0 and after[at] != after[0, 0] and areas[after[at]] >= 60 for at in sides
        )
        expected.append(joined and freed)
    found = holds_film(find_loops(field), measured, least_area_px=60)
    crossed = _crossed(measured)
    assert found[~crossed].tolist() == np.array(expected)[~crossed].tolist()
    assert len(found) > 6


def _chord(
    field: NDArray[np.int16], middle: NDArray[np.float64], way: NDArray[np.float64]
) -> list[float] | None:
    """Return the caliper across a web cut at a place, or None where film is wider."""
    reach = []
    for side in (-1, 1):
        for step in np.arange(0, 12, 0.25):
            x, y = np.rint(middle + side * step * way).astype(int)
            if field[y, x] < 0:
                reach.append(side * step)
                break
        else:
            return None
    centre = middle + (reach[0] + reach[1]) / 2 * way
    return [reach[1] - reach[0], *centre.tolist(), *way.tolist()]


def _crossed(calipers: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which chords cross another, where it is not told by labels which parts they part."""
    half = calipers[:, :1] / 2 * calipers[:, 3:]
    lines = [
        shapely.LineString([one - part, one + part])
        for one, part in zip(calipers[:, 1:3], half, strict=True)
    ]
    return np.array([sum(line.crosses(other) for other in lines) > 0 for line in lines])
