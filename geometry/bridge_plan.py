"""The plan of bridges while it is being made: the places there are, those taken, those barred."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geometry.bridge_sites import NEAR_MM, Film, Sites, find_sites
from geometry.bridge_symmetry import Symmetry, even, evened
from geometry.bridge_tree import Joined, lying_apart, span
from geometry.findings import Finding
from geometry.limits import Limits
from geometry.recipe import Placement, Stroke

FARTHEST_MM: Final = 400.0
BANNED_MM: Final = 1.2
"""A place that did harm is left, and those about it."""
CROWD_MM: Final = 4.0
CROWD_SHARE: Final = 0.4
CROWDED_MM: Final = 10.0
"""Cost of a further bridge that ends where another does, for a long one this share of its length,
less with the way up to CROWDED_MM."""
ROW_MM: Final = 3.0
ROW_OFF_MM: Final = 7.0
ROW_REACH_MM: Final = 14.0
KIN_MM: Final = 4.0
"""Cost of a further bridge in line with one close by, less with the way off that line and the way
to that bridge: bridges on neighbouring lines are staggered. So much less costs a place whose
counterpart in a symmetric drawing has a bridge. Judgement, all of these."""
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
    flap_key: of the flap whose far side it holds. keeps_down: put in against lift. holds: ids of
    findings. reason: in words.
    """

    site: int
    others: tuple[int, ...] | None = None
    flap_key: str | None = None
    keeps_down: bool = False
    holds: tuple[int, ...] = ()
    reason: str = ""


@dataclass
class Plan:
    """Bridges as they are being chosen. sites: all places, in the pixels of film.

    island_of: the island finding of each loose part. loops_px: every edge of the ink. symmetry:
    how the drawing is its own image. banned_px: where bridges did harm; endured: places
    taken although they do some, as there is no other.
    """

    film: Film
    placement: Placement
    limits: Limits
    width_mm: float
    loops_px: list[NDArray[np.float64]] = field(repr=False)
    island_of: dict[int, Finding]
    symmetry: Symmetry | None
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
    def taken(self) -> NDArray[np.intp]:
        """The numbers (m) of the places taken, in order."""
        return np.array([chosen.site for chosen in self.chosen], dtype=np.intp)

    def ends_mm(self, sites: Sequence[int] | NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the ends (n, 2, 2) of places in blank mm, to a thousandth."""
        ends = self.sites.ends_px[np.array(sites, dtype=np.intp)].reshape(-1, 2)
        return np.round(self.placement.to_blank(self.film.ink.to_mm(ends)), 3).reshape(-1, 2, 2)

    def strokes(self) -> tuple[Stroke, ...]:
        """Return the bridges as strokes."""
        return tuple(
            Stroke("white", ((x0, y0), (x1, y1)), self.width_mm, "proposal")
            for (x0, y0), (x1, y1) in self.ends_mm(self.taken).tolist()
        )

    def usable(self, *, with_banned: bool = False) -> NDArray[np.bool_]:
        """Return which places (n) lie clear of taken ones, and of banned ones unless asked for."""
        middles = self.sites.middle_px
        free = _nearest(middles[self.taken], middles) >= self.apart_px
        if not with_banned:
            free &= _nearest(np.array(self.banned_px), middles) >= BANNED_MM / self.mm
        return np.asarray(free)

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

    def crowding_mm(
        self, of: NDArray[np.intp] | None = None, also: Sequence[int] = ()
    ) -> NDArray[np.float64]:
        """Return what places (numbers; by default all) cost beside the bridges taken, and `also`.

        For ending close to where one does, and for standing in one line with one close by; less for
        being another's counterpart.
        """
        sites = self.sites if of is None else self.sites.only(of)
        taken = self.sites.only(np.concatenate([self.taken, np.array(also, dtype=np.intp)]))
        near_px = _nearest(taken.ends_px.reshape(-1, 2), sites.ends_px.reshape(-1, 2))
        nearest_mm = near_px.reshape(-1, 2).min(axis=1) * self.mm
        most_mm = np.maximum(CROWD_MM, CROWD_SHARE * sites.gap_mm)
        cost = most_mm * np.clip(1 - nearest_mm / CROWDED_MM, 0, None)
        is_kin = (sites.orbit >= 0) & np.isin(sites.orbit, taken.orbit)
        return np.asarray(cost + ROW_MM * self._in_row(sites, taken) - KIN_MM * is_kin)

    def _in_row(self, sites: Sites, taken: Sites) -> NDArray[np.float64]:
        """Return (n), 0 to 1, how much places stand in one line with a taken one close by."""
        row = np.zeros(len(sites))
        if not len(sites) or not len(taken):
            return row
        near = cKDTree(sites.middle_px).query_ball_point(taken.middle_px, ROW_REACH_MM / self.mm)
        one = np.repeat(np.arange(len(taken)), [len(places) for places in near])
        other = np.concatenate([np.array(places, np.intp) for places in near])
        to_mm = (sites.middle_px[other] - taken.middle_px[one]) * self.mm
        along = taken.ends_px[:, 2:] - taken.ends_px[:, :2]
        along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
        off = np.abs(to_mm[:, 1] * along[one, 0] - to_mm[:, 0] * along[one, 1]) / ROW_OFF_MM
        way = np.hypot(*to_mm.T) / ROW_REACH_MM
        np.maximum.at(row, other, np.clip(1 - off, 0, None) * np.clip(1 - way, 0, None))
        return row

    def look_farther(self) -> bool:
        """Look for places across wide ink too; tell whether there are more then."""
        if self.has_far:
            return False
        self.has_far = True
        far = find_sites(self.film, self.loops_px, self.mm, self.width_mm, longest_mm=FARTHEST_MM)
        far = far.only(far.gap_mm > NEAR_MM)
        if self.symmetry is not None:
            far = even(far, self.symmetry, self.mm, int(self.sites.orbit.max(initial=-1)) + 1)
        self.sites = self.sites.also(far)
        return len(far) > 0

    def copy(self) -> "Plan":
        """Return a plan whose bridges stay as they are now."""
        return replace(
            self,
            chosen=[replace(one) for one in self.chosen],
            banned_px=list(self.banned_px),
            endured=set(self.endured),
        )

    def joined(self, without: Sequence[int] = ()) -> Joined:
        """Return which parts the bridges join, but for some of them, by number."""
        joined = Joined()
        for index, (one, other) in enumerate(self.sites.parts[self.taken].tolist()):
            if index not in without:
                joined.join(one, other)
        return joined

    def even_out(self) -> bool:
        """Make bridges of a symmetric drawing exact images; tell whether that moved any."""
        if self.symmetry is None or not self.chosen:
            return False
        places = evened(self.sites, self.taken, self.symmetry, self.film, self.mm)
        if np.allclose(places.ends_px, self.sites.ends_px[self.taken]):
            return False
        first = len(self.sites)
        self.sites = self.sites.also(places)
        for at, one in enumerate(self.chosen):
            if one.site in self.endured:
                self.endured.add(first + at)
            one.site = first + at
        return True

    def alternatives(self, count: int) -> list[list[int]]:
        """Return, per bridge, up to so many other places for it, the best first, well apart."""
        middles, gap_mm = self.sites.middle_px, self.sites.gap_mm
        clear = _nearest(middles[self.taken], middles) >= self.apart_px / 2
        by_cost = np.argsort(self.sites.cost_mm, kind="stable")
        found: list[list[int]] = []
        for index, chosen in enumerate(self.chosen):
            if chosen.others is None:
                order = by_cost[self._would_join(index)[by_cost]]
            else:
                order = np.array(chosen.others, dtype=np.intp)
            own_mm = float(gap_mm[chosen.site])
            fits = clear[order] & (gap_mm[order] <= max(LONGER * own_mm, own_mm + LONGER_MM))
            found.append(self._apart(order[fits], chosen.site, count))
        return found

    def _apart(self, order: NDArray[np.intp], site: int, count: int) -> list[int]:
        """Return the first places of an order that lie well apart, from a place and each other."""
        middles = self.sites.middle_px
        found: list[int] = []
        for apart_px in (2 * self.apart_px, self.apart_px, self.apart_px / 2):
            far = np.ones(len(order), bool)
            for other in (site, *found):
                far &= np.hypot(*(middles[order] - middles[other]).T) >= apart_px
            while len(found) < count and far.any():
                found.append(int(order[np.argmax(far)]))
                far &= np.hypot(*(middles[order] - middles[found[-1]]).T) >= apart_px
        return found

    def _would_join(self, index: int) -> NDArray[np.bool_]:
        """Return which places (n) join the same as a bridge does, if that one were not there."""
        links = np.delete(self.sites.parts[self.taken], index, axis=0)
        count = len(self.film.areas_mm2)
        graph = coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), (count, count))
        sides = connected_components(graph, directed=False)[1][self.sites.parts]
        own = sides[self.chosen[index].site]
        if own[0] == own[1]:
            sides, own = self.sites.parts, self.sites.parts[self.chosen[index].site]
        first, second = sides.T
        ways = (first == own[0]) & (second == own[1]), (first == own[1]) & (second == own[0])
        return np.asarray(ways[0] | ways[1])


def _nearest(to_px: NDArray[np.float64], points_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far each point (n, 2) is from the nearest of others (m, 2); inf where m is 0."""
    if not len(to_px):
        return np.full(len(points_px), np.inf)
    return np.asarray(cKDTree(to_px).query(points_px)[0])
