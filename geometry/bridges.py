"""Bridges proposed: the fewest and least visible that leave no island and no flap above its limit.

A bridge is a strip of film across a line: a white stroke of the recipe, its origin "proposal". The
islands are joined to the frame by a least spanning tree over places across the ink; film that then
hangs on one neck gets another bridge on its far side; a re-check of the whole looks for what is
still wrong, and what harms a line or leaves a web too thin moves to the next place.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.bridge_plan import Plan, Style
from geometry.bridge_rounds import plan_bridges
from geometry.check import Checked
from geometry.errors import InvalidInputError, UnreadableError
from geometry.findings import Finding
from geometry.limits import Limits
from geometry.prepared import Prepared
from geometry.recheck import recheck
from geometry.recipe import PointMm, Stroke

ALTERNATIVES: Final = 2
STYLES: Final[dict[str, Style]] = {
    "usual": Style(share=1.0, heavy_mm2=2500.0),
    "fewer": Style(share=1.6, heavy_mm2=None),
    "more": Style(share=0.75, heavy_mm2=2500.0, every_mm=20.0),
}
"""usual: as wide as limits.bridge_proposed_mm, a third bridge for an island above heavy_mm2. fewer:
wider, no more than the limits ask for. more: narrower, one for every 20 mm round an island."""


@dataclass(frozen=True)
class Site:
    """One place for a bridge: the strip between two points of the film, in blank mm."""

    from_mm: PointMm
    to_mm: PointMm
    width_mm: float

    @property
    def at_mm(self) -> PointMm:
        """The middle."""
        return (self.from_mm[0] + self.to_mm[0]) / 2, (self.from_mm[1] + self.to_mm[1]) / 2

    @property
    def angle_deg(self) -> float:
        """The way it runs, 0 to 180: 0 along x, 90 along y (down)."""
        across, down = np.subtract(self.to_mm, self.from_mm)
        return float(np.degrees(np.arctan2(down, across)) % 180.0)

    @property
    def stroke(self) -> Stroke:
        """The white stroke that makes it."""
        return Stroke("white", (self.from_mm, self.to_mm), self.width_mm, "proposal")

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "from_mm": [round(value, 3) for value in self.from_mm],
            "to_mm": [round(value, 3) for value in self.to_mm],
            "width_mm": round(self.width_mm, 3),
            "at_mm": [round(value, 3) for value in self.at_mm],
            "angle_deg": round(self.angle_deg, 1),
        }


@dataclass(frozen=True)
class Bridge:
    """A bridge proposed. holds: ids of the findings (of the check before) that it is for.

    alternatives: further places that would do as well, the best first. lift_after_mm: how far the
    film that it holds may lift with all bridges; lift_before_mm: with no more of them than keep the
    drawing in one piece, None where the film would fall out without it. Both None unless asked for.
    """

    site: Site
    holds: tuple[int, ...]
    reason: str
    is_locked: bool = False
    alternatives: tuple[Site, ...] = ()
    lift_before_mm: float | None = None
    lift_after_mm: float | None = None

    @property
    def lift_words(self) -> str:
        """What it does to the lift, in words; empty where that was not asked for."""
        if self.lift_after_mm is None:
            return ""
        if self.lift_before_mm is None:
            return f"lift {self.lift_after_mm:.1f} mm (estimated), fell out before"
        return f"lift {self.lift_before_mm:.1f} -> {self.lift_after_mm:.1f} mm (estimated)"

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return self.site.to_json() | {
            "holds": list(self.holds),
            "reason": self.reason,
            "locked": self.is_locked,
            "alternatives": [site.to_json() for site in self.alternatives],
            "lift_before_mm": _rounded(self.lift_before_mm),
            "lift_after_mm": _rounded(self.lift_after_mm),
        }


@dataclass(frozen=True)
class Proposal:
    """Bridges for a drawing and the check of it with all of them.

    before: the check without. left: findings that no bridge could mend (islands, flaps) or that
    came with one (a thin web beside it), by the numbers of `after`.
    """

    bridges: tuple[Bridge, ...]
    before: Checked = field(repr=False)
    after: Checked = field(repr=False)
    left: tuple[Finding, ...] = ()
    worst_lift_mm: float | None = None

    @property
    def strokes(self) -> tuple[Stroke, ...]:
        """The white strokes of all bridges, for a recipe."""
        return tuple(bridge.site.stroke for bridge in self.bridges)

    def to_json(self) -> dict[str, Any]:
        """Return it as the JSON object of the command `bridges`."""
        kinds = [finding.kind for finding in self.after.findings]
        return {
            "bridges": [bridge.to_json() for bridge in self.bridges],
            "after": {
                "verdict": self.after.verdict,
                "islands": kinds.count("island"),
                "flaps": kinds.count("flap"),
                "worst_lift_mm": _rounded(self.worst_lift_mm),
                "left": [
                    {"id": finding.id, "kind": finding.kind, "message": finding.message}
                    for finding in self.left
                ],
            },
        }


def propose_bridges(
    prepared: Prepared,
    strokes: Sequence[Stroke] = (),
    *,
    locked: Sequence[Site] = (),
    style: str = "usual",
    lift: bool = False,
    film_mm: float | None = None,
) -> Proposal:
    """Return bridges for a prepared drawing with the artist's strokes over it.

    locked: places that are to be bridges whatever else is proposed; they come first. style: one of
    STYLES. lift: also say how far film may lift, and put bridges in where it would hang free; it
    takes about a second more for each look. film_mm: thickness of the film for that, by default the
    limits'. A mask gets no bridges, as its pieces are the product.
    What bridges cannot mend (a line too fine to cut, a cut that leaves the blank) stays a finding
    of `after`. Raises InvalidInputError for an unknown style, UnreadableError where the strokes
    leave nothing of the drawing.
    """
    if style not in STYLES:
        raise InvalidInputError(f"A style of bridges is one of: {', '.join(STYLES)}.")
    strokes = tuple(strokes)
    before = recheck(prepared, strokes)
    if before.ink is None:
        raise UnreadableError(before.report["error"]["code"], before.report["error"]["message"])
    if prepared.recipe.mode == "mask":
        return Proposal((), before, before)
    width_mm = bridge_width_mm(prepared.limits, style)
    guide = None
    if lift:
        from geometry.bridge_lift import LiftGuide  # the plate is loaded only when asked for

        guide = LiftGuide(prepared.limits, film_mm)
    planned = plan_bridges(
        prepared,
        strokes,
        before,
        STYLES[style],
        width_mm,
        locked=[site.stroke for site in locked],
        guide=guide,
    )
    bridges = [
        *(_kept(site, before) for site in locked),
        *_bridges(planned.plan, width_mm),
    ]
    proposal = Proposal(tuple(bridges), before, planned.after, planned.left)
    if guide is None or guide.after is None:
        return proposal
    from geometry.bridge_lift import lift_at_bridges

    told = lift_at_bridges(prepared, strokes, before, proposal.strokes, guide.after)
    return _with_lift(proposal, told, guide.after.worst_mm)


def bridge_width_mm(limits: Limits, style: str = "usual") -> float:
    """Return the width of bridges of a style: never so narrow that the check would warn of it."""
    least_mm = max(limits.bridge_mm, limits.web_mm) + 0.1
    return max(round(STYLES[style].share * limits.bridge_proposed_mm, 3), least_mm)


def _bridges(plan: Plan, width_mm: float) -> list[Bridge]:
    """Return the bridges of a plan in blank mm, with words and alternatives."""

    def sites_of(numbers: Sequence[int] | NDArray[np.intp]) -> tuple[Site, ...]:
        return tuple(
            Site((x0, y0), (x1, y1), width_mm)
            for (x0, y0), (x1, y1) in plan.ends_mm(numbers).tolist()
        )

    others = plan.alternatives(ALTERNATIVES)
    return [
        Bridge(site, chosen.holds, chosen.reason, alternatives=sites_of(numbers))
        for site, chosen, numbers in zip(sites_of(plan.taken), plan.chosen, others, strict=True)
    ]


def _kept(site: Site, before: Checked) -> Bridge:
    """Return a bridge for a place that is locked; it holds the islands that it leads out of."""
    islands = [finding for finding in before.findings if finding.kind == "island"]
    holds = []
    for island in islands:
        area = shapely.make_valid(shapely.Polygon(island.outline_mm))
        ends = [area.contains(shapely.Point(end)) for end in (site.from_mm, site.to_mm)]
        if ends[0] != ends[1]:
            holds.append(island.id)
    return Bridge(site, tuple(holds), "kept where it was put", is_locked=True)


def _with_lift(
    proposal: Proposal, told: Sequence[tuple[float | None, float | None]], worst_mm: float
) -> Proposal:
    """Return a proposal with the lift at each bridge, (before, after) in mm, and the worst."""
    bridges = tuple(
        replace(bridge, lift_before_mm=before_mm, lift_after_mm=after_mm)
        for bridge, (before_mm, after_mm) in zip(proposal.bridges, told, strict=True)
    )
    return replace(proposal, bridges=bridges, worst_lift_mm=worst_mm)


def _rounded(value_mm: float | None) -> float | None:
    """Return a length to a thousandth."""
    return None if value_mm is None else round(value_mm, 3)
