"""Film to bend: openings in mm turned into ink whose edge is exact."""

import numpy as np
import shapely
from shapely import affinity

from geometry.ink import Ink
from geometry.kernels import UNIT
from geometry.plate import Plate
from geometry.plate_element import shape
from tests.geometry.scans import coverage

CARD_MM = (63.5, 88.9)
FRAME_MM = 6.0
MIDDLE = (CARD_MM[0] / 2, CARD_MM[1] / 2)
SQUARE_MM = (72.0, 72.0)
SIDE_MM = SQUARE_MM[0] - 2 * FRAME_MM


def ink_of(
    black: shapely.Geometry, blank_mm: tuple[float, float] = CARD_MM, px_per_mm: float = 16.0
) -> Ink:
    """Return the ink that covers a shape of the blank, its field linear across the edge."""
    dark = coverage(black, blank_mm, px_per_mm)
    return Ink(np.rint((0.5 - dark) * UNIT).astype(np.int16), px_per_mm)


def tongue(width: float, length: float, slit: float, turn_deg: float = 0.0) -> shapely.Geometry:
    """Return the slit around a tongue in the middle of the card, its root below."""
    outer = shapely.box(-width / 2 - slit, -length / 2 - slit, width / 2 + slit, length / 2)
    inner = shapely.box(-width / 2, -length / 2, width / 2, length)
    return affinity.translate(
        affinity.rotate(outer.difference(inner), turn_deg, origin=(0, 0)), *MIDDLE
    )


def tip(length: float, turn_deg: float = 0.0, inside: float = 0.2) -> tuple[float, float]:
    """Return the middle of that tongue's free end, a little inside."""
    angle = np.radians(turn_deg)
    reach = length / 2 - inside
    return MIDDLE[0] + reach * float(np.sin(angle)), MIDDLE[1] - reach * float(np.cos(angle))


def disc(radius: float, line: float, bridges: tuple[tuple[float, float], ...]) -> shapely.Geometry:
    """Return a ring cut around a disc in the middle, held by bridges (angle, width)."""
    around = shapely.Point(0, 0).buffer(radius + line, 64)
    ring = around.difference(shapely.Point(0, 0).buffer(radius, 64))
    for angle_deg, width in bridges:
        bar = shapely.box(radius - 2, -width / 2, radius + line + 2, width / 2)
        ring = ring.difference(affinity.rotate(bar, angle_deg, origin=(0, 0)))
    return affinity.translate(ring, *MIDDLE)


def arm(width: float, length: float) -> shapely.Geometry:
    """Return all of the card cut away but a strip that stands on the held frame's top side.

    With a length beyond the card's it is held at both ends.
    """
    opening = shapely.box(FRAME_MM - 2, FRAME_MM - 2, CARD_MM[0] - 4, CARD_MM[1] - 4)
    strip = shapely.box(MIDDLE[0] - width / 2, 0, MIDDLE[0] + width / 2, FRAME_MM + length)
    return opening.difference(strip)


def uniform_load(plate: Plate) -> np.ndarray:
    """Return the plate's load of 1 N/mm2 on whole film: Gauss sums of its functions' areas."""
    at, weight = np.polynomial.legendre.leggauss(4)
    local = np.zeros((len(plate.cells.parts), 16))
    x, y = (grid.ravel() for grid in np.meshgrid((at + 1) / 2, (at + 1) / 2))
    weights = np.outer(weight, weight).ravel() / 4
    for part in range(len(local)):
        size = plate.cell_mm(part)
        local[part] = weights @ shape(x, y, size) * size[0] * size[1]
    return np.asarray(plate.corner_rows.T @ local.ravel())
