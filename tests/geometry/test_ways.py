"""The way inside of film is found to its end however long it is."""

import numpy as np

from geometry.graph_kernels import ways_within


def test_way_through_a_long_spiral_corridor_goes_to_its_end() -> None:
    """A corridor 5 px wide that winds to and fro; its length is counted by hand."""
    rows, side = 20, 400
    region = np.zeros((12 * rows + 8, side + 8), np.uint8)
    for row in range(rows):
        top = 4 + 12 * row
        region[top : top + 5, 4 : side + 4] = 1
        if row < rows - 1:
            x = side - 1 if row % 2 == 0 else 4
            region[top : top + 17, x : x + 5] = 1
    start = np.full(region.shape, np.inf, np.float32)
    start[4:9, 4] = 0
    ways = ways_within(region, start)
    assert np.isfinite(ways[region > 0]).all()
    # Of 20 rows of 400 px and 19 steps of 12 px, a walker saves at the corners only.
    assert 0.97 * (rows * side) < ways[region > 0].max() < rows * side + 12 * rows
