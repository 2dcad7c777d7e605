"""Where an order stands, derived from its quote and its jobs; never stored."""

from __future__ import annotations

from dataclasses import dataclass

from .models import Job, Order, Quote

# The steps an artist follows, in order.
STEPS: tuple[tuple[str, str], ...] = (
    (Job.Status.RECEIVED, "received"),
    (Job.Status.QUEUED, "in the queue"),
    (Job.Status.CUTTING, "being cut"),
    (Job.Status.CUT, "cut"),
    (Job.Status.PACKED, "packed"),
    (Job.Status.SHIPPED, "on its way"),
)
_RANK = {status: rank for rank, (status, _) in enumerate(STEPS)}
_RANK[Job.Status.HANDED_OVER] = _RANK[Job.Status.SHIPPED]


@dataclass(frozen=True)
class Standing:
    """``code`` for tests and styles; ``words`` for people; ``next_words`` says who acts next."""

    code: str
    words: str
    next_words: str


@dataclass(frozen=True)
class StepShown:
    """One small drawing in the row of a job's steps."""

    code: str
    words: str
    state: str  # "done", "now" or "ahead"
    at: object | None


def standing_of(order: Order) -> Standing:
    """Return where an order stands. Reads ``order.jobs`` and ``order.quotes``."""
    if order.is_basket:
        return Standing("basket", "in the basket", "You choose and ask for the price.")
    jobs = list(order.jobs.all())
    if not jobs:
        return _before_jobs(order)
    live = [j for j in jobs if j.status not in (Job.Status.CANCELLED, Job.Status.DECLINED)]
    if not live:
        return Standing("closed", "closed, nothing is cut", "Nothing more happens.")
    if any(j.status == Job.Status.NEEDS_CHANGES for j in live):
        return Standing("needs-changes", "waiting for you", "You answer the workshop's question.")
    if any(j.status == Job.Status.ON_HOLD for j in live):
        return Standing("on-hold", "on hold", "The workshop goes on when it can.")
    least = min(live, key=lambda j: _RANK[j.status])
    sent = any(_RANK[j.status] == _RANK[Job.Status.SHIPPED] for j in live)
    if sent and _RANK[least.status] < _RANK[Job.Status.SHIPPED]:
        return Standing("part-shipped", "partly on its way", "The workshop sends the rest.")
    return _by_status(least)


def steps_of(job: Job) -> list[StepShown]:
    """Return the row of steps of a job, with the time each was reached."""
    reached: dict[str, object] = {}
    for event in job.events.all():
        if event.life == "job" and event.to_status:
            reached[event.to_status] = event.at
    now = job.before_hold if job.status == Job.Status.ON_HOLD else job.status
    at_rank = _RANK.get(now, 0)
    over = job.status in (Job.Status.CANCELLED, Job.Status.DECLINED)
    steps = []
    for rank, (code, words) in enumerate(STEPS):
        if code == Job.Status.SHIPPED and job.status == Job.Status.HANDED_OVER:
            code, words = Job.Status.HANDED_OVER, "handed over"
        last = rank == len(STEPS) - 1
        state = "ahead" if over or rank > at_rank else "now" if rank == at_rank else "done"
        if state == "now" and last:
            state = "done"
        at = reached.get(code) if rank <= at_rank else None
        steps.append(StepShown(str(code), words, state, at))
    return steps


def _before_jobs(order: Order) -> Standing:
    quote = order.quotes.order_by("-number").first()
    if quote is None:
        return Standing("placed", "being priced", "The workshop makes the quote.")
    if quote.status == Quote.Status.EXPIRED:
        return Standing("quote-expired", "the quote has run out", "You ask for a new one.")
    return Standing("quoted", "quoted", "You accept the quote, or ask.")


_WORDS: dict[str, tuple[str, str]] = {
    Job.Status.RECEIVED: ("received", "The workshop looks it over and puts it into the queue."),
    Job.Status.QUEUED: ("in the queue", "The workshop cuts it."),
    Job.Status.CUTTING: ("being cut", "The workshop weeds and checks the pieces."),
    Job.Status.CUT: ("cut", "The workshop packs it."),
    Job.Status.PACKED: ("packed", "The workshop sends it off."),
    Job.Status.SHIPPED: ("on its way", "The post brings it to you."),
    Job.Status.HANDED_OVER: ("handed over", "Nothing more happens; enjoy it."),
}


def _by_status(job: Job) -> Standing:
    words, next_words = _WORDS[job.status]
    return Standing(str(job.status), words, next_words)
