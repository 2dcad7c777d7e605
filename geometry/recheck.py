"""The re-check: what one more stroke changes, on a prepared picture, in any process."""

from collections.abc import Sequence
from dataclasses import replace

from geometry.check import Checked, Timer, judge, rounded_seconds, unreadable, untimed
from geometry.errors import UnreadableError
from geometry.prepared import Prepared
from geometry.recipe import Stroke


def recheck(
    prepared: Prepared,
    strokes: Sequence[Stroke],
    *,
    accepted: Sequence[str] = (),
    flaps: bool = True,
    uneven: bool = True,
    name: str = "",
    timer: Timer | None = None,
) -> Checked:
    """Return the check of a prepared picture with all of these strokes drawn over it, in order.

    Equals the full check of the file by the recipe with the strokes, but for the file's name, the
    seconds and `straight`, which is None. flaps=False leaves those and the notes of uneven lines
    out, for an answer at once; uneven=False only the notes.
    """
    strokes = tuple(strokes)
    recipe = replace(prepared.recipe, strokes=strokes, accepted=tuple(accepted))
    timer = timer or untimed
    with timer("total"):
        try:
            checked = judge(
                prepared.ink,
                prepared.page,
                recipe,
                prepared.limits,
                name=name,
                sha256=prepared.sha256,
                timer=timer,
                flaps=flaps,
                uneven=uneven,
                before=prepared.before(strokes),
            )
            prepared.keep(strokes, checked)
        except UnreadableError as error:
            checked = unreadable(
                error,
                recipe,
                prepared.limits,
                name=name,
                sha256=prepared.sha256,
                page=prepared.page,
            )
    checked.report["seconds"] = rounded_seconds(timer)
    return checked
