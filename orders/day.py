"""The workshop's figures by day, week or month: cut, spoiled and why, laser, film, sent and late.

Read from the tallies that counts and sheets leave and from parcels, each row with its own date, so
that three sums in the database do it. Laser time is the estimate that prices use.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta

from django.db.models import F, Q, Sum

from .models import Job, ParcelLine, Piece, SheetTally, Tally
from .models.jobs import OVER

REASONS: dict[str, str] = {value: str(label) for value, label in Piece.Reason.choices}
MM2_PER_M2 = 1e6

COLUMNS = (
    "from",
    "cut_well",
    "spoiled",
    *(f"spoiled_{value.replace('-', '_')}" for value in REASONS),
    "laser_minutes",
    "sheets",
    "film_m2",
    "film_wasted_m2",
    "sent",
    "sent_late",
)


@dataclass(frozen=True)
class Span:
    """How the figures are put together: what one row covers, and how many rows there are."""

    code: str
    words: str
    rows: int


SPANS: dict[str, Span] = {
    span.code: span
    for span in (
        Span("day", "by day", 14),
        Span("week", "by week", 12),
        Span("month", "by month", 12),
    )
}


@dataclass
class Figures:
    """One row. ``first`` is its first day; counts are pieces."""

    first: date
    words: str
    short: str = ""
    good: int = 0
    spoiled: int = 0
    reasons: dict[str, int] = field(default_factory=lambda: dict.fromkeys(REASONS, 0))
    seconds: float = 0.0
    sheets: int = 0
    film_mm2: float = 0.0
    good_mm2: float = 0.0
    sent: int = 0
    late: int = 0

    @property
    def laser_minutes(self) -> int:
        return round(self.seconds / 60)

    @property
    def film_m2(self) -> float:
        return self.film_mm2 / MM2_PER_M2

    @property
    def wasted_m2(self) -> float:
        """Film that did not become good pieces: between the blanks, and spoiled."""
        return max(0.0, self.film_mm2 - self.good_mm2) / MM2_PER_M2

    @property
    def wasted_percent(self) -> int:
        return round(100 * self.wasted_m2 / self.film_m2) if self.film_mm2 else 0

    @property
    def on_time(self) -> int:
        return self.sent - self.late

    def add(self, other: Figures) -> None:
        """Add another row's figures to this one's."""
        for name in (
            "good",
            "spoiled",
            "seconds",
            "sheets",
            "film_mm2",
            "good_mm2",
            "sent",
            "late",
        ):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for why, count in other.reasons.items():
            self.reasons[why] = self.reasons.get(why, 0) + count


def figures(span: Span, until: date) -> list[Figures]:
    """Return the rows up to a day, the oldest first, those on which nothing was done too."""
    firsts = _firsts(span, until)
    rows = {first: Figures(first, _words(span, first), _short(span, first)) for first in firsts}

    def row(on: date) -> Figures:
        return rows.get(_first_of(span, on), Figures(on, ""))

    within = {"on__gte": firsts[0], "on__lte": until}
    counted = Tally.objects.filter(**within).order_by().values("on", "reason")
    for one in counted.annotate(g=Sum("good"), s=Sum("spoiled"), t=Sum("seconds")):
        of = row(one["on"])
        of.good, of.spoiled, of.seconds = (
            of.good + one["g"],
            of.spoiled + one["s"],
            of.seconds + one["t"],
        )
        if one["reason"]:
            of.reasons[one["reason"]] = of.reasons.get(one["reason"], 0) + one["s"]
    sheets = SheetTally.objects.filter(**within).order_by().values("on")
    for sheet in sheets.annotate(n=Sum("sheets"), film=Sum("film_mm2"), good=Sum("good_mm2")):
        of = row(sheet["on"])
        of.sheets += sheet["n"]
        of.film_mm2 += sheet["film"]
        of.good_mm2 += sheet["good"]
    for sent_on, pieces, behind in _sent(firsts[0], until):
        of = row(sent_on)
        of.sent += pieces
        of.late += behind or 0
    return [rows[first] for first in firsts]


def late_now(on: date) -> int:
    """Return how many open jobs are late today."""
    return Job.objects.filter(promise_on__lt=on).exclude(status__in=OVER).count()


def sum_of(rows: Iterable[Figures]) -> Figures:
    """Return all rows together."""
    total = Figures(date.min, "together")
    for one in rows:
        total.add(one)
    return total


def csv_rows(rows: Iterable[Figures]) -> list[tuple[object, ...]]:
    """Return the rows of the CSV, in the order of ``COLUMNS``."""
    return [
        (
            one.first.isoformat(),
            one.good,
            one.spoiled,
            *(one.reasons.get(why, 0) for why in REASONS),
            one.laser_minutes,
            one.sheets,
            f"{one.film_m2:.3f}",
            f"{one.wasted_m2:.3f}",
            one.sent,
            one.late,
        )
        for one in rows
    ]


def _sent(first: date, until: date) -> Iterable[tuple[date, int, int | None]]:
    """Return (day, pieces sent, of them after the promised day)."""
    behind = Q(parcel__sent_on__gt=F("job__promise_on"))
    lines = ParcelLine.objects.filter(
        parcel__withdrawn_at=None, parcel__sent_on__gte=first, parcel__sent_on__lte=until
    )
    return (
        lines.order_by()
        .values("parcel__sent_on")
        .annotate(pieces=Sum("count"), behind=Sum("count", filter=behind))
        .values_list("parcel__sent_on", "pieces", "behind")
    )


def _firsts(span: Span, until: date) -> list[date]:
    first = _first_of(span, until)
    firsts = [first]
    while len(firsts) < span.rows:
        first = _first_of(span, first - timedelta(days=1))
        firsts.append(first)
    return firsts[::-1]


def _first_of(span: Span, on: date) -> date:
    """Return the first day of the row that a day belongs to; weeks begin on Monday (ISO 8601)."""
    if span.code == "month":
        return on.replace(day=1)
    return on - timedelta(days=on.weekday()) if span.code == "week" else on


def _short(span: Span, first: date) -> str:
    """Return what stands below a bar."""
    return f"{first:%b}" if span.code == "month" else f"{first.day} {first:%b}"


def _words(span: Span, first: date) -> str:
    if span.code == "month":
        return f"{first:%b} {first.year}"
    return f"{first:%a} {first.day} {first:%b}" if span.code == "day" else f"{first.day} {first:%b}"
