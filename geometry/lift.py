"""The lift map: how far a sponge's dab may lift the film at each place, estimated.

A dab is a force on one point. The film gives by its compliance (a thin plate held in a frame of
6 mm), less where it must stretch (a + 4 mu C a^3 = F C), and a flap turns away before it reaches
farther than it is long. Everything here is an estimate until the workshop has measured its dab with
the sheet of `geometry.dab_sheet`; it warns and never rejects.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.film_raster import film_raster
from geometry.findings import Finding
from geometry.ink import Ink
from geometry.large_lift import large_lifts
from geometry.lift_places import Places, find_places
from geometry.limits import Limits
from geometry.membrane import Membrane
from geometry.plate import NEAR_MM, SAMPLE, Plate, Spot, bending_stiffness
from geometry.recipe import Placement
from geometry.stencil import Stencil

MOST_PLACES: Final = 20
FAR: Final = ((3, 4), (2, 12))
"""Shapes for stretch, for places that may lift: three for the first four, two up to twelve."""
LEAST_LIFT_MM: Final = 0.05
"""Places that lift less than this by the plate alone are left out, the worst excepted."""
FLAT, MAY_LIFT, HANGS_FREE = "sits flat", "may lift", "hangs free"

Array = NDArray[np.float64]
PointMm = tuple[float, float]


@dataclass(frozen=True)
class LiftPlace:
    """One flap or span where it gives most. stiffening: 4 mu of the docstring above, N/mm^3.

    turning_mm: 1.5 over the slope there of the film lifted by 1 mm: the length of a flap that
    turns so, and large for a span.
    """

    at_mm: PointMm
    compliance_mm_per_n: float
    lift_mm: float
    stiffening: float
    turning_mm: float
    outline_mm: tuple[PointMm, ...] = ()


@dataclass(frozen=True)
class LiftMap:
    """Compliance and lift of a blank for one film and dab.

    worst: the worst first, one per flap or span. compliance, lift: (h, w) mm/N and mm on a grid of
    `step_mm` (along x and y) from `origin_mm`, NaN where no film is held up by the frame.
    """

    film_mm: float
    dab_n: float
    frame_mm: float
    worst: tuple[LiftPlace, ...]
    compliance: NDArray[np.float32]
    lift: NDArray[np.float32]
    origin_mm: PointMm
    step_mm: PointMm


def lift_word(lift_mm: float, limits: Limits) -> str:
    """Return what an artist reads; exactly at a limit is still the milder word."""
    if lift_mm <= limits.lift_flat_mm:
        return FLAT
    return MAY_LIFT if lift_mm <= limits.lift_free_mm else HANGS_FREE


def lift_of(
    compliance: ArrayLike, dab_n: float, stiffening: ArrayLike = 0.0, turning_mm: ArrayLike = np.inf
) -> Array:
    """Return the lift in mm, elementwise; compliance in mm/N, stiffening in N/mm^3.

    Solves a + stiffening C a^3 = F C, then lets a flap turn: against the elastica (Bisshopp and
    Drucker 1945) it is 3 % high to 12 % high up to ten times its small-angle load.
    """
    compliance = np.asarray(compliance)
    straight = compliance * dab_n
    cube = np.maximum(np.asarray(stiffening) * compliance, 1e-30)
    root = np.sqrt(3 * cube)
    stretched = 2 / root * np.sinh(np.arcsinh(1.5 * root * straight) / 3)
    lifted = np.where(cube * straight**2 > 1e-12, stretched, straight)
    turned = (lifted / np.asarray(turning_mm)) ** 1.5
    return np.asarray(lifted / (1 + turned) ** (2 / 3))


@dataclass(frozen=True)
class _Tops:
    """The most yielding places: points, their film, shapes under 1 N, compliance, all for D = 1."""

    points: list[PointMm]
    spots: list[Spot]
    bent: Array
    compliance: Array


class LiftModel:
    """A blank's plate with its flaps and spans, made once for every film and dab.

    Raises ValueError where no film is free to move.
    """

    def __init__(
        self, film: Ink | Stencil | None, placement: Placement, blank_mm: PointMm, limits: Limits
    ) -> None:
        """Build and factor. film: what is cut, None for nothing; placement: that of ink."""
        self._limits = limits
        self.raster = film_raster(film, placement, blank_mm, limits.frame_mm)
        self.plate = Plate(self.raster, limits.film_poisson)
        self._compliance, owner = self.plate.compliance_map()
        self._places: Places = find_places(self._compliance, owner, self.plate.cells.own)

    @cached_property
    def _tops(self) -> "_Tops":
        rows, columns = self._places.rows[:MOST_PLACES], self._places.columns[:MOST_PLACES]
        points = [
            self.sample_mm(row, column)
            for row, column in zip(rows.tolist(), columns.tolist(), strict=True)
        ]
        spots = [spot for spot in map(self.plate.spot, points) if spot is not None]
        bent = self.plate.shapes_under(spots)
        value = np.asarray(self.plate.rows(spots).multiply(bent.T).sum(axis=1)).ravel()
        return _Tops(points, spots, bent, value)

    @cached_property
    def membrane(self) -> Membrane:
        """The stretch of the same film, made when first asked for."""
        return Membrane(self.plate)

    def _lifted(self, film_mm: float, dab_n: float) -> tuple[Array, Array]:
        """Return (lift, slope) of the tops with stretch, before they turn away."""
        limits, tops = self._limits, self._tops
        modulus_mpa = 1000 * limits.film_modulus_gpa
        bending = bending_stiffness(film_mm, modulus_mpa, limits.film_poisson)
        # Tops go by compliance; what sits flat without stretch does so with it.
        lifts_far = int(np.count_nonzero(tops.compliance * dab_n > limits.lift_flat_mm * bending))
        shapes = [
            next((n for n, most in FAR if place < min(most, lifts_far)), 1)
            for place in range(len(tops.points))
        ]
        return large_lifts(
            self.plate,
            self.membrane,
            tops.spots,
            tops.bent,
            load_n=dab_n,
            bending=bending,
            tension=modulus_mpa * film_mm,
            shapes=shapes,
        )

    @property
    def region(self) -> NDArray[np.int32]:
        """(h, w) whose film each sample of the map is: flap or span by number, -1 off the film."""
        return self._places.region

    @property
    def compliance(self) -> NDArray[np.float32]:
        """(h, w) the compliance of each sample for D = 1 N mm; NaN off the film."""
        return self._compliance

    def samples_at(self, points_mm: Array) -> NDArray[np.int64]:
        """Return (n, 2) the row and column of the map's samples at points (n, 2) of the blank.

        Off the film that of the nearest film within 1.5 mm; -1, -1 where there is none.
        """
        step = SAMPLE * np.array(self.raster.square_mm)
        at = np.floor((points_mm - self.raster.origin_mm) / step).astype(np.int64)[:, ::-1]
        reach = round(NEAR_MM / float(step.min()))
        found = np.full((len(at), 2), -1, np.int64)
        height, width = self.region.shape
        for index, (row, column) in enumerate(at.tolist()):
            if 0 <= row < height and 0 <= column < width and self.region[row, column] >= 0:
                found[index] = row, column
                continue
            top, left = max(row - reach, 0), max(column - reach, 0)
            near = self.region[top : max(row + reach + 1, 0), left : max(column + reach + 1, 0)]
            rows, columns = np.nonzero(near >= 0)
            if len(rows):
                nearest = np.argmin((rows + top - row) ** 2 + (columns + left - column) ** 2)
                found[index] = rows[nearest] + top, columns[nearest] + left
        return found

    def sample_mm(self, row: float, column: float) -> PointMm:
        """Return the middle of a sample of the map, blank mm."""
        return self.raster.to_mm((column + 0.5) * SAMPLE, (row + 0.5) * SAMPLE)

    def map(self, film_mm: float | None = None, dab_n: float | None = None) -> LiftMap:
        """Return the lift map for a film and a dab, by default those of the limits."""
        limits = self._limits
        film_mm = limits.film_mm if film_mm is None else film_mm
        dab_n = limits.dab_n if dab_n is None else dab_n
        modulus_mpa = 1000 * limits.film_modulus_gpa
        bending = bending_stiffness(film_mm, modulus_mpa, limits.film_poisson)
        points = self._tops.points
        tops = self._tops.compliance / bending
        lifted, slope = self._lifted(film_mm, dab_n)
        stiffening = np.maximum(tops * dab_n - lifted, 0.0) / (tops * lifted**3)
        turning = 1.5 * lifted / np.maximum(slope, 1e-9)
        lifts = lift_of(tops, dab_n, stiffening, turning)
        compliance = self._compliance / np.float32(bending)
        # A place of a flap or span moves by its top's shape, scaled: see docs/lift.md.
        lift = np.full_like(compliance, np.nan)
        on_film = self._places.region >= 0
        region = np.minimum(self._places.region[on_film], len(points) - 1)
        share = np.clip(compliance[on_film] / tops.astype(np.float32)[region], 1e-6, 1.0)
        lift[on_film] = lift_of(
            compliance[on_film],
            dab_n,
            stiffening.astype(np.float32)[region] / share**2,
            turning.astype(np.float32)[region] * np.cbrt(share),
        )
        order = np.argsort(-lifts, kind="stable")
        kept = [k for k in order if k == order[0] or tops[k] * dab_n >= LEAST_LIFT_MM]
        step = self.raster.square_mm
        return LiftMap(
            film_mm=film_mm,
            dab_n=dab_n,
            frame_mm=limits.frame_mm,
            worst=tuple(
                LiftPlace(
                    at_mm=points[k],
                    compliance_mm_per_n=float(tops[k]),
                    lift_mm=float(lifts[k]),
                    stiffening=float(stiffening[k]),
                    turning_mm=float(turning[k]),
                    outline_mm=self._outline(int(k), lift, float(lifts[k])),
                )
                for k in kept
            ),
            compliance=compliance,
            lift=lift,
            origin_mm=self.raster.origin_mm,
            step_mm=(SAMPLE * step[0], SAMPLE * step[1]),
        )

    def _outline(
        self, place: int, lift: NDArray[np.float32], lift_mm: float
    ) -> tuple[PointMm, ...]:
        """Return the edge of what lifts too, around a place: half as far and not flat itself."""
        least = max(lift_mm / 2, min(self._limits.lift_flat_mm, 0.9 * lift_mm))
        lifts = ((self._places.region == place) & (lift >= least)).astype(np.uint8)
        lifts[self._places.rows[place], self._places.columns[place]] = 1
        row, column = int(self._places.rows[place]), int(self._places.columns[place])
        edges, _ = cv2.findContours(lifts, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        own = max(edges, key=lambda edge: cv2.pointPolygonTest(edge, (column, row), False))
        border = cv2.approxPolyDP(own, 1.0, True)[:, 0]
        return tuple(self.sample_mm(y, x) for x, y in border.tolist())


def find_lift(
    film: Ink | Stencil,
    placement: Placement,
    blank_mm: PointMm,
    limits: Limits,
    *,
    film_mm: float | None = None,
    mode: str = "stencil",
) -> list[Finding]:
    """Return a lift finding for each flap or span that does not sit flat under a dab.

    film_mm: the film's thickness, by default the limits'. A mask has none: its pieces are loose on
    purpose. Film that hangs on nothing is an island and has none either.
    """
    if mode == "mask":
        return []
    try:
        found = LiftModel(film, placement, blank_mm, limits).map(film_mm)
    except ValueError:
        return []
    return lift_findings(found, limits)


def lift_findings(found: LiftMap, limits: Limits) -> list[Finding]:
    """Return a finding for each place of a lift map that does not sit flat."""
    return [
        Finding(
            kind="lift",
            at_mm=place.at_mm,
            outline_mm=place.outline_mm,
            lift_mm=place.lift_mm,
            limit_mm=limits.lift_flat_mm,
            remedy_mm=limits.bridge_proposed_mm,
            detail=lift_word(place.lift_mm, limits),
        )
        for place in found.worst
        if place.lift_mm > limits.lift_flat_mm
    ]
