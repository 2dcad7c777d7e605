"""No fewer bridges hold the islands: every smaller choice of places leaves some film loose.

Brute force over a coarse set of places, without anything of the package: shapely cuts the strips
out of the ink and scipy's labels count what hangs together.
"""

from collections.abc import Iterable
from itertools import combinations

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely import LineString

from tests.geometry.test_bridges import SIDE_MM, proposed, ring, strip

PX_PER_MM = 4
HALF_WIDTH_MM = 0.75

DRAWINGS = {
    "two rings": [(30, 40, 5), (60, 60, 5)],
    "three rings": [(25, 30, 5), (55, 35, 5), (40, 65, 5)],
    "two that touch": [(40, 50, 5), (51.4, 50, 5)],
    "nested": [(50, 50, 2), (50, 50, 5)],
    "nested beside one": [(30, 40, 5), (60, 60, 2), (60, 60, 5)],
}


def pixels(shape: shapely.Geometry) -> NDArray[np.bool_]:
    """The pixels of the blank whose middles a shape covers."""
    at = (np.arange(round(SIDE_MM * PX_PER_MM)) + 0.5) / PX_PER_MM
    x, y = np.meshgrid(at, at)
    shapely.prepare(shape)
    return np.asarray(shapely.contains_xy(shape, x, y))


def parts(film: NDArray[np.bool_]) -> int:
    """How many parts of 1 mm2 or more the film falls into."""
    labels, _ = ndimage.label(film)
    return int((np.bincount(labels.ravel())[1:] >= PX_PER_MM**2).sum())


def places(rings: Iterable[tuple[float, float, float]]) -> list[shapely.Geometry]:
    """Strips across every ring, at eight places of each."""
    found = []
    for x, y, radius in rings:
        for turn in np.arange(8) * np.pi / 4 + 0.1:
            way = np.array([np.cos(turn), np.sin(turn)])
            line = LineString([(x, y) + (radius + off) * way for off in (-1.3, 1.3)])
            found.append(line.buffer(HALF_WIDTH_MM, cap_style="flat"))
    return found


@pytest.mark.parametrize("name", list(DRAWINGS))
def test_no_fewer_bridges_hold_the_islands(name: str) -> None:
    black = shapely.union_all([ring(*one) for one in DRAWINGS[name]])
    proposal = proposed(black)
    kinds = [finding.kind for finding in proposal.before.findings]
    ink = pixels(black)
    assert parts(~ink) == kinds.count("island") + 1
    held = ink & ~pixels(shapely.union_all([strip(bridge.site) for bridge in proposal.bridges]))
    assert parts(~held) == 1
    strips = [pixels(one) for one in places(DRAWINGS[name])]
    for fewer in combinations(strips, len(proposal.bridges) - 1):
        assert parts(~(ink & ~np.logical_or.reduce(fewer, axis=0))) > 1
