"""What happened to an order, told to its artist in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from orders.models import Event, Order

# (life, action) -> the sentence; {title} is the drawing's name. What is not here is the
# workshop's own business (sheets, checks) and is not told.
SENTENCES: dict[tuple[str, str], str] = {
    ("order", "place"): "You asked for the quote.",
    ("quote", "offer"): "The quote was made.",
    ("quote", "accept"): "The quote was accepted.",
    ("quote", "expire"): "The quote ran out.",
    ("quote", "refuse"): "You said no thanks to the quote.",
    ("order", "new-link"): "A new link was made; the old one no longer works.",
    ("order", "again"): "You ordered it again.",
    ("order", "invoice"): "The invoice was made.",
    ("order", "credit"): "A credit note was made.",
    ("order", "deposit"): "Your deposit arrived.",
    ("order", "payment"): "Your payment arrived.",
    ("order", "refund"): "Money went back to you.",
    ("order", "correction"): "An entry about money was corrected.",
    ("job", "receive"): "“{title}” was received by the workshop.",
    ("job", "queue"): "“{title}” went into the queue.",
    ("job", "unqueue"): "“{title}” came back out of the queue.",
    ("job", "start"): "Cutting of “{title}” began.",
    ("job", "stop"): "“{title}” went back into the queue.",
    ("job", "pack"): "“{title}” was packed.",
    ("job", "unpack"): "“{title}” was unpacked again.",
    ("job", "ship"): "“{title}” was sent.",
    ("job", "hand-over"): "“{title}” was handed over.",
    ("job", "pack-part"): "A part of “{title}” was packed.",
    ("job", "unpack-part"): "That part of “{title}” was unpacked again.",
    ("job", "ship-part"): "A part of “{title}” was sent; the rest follows.",
    ("job", "hand-over-part"): "A part of “{title}” was handed over; the rest follows.",
    ("job", "hold"): "“{title}” was put on hold.",
    ("job", "resume"): "“{title}” is no longer on hold.",
    ("job", "ask-changes"): "The workshop asked for a change to “{title}”.",
    ("job", "propose"): "The workshop proposed a version of “{title}”.",
    ("job", "answer"): "You answered about “{title}”.",
    ("job", "decline"): "The workshop declined “{title}”.",
    ("job", "cancel"): "You called “{title}” off.",
    ("job", "call-off"): "The workshop called “{title}” off.",
}
CUT = "“{title}” was cut."
TAKEN_BACK = "The workshop took that last step back."
# Reasons that were written for the artist; others stay in the workshop.
REASONS_TOLD = frozenset(
    {"hold", "ask-changes", "propose", "decline", "call-off", "cancel", "refuse"}
)


@dataclass(frozen=True)
class Told:
    """One line of the story."""

    at: datetime
    words: str
    why: str
    by_artist: bool


def story_of(order: Order) -> list[Told]:
    """Return what happened, newest first, leaving out what is not the artist's business."""
    story = []
    for event in order.events.select_related("job__version__design").order_by("-id"):
        words = _words(event)
        if words:
            why = event.why if event.action in REASONS_TOLD else ""
            story.append(Told(event.at, words, why, event.role == Event.Role.ARTIST))
    return story


def _words(event: Event) -> str:
    if event.action == "undo":
        return TAKEN_BACK
    if event.life == "job" and event.action == "count":
        template = CUT if event.to_status == "cut" != event.from_status else ""
    else:
        template = SENTENCES.get((event.life, event.action), "")
    title = event.job.version.design.title if event.job else ""
    return template.format(title=title)
