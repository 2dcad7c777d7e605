"""Bands: the raster, the ways to the edge and the zones, against numpy and scipy."""

import numpy as np
import pytest
from scipy import ndimage

from geometry.bands import BLOCK_PX, find_band, pool, ways_to_edge


@pytest.mark.parametrize("seed", range(8))
def test_blocks_are_filled_by_the_half_of_their_pixels(seed: int) -> None:
    random = np.random.default_rng(seed)
    for _ in range(20):
        height, width, factor = (int(value) for value in random.integers(1, [40, 40, 6]))
        field = random.integers(-3, 3, (height, width)).astype(np.int16)
        rows, columns = -(-height // factor), -(-width // factor)
        box = (-2, -1, columns + 1, rows + 3)
        got = pool(field, factor, box)
        expected = np.zeros((rows + 4, columns + 3), np.uint8)  # film beyond the field
        for row in range(rows):
            for column in range(columns):
                block = field[
                    row * factor : (row + 1) * factor, column * factor : (column + 1) * factor
                ]
                ink = 2 * np.count_nonzero(block < 0)
                expected[row + 1, column + 2] = 2 if ink == block.size else int(ink > block.size)
        assert (got == expected).all()


def test_part_of_the_raster_is_that_part_of_the_whole() -> None:
    field = np.random.default_rng(1).integers(-3, 3, (90, 75)).astype(np.int16)
    whole = pool(field, 2, (0, 0, 38, 45))
    assert (pool(field, 2, (5, 9, 30, 40)) == whole[9:40, 5:30]).all()


@pytest.mark.parametrize("farthest", [3, 11, 40, 170])
def test_ways_are_those_of_scipy_up_to_the_farthest(farthest: int) -> None:
    random = np.random.default_rng(farthest)
    for share in (0.001, 0.01, 0.3):
        mask = (random.random((150, 217)) > share).astype(np.uint8)
        exact = ndimage.distance_transform_edt(mask) ** 2
        found = ways_to_edge(mask, farthest)
        assert (found == np.minimum(np.rint(exact), farthest**2)).all()


def test_all_inside_is_as_far_as_can_be() -> None:
    assert (ways_to_edge(np.ones((20, 90), np.uint8), 9) == 81).all()


def in_zone(mask: np.ndarray, reach: float) -> np.ndarray:
    """Return the zone of a mask by pixels."""
    zone = find_band(mask, reach).zone
    fine = np.repeat(np.repeat(zone, BLOCK_PX, 0), BLOCK_PX, 1)
    return fine[: mask.shape[0], : mask.shape[1]] > 0


@pytest.mark.parametrize("turn", [0, 11, 30, 45])
def test_narrow_strip_lies_in_the_zone_and_a_wide_one_does_not(turn: float) -> None:
    y, x = np.mgrid[:160, :160] - 80.0
    angle = np.radians(turn)
    across = np.abs(x * np.sin(angle) + y * np.cos(angle))
    narrow = (across <= 5).astype(np.uint8)
    inner = np.hypot(x, y) < 60
    assert in_zone(narrow, 7.5)[(narrow > 0) & inner].all()
    wide = (across <= 20).astype(np.uint8)
    assert not in_zone(wide, 7.5)[inner].any()


def test_neck_between_two_discs_lies_in_the_zone_and_their_sides_do_not() -> None:
    y, x = np.mgrid[:120, :200].astype(float)
    discs = (np.hypot(x - 62, y - 60) <= 40) | (np.hypot(x - 138, y - 60) <= 40)
    zone = in_zone(discs.astype(np.uint8), 12.0)
    assert zone[55:66, 95:106].all()
    assert not zone[:, :50].any()
    assert not zone[:, 150:].any()


def test_blunt_corner_is_left_out_and_an_acute_one_is_not() -> None:
    y, x = np.mgrid[:120, :120].astype(float)
    square = ((x >= 30) & (y >= 30)).astype(np.uint8)
    assert not in_zone(square, 7.5)[25:60, 25:60].any()
    acute = ((y >= 20) & (np.abs(x - 60) <= 0.3 * (y - 20))).astype(np.uint8)
    assert in_zone(acute, 7.5)[20:40, 60].all()


def test_reach_beyond_what_fits_is_refused() -> None:
    with pytest.raises(ValueError, match="too fine"):
        find_band(np.ones((30, 30), np.uint8), 400.0)
