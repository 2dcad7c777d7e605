"""An open icon set against shapely: openings, islands and narrow places of every icon.

Outlines are read by fontTools; the icons (ISC licence) lie in tests/fonts. As with letters, only
what a negative buffer says for certain is judged.
"""

from functools import cache

import numpy as np
import pytest
import shapely
from shapely import affinity

from geometry.ink import find_ink
from geometry.islands import find_islands
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.recipe import Placement
from geometry.stencil import Stencil, build_stencil
from geometry.widths import find_thin
from tests.geometry.glyphs import glyph
from tests.geometry.scans import scan
from tests.geometry.test_type_truth import EDGE_MM, Letter, holes, parted, whole

FACE = "open-icons-subset"
ICONS = {
    "anchor": 57407, "house": 57589, "heart": 57586, "star": 57718, "key": 57597, "lock": 57611,
    "umbrella": 57753, "sailboat": 58238, "fish": 58278, "droplet": 57524, "sun": 57720,
    "moon": 57630, "cloud": 57480, "snail": 58616, "rabbit": 58614, "bird": 58309, "cat": 58252,
    "turtle": 58617, "shell": 58615, "trees": 58101, "mountain": 57905, "waves": 57987,
    "wind": 57776, "snowflake": 57701, "flame": 57554, "bell": 57433, "scissors": 57678,
    "ruler": 57675, "brush": 57811, "palette": 57821, "pencil": 57849, "music": 57634,
    "coffee": 57494, "cake": 58180, "apple": 58190, "cherry": 58192, "carrot": 57946,
    "compass": 57499, "map": 57616, "infinity": 57831, "hexagon": 57587, "shield": 57688,
    "gift": 57569, "crown": 57814, "bug": 57868, "squirrel": 58527, "ship": 58298,
    "lighthouse": 59217,
}  # fmt: skip
COLUMNS = 4
SURE = 0.1  # how far from the limit a width must be to be judged, mm
LARGE_MM, SMALL_MM = 30.0, 8.0  # lines of about 2.7 and 0.75 mm


@cache
def icons(side_mm: float, dpi: float) -> list[Letter]:
    """Return every icon, sixteen to a page, and what the engine makes of it."""
    cell_mm = 1.25 * side_mm
    size = (COLUMNS * cell_mm, COLUMNS * cell_mm)
    done = []
    for first in range(0, len(ICONS), COLUMNS**2):
        page = list(ICONS.items())[first : first + COLUMNS**2]
        corners = [(k % COLUMNS * cell_mm, k // COLUMNS * cell_mm) for k in range(len(page))]
        shapes = [
            fitted(chr(code), side_mm, (x + cell_mm / 2, y + cell_mm / 2))
            for (_, code), (x, y) in zip(page, corners, strict=True)
        ]
        grey, px_per_mm = scan(shapely.union_all(shapes), size, dpi, blur_px=0.7, seed=first)
        ink = find_ink(grey, px_per_mm)
        outlines = trace(ink, Placement(), size)
        found = find_islands(outlines, ink, Placement(), size, Limits())
        found += find_thin(ink, Placement(), Limits())
        openings = build_stencil(outlines, size).openings
        for (name, _), shape, (x, y) in zip(page, shapes, corners, strict=True):
            cell = shapely.box(x, y, x + cell_mm, y + cell_mm)
            own = tuple(one for one in openings if cell.contains(one.representative_point()))
            here = [one for one in found if cell.contains(shapely.Point(one.at_mm))]
            done.append(Letter(name, shape, cell, Stencil(size, "stencil", own), here))
    return done


def fitted(letter: str, side_mm: float, centre_mm: tuple[float, float]) -> shapely.Geometry:
    """Return an icon whose longer side is that long, about a middle."""
    shape = glyph(FACE, letter, 10.0, centre_mm)
    x0, y0, x1, y1 = shape.bounds
    factor = side_mm / max(x1 - x0, y1 - y0)
    return affinity.scale(shape, factor, factor, origin=centre_mm)


def test_openings_and_islands_are_those_of_the_outlines() -> None:
    counted = 0
    for icon in icons(LARGE_MM, 300):
        assert len(icon.stencil.openings) == len(shapely.get_parts(icon.black)), icon.name
        off_mm2 = abs(icon.stencil.opening_area_mm2 - icon.black.area)
        assert off_mm2 < EDGE_MM * icon.black.length, icon.name
        truth = [area for area in holes(icon) if area >= Limits().island_mm2]
        islands = sorted(f.area_mm2 or 0 for f in icon.found if f.kind == "island")
        assert len(islands) == len(truth), icon.name
        counted += len(truth)
        for found, area in zip(islands, truth, strict=True):
            assert found == pytest.approx(area, abs=EDGE_MM * 4 * np.sqrt(4 * np.pi * area))
    assert counted > 40


@pytest.mark.parametrize(("side_mm", "dpi"), [(SMALL_MM, 600), (LARGE_MM, 300)])
def test_narrow_places_are_those_of_a_negative_buffer(side_mm: float, dpi: float) -> None:
    judged = {True: 0, False: 0}
    for icon in icons(side_mm, dpi):
        film = icon.cell.difference(icon.black)
        for shape, kinds in (
            (icon.black, {"thin-line", "line-below-kerf"}),
            (film, {"thin-web", "thin-bridge"}),
        ):
            is_found = bool(kinds & {finding.kind for finding in icon.found})
            narrow_all_over = shape.buffer(-(1.0 - SURE) / 2).area < 0.02 * shape.area
            if narrow_all_over or parted(shape, 1.0 - SURE):
                judged[True] += 1
                assert is_found, (icon.name, kinds)
            elif whole(shape, 1.0 + SURE):
                judged[False] += 1
                assert not is_found, (icon.name, icon.found)
    assert sum(judged.values()) > 40
