"""Symmetric drawings get symmetric bridges, where that costs nothing."""

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.bridge_sites import Film, Sites

PX_PER_MM: Final = 3.0
OFF_MM: Final = 0.7
"""Lines of a hand-drawn symmetric drawing lie so far off their mirror image."""
ODD_SHARE: Final = 0.02
"""Of its ink so much may have no counterpart."""
PAIR_MM: Final = 1.2
"""Places this close to each other's mirror image are a pair."""
STEP_MM: Final = 0.5
"""Costs that differ by less count as the same."""
ON_LINE_MM: Final = 1.0
ON_LINE_WORTH_MM: Final = 1.0
"""A place so close to the mirror line may cost so much more than another. Judgement."""
DISTANCE_COST: Final = 1e-3
ROW_COST: Final = 1e-5


@dataclass(frozen=True)
class Mirror:
    """A line that the ink is its own mirror image about: x (axis 0) or y (axis 1) = at_px."""

    axis: int
    at_px: float

    def image(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the mirror images of points (..., 2)."""
        images = points_px.copy()
        images[..., self.axis] = 2 * self.at_px - images[..., self.axis]
        return images


def find_mirror(film: Film, mm: float) -> Mirror | None:
    """Return the line that the drawing is symmetric about, upright before level; None for none."""
    factor = max(round(1 / mm / PX_PER_MM), 1)
    height, width = (side // factor * factor for side in film.f.shape)
    ink = (film.f[:height, :width] < 0).astype(np.uint8) * 255
    small = cv2.resize(
        ink, (width // factor, height // factor), interpolation=cv2.INTER_AREA
    ) >= np.uint8(128)
    if not small.any():
        return None
    rows, columns = np.flatnonzero(small.any(axis=1)), np.flatnonzero(small.any(axis=0))
    drawn = small[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].astype(np.uint8)
    reach = max(round(OFF_MM / mm / factor), 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    grown = cv2.dilate(drawn, disc)
    for axis, ends in ((0, columns), (1, rows)):
        flipped = np.flip(grown, 1 - axis)
        odd = np.count_nonzero(drawn & ~flipped.astype(bool)) / np.count_nonzero(drawn)
        if odd <= ODD_SHARE:
            middle = (int(ends[0]) + int(ends[-1])) / 2
            return Mirror(axis, (middle + 0.5) * factor - 0.5)
    return None


def even(sites: Sites, mirror: Mirror, mm: float) -> Sites:
    """Return places with the same cost as their mirror image, the cheapest first.

    Of places that cost the same, those nearer to the mirror line and then the upper ones are a
    hair cheaper, so that both halves of a drawing are dealt with alike.
    """
    if not len(sites):
        return sites
    middles = sites.middle_px
    away, pair = cKDTree(middles).query(mirror.image(middles))
    is_pair = away * mm <= PAIR_MM
    cost = np.where(is_pair, np.maximum(sites.cost_mm, sites.cost_mm[pair]), sites.cost_mm)
    off_mm = np.abs(middles[:, mirror.axis] - mirror.at_px) * mm
    cost = np.where(off_mm <= ON_LINE_MM, cost - ON_LINE_WORTH_MM, cost)
    cost = np.ceil(cost / STEP_MM) * STEP_MM + DISTANCE_COST * off_mm
    cost += ROW_COST * middles[:, 1 - mirror.axis] * mm
    order = np.argsort(cost, kind="stable")
    return replace(sites, cost_mm=cost).only(order)


def mirrored(
    sites: Sites, chosen: NDArray[np.intp], mirror: Mirror, film: Film, mm: float
) -> Sites:
    """Return places in the order of `chosen`, pairs of them made exact mirror images.

    A place across the mirror line or along it is made its own image. A place whose image would
    not end on the same parts of the film stays as it is.
    """
    taken = sites.only(chosen)
    middles = taken.middle_px
    images = mirror.image(middles)
    ends, edges = taken.ends_px.copy(), taken.edges_px.copy()
    done: set[int] = set()
    for one in range(len(taken)):
        away_mm = np.hypot(*(middles - images[one]).T) * mm
        other = int(np.argmin(away_mm))
        most_mm = 2 * ON_LINE_MM if other == one else 1.5 * PAIR_MM
        if one in done or away_mm[other] > most_mm:
            continue
        done |= {one, other}
        for line in (ends, edges):
            line[other] = _image(mirror, line[one], line[other], is_own=one == other)
        for index in (one, other):
            at_ends = [film.part_at(point) for point in ends[index].reshape(2, 2)]
            if at_ends != taken.parts[index].tolist():
                ends[index], edges[index] = taken.ends_px[index], taken.edges_px[index]
    return replace(taken, ends_px=ends, edges_px=edges)


def _image(
    mirror: Mirror, one: NDArray[np.float64], other: NDArray[np.float64], *, is_own: bool
) -> NDArray[np.float64]:
    """Return the image of a segment (4) in the direction of another; of its own, half-way to it."""
    image = mirror.image(one.reshape(2, 2))
    if (image[1] - image[0]) @ (other[2:] - other[:2]) < 0:
        image = image[::-1]
    return np.asarray((image.ravel() + one) / 2 if is_own else image.ravel())
