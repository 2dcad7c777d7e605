"""Words and small shapes for the workshop's pages: when due, what comes next, what happened."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db.models import Q

from orders.marks import place_marks
from orders.models import Event, Job, Piece, SheetRun
from orders.models.jobs import OVER

SHOWN_OF_A_KIND = 20
THUMB_PX = 40

# Statuses in which the workshop still has something to do by the promised day.
RUNNING = (
    Job.Status.RECEIVED,
    Job.Status.QUEUED,
    Job.Status.CUTTING,
    Job.Status.CUT,
    Job.Status.PACKED,
    Job.Status.ON_HOLD,
    Job.Status.NEEDS_CHANGES,
)

NEXT: dict[str, str] = {
    Job.Status.RECEIVED: "You look the drawing over and put the job into the queue.",
    Job.Status.QUEUED: "You lay the pieces on a sheet.",
    Job.Status.CUTTING: "You say which pieces were cut well.",
    Job.Status.CUT: "You weed, count the cut-outs and pack.",
    Job.Status.PACKED: "You post the parcel or hand it over.",
    Job.Status.SHIPPED: "The post brings it to the artist. Nothing more to do.",
    Job.Status.HANDED_OVER: "The artist has it. Nothing more to do.",
    Job.Status.ON_HOLD: "You take it up again when you can.",
    Job.Status.NEEDS_CHANGES: "The artist answers by the mailed link.",
    Job.Status.CANCELLED: "Nothing more to do.",
    Job.Status.DECLINED: "Nothing more to do.",
}

HAPPENED: dict[str, str] = {
    "receive": "came in with the accepted quote",
    "queue": "put into the queue",
    "unqueue": "taken back out of the queue",
    "start": "cutting began",
    "stop": "cutting was called off, back into the queue",
    "count": "pieces counted",
    "pack": "packed",
    "unpack": "taken out of the envelope again",
    "ship": "posted",
    "hand-over": "handed over",
    "pack-part": "a part was packed",
    "unpack-part": "the packed part was taken out of the envelope again",
    "ship-part": "a part was posted",
    "hand-over-part": "a part was handed over",
    "tracking": "a parcel’s carrier and number were put in",
    "hold": "put on hold",
    "resume": "taken up again",
    "ask-changes": "the artist was asked for changes",
    "propose": "a changed version was proposed to the artist",
    "answer": "the artist answered",
    "accept-proposal": "the artist took the proposed version",
    "refuse-proposal": "the artist turned the proposed version down",
    "decline": "declined",
    "cancel": "called off by the artist",
    "call-off": "called off by the workshop",
    "undo": "undone",
    "override": "a finding was allowed to stand",
    "photo": "a photo of a cut piece was added",
    "message": "a message was written",
    "message-change": "a message was changed before it was mailed",
    "message-undo": "a message was taken back before it was mailed",
    "remove": "the artist deleted the drawing",
    "restore": "the artist brought the drawing back",
    "erase-account": "the artist erased their account",
    "place": "the order was placed",
    "again": "an earlier order was ordered again",
    "offer": "a quote was offered",
    "accept": "the quote was accepted",
    "expire": "the quote ran out",
    "refuse": "the artist said no thanks to the quote",
    "replace": "the quote was replaced by a newer one",
    "invoice": "the invoice was issued",
    "new-link": "a new link was made; the old one no longer works",
    "credit": "a credit note was issued",
    "deposit": "a deposit was recorded",
    "payment": "a payment was recorded",
    "refund": "a refund was recorded",
    "correction": "a money entry was corrected",
    "make": "a version was made",
    "checked": "the version was checked",
    "plan": "the sheet was planned",
    "arrange": "pieces were moved",
    "add": "pieces were added",
    "take-off": "a piece was taken off",
    "finish": "the sheet was finished",
    "reopen": "the sheet was opened again to correct a result",
    "abandon": "the sheet was taken apart",
}
RUN_HAPPENED = {
    "start": "put on the laser",
    "stop": "taken off the laser uncut",
    "laser-stopped": "the laser stopped",
    "laser-time": "time of the laser written down",
}

STATUS_TAGS: dict[str, str] = {
    Job.Status.RECEIVED: "tag-paint",
    Job.Status.CUT: "tag-good",
    Job.Status.PACKED: "tag-good",
    Job.Status.SHIPPED: "tag-good",
    Job.Status.HANDED_OVER: "tag-good",
    Job.Status.ON_HOLD: "tag-warn",
    Job.Status.NEEDS_CHANGES: "tag-warn",
    Job.Status.CANCELLED: "tag-bad",
    Job.Status.DECLINED: "tag-bad",
}
SIGNS: dict[str, str] = {
    Job.Status.HANDED_OVER: "collected",
    Job.Status.DECLINED: "cancelled",
}


@dataclass(frozen=True)
class Due:
    """``code``: late, today, soon, later or over; ``words`` for people."""

    code: str
    words: str

    @property
    def tag(self) -> str:
        return {"late": "tag-bad", "today": "tag-warn", "soon": "tag-warn"}.get(self.code, "")


@dataclass(frozen=True)
class Happened:
    """One line of a history: what, who, when, why."""

    what: str
    who: str
    at: Any
    why: str
    about: str = ""


def due_of(job: Job, on: date) -> Due:
    """Return when a job is due, seen from a day."""
    if job.status in OVER:
        return Due("over", "")
    days = (job.promise_on - on).days
    if days < 0:
        return Due("late", f"{-days} day{'' if days == -1 else 's'} late")
    if days == 0:
        return Due("today", "due today")
    if days == 1:
        return Due("soon", "tomorrow")
    return Due("soon" if days <= 2 else "later", f"in {days} days")


def dress(jobs: Iterable[Job], on: date) -> list[Job]:
    """Return jobs with ``due``, ``tag`` and ``sign`` set for the page, without a query each."""
    dressed = list(jobs)
    longest_mm = max((max(job.version.blank.size_mm) for job in dressed), default=1.0)
    for job in dressed:
        job.thumb_px = _thumb_px(job, longest_mm)  # type: ignore[attr-defined]
        job.due = due_of(job, on)  # type: ignore[attr-defined]
        job.tag = STATUS_TAGS.get(job.status, "")  # type: ignore[attr-defined]
        job.sign = SIGNS.get(job.status, job.status)  # type: ignore[attr-defined]
    return dressed


def _thumb_px(job: Job, longest_mm: float) -> tuple[int, int]:
    """Return width and height of a job's picture in px, at one scale for the whole list."""
    width_mm, height_mm = job.version.blank.size_mm
    scale = THUMB_PX / longest_mm
    return max(8, round(width_mm * scale)), max(8, round(height_mm * scale))


def happened(events: Iterable[Event]) -> list[Happened]:
    """Return events, newest first, in plain words. Wants ``by``, ``undoes``, ``job`` selected."""
    lines = []
    for event in events:
        words = HAPPENED.get(event.action, event.action.replace("-", " "))
        if event.life == Event.Life.RUN:
            words = RUN_HAPPENED.get(event.action, words)
        if event.action == "undo" and event.undoes is not None:
            taken_back = HAPPENED.get(event.undoes.action, event.undoes.action)
            words = f"undone: {taken_back}"
        who = str(event.by) if event.by else event.get_role_display()
        about = event.job.code if event.job else ""
        lines.append(Happened(words, who, event.at, event.why, about))
    return lines


def events_of(job: Job) -> list[Happened]:
    """Return a job's history with that of its version, newest first."""
    mine = Q(job=job) | Q(version=job.version_id, life=Event.Life.VERSION)
    events = list(Event.objects.filter(mine).select_related("by", "undoes").order_by("-id"))
    lines = [Happened(h.what, h.who, h.at, h.why) for h in happened(events)]
    counted = _counted(job, events)
    return [
        replace(line, what=counted.get(event.pk, line.what))
        for line, event in zip(lines, events, strict=True)
    ]


def _counted(job: Job, events: list[Event]) -> dict[int, str]:
    """Return what each count came to, in words: every event holds the numbers before it."""
    words = {}
    after = {"cut": job.cut, "spoiled": job.spoiled}
    for event in events:
        if event.life != Event.Life.JOB or "cut" not in event.before:
            continue
        change = {name: after[name] - event.before.get(name, after[name]) for name in after}
        after |= {name: event.before[name] for name in after if name in event.before}
        if event.action == "count":
            words[event.pk] = _count_words(change["cut"], change["spoiled"])
    return words


def _count_words(good: int, spoiled: int) -> str:
    parts = []
    if good > 0:
        parts.append(f"{good} piece{'' if good == 1 else 's'} cut well")
    if good < 0:
        parts.append(f"{-good} piece{'' if good == -1 else 's'} no longer counted as cut well")
    if spoiled > 0:
        parts.append(f"{spoiled} spoiled")
    if spoiled < 0:
        parts.append(f"{-spoiled} no longer counted as spoiled")
    return ", ".join(parts) or "pieces counted"


def measure_of(finding: dict[str, Any]) -> str:
    """Return a finding's figures in words: ``0.70 mm wide over 4.0 mm; limit 1.00 mm``."""
    parts = []
    for key, words in (
        ("width_mm", "{:.2f} mm wide"),
        ("length_mm", "{:.1f} mm long"),
        ("neck_mm", "held by {:.1f} mm"),
        ("reach_mm", "reaches {:.1f} mm"),
        ("area_mm2", "{:.1f} mm² large"),
        ("distance_mm", "{:.1f} mm away"),
        ("lift_mm", "lifts {:.1f} mm (estimated)"),
        ("cut_mm_per_mm2", "{:.2f} mm of cut a mm² of film"),
    ):
        if finding.get(key) is not None:
            parts.append(words.format(float(finding[key])))
    for key, unit in (("limit_mm", "mm"), ("limit_mm2", "mm²"), ("limit_mm_per_mm2", "mm a mm²")):
        if finding.get(key) is not None:
            parts.append(f"limit {float(finding[key]):.2f} {unit}")
    return ", ".join(parts)


@dataclass(frozen=True)
class Grouped:
    """Findings for the page: the first of each kind, and how many more of it there are."""

    shown: list[dict[str, Any]]
    more: list[tuple[str, int]]


def findings_shown(
    findings: list[dict[str, Any]],
    overrides: dict[str, Any],
    blank_mm: tuple[float, float],
    *,
    kept: dict[str, Any] | None = None,
) -> Grouped:
    """Return findings with ``measure``, ``override``, ``kept`` (by the artist) and ``mark``.

    The first 20 of each kind.
    """
    counts: dict[str, int] = defaultdict(int)
    shown = []
    for finding in findings:
        counts[finding["kind"]] += 1
        if counts[finding["kind"]] <= SHOWN_OF_A_KIND:
            shown.append({**finding, "measure": measure_of(finding)})
    for finding, mark in zip(shown, place_marks(shown, blank_mm), strict=True):
        finding |= {
            "mark": mark,
            "override": overrides.get(finding["key"]),
            "kept": (kept or {}).get(finding["key"]),
        }
    more = [
        (kind.replace("-", " "), count - SHOWN_OF_A_KIND)
        for kind, count in counts.items()
        if count > SHOWN_OF_A_KIND
    ]
    return Grouped(shown, more)


def sheets_of(job: Job) -> list[SheetRun]:
    """Return the sheets a job lies or lay on, newest first, with ``pieces_here`` set."""
    pieces = Piece.objects.filter(job=job).select_related("run__film")
    runs: dict[int, SheetRun] = {}
    for piece in pieces:
        run = runs.setdefault(piece.run_id, piece.run)
        run.pieces_here = getattr(run, "pieces_here", 0) + 1  # type: ignore[attr-defined]
    live = [run for run in runs.values() if run.status != SheetRun.Status.ABANDONED]
    return sorted(live, key=lambda run: run.pk, reverse=True)
