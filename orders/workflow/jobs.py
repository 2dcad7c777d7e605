"""Steps of a job, from received to on its way, each by name."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone

from orders.errors import NotNowError, RefusedError
from orders.models import Event, Job, Override, Piece, SheetRun, Tally, Version
from orders.models.jobs import OVER
from orders.outbox import withdraw, write_mail
from orders.shelf_sales import sale_of, unbook
from orders.words import counted

from .moves import Actor, last_undoable, move, record
from .moves import undo as undo_last
from .tally import tally

COUNTED_BY_SHEET = "sheet "
SENDING = ("ship", "hand-over", "ship-part", "hand-over-part")  # steps that make a parcel
QUESTIONS = ("ask-changes", "proposal")  # letters that an answer makes untrue
ENDING = ("decline", "call-off")
SHELF_AS_IT_IS = (
    "This job is from the shelf: its drawing is another artist’s and is cut as it is offered. "
    "Write to the buyer, or decline it with a reason."
)
OPEN_RUNS = (SheetRun.Status.PLANNED, SheetRun.Status.CUTTING)


def queue(
    job: Job, actor: Actor, *, unpaid: bool = False, why: str = "", seen: int | None = None
) -> Event:
    """Put a job into the queue; its version must be fit to be cut.

    What is missing of the payment is recorded with it. Where the workshop holds unpaid jobs, only
    the cutter's word ``unpaid``, with a reason, takes one in.
    """
    from orders.payments import held_back, unpaid_words  # payments record events of their own

    job.refresh_from_db()
    if not job.version.may_be_cut:
        raise RefusedError(
            f"{job.version} does not pass yet. Override each finding that rejects it, "
            "propose a version, or ask the artist for changes."
        )
    missing = unpaid_words(job.order)
    is_held = bool(missing) and job.status == Job.Status.RECEIVED and held_back()
    if is_held and not unpaid:
        raise RefusedError(
            f"Order {job.order.code}: {missing}. Record the payment first, "
            "or queue it unpaid with a reason."
        )
    told = ". ".join(part for part in (missing, _reason(why) if is_held else "") if part)
    return move(job, "queue", actor, why=told, seen=seen)


def unqueue(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Take a job back out of the queue, and off the sheets still being planned."""
    return _off_sheets_and(job, "unqueue", actor, seen=seen)


def start(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Begin cutting a job on its own, without a sheet run."""
    if planned_pieces(job):
        raise RefusedError("This job lies on a sheet. Start the sheet instead.")
    return move(job, "start", actor, seen=seen)


def stop(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Put a job begun by mistake back into the queue."""
    if planned_pieces(job):
        raise RefusedError("This job lies on a sheet. Stop the sheet instead.")
    return move(job, "stop", actor, seen=seen)


def count(
    job: Job,
    actor: Actor,
    *,
    good: int = 0,
    spoiled: int = 0,
    why: str = "",
    reasons: Mapping[str, int] | None = None,
    seen: int | None = None,
) -> Event:
    """Add pieces cut well and spoiled; the job's status follows the counts.

    ``reasons`` says how many were spoiled by what (``Piece.Reason``); it goes into the tally.
    """
    with transaction.atomic():
        # two sheets may end at once: each adds to what the other has written
        job.refresh_from_db(from_queryset=Job.objects.select_for_update())
        if good == spoiled == 0:
            raise RefusedError("Enter how many pieces were cut well or spoiled.")
        if seen in (None, job.revision):
            if job.cut + good > job.quantity:
                raise RefusedError(
                    f"That would make {job.cut + good} pieces, and {job.quantity} were ordered. "
                    "Correct the number."
                )
            if good > job.to_cut - planned_pieces(job):
                raise RefusedError(
                    f"Of this job {counted(planned_pieces(job), 'piece')} lie on a sheet. "
                    "Say on the sheet what was cut, or take them off it first."
                )
            if job.cut + good < job.packed or job.spoiled + spoiled < 0:
                raise RefusedError("That would leave fewer pieces than are packed already.")
        changes = {"cut": job.cut + good, "spoiled": job.spoiled + spoiled}
        target = _status_by_counts(job, job.cut + good)
        before = job.revision
        event = move(job, "count", actor, target=target, changes=changes, why=why, seen=seen)
        if job.revision != before:  # the same press again adds nothing
            tally(event, job, good=good, spoiled=spoiled, reasons=reasons)
            if good:
                job.ticks.all().delete()  # other pieces lie there now
        if job.status == Job.Status.CUT and _last_to_reach(job, Job.Status.CUT):
            write_mail("all-cut", job.order, event)
        if job.status != Job.Status.CUT:
            # what the letter tells is not so any more; the last count writes it anew
            withdraw(job.order, ("all-cut",))
    return event


def undo(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Take back the job's last step; a parcel is taken back as a whole."""
    with transaction.atomic():
        event = last_undoable(Job.objects.get(pk=job.pk))
        if event is not None and came_with_a_sheet(event):
            raise RefusedError("This job moved with its sheet. Stop or reopen the sheet instead.")
        if event is None or event.action not in SENDING:
            undone = undo_last(job, actor, seen=seen)
            _clear_away(job, undone)
            return undone
        parcel = job.parcel_lines.filter(parcel__withdrawn_at=None).latest("id").parcel
        parcel.withdrawn_at = timezone.now()
        parcel.save(update_fields=["withdrawn_at"])
        unbook(parcel, actor.person)
        undone = undo_last(job, actor, seen=seen)
        for line in parcel.lines.exclude(job=job).select_related("job"):
            undo_last(line.job, actor)
        job.refresh_from_db()
    return undone


def hold(job: Job, actor: Actor, *, why: str, seen: int | None = None) -> Event:
    """Set a job aside, with a reason that the artist can read."""
    job.refresh_from_db()
    return _off_sheets_and(
        job, "hold", actor, why=_reason(why), changes={"before_hold": job.status}, seen=seen
    )


def resume(job: Job, actor: Actor, *, seen: int | None = None) -> Event:
    """Put a job back to where it was before it was put on hold."""
    job.refresh_from_db()
    back = job.before_hold or Job.Status.RECEIVED
    return move(job, "resume", actor, target=back, changes={"before_hold": ""}, seen=seen)


def ask_changes(job: Job, actor: Actor, *, why: str, seen: int | None = None) -> Event:
    """Ask the artist to change the drawing, with a message that is mailed."""
    _refuse_shelf(job)
    return _told(job, "ask-changes", actor, why, seen)


def decline(job: Job, actor: Actor, *, why: str, seen: int | None = None) -> Event:
    """Decline a job, with a reason that is mailed."""
    return _told(job, "decline", actor, why, seen)


def cancel(job: Job, actor: Actor, *, why: str = "", seen: int | None = None) -> Event:
    """Cancel a job: the artist before it is queued, the workshop until it is packed."""
    with transaction.atomic():
        if actor.role == Event.Role.ARTIST:
            event = _off_sheets_and(job, "cancel", actor, why=why.strip(), seen=seen)
            withdraw(job.order, QUESTIONS, job=job)
            return event
        return _told(job, "call-off", actor, why, seen)


def answer(job: Job, version: Version, actor: Actor, *, seen: int | None = None) -> Event:
    """Send the artist's mended version to the workshop for a job that waits for it."""
    if version.design_id != job.version.design_id or version.proposal:
        raise RefusedError("That version belongs to another drawing.")
    if version.blank_code != job.version.blank_code or version.mode != job.version.mode:
        raise RefusedError("That version has another size or kind than the one ordered.")
    if version.status not in (Version.Status.PASSED, Version.Status.REJECTED):
        raise NotNowError("That version has not been looked at yet. Wait a moment and try again.")
    with transaction.atomic():
        _withdraw_proposals(job)
        return _answered(job, actor, _with_version(job, version), seen=seen)


def propose(job: Job, version: Version, actor: Actor, *, seen: int | None = None) -> Event:
    """Offer the artist a version made by the workshop; the job waits for the answer."""
    _refuse_shelf(job)
    with transaction.atomic():
        _withdraw_proposals(job, keep=version)
        event = _off_sheets_and(job, "propose", actor, why=version.proposal_reason, seen=seen)
        write_mail("proposal", job.order, event)
    return event


def accept_proposal(version: Version, actor: Actor) -> Event | None:
    """Take the workshop's version into the job it was made for. Safe to repeat."""
    job = version.proposed_for
    if job is None:
        raise RefusedError("That version was not proposed by the workshop.")
    version.refresh_from_db()
    if version.status != Version.Status.PASSED:
        raise NotNowError("The proposed version has not passed its check, so it cannot be taken.")
    return _settle_proposal(version, job, actor, accepted=True)


def refuse_proposal(version: Version, actor: Actor, *, why: str = "") -> Event | None:
    """Turn the workshop's version down; the job keeps the artist's. Safe to repeat."""
    if version.proposed_for is None:
        raise RefusedError("That version was not proposed by the workshop.")
    return _settle_proposal(version, version.proposed_for, actor, accepted=False, why=why)


def override(version: Version, finding_key: str, actor: Actor, *, why: str) -> Override:
    """Let a finding stand, with a reason that stays with the drawing. Safe to repeat."""
    finding = next((f for f in version.findings if f["key"] == finding_key), None)
    if finding is None:
        raise RefusedError("That finding is not in this version any more.")
    if actor.role != Event.Role.WORKSHOP or actor.person is None:
        raise NotNowError("Only the workshop overrides a finding.")
    with transaction.atomic():
        row, is_new = Override.objects.get_or_create(
            version=version,
            finding_key=finding_key,
            defaults={"kind": finding["kind"], "reason": _reason(why), "by": actor.person},
        )
        if is_new:
            record("version", "override", actor, why=row.reason, version=version)
    return row


def planned_pieces(job: Job) -> int:
    """Pieces of a job that lie on sheets planned or on the laser."""
    return Piece.objects.filter(job=job, run__status__in=OPEN_RUNS).count()


def _refuse_shelf(job: Job) -> None:
    """Whoever ordered from the shelf cannot change the drawing, and its artist did not order it."""
    if sale_of(job) is not None:
        raise RefusedError(SHELF_AS_IT_IS)


def _settle_proposal(
    version: Version, job: Job, actor: Actor, *, accepted: bool, why: str = ""
) -> Event | None:
    new = Version.Proposal.ACCEPTED if accepted else Version.Proposal.REFUSED
    with transaction.atomic():
        offered = Version.objects.filter(pk=version.pk, proposal=Version.Proposal.OFFERED)
        if not offered.update(proposal=new):
            version.refresh_from_db()
            if version.proposal == new:
                return None
            raise NotNowError(f"That proposal is {version.get_proposal_display()} already.")
        version.refresh_from_db()
        action = "accept-proposal" if accepted else "refuse-proposal"
        record("version", action, actor, why=why, version=version, order=job.order, job=None)
        changes = _with_version(job, version) if accepted else None
        return _answered(job, actor, changes, why=why)


def _answered(
    job: Job,
    actor: Actor,
    changes: dict[str, object] | None,
    *,
    why: str = "",
    seen: int | None = None,
) -> Event:
    event = move(job, "answer", actor, changes=changes, why=why, seen=seen)
    withdraw(job.order, QUESTIONS, job=job)
    write_mail("answered", job.order, event)
    return event


def _clear_away(job: Job, undone: Event) -> None:
    """Take along what a step brought besides the job's own fields."""
    Tally.objects.filter(event=undone.undoes_id).delete()
    if undone.undoes is not None and undone.undoes.action == "propose":
        _withdraw_proposals(job)
    if job.status not in (Job.Status.QUEUED, Job.Status.CUTTING):
        Piece.objects.filter(job=job, run__status=SheetRun.Status.PLANNED).delete()


def _withdraw_proposals(job: Job, keep: Version | None = None) -> None:
    offered = Version.objects.filter(proposed_for=job, proposal=Version.Proposal.OFFERED)
    if keep is not None:
        offered = offered.exclude(pk=keep.pk)
    offered.update(proposal=Version.Proposal.REFUSED)


def _with_version(job: Job, version: Version) -> dict[str, object]:
    return {
        "version_id": version.pk,
        "cut_outs_expected": version.cut_outs * job.quantity,
    }


def _told(job: Job, action: str, actor: Actor, why: str, seen: int | None) -> Event:
    job.refresh_from_db()
    if action in ENDING and job.to_send:
        raise RefusedError(
            f"{counted(job.to_send, 'piece')} of it packed and not sent. Send what is packed, or "
            "take it out of the envelope first."
        )
    with transaction.atomic():
        event = _off_sheets_and(job, action, actor, why=_reason(why), seen=seen)
        write_mail(action, job.order, event)
    return event


def _off_sheets_and(
    job: Job,
    action: str,
    actor: Actor,
    *,
    why: str = "",
    changes: dict[str, object] | None = None,
    seen: int | None = None,
) -> Event:
    with transaction.atomic():
        event = move(job, action, actor, why=why, changes=changes, seen=seen)
        Piece.objects.filter(job=job, run__status=SheetRun.Status.PLANNED).delete()
    return event


def came_with_a_sheet(event: Event) -> bool:
    """Whether a job's step was taken by its sheet, which is where it is taken back."""
    if event.action == "start" and event.job is not None:
        return event.job.pieces.filter(run__status=SheetRun.Status.CUTTING).exists()
    return event.action == "count" and event.why.startswith(COUNTED_BY_SHEET)


def _status_by_counts(job: Job, cut: int) -> str:
    if cut >= job.quantity:
        return Job.Status.CUT
    on_laser = Piece.objects.filter(job=job, run__status=SheetRun.Status.CUTTING).exists()
    alone = job.status == Job.Status.CUTTING and not job.pieces.exists()
    return Job.Status.CUTTING if on_laser or alone else Job.Status.QUEUED


def _last_to_reach(job: Job, status: str) -> bool:
    done = (status, Job.Status.PACKED, *OVER)
    return not job.order.jobs.exclude(pk=job.pk).exclude(status__in=done).exists()


def _reason(why: str) -> str:
    if not why.strip():
        raise RefusedError("Write a reason; it stays in the job's history.")
    return why.strip()
