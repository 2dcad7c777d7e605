"""Bridges are chosen and checked in rounds, until a check of all of them has nothing to say."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from geometry.bridge_hinges import find_hinges, hold_hinges
from geometry.bridge_plan import FARTHEST_MM, Chosen, Plan, Style
from geometry.bridge_prune import prune
from geometry.bridge_sites import film_parts, find_sites
from geometry.bridge_symmetry import even, find_symmetry
from geometry.bridge_tree import Joined, held_parts, lying_apart
from geometry.check import Checked
from geometry.findings import Finding
from geometry.flaps import find_flaps
from geometry.ink import with_strokes
from geometry.limits import Limits
from geometry.prepared import Prepared
from geometry.recheck import recheck
from geometry.recipe import Stroke

MOST_ROUNDS: Final = 30
MOST_MOVES: Final = 12
"""Rounds at most; and rounds in which bridges that did harm are still moved."""
BESIDE_MM: Final = 2.5
"""A narrow place this close to a bridge came with it."""
SAME_MM: Final = 0.8
SPREAD_MM: Final = 10.0
"""Cost of a further bridge of a heavy island where it has one already, none farthest from them."""
THIN: Final = ("line-below-kerf", "thin-line", "thin-web", "thin-bridge")


@dataclass(frozen=True)
class Planned:
    """A finished plan, the check with all its bridges, and what that check still has to say."""

    plan: Plan
    after: Checked
    left: tuple[Finding, ...]

    @property
    def rank(self) -> tuple[int, int, int]:
        """How bad it is: what rejects, then flaps, then narrow places."""
        rejects = sum(one.kind in ("island", "line-below-kerf") for one in self.left)
        flaps = sum(one.kind == "flap" for one in self.left)
        return rejects, flaps, len(self.left) - rejects - flaps


class Guide(Protocol):
    """What betters a plan that holds everything."""

    def improve(
        self,
        now: Planned,
        checked: Callable[[Plan], Planned],
        pruned: Callable[[Planned], Planned],
    ) -> Planned:
        """Return a plan as good or better. checked: checks a plan; pruned: takes out needless."""
        ...


def plan_bridges(
    prepared: Prepared,
    strokes: tuple[Stroke, ...],
    before: Checked,
    style: Style,
    width_mm: float,
    *,
    locked: Sequence[Stroke] = (),
    guide: Guide | None = None,
) -> Planned:
    """Return bridges such that a check with all of them finds no island and no flap.

    before: the check with strokes; locked: bridges that are there already; guide: betters what is
    found by lift. What could not be reached is `left`.
    """
    base = (*strokes, *locked)
    start = recheck(prepared, base) if locked else before
    plan = _begin(start, before, prepared.limits, width_mm)

    def checked(plan: Plan) -> Planned:
        after = recheck(prepared, (*base, *plan.strokes()))
        return Planned(plan.copy(), after, tuple(_faults(plan, start, after)))

    def rounds(plan: Plan, *, is_even: bool) -> Planned:
        def spanned() -> Planned:
            plan.span()
            if is_even:
                plan.even_out()
            return checked(plan)

        best = now = spanned()
        for turn in range(MOST_ROUNDS):
            is_moved = turn < MOST_MOVES and drop_harmful(plan, now.left)
            if not (is_moved or _hold_flaps(plan, now) or _add_more(plan, style)):
                break
            now = spanned()
            # Later states are fuller: of two as good, the later has what a style asks for.
            best = now if now.rank <= best.rank else best
        return best

    def checked_even(plan: Plan) -> Planned:
        even = plan.copy()
        if not even.even_out():
            return checked(plan)
        now = checked(even)
        if not now.left:
            return now
        uneven = checked(plan)
        return now if now.rank <= uneven.rank else uneven

    def flaps(plan: Plan) -> list[Finding]:
        ink = with_strokes(prepared.ink, (*base, *plan.strokes()), plan.placement)
        return find_flaps(ink, plan.placement, prepared.limits)

    def pruned(best: Planned) -> Planned:
        plan = best.plan.copy()
        wanted = {part: _wanted(island, style) for part, island in plan.island_of.items()}
        if not prune(plan, best.rank[1], flaps, wanted):
            return best
        fewer = checked_even(plan)
        return fewer if fewer.rank <= best.rank else best

    best = rounds(plan.copy(), is_even=True)
    if best.left and plan.symmetry is not None:
        uneven = rounds(plan, is_even=False)
        best = uneven if uneven.rank < best.rank else best
    best = pruned(best)
    if guide is not None:
        best = guide.improve(best, checked_even, pruned)
    _say_why(best.plan, before)
    return best


def _begin(start: Checked, before: Checked, limits: Limits, width_mm: float) -> Plan:
    """Return a plan without bridges: the film's parts and the places across the ink."""
    ink, placement = start.ink, start.placement
    if ink is None:
        raise ValueError("there is no ink to bridge")
    islands_mm = [finding.at_mm for finding in start.findings if finding.kind == "island"]
    film = film_parts(ink, start.outlines, placement, start.blank_mm, limits, islands_mm)
    shift = np.subtract(ink.origin_px, film.ink.origin_px)
    loops = [ink.loops.points_of(loop) + shift for loop in range(len(ink.loops))]
    mm = placement.scale / ink.px_per_mm
    sites = find_sites(film, loops, mm, width_mm)
    joined = Joined()
    for one, other in sites.parts.tolist():
        joined.join(one, other)
    lonely = lying_apart(film, joined)
    if lonely:
        far = find_sites(film, loops, mm, width_mm, longest_mm=FARTHEST_MM, only=lonely)
        sites = sites.also(far)
    symmetry = find_symmetry(film, mm)
    if symmetry is not None:
        sites = even(sites, symmetry, mm)
    islands = [finding for finding in before.findings if finding.kind == "island"]
    island_of = {
        film.part_at(film.ink.to_px(placement.to_paper([finding.at_mm]))[0]): finding
        for finding in islands
    }
    island_of = {part: finding for part, finding in island_of.items() if part in film.loose}
    return Plan(film, placement, limits, width_mm, loops, island_of, symmetry, sites)


def _faults(plan: Plan, start: Checked, after: Checked) -> list[Finding]:
    """Return the islands, flaps and new narrow places of a check with bridges."""
    faults = [finding for finding in after.findings if finding.kind in ("island", "flap")]
    segments = plan.ends_mm(plan.taken)
    if not len(segments):
        return faults
    known = {kind: _lines_of(start, kind) for kind in THIN}
    for finding in after.findings:
        if finding.kind not in THIN:
            continue
        at = np.array(finding.at_mm)
        lines = known[finding.kind]
        is_known = len(lines) > 0 and np.hypot(*(lines - at).T).min() < SAME_MM
        if not is_known and _ways_to(segments, at).min() < plan.width_mm / 2 + BESIDE_MM:
            faults.append(finding)
    return faults


def _lines_of(checked: Checked, kind: str) -> NDArray[np.float64]:
    """Return points (n, 2) along all narrow places of a kind; a bridge of film is a web too."""
    kinds = ("thin-web", "thin-bridge") if kind in ("thin-web", "thin-bridge") else (kind,)
    lines = [
        np.array(line, float).reshape(-1, 2)
        for finding in checked.findings
        if finding.kind in kinds
        for line in ([finding.at_mm], finding.outline_mm, *finding.others_mm)
    ]
    return np.concatenate(lines) if lines else np.empty((0, 2))


def _ways_to(segments: NDArray[np.float64], point: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a point lies from segments (n, 2, 2)."""
    along = segments[:, 1] - segments[:, 0]
    off = point - segments[:, 0]
    share = (along * off).sum(axis=1) / np.maximum((along * along).sum(axis=1), 1e-9)
    nearest = segments[:, 0] + np.clip(share, 0, 1)[:, None] * along
    return np.asarray(np.hypot(*(point - nearest).T))


def drop_harmful(plan: Plan, faults: Sequence[Finding]) -> bool:
    """Take out the bridges that narrow places came with, and never come back there."""
    segments = plan.ends_mm(plan.taken)
    harmful = {
        int(np.argmin(_ways_to(segments, np.array(fault.at_mm))))
        for fault in faults
        if fault.kind in THIN
    }
    harmful = {index for index in harmful if plan.chosen[index].site not in plan.endured}
    middles = plan.sites.middle_px
    plan.banned_px += [middles[plan.taken[index]] for index in sorted(harmful)]
    plan.chosen = [one for index, one in enumerate(plan.chosen) if index not in harmful]
    return bool(harmful)


def _hold_flaps(plan: Plan, now: Planned) -> bool:
    """Add a bridge at the far side of each flap; tell whether any was added."""
    flaps = [finding for finding in now.left if finding.kind == "flap"]
    ink = now.after.ink
    if not flaps or ink is None:
        return False
    hinges = find_hinges(flaps, ink, now.after.placement)
    shift = np.tile(np.subtract(plan.film.ink.origin_px, ink.origin_px), 2)

    def hold(*, with_banned: bool = False) -> list[tuple[int, int, tuple[int, ...]]]:
        def cost_mm(of: NDArray[np.intp], also: Sequence[int]) -> NDArray[np.float64]:
            return plan.sites.cost_mm[of] + plan.crowding_mm(of, also)

        ends_px = plan.sites.ends_px + shift
        usable = plan.usable(with_banned=with_banned)
        return hold_hinges(hinges, ends_px, cost_mm, usable, plan.apart_px)

    found = hold()
    if not found and plan.look_farther():
        found = hold()
    if not found:
        # A narrow place beside a bridge is the lesser evil.
        found = hold(with_banned=True)
        plan.endured |= {site for site, _, _ in found}
    plan.chosen += [
        Chosen(site, others=others, flap_key=hinges[number].finding.key)
        for site, number, others in found
    ]
    return bool(found)


def _add_more(plan: Plan, style: Style) -> bool:
    """Add a bridge to each island that a style wants more for; tell whether any was added."""
    count = len(plan.chosen)
    middles = plan.sites.middle_px
    between = plan.sites.parts[:, 0] != plan.sites.parts[:, 1]
    for part, island in plan.island_of.items():
        touches = (plan.sites.parts == part).any(axis=1)
        own = [middles[site] for site in plan.taken if touches[site]]
        if not own or len(own) >= _wanted(island, style):
            continue
        fits = np.flatnonzero(touches & between & plan.usable())
        if not len(fits):
            continue
        away = np.min([np.hypot(*(middles[fits] - point).T) for point in own], axis=0)
        score = plan.sites.cost_mm[fits] + SPREAD_MM * (1 - away / max(float(away.max()), 1e-6))
        order = fits[np.argsort(score, kind="stable")].tolist()
        plan.chosen.append(Chosen(order[0], others=tuple(order[1:])))
    return len(plan.chosen) > count


def _wanted(island: Finding, style: Style) -> int:
    """Return how many bridges a style wants for an island, whatever else is found."""
    wanted = 1
    if style.every_mm is not None:
        line = np.array(island.outline_mm)
        edge_mm = float(np.hypot(*(line - np.roll(line, -1, axis=0)).T).sum())
        wanted = int(edge_mm / style.every_mm)
    if style.heavy_mm2 is not None and (island.area_mm2 or 0.0) > style.heavy_mm2:
        wanted = max(wanted, 3)
    return wanted


def _say_why(plan: Plan, before: Checked) -> None:
    """Set what each bridge holds and its reason."""
    parts = [(int(one), int(other)) for one, other in plan.sites.parts[plan.taken]]
    flaps = {finding.key: finding.id for finding in before.findings if finding.kind == "flap"}
    held = held_parts(plan.film, parts)
    for chosen, (part, is_first) in zip(plan.chosen, held, strict=True):
        island = plan.island_of.get(part)
        flap = flaps.get(chosen.flap_key or "")
        if flap is not None:
            chosen.holds, chosen.reason = (flap,), f"holds the far side of flap {flap}"
        elif chosen.keeps_down:
            chosen.reason = "keeps film down that would lift under the sponge"
        elif island is None:
            chosen.reason = "holds film that would hang on one side only"
        elif is_first:
            chosen.holds, chosen.reason = (island.id,), f"holds island {island.id}"
        else:
            chosen.holds = (island.id,)
            chosen.reason = f"holds island {island.id} at a further side, so that it cannot swing"
