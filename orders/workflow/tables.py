"""The five lives, one table each: which action leads from where to where, and who may take it.

Nothing else in the project decides whether a status may change. A test walks every row.
"""

from __future__ import annotations

from dataclasses import dataclass

from orders.models import Event, Job, Quote, SheetRun, Version

ARTIST = Event.Role.ARTIST
WORKSHOP = Event.Role.WORKSHOP
SYSTEM = Event.Role.SYSTEM


@dataclass(frozen=True)
class Step:
    """One row of a life: ``action`` takes any of ``sources`` to one of ``targets``."""

    action: str
    sources: tuple[str, ...]
    targets: tuple[str, ...]
    who: tuple[str, ...]
    undo: bool = False


_V = Version.Status
VERSION = (
    Step("claim", (_V.WAITING,), (_V.CHECKING,), (SYSTEM,)),
    Step("return", (_V.CHECKING,), (_V.WAITING,), (SYSTEM,)),
    Step("finish", (_V.CHECKING,), (_V.PASSED, _V.REJECTED, _V.UNREADABLE), (SYSTEM,)),
    Step("give-up", (_V.WAITING, _V.CHECKING), (_V.UNREADABLE,), (SYSTEM,)),
    Step("try-again", (_V.UNREADABLE,), (_V.WAITING,), (ARTIST, WORKSHOP)),
)

_P = Version.Proposal
PROPOSAL = (
    Step("accept-proposal", (_P.OFFERED,), (_P.ACCEPTED,), (ARTIST,)),
    Step("refuse-proposal", (_P.OFFERED,), (_P.REFUSED,), (ARTIST,)),
    Step("withdraw-proposal", (_P.OFFERED,), (_P.REFUSED,), (WORKSHOP, ARTIST)),
)

_Q = Quote.Status
QUOTE = (
    Step("offer", (_Q.DRAFT,), (_Q.OFFERED,), (ARTIST, WORKSHOP, SYSTEM)),
    Step("accept", (_Q.OFFERED,), (_Q.ACCEPTED,), (ARTIST, WORKSHOP)),
    Step("expire", (_Q.OFFERED,), (_Q.EXPIRED,), (SYSTEM,)),
    Step("refuse", (_Q.OFFERED,), (_Q.REFUSED,), (ARTIST,)),
    Step(
        "replace",
        (_Q.DRAFT, _Q.OFFERED, _Q.EXPIRED, _Q.REFUSED),
        (_Q.REPLACED,),
        (ARTIST, WORKSHOP),
    ),
)

_J = Job.Status
_PART = (_J.QUEUED, _J.CUTTING, _J.CUT)
JOB = (
    # How a life begins: by accepting the quote, from no earlier state.
    Step("receive", (), (_J.RECEIVED,), (ARTIST, WORKSHOP)),
    Step("queue", (_J.RECEIVED,), (_J.QUEUED,), (WORKSHOP,), undo=True),
    Step("unqueue", (_J.QUEUED,), (_J.RECEIVED,), (WORKSHOP,), undo=True),
    Step("start", (_J.QUEUED,), (_J.CUTTING,), (WORKSHOP,), undo=True),
    Step("stop", (_J.CUTTING,), (_J.QUEUED,), (WORKSHOP,), undo=True),
    Step(
        "count",
        (_J.CUTTING, _J.QUEUED, _J.CUT),
        (_J.CUTTING, _J.QUEUED, _J.CUT),
        (WORKSHOP,),
        undo=True,
    ),
    Step("pack", (_J.CUT,), (_J.PACKED,), (WORKSHOP,), undo=True),
    Step("unpack", (_J.PACKED,), (_J.CUT,), (WORKSHOP,), undo=True),
    Step("ship", (_J.PACKED,), (_J.SHIPPED,), (WORKSHOP,), undo=True),
    Step("hand-over", (_J.PACKED,), (_J.HANDED_OVER,), (WORKSHOP,), undo=True),
    # A part goes ahead: the counts move, the job stays where it is until the rest is sent.
    Step("pack-part", _PART, _PART, (WORKSHOP,), undo=True),
    Step("unpack-part", _PART, _PART, (WORKSHOP,), undo=True),
    Step("ship-part", (*_PART, _J.PACKED), (*_PART, _J.PACKED), (WORKSHOP,), undo=True),
    Step("hand-over-part", (*_PART, _J.PACKED), (*_PART, _J.PACKED), (WORKSHOP,), undo=True),
    Step(
        "hold",
        (_J.RECEIVED, _J.QUEUED, _J.CUT, _J.PACKED),
        (_J.ON_HOLD,),
        (WORKSHOP,),
        undo=True,
    ),
    Step(
        "resume",
        (_J.ON_HOLD,),
        (_J.RECEIVED, _J.QUEUED, _J.CUT, _J.PACKED),
        (WORKSHOP,),
        undo=True,
    ),
    Step("ask-changes", (_J.RECEIVED, _J.QUEUED), (_J.NEEDS_CHANGES,), (WORKSHOP,), undo=True),
    Step("propose", (_J.RECEIVED, _J.QUEUED), (_J.NEEDS_CHANGES,), (WORKSHOP,), undo=True),
    Step("answer", (_J.NEEDS_CHANGES,), (_J.RECEIVED,), (ARTIST,)),
    Step(
        "decline",
        (_J.RECEIVED, _J.QUEUED, _J.NEEDS_CHANGES, _J.ON_HOLD),
        (_J.DECLINED,),
        (WORKSHOP,),
        undo=True,
    ),
    Step("cancel", (_J.RECEIVED, _J.NEEDS_CHANGES), (_J.CANCELLED,), (ARTIST,)),
    Step(
        "call-off",
        (_J.RECEIVED, _J.QUEUED, _J.NEEDS_CHANGES, _J.ON_HOLD, _J.CUT),
        (_J.CANCELLED,),
        (WORKSHOP,),
        undo=True,
    ),
)

_R = SheetRun.Status
RUN = (
    Step("arrange", (_R.PLANNED,), (_R.PLANNED,), (WORKSHOP,)),
    Step("add", (_R.PLANNED,), (_R.PLANNED,), (WORKSHOP,)),
    Step("start", (_R.PLANNED,), (_R.CUTTING,), (WORKSHOP,)),
    Step("stop", (_R.CUTTING,), (_R.PLANNED,), (WORKSHOP,)),
    Step("finish", (_R.CUTTING,), (_R.DONE,), (WORKSHOP,)),
    Step("reopen", (_R.DONE,), (_R.CUTTING,), (WORKSHOP,)),
    Step("abandon", (_R.PLANNED,), (_R.ABANDONED,), (WORKSHOP,)),
)

LIVES: dict[str, tuple[Step, ...]] = {
    "version": VERSION,
    "proposal": PROPOSAL,
    "quote": QUOTE,
    "job": JOB,
    "run": RUN,
}


def step_of(life: str, action: str) -> Step:
    """Return the row of an action, or KeyError: a wrong name is a fault of ours."""
    for step in LIVES[life]:
        if step.action == action:
            return step
    raise KeyError(f"{life} knows no action {action!r}")


def actions_from(life: str, status: str, role: str) -> list[str]:
    """Return the names of the actions open to a role in a status, in the table's order."""
    return [s.action for s in LIVES[life] if status in s.sources and role in s.who]
