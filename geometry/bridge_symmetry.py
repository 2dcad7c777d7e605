"""Symmetric drawings get symmetric bridges, where that costs nothing: about a line, and by turning.

What the ink's symmetries are is told from its picture round the centroid (circular correlation of
the picture in polar coordinates with itself and with its mirror image); each candidate is then laid
over the ink, shifted to where it fits best, and counted.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.spatial import cKDTree

from geometry.bridge_sites import Film, Sites

PX_PER_MM: Final = 2.0
OFF_MM: Final = 0.7
"""Lines of a hand-drawn symmetric drawing lie so far off their image."""
ODD_SHARE: Final = 0.02
ODD_TURNED: Final = 0.06
"""Of its ink so much may have no counterpart; by turning more, as what breaks it (a signature, a
gap) then is missed in every place at once. Judgement."""
MOST_TURNS: Final = 12
LEAST_LIKE: Final = 0.35
"""Correlation of the blurred picture with its image, below which none is laid over it."""
MOST_AXES: Final = 3
ROSETTE: Final = 3
"""With so many turns the parts of a drawing are alike by turning, not mirrored in pairs."""
BINS: Final = 720
RINGS: Final = 96
BLUR_MM: Final = 1.0
DRIFT_MM: Final = 8.0
"""The centroid lies no farther than this from the centre."""
PAIR_MM: Final = 1.5
"""Places this close to each other's image are a pair."""
LACKS_MM: Final = 1.5
"""Cost of a place that has no counterpart, in part where only some are missing. Judgement."""
NEAREST: Final = 5
"""Of so many places by an image the nearest that is of no other orbit yet is the counterpart."""
STEP_MM: Final = 0.5
"""Costs that differ by less count as the same."""
ON_LINE_MM: Final = 1.0
ON_LINE_WORTH_MM: Final = 1.0
"""A place so close to the mirror line may cost so much more than another. Judgement."""
DISTANCE_COST: Final = 1e-3
ROW_COST: Final = 1e-5

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Motion:
    """A turn or a mirroring of the picture: p -> matrix p + shift, px. matrix (2, 2), shift (2)."""

    matrix: Array
    shift: Array

    @property
    def is_mirror(self) -> bool:
        """Whether it turns the picture over."""
        return bool(np.linalg.det(self.matrix) < 0)

    def image(self, points_px: Array) -> Array:
        """Return the images of points (..., 2)."""
        return np.asarray(points_px @ self.matrix.T + self.shift)


@dataclass(frozen=True)
class Symmetry:
    """All motions, but for the one that moves nothing, that make the ink its own image."""

    motions: tuple[Motion, ...]

    @property
    def mirrors(self) -> tuple[Motion, ...]:
        """Those about a line."""
        return tuple(one for one in self.motions if one.is_mirror)

    @property
    def likening(self) -> tuple[Motion, ...]:
        """Those that bridges follow: a rosette goes round one way, else it is mirrored too."""
        turns = tuple(one for one in self.motions if not one.is_mirror)
        return turns if len(turns) + 1 >= ROSETTE else self.motions


def find_symmetry(film: Film, mm: float) -> Symmetry | None:
    """Return how the drawing is symmetric; None where it is not.

    A line is sought at any angle, a turn by 360 / n for n from 12 down to 2; with both, the line
    is moved through the centre of the turns.
    """
    factor = max(round(1 / mm / PX_PER_MM), 1)
    height, width = (side // factor * factor for side in film.f.shape)
    ink = (film.f[:height, :width] < 0).astype(np.uint8) * 255
    small = cv2.resize(ink, (width // factor, height // factor), interpolation=cv2.INTER_AREA)
    drawn = (small >= np.uint8(128)).astype(np.uint8)
    if not drawn.any():
        return None
    fit = _Fit.of(drawn, mm * factor)
    count, centre = fit.turns()
    line = fit.line(centre)
    if line is None and count == 1:
        return None
    turns = [_turned(2 * np.pi * k / count) for k in range(count)]
    motions = [_about(turn, centre) for turn in turns[1:]] if centre is not None else []
    if line is not None:
        matrix, middle = line
        motions += [_about(turn @ matrix, middle if centre is None else centre) for turn in turns]
    # Pixel p of the small picture is (p + 0.5) factor - 0.5 of the field.
    return Symmetry(tuple(_enlarged(one, factor) for one in motions))


@dataclass(frozen=True)
class _Fit:
    """The drawn pixels (h, w), grown by what an image may be off, and their blurred picture."""

    drawn: NDArray[np.uint8]
    grown: NDArray[np.uint8]
    soft: NDArray[np.float32]
    centroid: Array
    px_mm: float

    @staticmethod
    def of(drawn: NDArray[np.uint8], px_mm: float) -> "_Fit":
        """Return it for a picture with pixels of px_mm."""
        rows, columns = np.nonzero(drawn)
        middle = np.array([columns.mean(), rows.mean()])
        reach = max(round(OFF_MM / px_mm), 1)
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        soft = cv2.GaussianBlur(drawn.astype(np.float32), (0, 0), BLUR_MM / px_mm)
        grown = cv2.dilate(drawn, disc).astype(np.uint8)
        return _Fit(drawn, grown, soft.astype(np.float32), middle, px_mm)

    def turns(self) -> tuple[int, Array | None]:
        """Return the most turns that bring the ink onto itself, and their centre; 1 for none."""
        like = np.fft.irfft((self._weights * np.abs(self._waves) ** 2).sum(axis=1), BINS)
        for count in range(MOST_TURNS, 1, -1):
            if np.interp(BINS / count, np.arange(BINS), like) < LEAST_LIKE * like[0]:
                continue
            matrix = _turned(2 * np.pi / count)
            moved, odd = self._laid(matrix)
            if odd <= ODD_TURNED:
                return count, np.asarray(np.linalg.solve(np.eye(2) - matrix, moved), float)
        return 1, None

    def line(self, centre: Array | None) -> tuple[Array, Array] | None:
        """Return (matrix, a point on the line) of a mirroring, upright or level before others."""
        like = np.fft.irfft((self._weights * self._waves**2).sum(axis=1), BINS)
        most = np.fft.irfft((self._weights * np.abs(self._waves) ** 2).sum(axis=1), BINS)[0]
        is_peak = (like >= np.roll(like, 1)) & (like > np.roll(like, -1))
        peaks = np.flatnonzero(is_peak)
        peaks = peaks[np.argsort(-like[peaks], kind="stable")][:MOST_AXES]
        # The line at half the angle that it sends the x axis to.
        angles = [np.pi, 0.0, *(2 * np.pi * _top(like, int(peak)) / BINS for peak in peaks)]
        for angle in angles:
            cos, sin = np.cos(angle), np.sin(angle)
            matrix = np.array([[cos, sin], [sin, -cos]])
            if like[round(BINS * angle / (2 * np.pi)) % BINS] < LEAST_LIKE * most:
                continue
            moved, odd = self._laid(matrix)
            middle = (matrix @ self.centroid + moved + self.centroid) / 2
            if centre is not None:
                off = (_about(matrix, middle).image(centre) - centre) / 2
                if np.hypot(*off) * self.px_mm > OFF_MM:
                    continue
            if odd <= (ODD_SHARE if centre is None else ODD_TURNED):
                return matrix, middle
        return None

    @cached_property
    def _waves(self) -> NDArray[np.complex128]:
        """(frequencies, radii) of the picture round the centroid."""
        corners = np.array([(0, 0), self.drawn.shape[::-1]], float)
        radius = float(np.abs(corners - self.centroid).max())
        x, y = self.centroid.tolist()
        flags = cv2.INTER_LINEAR | cv2.WARP_FILL_OUTLIERS
        ringed = cv2.warpPolar(self.soft, (RINGS, BINS), (x, y), radius, flags=flags)
        return np.fft.rfft(ringed - ringed.mean(axis=0), axis=0)

    @cached_property
    def _wide(self) -> tuple[int, int]:
        """The sides of the picture with room for DRIFT_MM, good for transforms."""
        reach = round(DRIFT_MM / self.px_mm)
        height, width = (fft.next_fast_len(side + reach, real=True) for side in self.drawn.shape)
        return height, width

    @cached_property
    def _spectrum(self) -> NDArray[np.complex64]:
        """That of the blurred picture."""
        return np.asarray(fft.rfft2(self.soft, s=self._wide))

    @property
    def _weights(self) -> Array:
        """Of the radii: a ring counts for as much as it is long."""
        return np.arange(RINGS, dtype=np.float64) + 0.5

    def _laid(self, matrix: Array) -> tuple[Array, float]:
        """Return (shift, share): p -> matrix p + shift fits best, and the ink that it misses."""
        height, width = self.drawn.shape
        shift = self.centroid - matrix @ self.centroid
        turned = cv2.warpAffine(self.soft, np.column_stack([matrix, shift]), (width, height))
        reach = round(DRIFT_MM / self.px_mm)
        fits = fft.irfft2(self._spectrum * np.conj(fft.rfft2(turned, s=self._wide)), s=self._wide)
        near = np.roll(fits, (reach, reach), axis=(0, 1))[: 2 * reach + 1, : 2 * reach + 1]
        down, across = np.unravel_index(int(np.argmax(near)), near.shape)
        at_best = (_top(near[down], int(across)), _top(near[:, across], int(down)))
        shift = shift + np.array(at_best) - reach
        motion = np.column_stack([matrix, shift])
        image = cv2.warpAffine(self.grown, motion, (width, height), flags=cv2.INTER_NEAREST)
        missed = np.count_nonzero((self.drawn > 0) & (image == 0)) / np.count_nonzero(self.drawn)
        return np.asarray(shift, float), missed


def _top(values: NDArray[np.floating[Any]], at: int) -> float:
    """Return where a parabola through a peak of a circular row has its top."""
    before, top, after = (float(values[k % len(values)]) for k in (at - 1, at, at + 1))
    bend = before - 2 * top + after
    return at + (0.5 * (before - after) / bend if bend < 0 else 0.0)


def _turned(angle: float) -> Array:
    """Return the matrix of a turn."""
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin], [sin, cos]])


def _about(matrix: Array, point: Array) -> Motion:
    """Return the motion that leaves a point where it is."""
    return Motion(matrix, point - matrix @ point)


def _enlarged(motion: Motion, factor: int) -> Motion:
    """Return a motion of a picture made smaller by a factor as one of the picture itself."""
    half = np.full(2, 0.5)
    shift = factor * (motion.shift + half - motion.matrix @ half) + motion.matrix @ half - half
    return Motion(motion.matrix, shift)


def even(sites: Sites, symmetry: Symmetry, mm: float, first: int = 0) -> Sites:
    """Return places with the same cost and orbit as their images, the cheapest first.

    An orbit is a place with its images; they are numbered from `first`. Orbits that cost the same
    come one after the other, those nearer to a mirror line and then the upper ones first, so that
    all parts of a drawing are dealt with alike.
    """
    if not len(sites):
        return sites
    middles = sites.middle_px
    orbit = _orbits(sites, symmetry, PAIR_MM / mm)
    off_mm = np.full(len(sites), np.inf)
    for mirror in symmetry.mirrors:
        off_mm = np.minimum(off_mm, np.hypot(*(mirror.image(middles) - middles).T) / 2 * mm)
    off_mm[~np.isfinite(off_mm)] = 0.0
    own = np.where((off_mm <= ON_LINE_MM) & bool(symmetry.mirrors), ON_LINE_WORTH_MM, 0.0)
    count = int(orbit.max()) + 1
    cost, off, top = np.full(count, -np.inf), np.full(count, np.inf), np.full(count, np.inf)
    np.maximum.at(cost, orbit, sites.cost_mm - own)
    np.minimum.at(off, orbit, off_mm)
    np.minimum.at(top, orbit, middles[:, 1] * mm)
    full = len(symmetry.likening) + 1
    # A place on a mirror line is its own counterpart, so that half of them are a whole orbit.
    own_image = (off <= ON_LINE_MM) & (len(symmetry.likening) == len(symmetry.motions))
    whole = np.where(own_image & bool(symmetry.mirrors), full / 2, full)
    cost += LACKS_MM * np.clip(1 - np.bincount(orbit, minlength=count) / whole, 0, None)
    cost = np.ceil(cost / STEP_MM) * STEP_MM + DISTANCE_COST * off + ROW_COST * top
    evened = cost[orbit] + ROW_COST * 1e-3 * middles[:, 1] * mm
    order = np.argsort(evened, kind="stable")
    return replace(sites, cost_mm=evened, orbit=orbit + first).only(order)


def _orbits(sites: Sites, symmetry: Symmetry, reach_px: float) -> NDArray[np.int64]:
    """Return (n) whose orbit each place is of: the cheapest place takes up its nearest images.

    Only images near that place's own count, not images of images, so that orbits do not creep along
    a line.
    """
    middles = sites.middle_px
    tree = cKDTree(middles)
    images = np.stack([one.image(middles) for one in symmetry.likening], axis=1)
    # Where there is none so near, the tree says len(sites).
    near = tree.query(images, k=NEAREST, distance_upper_bound=reach_px)[1].tolist()
    orbit = [-1] * len(sites)
    count = 0
    for site in np.argsort(sites.cost_mm, kind="stable").tolist():
        if orbit[site] >= 0:
            continue
        orbit[site] = count
        for others in near[site]:
            for other in others:
                if other < len(orbit) and orbit[other] in (-1, count):
                    orbit[other] = count
                    break
        count += 1
    return np.array(orbit, np.int64)


def evened(
    sites: Sites, chosen: NDArray[np.intp], symmetry: Symmetry, film: Film, mm: float
) -> Sites:
    """Return places in the order of `chosen`, those that are images of each other made exactly so.

    A place across a mirror line or along it is made its own image. A place whose image would not
    end on the same parts of the film, or on parts of no film, stays as it is.
    """
    taken = sites.only(chosen)
    middles = taken.middle_px
    ends, edges = taken.ends_px.copy(), taken.edges_px.copy()

    def near(motion: Motion, one: int) -> tuple[int, float]:
        away_mm = np.hypot(*(middles - motion.image(middles[one])).T) * mm
        return int(np.argmin(away_mm)), float(away_mm.min())

    def place(other: int, one: int, motion: Motion) -> bool:
        line = [
            _image(motion, kind[one], kind[other], is_own=one == other) for kind in (ends, edges)
        ]
        at_ends = [film.part_at(point) for point in line[0].reshape(2, 2)]
        if at_ends != taken.parts[other].tolist():
            return False
        ends[other], edges[other] = line
        return True

    for one in range(len(taken)):
        for mirror in symmetry.mirrors:
            other, away_mm = near(mirror, one)
            if other == one and away_mm <= 2 * ON_LINE_MM:
                place(one, one, mirror)
                break
    done: set[int] = set()
    for one in range(len(taken)):
        if one in done:
            continue
        done.add(one)
        for motion in symmetry.likening:
            other, away_mm = near(motion, one)
            if other not in done and away_mm <= 1.5 * PAIR_MM and place(other, one, motion):
                done.add(other)
    return replace(taken, ends_px=ends, edges_px=edges)


def _image(motion: Motion, one: Array, other: Array, *, is_own: bool) -> Array:
    """Return the image of a segment (4) in the direction of another; of its own, half-way to it."""
    image = motion.image(one.reshape(2, 2))
    if (image[1] - image[0]) @ (other[2:] - other[:2]) < 0:
        image = image[::-1]
    return np.asarray((image.ravel() + one) / 2 if is_own else image.ravel())
