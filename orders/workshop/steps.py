"""The steps of a job as buttons: which form each has, what it calls, what is said then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from orders import workflow
from orders.errors import RefusedError
from orders.models import Event, Job, Piece
from orders.words import counted
from orders.workflow import Actor

from .forms import (
    CountForm,
    FoundSpoiledForm,
    PackForm,
    PackPartForm,
    QueueForm,
    ReasonForm,
    SeenForm,
)


@dataclass(frozen=True)
class JobStep:
    """What a button leads to; the form's fields are the function's arguments."""

    form: type[SeenForm]
    take: Callable[..., Any]
    done: str


def found_spoiled(
    job: Job, actor: Actor, *, pieces: int, reason: str, seen: int | None = None
) -> Event:
    """Take pieces counted as good back, as spoiled: they are to be cut again."""
    if pieces > job.cut - job.packed:
        raise RefusedError(
            f"Counted as cut well and not packed: only {counted(job.cut - job.packed, 'piece')}. "
            "Correct the number."
        )
    why = "spoiled: " + Piece.Reason(reason).label
    return workflow.count(
        job, actor, good=-pieces, spoiled=pieces, why=why, reasons={reason: pieces}, seen=seen
    )


def pack(
    job: Job,
    actor: Actor,
    *,
    cut_outs_bagged: int | None = None,
    fate: str = "",
    sure: int | None = None,
    seen: int | None = None,
) -> Event:
    """Pack a job; more cut-outs than are expected are asked about once, the number kept."""
    _ask_about_cut_outs(job, cut_outs_bagged, sure)
    return workflow.pack(job, actor, cut_outs_bagged=cut_outs_bagged, fate=fate, seen=seen)


def pack_part(
    job: Job,
    actor: Actor,
    *,
    pieces: int,
    cut_outs_bagged: int | None = None,
    fate: str = "",
    sure: int | None = None,
    seen: int | None = None,
) -> Event:
    """Pack some of a job's pieces ahead of the rest."""
    _ask_about_cut_outs(job, cut_outs_bagged, sure)
    return workflow.pack_part(
        job, actor, pieces=pieces, cut_outs_bagged=cut_outs_bagged, fate=fate, seen=seen
    )


def _ask_about_cut_outs(job: Job, bagged: int | None, sure: int | None) -> None:
    expected = job.cut_outs_expected
    if bagged is not None and bagged > expected and sure != bagged:
        raise RefusedError(
            f"{counted(bagged, 'cut-out')} in the bag, and {expected} are expected. "
            "Is another job's bag among them? Count again; if it is right, press Packed once more."
        )


JOB_STEPS: dict[str, JobStep] = {
    "queue": JobStep(QueueForm, workflow.queue, "is in the queue. Next: lay it on a sheet."),
    "unqueue": JobStep(SeenForm, workflow.unqueue, "is back with the jobs to look over."),
    "start": JobStep(SeenForm, workflow.start, "is being cut. Next: count the pieces."),
    "stop": JobStep(SeenForm, workflow.stop, "is back in the queue."),
    "count": JobStep(CountForm, workflow.count, "is counted."),
    "found-spoiled": JobStep(FoundSpoiledForm, found_spoiled, "is to be cut again in part."),
    "pack": JobStep(PackForm, pack, "is packed. Next: post it or hand it over."),
    "pack-part": JobStep(PackPartForm, pack_part, "is packed in part. The rest follows."),
    "unpack": JobStep(SeenForm, workflow.unpack, "is out of its envelope again."),
    "hold": JobStep(ReasonForm, workflow.hold, "is on hold."),
    "resume": JobStep(SeenForm, workflow.resume, "is taken up again."),
    "ask-changes": JobStep(
        ReasonForm, workflow.ask_changes, "waits for the artist. The mail goes in 2 minutes."
    ),
    "decline": JobStep(ReasonForm, workflow.decline, "is declined. The mail goes in 2 minutes."),
    "call-off": JobStep(ReasonForm, workflow.cancel, "is called off. The mail goes in 2 minutes."),
    "undo": JobStep(SeenForm, workflow.undo, "is as it was one step ago."),
}

# What is done at the packing bench; the rest is done on the job's own page.
BENCH_STEPS = {
    name: JOB_STEPS[name] for name in ("pack", "pack-part", "unpack", "found-spoiled", "undo")
}
