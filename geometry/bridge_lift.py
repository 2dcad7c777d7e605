"""Lift guides bridges: where film would still hang free, a bridge goes where it holds it best.

The plate of the film with all bridges tells where it lifts. For each flap or span that hangs free,
places for a bridge are ranked by the squared jump of the bent film across the line over what both
banks give; the ten best are worked out with the bridge as a strip of film, each flap or span on
its own; the least seen one that keeps it down is taken, or the one that does so best. Then the
drawing is checked and its plate made anew, so that what is said at last is no update's estimate.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.bridge_plan import Chosen, Plan
from geometry.bridge_rounds import Planned, drop_harmful
from geometry.bridge_sites import film_parts
from geometry.bridge_tree import Joined
from geometry.check import Checked
from geometry.lift import LiftMap, LiftModel, LiftPlace, lift_of
from geometry.limits import Limits
from geometry.plate import bending_stiffness, screen
from geometry.prepared import Prepared
from geometry.recheck import recheck
from geometry.recipe import Stroke

MOST_ROUNDS: Final = 8
MOST_AT_ONCE: Final = 8
"""Flaps and spans that get a bridge in one round; each one's bridge changes the next one's lift."""
EVALUATED: Final = 10
SPREAD_MM: Final = 3.0
"""The places that are worked out lie at least so far apart, as near ones hold alike."""
WATCHED: Final = 6
"""Points of a flap or span that a bridge is judged at, far from each other."""
YIELDS: Final = 0.25
"""They, and one bank of a bridge for it, give at least this share of what its top gives."""
HELPS: Final = 0.9
"""A bridge, and a round of them, leaves at most this share of the lift."""

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Survey:
    """The lift of a drawing with bridges: its plate, and the map for the film and dab."""

    model: LiftModel
    found: LiftMap
    limits: Limits

    @property
    def free(self) -> list[LiftPlace]:
        """The flaps and spans that hang free, the worst first."""
        return [one for one in self.found.worst if one.lift_mm > self.limits.lift_free_mm]

    @property
    def excess_mm(self) -> float:
        """How far they lift beyond that, taken together."""
        return sum(one.lift_mm - self.limits.lift_free_mm for one in self.free)

    @property
    def worst_mm(self) -> float:
        """The lift of the place that lifts most."""
        return self.found.worst[0].lift_mm if self.found.worst else 0.0


def survey(checked: Checked, limits: Limits, film_mm: float | None = None) -> Survey | None:
    """Return the lift of a checked drawing; None where no film of it is held."""
    if checked.ink is None:
        return None
    try:
        model = LiftModel(checked.ink, checked.placement, checked.blank_mm, limits)
    except ValueError:
        return None
    return Survey(model, model.map(film_mm), limits)


class LiftGuide:
    """Betters a plan by lift, as `geometry.bridge_rounds` asks for. after: the last survey."""

    def __init__(self, limits: Limits, film_mm: float | None = None) -> None:
        self._limits, self._film_mm = limits, film_mm
        self.after: Survey | None = None

    def improve(
        self,
        now: Planned,
        checked: Callable[[Plan], Planned],
        pruned: Callable[[Planned], Planned],
    ) -> Planned:
        """Return the plan with bridges more, or others, where film would hang free."""
        film = survey(now.after, self._limits, self._film_mm)
        start = now
        for _ in range(MOST_ROUNDS):
            if film is None or not film.free:
                break
            plan = now.plan.copy()
            if not _add(plan, film):
                break
            trial = checked(plan)
            if trial.rank > now.rank:
                harmful = trial.plan.copy()
                if not drop_harmful(harmful, trial.left):
                    break
                now = replace(now, plan=replace(now.plan, banned_px=harmful.banned_px))
                continue
            later = survey(trial.after, self._limits, self._film_mm)
            if later is None or later.excess_mm > HELPS * film.excess_mm:
                break
            now, film = trial, later
        if len(now.plan.chosen) > len(start.plan.chosen):
            now, film = self._fewer(now, film, pruned)
        self.after = film
        return now

    def _fewer(
        self, now: Planned, film: Survey | None, pruned: Callable[[Planned], Planned]
    ) -> tuple[Planned, Survey | None]:
        """Take out what the new bridges made needless, unless film then lifts more."""
        fewer = pruned(now)
        if fewer is now or film is None:
            return now, film
        later = survey(fewer.after, self._limits, self._film_mm)
        if later is None or later.excess_mm > film.excess_mm or later.worst_mm > film.worst_mm:
            return now, film
        return fewer, later


def _add(plan: Plan, film: Survey) -> bool:
    """Add a bridge for each flap or span that hangs free, where one helps; tell whether any did."""
    count = len(plan.chosen)
    places = film.free[:MOST_AT_ONCE]
    tops = film.model.samples_at(np.array([place.at_mm for place in places]))
    regions = [int(film.model.region[row, column]) for row, column in tops.tolist()]
    ends_mm = plan.ends_mm(np.arange(len(plan.sites)))
    banks = film.model.samples_at(ends_mm.reshape(-1, 2)).reshape(-1, 2, 2)
    on_film = np.asarray((banks >= 0).all(axis=(1, 2)), bool)
    region = np.where(on_film[:, None], film.model.region[banks[..., 0], banks[..., 1]], -1)
    held: set[int] = set()
    for place, own in zip(places, regions, strict=True):
        if own in held:
            continue
        fits = np.flatnonzero(on_film & (region == own).any(axis=1) & plan.usable())
        best = _best(plan, film, place, own, fits, banks)
        if best:
            plan.chosen.append(Chosen(best[0], others=tuple(best[1:]), keeps_down=True))
            held |= {int(one) for one in region[best[0]]}
    return len(plan.chosen) > count


def _best(
    plan: Plan,
    film: Survey,
    place: LiftPlace,
    own: int,
    fits: NDArray[np.intp],
    banks: NDArray[np.int64],
) -> list[int]:
    """Return the places for a bridge that hold a flap or span, the best first."""
    model, limits = film.model, film.limits
    give = model.compliance[banks[fits, :, 0], banks[fits, :, 1]].astype(np.float64)
    watched = _watched(model, own)
    top = model.compliance[watched[0][0], watched[0][1]]
    yields = give.max(axis=1) >= YIELDS * top
    fits, give = fits[yields], give[yields]
    if not len(fits):
        return []
    points = [model.sample_mm(row, column) for row, column in watched]
    spots = [spot for spot in map(model.plate.spot, points) if spot is not None]
    bent = model.plate.shapes_under(spots)
    ends_mm = plan.ends_mm(fits)
    ends = [
        (model.plate.spot((x0, y0)), model.plate.spot((x1, y1)))
        for (x0, y0), (x1, y1) in ends_mm.tolist()
    ]
    stands = np.array([one is not None and other is not None for one, other in ends], bool)
    fits, give, ends_mm = fits[stands], give[stands], ends_mm[stands]
    pairs = [(one, other) for one, other in ends if one is not None and other is not None]
    if not pairs:
        return []
    gain = screen(model.plate, bent[:, 0], give[:, 0], give[:, 1], pairs)
    scored: list[tuple[float, float, int]] = []
    for index in _spread(plan, fits, gain):
        (x0, y0), (x1, y1) = ends_mm[index].tolist()
        strip = model.plate.strip((x0, y0), (x1, y1), plan.width_mm)
        if strip is None:
            continue
        left_mm = _lift_left(film, place, strip.compliance(spots, bent))
        if left_mm <= HELPS * place.lift_mm:
            over_mm = max(left_mm - limits.lift_free_mm, 0.0)
            scored.append((over_mm, float(plan.sites.cost_mm[fits[index]]), int(fits[index])))
    return [site for _, _, site in sorted(scored)]


def _watched(model: LiftModel, own: int) -> list[tuple[int, int]]:
    """Return samples of a flap or span that yield, far from each other, its top first."""
    rows, columns = np.nonzero(model.region == own)
    give = model.compliance[rows, columns]
    kept = give >= YIELDS * give.max()
    at = np.stack([rows[kept], columns[kept]], axis=1)
    chosen = [int(np.argmax(give[kept]))]
    away = np.hypot(*(at - at[chosen[0]]).T)
    while len(chosen) < min(WATCHED, len(at)):
        chosen.append(int(np.argmax(away)))
        away = np.minimum(away, np.hypot(*(at - at[chosen[-1]]).T))
    return [(int(row), int(column)) for row, column in at[chosen]]


def _spread(plan: Plan, fits: NDArray[np.intp], gain: Array) -> list[int]:
    """Return which of the places take off most, well apart, as numbers into fits."""
    middles = plan.sites.middle_px[fits]
    open_ = np.ones(len(fits), bool)
    found: list[int] = []
    for index in np.argsort(-gain, kind="stable").tolist():
        if len(found) == EVALUATED:
            break
        if open_[index]:
            found.append(index)
            open_ &= np.hypot(*(middles - middles[index]).T) * plan.mm >= SPREAD_MM
    return found


def _lift_left(film: Survey, place: LiftPlace, compliance: Array) -> float:
    """Return the most that watched points lift, from their compliance with a bridge, D = 1.

    Stretch and turning are those of the flap without it, scaled as docs/lift.md says.
    """
    limits, found = film.limits, film.found
    bending = bending_stiffness(found.film_mm, 1000 * limits.film_modulus_gpa, limits.film_poisson)
    gives = np.maximum(compliance, 1e-9) / bending
    share = np.minimum(gives / place.compliance_mm_per_n, 1.0)
    lifts = lift_of(
        gives, found.dab_n, place.stiffening / share**2, place.turning_mm * np.cbrt(share)
    )
    return float(lifts.max())


def lift_at_bridges(
    prepared: Prepared,
    base: Sequence[Stroke],
    before: Checked,
    bridges: Sequence[Stroke],
    after: Survey,
) -> list[tuple[float | None, float | None]]:
    """Return (before, after) in mm for bridges: the most that the film which each holds may lift.

    before: the check of the strokes of `base` alone; after: the lift with all bridges. The first
    is the lift with no more bridges than keep the drawing in one piece, None for one of those, as
    film falls out without it. Of the flaps and spans at both ends the one that lifts more is told.
    """
    is_needed = _needed(before, bridges, prepared.limits)
    needed = [one for one, is_one in zip(bridges, is_needed, strict=True) if is_one]
    first = after
    if len(needed) < len(bridges):
        checked = recheck(prepared, (*base, *needed))
        first = survey(checked, prepared.limits, after.found.film_mm) or after
    told = []
    for stroke, is_one in zip(bridges, is_needed, strict=True):
        ends = np.array([stroke.points_mm[0], stroke.points_mm[-1]])
        told.append((None, _most(after, after, ends)[1]) if is_one else _most(first, after, ends))
    return told


def _needed(before: Checked, bridges: Sequence[Stroke], limits: Limits) -> list[bool]:
    """Tell of each bridge whether it joins what neither the frame nor one before it did."""
    if before.ink is None:
        return [False] * len(bridges)
    islands_mm = [finding.at_mm for finding in before.findings if finding.kind == "island"]
    film = film_parts(
        before.ink, before.outlines, before.placement, before.blank_mm, limits, islands_mm
    )
    joined = Joined()
    told = []
    for stroke in bridges:
        ends = np.array([stroke.points_mm[0], stroke.points_mm[-1]])
        pixels = film.ink.to_px(before.placement.to_paper(ends))
        one, other = film.part_at(pixels[0]), film.part_at(pixels[1])
        told.append(min(one, other) > 0 and joined.join(one, other))
    return told


def _most(before: Survey, after: Survey, ends: Array) -> tuple[float | None, float | None]:
    """Return (before, after) in mm of the flap or span at the ends that lifts most before."""
    told: list[tuple[float, float | None]] = []
    for row, column in before.model.samples_at(ends).tolist():
        if row < 0:
            continue
        own = before.model.region == before.model.region[row, column]
        later = after.found.lift[own & np.isfinite(after.found.lift)]
        told.append(
            (float(np.nanmax(before.found.lift[own])), float(later.max()) if len(later) else None)
        )
    return max(told, key=lambda pair: pair[0]) if told else (None, None)
