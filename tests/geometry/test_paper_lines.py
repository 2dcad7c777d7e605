"""The straight edges of a picture and the lines fitted to them, against geometry and libraries."""

import math

import cv2
import numpy as np
import pytest
from scipy import ndimage, stats

from geometry import paper_kernels
from geometry.paper_lines import Overview, edge_lines, light_of

SIDE_PX = 700


def half_plane(turn_deg: float, offset_px: float) -> np.ndarray:
    """A picture that is white where p . (cos, sin) > offset from its middle, grey elsewhere."""
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX] - (SIDE_PX - 1) / 2
    angle = math.radians(turn_deg)
    into = x * math.cos(angle) + y * math.sin(angle) - offset_px
    return np.rint(90 + 150 * np.clip(into + 0.5, 0, 1)).astype(np.uint8)


@pytest.mark.parametrize("turn_deg", [0, 0.4, 17.3, 90, 133.7, 180, 181.2, 269.9, 359.6])
@pytest.mark.parametrize("offset_px", [-80.3, 0, 41.6])
def test_an_edge_is_found_where_it_is_with_its_bright_side(
    turn_deg: float, offset_px: float
) -> None:
    """Truth by arithmetic; an upright edge snaps to whole pixels, half a pixel off at most."""
    light = light_of(half_plane(turn_deg, offset_px), flush=False)
    nx, ny, offset = edge_lines(light)[0]
    middle = (light.shape[0] - 1) / 2
    assert math.degrees(math.atan2(ny, nx)) % 360 == pytest.approx(turn_deg, abs=0.03)
    assert offset - middle * (nx + ny) == pytest.approx(offset_px, abs=0.51)


def test_a_line_through_edge_pixels_is_the_one_of_least_squares_across() -> None:
    """Against the singular vector of the weighted points (NumPy)."""
    random = np.random.default_rng(4)
    along, across = random.uniform(50, 600, 400), random.normal(0, 0.3, 400)
    nx, ny = math.cos(0.5), math.sin(0.5)
    points = np.stack([300 * nx - along * ny + across * nx, 300 * ny + along * nx + across * ny], 1)
    weight = random.uniform(0.02, 0.1, 400)
    pixels = np.column_stack([points, np.full(400, nx), np.full(400, ny), weight])
    starts = np.where(np.arange(361) > 29, 400, 0)  # 0.5 radians are 28.6 degrees
    turn = math.radians(28)
    rough = np.array([[math.cos(turn), math.sin(turn), 0.0]])
    rough[0, 2] = points.mean(axis=0) @ rough[0, :2]
    line = paper_kernels.settle_lines(rough, pixels, starts)[0]
    close = np.abs(points @ line[:2] - line[2]) < 1.5
    middle = np.average(points[close], axis=0, weights=weight[close])
    spread = (points[close] - middle) * np.sqrt(weight[close])[:, None]
    normal = np.linalg.svd(spread)[2][1]
    normal *= np.sign(normal @ line[:2])
    assert line == pytest.approx([*normal, middle @ normal], abs=1e-6)


def test_the_strongest_peaks_are_those_of_a_greatest_filter() -> None:
    """Against SciPy's maximum filter, degrees going round."""
    votes = np.random.default_rng(8).uniform(0, 1, (360, 300)).astype(np.float32)
    votes = cv2.GaussianBlur(votes, (0, 0), 1.5, borderType=cv2.BORDER_REFLECT)
    greatest = ndimage.maximum_filter(votes, 9, mode=("wrap", "constant"))
    rows, columns = np.nonzero(votes == greatest)
    best = np.argsort(-votes[rows, columns], kind="stable")[:56]
    found = paper_kernels.vote_peaks(votes, 56)
    assert found.tolist() == np.column_stack([rows, columns])[best].tolist()
    assert len(paper_kernels.vote_peaks(np.zeros((360, 40), np.float32), 56)) == 0


def test_a_fifth_of_strays_does_not_move_a_robust_line() -> None:
    """Near the slope of SciPy's Theil-Sen estimate, and at the true line without strays."""
    random = np.random.default_rng(2)
    x = np.linspace(-0.5, 0.5, 200)
    y = 3 + 2 * x + random.normal(0, 0.05, 200)
    level, tilt = paper_kernels.robust_line(x, y, np.ones(200, np.float32))
    assert (level, tilt) == pytest.approx(np.polyfit(x, y, 1)[::-1], abs=0.01)
    y[random.permutation(200)[:40]] += 20
    level, tilt = paper_kernels.robust_line(x, y, np.ones(200, np.float32))
    assert (level, tilt) == pytest.approx((3, 2), abs=0.03)
    assert tilt == pytest.approx(stats.theilslopes(y, x).slope, abs=0.3)


def test_the_support_of_a_side_is_its_share_on_an_edge() -> None:
    """A bright square whose right side has an eighth covered by paper as bright as itself."""
    grey = np.full((400, 400), 60, np.uint8)
    grey[100:300, 100:300] = 230
    grey[175:200, 300:340] = 230
    light = light_of(grey, flush=False)
    low, high = 99.5 + paper_kernels.PAD_PX, 299.5 + paper_kernels.PAD_PX
    lines = np.array([(0, 1, low), (-1, 0, -high), (0, -1, -high), (1, 0, low)], float)
    quad = np.array([[(low, low), (high, low), (high, high), (low, high)]])
    support = paper_kernels.side_support(light, lines, quad, np.array([[0, 1, 2, 3]]))
    assert support[0] == pytest.approx([1, 1 - 25 / 200, 1, 1], abs=0.05)


def test_a_smaller_picture_and_its_edges_are_made_once() -> None:
    overview = Overview(half_plane(30, 0))
    assert overview.shrunk(400)[0] is overview.shrunk(400)[0]
    assert overview.edges.lines is overview.edges.lines
