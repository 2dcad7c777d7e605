"""Three open faces against shapely: openings, islands and narrow places of every letter.

Outlines are read by fontTools; the faces (SIL Open Font License) lie in tests/fonts. A place is
narrow for certain where a negative buffer parts what was whole, and for certain none is where a
wider one changes nothing but tips; what lies between is not judged.
"""

import string
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
import shapely

from geometry.findings import Finding
from geometry.ink import find_ink
from geometry.islands import find_islands
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.recipe import Placement
from geometry.stencil import Stencil, build_stencil
from geometry.widths import find_thin
from tests.geometry.glyphs import glyph
from tests.geometry.scans import scan

FACES = (
    "libre-franklin-latin-700-normal",
    "saira-stencil-one-latin-400-normal",
    "black-ops-one-latin-400-normal",
)
LETTERS = string.ascii_letters + string.digits + "&@?!%#"
COLUMNS = 4
LARGE_MM, SMALL_MM = 16.0, 7.0
EDGE_MM = 0.01  # what an edge may be off on the whole, mm of its length
SURE = 0.08  # how far from the limit a width must be to be judged, mm


@dataclass(frozen=True)
class Letter:
    """A letter: its exact shape, its cell of the page, and what the engine made of it."""

    name: str
    black: shapely.Geometry
    cell: shapely.Polygon
    stencil: Stencil
    found: list[Finding]


@cache
def letters(face: str, height_mm: float, dpi: float) -> list[Letter]:
    """Return every letter of a face, sixteen to a page."""
    side = 1.9 * height_mm
    size = (COLUMNS * side, COLUMNS * side)
    done = []
    for first in range(0, len(LETTERS), COLUMNS**2):
        names = LETTERS[first : first + COLUMNS**2]
        corners = [(k % COLUMNS * side, k // COLUMNS * side) for k in range(len(names))]
        cells = [shapely.box(x, y, x + side, y + side) for x, y in corners]
        shapes = [
            glyph(face, name, height_mm, (x + side / 2, y + side / 2))
            for name, (x, y) in zip(names, corners, strict=True)
        ]
        grey, px_per_mm = scan(shapely.union_all(shapes), size, dpi, blur_px=0.7, seed=first)
        ink = find_ink(grey, px_per_mm)
        outlines = trace(ink, Placement(), size)
        found = find_islands(outlines, ink, Placement(), size, Limits())
        found += find_thin(ink, Placement(), Limits())
        openings = build_stencil(outlines, size).openings
        for name, shape, cell in zip(names, shapes, cells, strict=True):
            own = tuple(one for one in openings if cell.contains(one.representative_point()))
            here = [one for one in found if cell.contains(shapely.Point(one.at_mm))]
            done.append(Letter(name, shape, cell, Stencil(size, "stencil", own), here))
    return done


def holes(letter: Letter) -> list[float]:
    """Return the areas of film that a letter encloses, mm2, by shapely."""
    film = shapely.get_parts(letter.cell.difference(letter.black))
    edge = letter.cell.exterior
    return sorted(part.area for part in film if not part.touches(edge) and not part.crosses(edge))


@pytest.mark.parametrize("face", FACES)
def test_openings_and_islands_are_those_of_the_outlines(face: str) -> None:
    for letter in letters(face, LARGE_MM, 300):
        parts = shapely.get_parts(letter.black)
        assert len(letter.stencil.openings) == len(parts), letter.name
        off_mm2 = abs(letter.stencil.opening_area_mm2 - letter.black.area)
        assert off_mm2 < EDGE_MM * letter.black.length, letter.name
        truth = [area for area in holes(letter) if area >= Limits().island_mm2]
        islands = sorted(f.area_mm2 or 0 for f in letter.found if f.kind == "island")
        assert len(islands) == len(truth), letter.name
        for found, area in zip(islands, truth, strict=True):
            assert found == pytest.approx(area, abs=EDGE_MM * 2 * np.sqrt(4 * np.pi * area))


def parted(shape: shapely.Geometry, width_mm: float) -> bool:
    """Tell whether a shape falls into more parts where all narrower than that is taken away."""
    wide = [
        part.buffer(-width_mm / 2)
        for part in shapely.get_parts(shape)
        if part.buffer(-0.75).area > 0  # what is narrow all over is another matter
    ]
    return any(sum(piece.area > 0.3 for piece in shapely.get_parts(part)) > 1 for part in wide)


def whole(shape: shapely.Geometry, width_mm: float) -> bool:
    """Tell whether nothing but tips and corners is narrower than that.

    What an opening takes from a tip meets the rest at one place, what it takes from a neck at two.
    """
    opened = shape.buffer(-width_mm / 2).buffer(width_mm / 2)
    rest = shapely.get_parts(shape.difference(opened.buffer(0.02)))
    count = len(shapely.get_parts(shape))
    kept = len([part for part in shapely.get_parts(shape.buffer(-width_mm / 2)) if part.area > 0])
    return kept == count and all(
        part.area < 0.12 and len(shapely.get_parts(part.buffer(0.03).intersection(opened))) <= 1
        for part in rest
    )


@pytest.mark.parametrize("height_mm", [SMALL_MM, LARGE_MM])
def test_narrow_places_are_those_of_a_negative_buffer(height_mm: float) -> None:
    judged = {True: 0, False: 0}
    for face in FACES:
        for letter in letters(face, height_mm, 600 if height_mm == SMALL_MM else 300):
            film = letter.cell.difference(letter.black)
            for shape, kinds in (
                (letter.black, {"thin-line", "line-below-kerf"}),
                (film, {"thin-web", "thin-bridge"}),
            ):
                is_found = bool(kinds & {finding.kind for finding in letter.found})
                if parted(shape, 1.0 - SURE):
                    judged[True] += 1
                    assert is_found, (face, letter.name, kinds)
                elif whole(shape, 1.0 + SURE):
                    judged[False] += 1
                    assert not is_found, (face, letter.name, letter.found)
    assert judged[False] > 100
    assert judged[True] > (20 if height_mm == SMALL_MM else -1)
