"""Where an order stands, derived from its quote and its jobs; never stored."""

from __future__ import annotations

from dataclasses import dataclass

from .dates import today
from .models import Job, Order, Quote
from .models.jobs import CALLED_OFF

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
    live = [j for j in jobs if j.status not in CALLED_OFF]
    if not live:
        return Standing("closed", "closed, nothing is cut", "Nothing more happens.")
    asked = [j for j in live if j.status == Job.Status.NEEDS_CHANGES]
    if asked:
        words = f"{_share(asked, live)}waiting for you"
        return Standing("needs-changes", words, "You answer the workshop's question.")
    held = [j for j in live if j.status == Job.Status.ON_HOLD]
    if len(held) == len(live):
        return Standing("on-hold", "on hold", "The workshop goes on when it can.")
    going = _going(order, [j for j in live if j.status != Job.Status.ON_HOLD])
    if not held:
        return going
    words = f"{going.words}, {_share(held, live)}on hold"
    return Standing(going.code, words, f"{going.next_words} What is on hold follows when it can.")


def remade_words(job: Job) -> str:
    """Say that pieces are being cut again because some did not come out well; "" if none are."""
    again = min(job.spoiled, job.to_cut)
    if not again or job.status not in (Job.Status.QUEUED, Job.Status.CUTTING):
        return ""
    words = "One piece is" if again == 1 else f"{again} pieces are"
    late = " It comes later than promised." if job.promise_on < today() else ""
    return f"{words} being cut again, as the first did not come out well.{late}"


def sent_words(job: Job) -> str:
    """Say how many pieces of a job are on their way while others are still to come; "" if none."""
    if not job.shipped or job.shipped >= job.quantity:
        return ""
    verb = "is" if job.shipped == 1 else "are"
    return f"{job.shipped} of {job.quantity} pieces {verb} on the way, the rest follows."


def _share(some: list[Job], live: list[Job]) -> str:
    """Return "1 of 3 " where it is not the only one, else nothing."""
    return f"{len(some)} of {len(live)} " if len(live) > 1 else ""


def _going(order: Order, live: list[Job]) -> Standing:
    """Return where an order stands by those of its jobs that go on."""
    least = min(live, key=lambda j: _RANK[j.status])
    # a job may be on its way in part: its pieces count, not only its status
    sent = [j for j in live if j.shipped or _RANK[j.status] == _RANK[Job.Status.SHIPPED]]
    if sent and _RANK[least.status] < _RANK[Job.Status.SHIPPED]:
        whole = [j for j in sent if _RANK[j.status] == _RANK[Job.Status.SHIPPED]]
        collected = order.delivery == Order.Delivery.COLLECT
        if all(j.status == Job.Status.HANDED_OVER for j in whole) and (whole or collected):
            return Standing("part-shipped", "partly handed over", "The workshop finishes the rest.")
        return Standing("part-shipped", "partly on its way", "The workshop sends the rest.")
    return _by_status(order, least)


def steps_of(job: Job) -> list[StepShown]:
    """Return the row of steps of a job, with the time each was reached."""
    reached: dict[str, object] = {}
    for event in job.events.all():
        if event.life == "job" and event.to_status:
            reached[event.to_status] = event.at
    now = job.before_hold if job.status == Job.Status.ON_HOLD else job.status
    at_rank = _RANK.get(now, 0)
    over = job.status in CALLED_OFF
    steps = []
    for rank, (code, words) in enumerate(STEPS):
        if code == Job.Status.SHIPPED and _is_collected(job):
            code, words = Job.Status.HANDED_OVER, "handed over"
        last = rank == len(STEPS) - 1
        state = "ahead" if over or rank > at_rank else "now" if rank == at_rank else "done"
        if state == "now" and last:
            state = "done"
        at = reached.get(code) if rank <= at_rank else None
        steps.append(StepShown(str(code), words, state, at))
    return steps


def _is_collected(job: Job) -> bool:
    """Whether a job ends in the artist's hand: it has, or it is to be collected and is not sent."""
    if job.status in (Job.Status.SHIPPED, Job.Status.HANDED_OVER):
        return job.status == Job.Status.HANDED_OVER
    return job.order.delivery == Order.Delivery.COLLECT


def _before_jobs(order: Order) -> Standing:
    quote = max(order.quotes.all(), key=lambda row: row.number, default=None)
    if quote is None:
        return Standing("placed", "being priced", "The workshop makes the quote.")
    if quote.status == Quote.Status.EXPIRED:
        return Standing("quote-expired", "the quote has run out", "You ask for a new one.")
    if quote.status == Quote.Status.REFUSED:
        return Standing("quote-refused", "not wanted", "You may ask for a new quote at any time.")
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


# The same steps where the artist comes to the workshop.
_COLLECTED: dict[str, tuple[str, str]] = {
    Job.Status.CUT: ("cut", "The workshop packs it for you to collect."),
    Job.Status.PACKED: ("ready to collect", "You collect it from the workshop."),
}


def _by_status(order: Order, job: Job) -> Standing:
    words, next_words = _WORDS[job.status]
    if order.delivery == Order.Delivery.COLLECT:
        words, next_words = _COLLECTED.get(job.status, (words, next_words))
    return Standing(str(job.status), words, next_words)
