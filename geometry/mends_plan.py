"""All mends of a drawing at once, for a page: each one alone, and all of them together."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from geometry.findings import KINDS
from geometry.mends import Mender
from geometry.mends_judge import is_gone
from geometry.mends_result import BRIDGED, PLACED, Mend, Mended, Unmended, why_not
from geometry.prepared import Prepared
from geometry.recheck import recheck
from geometry.recipe import Stroke

MOST_ALONE: Final = 12
"""Mends that lie too near to others to be proved with them, which are proved one by one."""


@dataclass(frozen=True)
class MendPlan:
    """each: one for every finding of the check, in its order. together: all mends."""

    each: tuple[Mend | Unmended, ...]
    together: Mended

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "each": [one.to_json() for one in self.each],
            "together": self.together.to_json(),
        }


def plan_mends(
    prepared: Prepared,
    strokes: Sequence[Stroke] = (),
    *,
    pause: Callable[[], None] = lambda: None,
) -> MendPlan:
    """Return all mends of a prepared drawing with strokes: rejects, warnings and notes.

    Strokes reach no farther than a few millimetres, so mends that lie apart are proved together by
    one re-check. Of those that lie close together, the first MOST_ALONE are proved one by one; the
    others are offered with all mends only. pause is called before each re-check, as it takes
    seconds where there is much to mend. Raises UnreadableError, and what pause raises.
    """
    mender = Mender(prepared, strokes, pause)
    together = mender.mend_all(tuple(KINDS))
    if any(one.move is not None for one in together.mends):
        here = mender.mend_here(tuple(KINDS))
    else:
        here = together
    by_key = {one.finding.key: one for one in here.mends if one.move is None}
    by_key = _bridges_alone(mender, by_key)
    each: list[Mend | Unmended] = []
    tries = MOST_ALONE
    for finding in mender.before.findings:
        known = by_key.get(finding.key)
        if known is not None and (known.stands_alone or tries <= 0):
            each.append(known)
        elif known is not None or (finding.kind in PLACED):
            tries -= finding.kind not in PLACED
            alone = mender.mend(finding)
            each.append(known if known is not None and isinstance(alone, Unmended) else alone)
        else:
            each.append(Unmended(finding, why_not(finding)))
    return MendPlan(tuple(each), together)


def _bridges_alone(mender: Mender, by_key: dict[str, Mend]) -> dict[str, Mend]:
    """Return the mends, those by bridges proved without any others, or marked if they are not."""
    bridged = {key: one for key, one in by_key.items() if one.finding.kind in BRIDGED}
    others = any(one.finding.kind not in BRIDGED for one in by_key.values())
    after = None
    if bridged and others:
        strokes = [stroke for one in bridged.values() for stroke in one.strokes]
        after = recheck(mender.prepared, (*mender.base, *strokes))
    proved = {
        key: replace(one, stands_alone=after is None or is_gone(one.finding, after))
        for key, one in bridged.items()
    }
    return by_key | proved
