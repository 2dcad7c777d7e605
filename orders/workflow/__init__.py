"""The only writer of a status. Each action is one named function here.

Every one of them checks the life's table (``tables.py``), writes by one guarded UPDATE, and leaves
an Event with who, when, from what to what and why, in one transaction (``moves.py``). An action
that no longer applies raises an ``orders.errors.OrderError`` whose sentence the page shows.
"""

from .jobs import (
    accept_proposal,
    answer,
    ask_changes,
    cancel,
    count,
    decline,
    hold,
    override,
    pack,
    planned_pieces,
    propose,
    queue,
    refuse_proposal,
    resume,
    ship,
    start,
    stop,
    undo,
    unpack,
    unqueue,
)
from .moves import SYSTEM_ACTOR, UNDO_WITHIN, Actor, last_undoable, record
from .quotes import accept, expire_old, offer
from .runs import (
    Place,
    abandon_run,
    finish_run,
    mark_piece,
    plan_run,
    reopen_run,
    start_run,
    stop_run,
    take_off,
)
from .tables import LIVES, Step, actions_from, step_of
from .versions import claim, finish, return_expired, show_step, waiting_too_long

__all__ = [
    "LIVES",
    "SYSTEM_ACTOR",
    "UNDO_WITHIN",
    "Actor",
    "Place",
    "Step",
    "abandon_run",
    "accept",
    "accept_proposal",
    "actions_from",
    "answer",
    "ask_changes",
    "cancel",
    "claim",
    "count",
    "decline",
    "expire_old",
    "finish",
    "finish_run",
    "hold",
    "last_undoable",
    "mark_piece",
    "offer",
    "override",
    "pack",
    "plan_run",
    "planned_pieces",
    "propose",
    "queue",
    "record",
    "refuse_proposal",
    "reopen_run",
    "resume",
    "return_expired",
    "ship",
    "show_step",
    "start",
    "start_run",
    "step_of",
    "stop",
    "stop_run",
    "take_off",
    "undo",
    "unpack",
    "unqueue",
    "waiting_too_long",
]
