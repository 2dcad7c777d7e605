"""Ideas tried all at once, re-check by re-check, until each mends its finding without harm."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from shapely.geometry import Point

from geometry.bridges import Bridge, Proposal
from geometry.check import Checked
from geometry.findings import Finding
from geometry.limits import Limits
from geometry.mends_judge import (
    blamed,
    drawn,
    fuses,
    is_gone,
    new_findings,
    same_place,
    severity_of,
    shape_of,
)
from geometry.mends_result import BRIDGED
from geometry.mends_strokes import Idea, stroke_ideas
from geometry.recipe import Stroke

NARROW: Final = ("line-below-kerf", "thin-line", "thin-web", "thin-bridge")
MOST_ROUNDS: Final = 6
"""Re-checks at most while ideas are tried; in the last one only what does no harm is left."""


@dataclass
class Item:
    """A finding at work: its ideas, the one that is tried now, and what it has led to."""

    finding: Finding
    ideas: list[Idea]
    turn: int = 0
    endures: bool = False
    more: tuple[Stroke, ...] = ()

    @property
    def strokes(self) -> tuple[Stroke, ...]:
        return (*self.ideas[self.turn], *self.more) if self.turn < len(self.ideas) else ()


def in_order(items: Sequence[Item]) -> tuple[Stroke, ...]:
    """Return the strokes of items as they are drawn: black first, so that white gaps stay open."""
    strokes = [stroke for item in items for stroke in item.strokes]
    return tuple(sorted(dict.fromkeys(strokes), key=lambda stroke: stroke.pen != "black"))


def tried(
    items: list[Item],
    look: Callable[[Sequence[Stroke]], Checked],
    before: Checked,
    *,
    shared: bool = False,
) -> Checked:
    """Try the ideas of items all at once until each mends its finding without harm, or is given up.

    Items are changed: those given up have no strokes left. shared: an item may be held by what
    another one draws, so that only harm counts against it. Returns the last check.
    """
    for turn in range(MOST_ROUNDS + 1 + len(items)):
        active = [item for item in items if item.strokes]
        after = look(in_order(active))
        if not active:
            return after
        if after.ink is None:
            for item in active:
                item.turn = len(item.ideas)
            continue
        came = new_findings(before.findings, after.findings)
        is_last = turn >= MOST_ROUNDS
        if not _changed(active, after, came, is_last=is_last, shared=shared):
            return after
    return after


def _changed(
    active: list[Item],
    after: Checked,
    came: Sequence[Finding],
    *,
    is_last: bool,
    shared: bool,
) -> bool:
    """Move on the items that fail; tell whether any strokes are now others than were looked at."""
    areas = [drawn(item.strokes) for item in active]
    harm: dict[int, list[Finding]] = {}
    for finding in came:
        index = blamed(finding, areas)
        if index is not None:
            harm.setdefault(index, []).append(finding)
    changed = False
    for index, item in enumerate(active):
        own = severity_of(item.finding)
        harms = harm.get(index, [])
        bad = [one for one in harms if severity_of(one) <= own]
        mild = [one for one in harms if severity_of(one) == own + 1 == 1]
        is_done = is_gone(item.finding, after)
        if is_done and not bad and (not mild or item.endures or is_last):
            continue
        if not is_done and shared and not bad:
            item.turn, changed = len(item.ideas), True
            continue
        more = () if is_last or item.more else _follow_up(harms, item, after)
        if more and is_done:
            item.more, changed = more, True
            continue
        item.more, changed = (), True
        item.turn = len(item.ideas) if is_last else item.turn + 1
        if item.turn >= len(item.ideas) and not is_last and not item.endures and own == 0:
            # What rejects is mended at the price of a warning, if there is no better way.
            item.turn, item.endures = 0, True
    return changed


def _follow_up(harms: Sequence[Finding], item: Item, after: Checked) -> tuple[Stroke, ...]:
    """Return strokes for what is left at the ends of a stretch, thin still where it was thinner,
    and for lines beside film that was widened."""
    if not harms or any(one.kind not in NARROW for one in harms):
        return ()
    if item.finding.kind not in NARROW:
        return ()
    limits = Limits.from_json(after.report["limits"])
    pen, area = item.strokes[0].pen, drawn(item.strokes)
    more: list[Stroke] = []
    for one in harms:
        ideas = stroke_ideas(one, after, limits)
        if ideas and ideas[0][0].pen == pen:
            more += ideas[0]
        elif ideas and pen == "white":
            # A line gives way to the wider film: it grows on its far side.
            more += max(ideas, key=lambda idea: drawn(tuple(idea)).centroid.distance(area))
    return () if fuses(more, after) else tuple(more)


def bridges_by_finding(
    proposal: Proposal, findings: Sequence[Finding]
) -> dict[str, tuple[Bridge, ...]]:
    """Return the bridges that each island or flap needs, by the finding's key.

    Film that hangs on another island needs that one's bridges too; a bridge that only keeps film
    between bridges from swinging goes with the nearest finding.
    """
    held = [one for one in proposal.before.findings if one.kind in BRIDGED]
    by_id: dict[int, list[Bridge]] = {one.id: [] for one in held}
    shapes = {one.id: shape_of(one) for one in held}
    for bridge in proposal.bridges:
        of = [number for number in bridge.holds if number in by_id]
        if not of and shapes:
            middle = Point(bridge.site.at_mm)
            of = [min(shapes, key=lambda number: shapes[number].distance(middle))]
        for number in of:
            by_id[number].append(bridge)
    islands = {one.id: shapes[one.id] for one in held if one.kind == "island"}
    leads: dict[int, set[int]] = {}
    for number, bridges in by_id.items():
        ends = [Point(end) for b in bridges for end in (b.site.from_mm, b.site.to_mm)]
        leads[number] = {
            other
            for other, area in islands.items()
            if other != number and any(area.contains(end) for end in ends)
        }
    groups: dict[str, tuple[Bridge, ...]] = {}
    for finding in findings:
        own = next((one for one in held if same_place(one, finding)), None)
        if own is None or not by_id[own.id]:
            continue
        reached, todo = {own.id}, [own.id]
        while todo:
            for other in leads[todo.pop()] - reached:
                reached.add(other)
                todo.append(other)
        seen: dict[int, Bridge] = {}
        for number in sorted(reached, key=lambda one: one != own.id):
            seen |= {id(bridge): bridge for bridge in by_id[number]}
        groups[finding.key] = tuple(seen.values())
    return groups
