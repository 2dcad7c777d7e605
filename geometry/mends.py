"""Mends: the strokes, or the change of place, that do away with a finding.

Each is proved by a re-check: the finding is gone, and nothing as bad or worse has come with it.
Otherwise the next idea is tried (to one side, a little wider), or it is said why there is none.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely

from geometry.bridges import Proposal, propose_bridges
from geometry.check import Checked, place
from geometry.errors import UnreadableError
from geometry.findings import KINDS, NOTE, Finding
from geometry.mends_judge import (
    changed_mm2,
    drawn,
    is_gone,
    new_findings,
    same_place,
    severity_of,
)
from geometry.mends_place import Move, carried, find_move, moved
from geometry.mends_result import (
    BRIDGED,
    FAILED,
    NO_MEND,
    PLACED,
    Mend,
    Mended,
    Unmended,
    why_not,
)
from geometry.mends_strokes import stroke_ideas
from geometry.mends_tries import Item, bridges_by_finding, in_order, tried
from geometry.prepared import Prepared
from geometry.recheck import recheck
from geometry.recipe import Recipe, Stroke

BESIDE_ALONE_MM: Final = 1.5
DEFAULT_KINDS: Final = tuple(kind for kind, row in KINDS.items() if row.severity != NOTE)


def mend_all(
    prepared: Prepared,
    strokes: Sequence[Stroke] = (),
    *,
    kinds: Collection[str] = DEFAULT_KINDS,
) -> Mended:
    """Return all mends of a prepared drawing with strokes together, proved by one last re-check.

    kinds: of the findings to mend; by default all that rejects or warns. The drawing is moved
    first, then lines and film are mended, then bridges are put in. What `after` finds is never
    worse than `before`: not more that rejects, and with as many, not more that warns.
    Raises UnreadableError where the strokes leave nothing of the drawing.
    """
    return Mender(prepared, strokes).mend_all(kinds)


class Mender:
    """Mends for one drawing with strokes; what they have in common is worked out once."""

    def __init__(
        self,
        prepared: Prepared,
        strokes: Sequence[Stroke] = (),
        pause: Callable[[], None] = lambda: None,
    ) -> None:
        """Check the drawing. Raises UnreadableError where the strokes leave nothing of it.

        pause is called before each re-check, so that others can go first; what it raises goes on.
        """
        self.prepared = prepared
        self.pause = pause
        self.base = tuple(strokes)
        self.before = recheck(prepared, self.base)
        if self.before.ink is None:
            error = self.before.report["error"]
            raise UnreadableError(error["code"], error["message"])

    @cached_property
    def proposal(self) -> Proposal:
        """Bridges for the drawing."""
        return propose_bridges(self.prepared, self.base)

    def mend(self, finding: Finding) -> Mend | Unmended:
        """Return what mends a finding of `before`, or why there is nothing."""
        if finding.kind in NO_MEND:
            return Unmended(finding, NO_MEND[finding.kind])
        if finding.kind in PLACED:
            return self._moved(finding)
        if finding.kind in BRIDGED:
            bridges = bridges_by_finding(self.proposal, [finding]).get(finding.key, ())
            ideas = [tuple(one.site.stroke for one in bridges)] if bridges else []
        else:
            ideas = stroke_ideas(finding, self.before, self.prepared.limits)
        item = Item(finding, ideas)
        after = tried([item], self._look, self.before)
        return self._answer(item, after)

    def mend_all(self, kinds: Collection[str] = DEFAULT_KINDS) -> Mended:
        """Return all mends together; see the function."""
        asked = [finding for finding in self.before.findings if finding.kind in kinds]
        move = next((m for f in asked if f.kind in PLACED if (m := self._move())), None)
        if move is not None:
            mended = Mender(*self.placed(move), self.pause).mend_here(kinds)
            if _rank(mended.after) > _rank(self.before):
                move = None
        if move is None:
            return self._complete(self.mend_here(kinds), asked, None)
        return self._complete(mended, asked, move)

    def placed(self, move: Move) -> tuple[Prepared, tuple[Stroke, ...]]:
        """Return the drawing in another place, and its strokes carried along."""
        there = moved(self.prepared, move)
        placement = place(there.ink, there.page, there.recipe)
        return there, tuple(carried(self.base, self.before.placement, placement))

    def _look(self, strokes: Sequence[Stroke], *, flaps: bool = True) -> Checked:
        self.pause()
        return recheck(self.prepared, (*self.base, *strokes), flaps=flaps)

    def _move(self) -> Move | None:
        return find_move(self.prepared, self.before)

    def _moved(self, finding: Finding) -> Mend | Unmended:
        """Return the change of place for a finding at the blank's edge."""
        move = self._move()
        if move is None:
            return Unmended(finding, FAILED[finding.kind])
        after = recheck(*self.placed(move))
        is_better = _rank(after) < _rank(self.before)
        if not is_better or any(one.kind in PLACED for one in after.findings):
            return Unmended(finding, FAILED[finding.kind])
        return Mend(finding, move=move)

    def mend_here(self, kinds: Collection[str]) -> Mended:
        """Return all mends but that of place."""
        mended = self._strokes_and_bridges(kinds, flaps=False)
        if _rank(mended.after) > _rank(self.before):
            mended = self._strokes_and_bridges(kinds, flaps=True)
        if _rank(mended.after) > _rank(self.before):
            return Mended((), (), self._recipe(()), self.before, self.before)
        return mended

    def _strokes_and_bridges(self, kinds: Collection[str], *, flaps: bool) -> Mended:
        """Return all mends but that of place. flaps: look for flaps each time, not at the end."""
        limits = self.prepared.limits
        items = [
            Item(finding, ideas)
            for finding in self.before.findings
            if finding.kind in kinds
            if (ideas := stroke_ideas(finding, self.before, limits))
        ]
        flaps = flaps or any(item.finding.kind == "uneven-line" for item in items)
        if items:
            tried(items, lambda more: self._look(more, flaps=flaps), self.before)
        pens = [item for item in items if item.strokes]
        bridged: list[Item] = []
        # Without islands and flaps before, new ones would be the strokes' doing.
        if any(one.kind in kinds and one.kind in BRIDGED for one in self.before.findings):
            bridged, after = self._bridged(kinds, pens)
        else:
            after = self._look(in_order(pens)) if pens else self.before
        done = [*pens, *bridged]
        return Mended(
            tuple(self._mends(done, after)), (), self._recipe(in_order(done)), self.before, after
        )

    def _recipe(self, strokes: Sequence[Stroke]) -> Recipe:
        return replace(self.prepared.recipe, strokes=(*self.base, *strokes))

    def _bridged(self, kinds: Collection[str], pens: list[Item]) -> tuple[list[Item], Checked]:
        """Return items for the bridges of a drawing whose lines are mended already."""
        self.pause()
        drawn_over = in_order(pens)
        proposal = propose_bridges(self.prepared, (*self.base, *drawn_over))
        held = [one for one in proposal.before.findings if one.kind in BRIDGED]
        groups = bridges_by_finding(proposal, held)
        known = {
            one.key: next((old for old in self.before.findings if same_place(old, one)), one)
            for one in held
        }
        items = [
            Item(known[one.key], [tuple(bridge.site.stroke for bridge in groups[one.key])])
            for one in held
            if one.key in groups and one.kind in kinds
        ]
        if not items:
            return [], proposal.before

        def look(more: Sequence[Stroke]) -> Checked:
            if set(more) == set(proposal.strokes):  # all white, so in any order
                return proposal.after
            return self._look((*drawn_over, *more))

        after = tried(items, look, proposal.before, shared=True)
        return [item for item in items if item.strokes], after

    def _mends(self, items: Sequence[Item], after: Checked) -> list[Mend]:
        """Return the mends of items that are drawn, with the areas that they change."""
        areas = [drawn(item.strokes) for item in items]
        tree = shapely.STRtree(areas)
        mends = []
        for index, (item, area) in enumerate(zip(items, areas, strict=True)):
            box = np.array(area.bounds)
            takes, adds = changed_mm2(self.before, after, [box])
            near = tree.query(area.buffer(2 * BESIDE_ALONE_MM), predicate="intersects")
            alone = set(near.tolist()) <= {index}
            mends.append(Mend(item.finding, item.strokes, None, takes, adds, alone))
        return mends

    def _answer(self, item: Item, after: Checked) -> Mend | Unmended:
        """Return the mend of a single item, or why there is none."""
        if not item.strokes:
            return Unmended(item.finding, why_not(item.finding))
        takes, adds = changed_mm2(self.before, after)
        return Mend(item.finding, item.strokes, None, takes, adds)

    def _complete(self, mended: Mended, asked: Sequence[Finding], move: Move | None) -> Mended:
        """Return all mends of what was asked, with what is left of it and what has come."""
        first = [Mend(one, move=move) for one in asked if one.kind in PLACED] if move else []
        mends = [*first, *mended.mends]
        done = {id(one.finding) for one in mends}
        if move is None or mended.before is self.before:
            left = [one for one in asked if id(one) not in done and not is_gone(one, mended.after)]
            came = new_findings(self.before.findings, mended.after.findings)
            areas = changed_mm2(self.before, mended.after)
        else:
            names = [(one, self._as_it_was(one.finding, mended.before)) for one in mended.mends]
            mends = [*first, *(replace(one, finding=finding) for one, finding in names)]
            kinds = {one.kind for one in asked}
            left = [
                self._as_it_was(one, mended.after)
                for one in mended.after.findings
                if one.kind in kinds
            ]
            came = new_findings(mended.before.findings, mended.after.findings)
            areas = changed_mm2(mended.before, mended.after)
        return replace(
            mended,
            mends=tuple(sorted(mends, key=lambda one: one.finding.id)),
            left=tuple(Unmended(one, why_not(one)) for one in left),
            before=self.before,
            came=tuple(came),
            takes_mm2=areas[0],
            adds_mm2=areas[1],
        )

    def _as_it_was(self, finding: Finding, moved_check: Checked) -> Finding:
        """Return a finding of the moved drawing as it was found before the move; one that only
        came with it (a line too thin now that all is smaller) has no number."""
        was = self.before.placement.to_blank(moved_check.placement.to_paper([finding.at_mm]))[0]
        near = [
            one
            for one in self.before.findings
            if one.kind == finding.kind and np.hypot(*np.subtract(one.at_mm, was)) < 1.0
        ]
        if not near:
            return replace(finding, id=0)
        return min(near, key=lambda one: float(np.hypot(*np.subtract(one.at_mm, was))))


def _rank(checked: Checked) -> tuple[int, int]:
    """Return how bad a check is: what rejects, then what warns."""
    counts = [severity_of(finding) for finding in checked.findings]
    if checked.verdict == "unreadable":
        return 10**6, 0
    return counts.count(0), counts.count(1)
