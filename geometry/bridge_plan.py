"""The plan of bridges while it is being made: the places there are, those taken, those barred."""

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geometry.bridge_sites import NEAR_MM, Film, Sites, find_sites
from geometry.bridge_symmetry import Mirror, even
from geometry.bridge_tree import Joined, is_near, lying_apart, span
from geometry.findings import Finding
from geometry.limits import Limits
from geometry.recipe import Placement, Stroke

FARTHEST_MM: Final = 400.0
BANNED_MM: Final = 1.2
"""A place that did harm is left, and those about it."""
CROWD_MM: Final = 4.0
CROWDED_MM: Final = 10.0
"""Cost of a further bridge that ends where another does, less with the way up to CROWDED_MM."""
LONGER: Final = 2.5
LONGER_MM: Final = 4.0
"""Another place for a bridge is at most so many times, or so much, longer."""


@dataclass(frozen=True)
class Style:
    """How bridges are dealt out: share of the proposed width; islands above heavy_mm2 get a third
    one (None: none does); every_mm: a bridge for so much of an island's edge, None for no rule."""

    share: float
    heavy_mm2: float | None
    every_mm: float | None = None


@dataclass
class Chosen:
    """One bridge of a plan.

    site: its number. others: further places that would do, where it does not join what is apart.
    flap_key: of the flap whose far side it holds. holds: ids of findings. reason: in words.
    """

    site: int
    others: tuple[int, ...] | None = None
    flap_key: str | None = None
    holds: tuple[int, ...] = ()
    reason: str = ""


@dataclass
class Plan:
    """Bridges as they are being chosen. sites: all places, in the pixels of film.

    island_of: the island finding of each loose part. loops_px: every edge of the ink. mirror: the
    line that the drawing is symmetric about. banned_px: where bridges did harm; endured: places
    taken although they do some, as there is no other.
    """

    film: Film
    placement: Placement
    limits: Limits
    width_mm: float
    loops_px: list[NDArray[np.float64]] = field(repr=False)
    island_of: dict[int, Finding]
    mirror: Mirror | None
    sites: Sites
    has_far: bool = False
    chosen: list[Chosen] = field(default_factory=list)
    banned_px: list[NDArray[np.float64]] = field(default_factory=list)
    endured: set[int] = field(default_factory=set)

    @property
    def mm(self) -> float:
        """Of one pixel on the blank."""
        return self.placement.scale / self.film.ink.px_per_mm

    @property
    def apart_px(self) -> float:
        """How far apart two bridges are at least: the line between them stays wide enough."""
        return (self.width_mm + max(self.limits.opening_mm, self.limits.web_mm) + 0.4) / self.mm

    @property
    def taken(self) -> list[int]:
        """The numbers of the places taken, in order."""
        return [chosen.site for chosen in self.chosen]

    def ends_mm(self, sites: list[int]) -> NDArray[np.float64]:
        """Return the ends (n, 2, 2) of places in blank mm, to a thousandth."""
        ends = self.sites.ends_px[np.array(sites, dtype=np.intp)].reshape(-1, 2)
        return np.round(self.placement.to_blank(self.film.ink.to_mm(ends)), 3).reshape(-1, 2, 2)

    def strokes(self) -> tuple[Stroke, ...]:
        """Return the bridges as strokes."""
        return tuple(
            Stroke("white", ((x0, y0), (x1, y1)), self.width_mm, "proposal")
            for (x0, y0), (x1, y1) in self.ends_mm(self.taken).tolist()
        )

    def usable(self) -> NDArray[np.bool_]:
        """Return which places (n) lie clear of banned and of taken ones."""
        middles = self.sites.middle_px
        free = np.ones(len(self.sites), bool)
        for point in self.banned_px:
            free &= np.hypot(*(middles - point).T) >= BANNED_MM / self.mm
        for site in self.taken:
            free &= np.hypot(*(middles - middles[site]).T) >= self.apart_px
        return free

    def span(self) -> None:
        """Join what still lies apart, by places that did no harm, or else by any."""
        joined = self.joined()
        if not lying_apart(self.film, joined):
            return
        middles = self.sites.middle_px
        for is_last in (False, True):
            usable = np.ones(len(self.sites), bool) if is_last else self.usable()
            taken_px = [middles[site] for site in self.taken]
            new = span(self.film, self.sites, joined, usable, taken_px, self.apart_px)
            self.chosen += [Chosen(site) for site in new]
            self.endured |= set(new) if is_last else set()
            if not lying_apart(self.film, joined):
                return

    def crowding_mm(self) -> NDArray[np.float64]:
        """Return what each place (n) costs for ending close to where a bridge does."""
        nearest = np.full(len(self.sites), np.inf)
        for site in self.taken:
            for end in self.sites.ends_px[site].reshape(2, 2):
                for own in (self.sites.ends_px[:, :2], self.sites.ends_px[:, 2:]):
                    nearest = np.minimum(nearest, np.hypot(*(own - end).T))
        return np.asarray(CROWD_MM * np.clip(1 - nearest * self.mm / CROWDED_MM, 0, None))

    def look_farther(self) -> bool:
        """Look for places across wide ink too; tell whether there are more then."""
        if self.has_far:
            return False
        self.has_far = True
        far = find_sites(self.film, self.loops_px, self.mm, self.width_mm, longest_mm=FARTHEST_MM)
        far = far.only(far.gap_mm > NEAR_MM)
        if self.mirror is not None:
            far = even(far, self.mirror, self.mm)
        self.sites = self.sites.also(far)
        return len(far) > 0

    def joined(self, without: int | None = None) -> Joined:
        """Return which parts the bridges join, all of them or all but one."""
        joined = Joined()
        for index, site in enumerate(self.taken):
            if index != without:
                one, other = (int(part) for part in self.sites.parts[site])
                joined.join(one, other)
        return joined

    def move_to(self, places: Sites) -> None:
        """Take other places (n), one for each bridge in order."""
        first = len(self.sites)
        self.sites = self.sites.also(places)
        self.chosen = [replace(one, site=first + at) for at, one in enumerate(self.chosen)]

    def alternatives(self, index: int, count: int) -> list[int]:
        """Return up to so many other places for a bridge, the best first, well apart."""
        chosen = self.chosen[index]
        if chosen.others is not None:
            order = np.array(chosen.others, dtype=np.intp)
        else:
            order = np.flatnonzero(self._would_join(index))
            order = order[np.argsort(self.sites.cost_mm[order], kind="stable")]
        gap_mm = self.sites.gap_mm
        own_mm = float(gap_mm[chosen.site])
        order = order[gap_mm[order] <= max(LONGER * own_mm, own_mm + LONGER_MM)]
        middles = self.sites.middle_px
        taken = middles[np.array(self.taken, dtype=np.intp)]
        away = [float(np.hypot(*(taken - middles[site]).T).min()) for site in order]
        order = order[np.array(away) >= self.apart_px / 2] if len(order) else order
        found: list[int] = []
        for apart_px in (2 * self.apart_px, self.apart_px, self.apart_px / 2):
            for site in order.tolist():
                beside = [middles[chosen.site], *(middles[other] for other in found)]
                if len(found) < count and not is_near(middles[site], beside, apart_px):
                    found.append(site)
        return found

    def _would_join(self, index: int) -> NDArray[np.bool_]:
        """Return which places (n) join the same as a bridge does, if that one were not there."""
        joined = self.joined(without=index)
        roots = np.array([joined.root(part) for part in range(len(self.film.areas_mm2))])
        sides = roots[self.sites.parts]
        own = sides[self.chosen[index].site]
        if own[0] == own[1]:
            sides, own = self.sites.parts, self.sites.parts[self.chosen[index].site]
        return np.asarray((np.sort(sides, axis=1) == np.sort(own)).all(axis=1))
