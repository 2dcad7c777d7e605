"""What artists are owed of the shelf: statements by month, marks of what was paid, CSV.

A line counts in the month in which it was booked, and so does its counter-entry: a month that is
over never changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from django.db import transaction
from django.db.models import QuerySet

from pricing.money import format_money

from .books import plain
from .dates import today
from .errors import NotNowError, RefusedError
from .models import Mail, Person, ShareLine, SharePayout, ShelfPayee
from .payments import refuse_card_number
from .shelf import LIFE, write_letter
from .shelf_sales import take_back
from .workflow import Actor, record

NOTHING = Decimal(0)
PAID_MAIL = "shelf-paid"
COLUMNS = (
    "line", "kind", "booked", "artist", "drawing", "size", "job", "pieces",
    "price_each", "percent", "share_each", "currency", "amount", "takes_back", "why",
)  # fmt: skip
PAYOUT_COLUMNS = (
    "mark",
    "month",
    "paid",
    "artist",
    "currency",
    "amount",
    "reference",
    "takes_back",
)
OWN_COLUMNS = (
    "line", "kind", "booked", "drawing", "size", "pieces",
    "price_each", "percent", "share_each", "currency", "amount",
)  # fmt: skip


@dataclass
class Statement:
    """One artist's month in one currency: what was booked, what was marked as paid."""

    artist: Person
    month: date  # its first day
    currency: str
    lines: list[ShareLine] = field(default_factory=list)
    payouts: list[SharePayout] = field(default_factory=list)

    @property
    def artist_id(self) -> int:
        return self.artist.pk

    @property
    def pieces(self) -> int:
        return sum(line.pieces for line in self.lines)

    @property
    def booked(self) -> Decimal:
        return sum((line.amount for line in self.lines), NOTHING)

    @property
    def paid(self) -> Decimal:
        return sum((payout.amount for payout in self.payouts), NOTHING)

    @property
    def owed(self) -> Decimal:
        """Below nothing where more was taken back than booked: it is set off against others."""
        return self.booked - self.paid

    @property
    def standing_payout(self) -> SharePayout | None:
        """The latest mark that was not taken back."""
        taken = {payout.counters_id for payout in self.payouts}
        rows = [p for p in self.payouts if p.counters_id is None and p.pk not in taken]
        return rows[-1] if rows else None


def month_of(text: str) -> date | None:
    """Return the first day of "2026-11", None for anything else."""
    year, _, month = text.partition("-")
    if not (len(year) == 4 and len(month) == 2 and (year + month).isascii()):
        return None
    if not (year + month).isdecimal() or not 1 <= int(month) <= 12 or int(year) < 1900:
        return None
    return date(int(year), int(month), 1)


def statements(artist: Person | None = None, month: date | None = None) -> list[Statement]:
    """Return statements, the newest month first; of one artist and month where given.

    Those of one month have what their lines are of; the others are for their sums.
    """
    lines = ShareLine.objects.select_related("artist", "sale")
    if month is not None:
        whole = lines.select_related("sale__job__version__design")
        lines = whole.defer("sale__job__version__report", "sale__job__version__limits")
    payouts = SharePayout.objects.select_related("artist", "by")
    if artist is not None:
        lines, payouts = lines.filter(artist=artist), payouts.filter(artist=artist)
    if month is not None:
        lines = lines.filter(booked_on__year=month.year, booked_on__month=month.month)
        payouts = payouts.filter(month=month)
    return gathered(lines.order_by("id"), payouts.order_by("id"))


def gathered(lines: Iterable[ShareLine], payouts: Iterable[SharePayout]) -> list[Statement]:
    """Return the statements that lines and marks come to, the newest month first."""
    found: dict[tuple[date, int, str], Statement] = {}

    def statement(artist: Person, month: date, currency: str) -> Statement:
        key = (month, artist.pk, currency)
        return found.setdefault(key, Statement(artist, month, currency))

    for line in lines:
        of = statement(line.artist, line.booked_on.replace(day=1), line.currency)
        of.lines.append(line)
    for payout in payouts:
        statement(payout.artist, payout.month, payout.currency).payouts.append(payout)
    return [found[key] for key in sorted(found, key=lambda key: (key[0], -key[1]), reverse=True)]


@dataclass
class MonthSums:
    """What a statement comes to, without its lines: for the list of every artist's months."""

    artist_id: int
    month: date  # its first day
    currency: str
    pieces: int = 0
    booked: Decimal = NOTHING
    paid: Decimal = NOTHING

    @property
    def owed(self) -> Decimal:
        return self.booked - self.paid


def month_sums() -> list[MonthSums]:
    """Return the sums of every artist's every month, the newest month first."""
    found: dict[tuple[date, int, str], MonthSums] = {}

    def sums(artist_id: int, month: date, currency: str) -> MonthSums:
        key = (month, artist_id, currency)
        return found.setdefault(key, MonthSums(artist_id, month, currency))

    lines = ShareLine.objects.order_by()
    for artist_id, on, currency, pieces, amount in lines.values_list(
        "artist_id", "booked_on", "currency", "pieces", "amount"
    ):
        of = sums(artist_id, on.replace(day=1), currency)
        of.pieces += pieces
        of.booked += amount
    payouts = SharePayout.objects.order_by()
    for artist_id, month, currency, amount in payouts.values_list(
        "artist_id", "month", "currency", "amount"
    ):
        sums(artist_id, month, currency).paid += amount
    return [found[key] for key in sorted(found, key=lambda key: (key[0], -key[1]), reverse=True)]


def owed_sums(rows: Iterable[Statement | MonthSums]) -> dict[str, Decimal]:
    """Return currency -> what is owed in all, what is to be set off included."""
    sums: dict[str, Decimal] = {}
    for row in rows:
        sums[row.currency] = sums.get(row.currency, NOTHING) + row.owed
    return {currency: amount for currency, amount in sums.items() if amount}


def of_year(year: int | None) -> list[dict[str, object]]:
    """Return for the books, by currency: booked and paid in a year (or ever), owed today."""
    lines, payouts = ShareLine.objects.all(), SharePayout.objects.all()
    owed = owed_today()
    if year is not None:
        lines, payouts = lines.filter(booked_on__year=year), payouts.filter(paid_on__year=year)
    booked, paid = _sums(lines, 1), _sums(payouts, 1)
    return [
        {
            "currency": currency,
            "owed": owed[currency],
            "booked": booked.get(currency, NOTHING),
            "paid": paid.get(currency, NOTHING),
        }
        for currency in sorted(owed)
    ]


def owed_today() -> dict[str, Decimal]:
    """Return currency -> what is owed to all artists together, nothing left out."""
    owed = _sums(ShareLine.objects.all(), 1)
    for currency, amount in _sums(SharePayout.objects.all(), -1).items():
        owed[currency] = owed.get(currency, NOTHING) + amount
    return owed


def _sums(rows: QuerySet[ShareLine] | QuerySet[SharePayout], sign: int) -> dict[str, Decimal]:
    """Currency -> the sum of the rows' amounts, added up as Decimals."""
    sums: dict[str, Decimal] = {}
    for currency, amount in rows.order_by().values_list("currency", "amount"):
        sums[currency] = sums.get(currency, NOTHING) + sign * amount
    return sums


def pay(
    artist: Person,
    month: date,
    currency: str,
    actor: Actor,
    *,
    reference: str,
    press: str,
    paid_on: date | None = None,
) -> SharePayout:
    """Mark what is owed of a month as paid, or set off where it is below nothing.

    `press` names the form, so that pressing twice marks once. The artist is mailed. Raises
    RefusedError for nothing owed, a day to come, or what looks like the number of a card.
    """
    refuse_card_number(reference)
    on = paid_on or today()
    if on > today():
        raise RefusedError("That day is still to come; mark it when the money has left.")
    with transaction.atomic():
        Person.objects.select_for_update().get(pk=artist.pk)
        before = SharePayout.objects.filter(press=press).first()
        if before is not None:
            return before
        row = next((s for s in statements(artist, month) if s.currency == currency), None)
        if row is None or not row.owed:
            raise RefusedError("Nothing is owed of that month.")
        payout = SharePayout.objects.create(
            artist=artist,
            month=month,
            amount=row.owed,
            currency=currency,
            paid_on=on,
            reference=reference.strip(),
            by=actor.person,
            press=press,
        )
        event = record(LIFE, "pay", actor, why=_told(payout))
        if payout.amount > 0:
            amount = format_money(payout.amount, currency)
            write_letter(PAID_MAIL, artist, event, {"payout": payout, "amount": amount})
    return payout


def unpay(payout: SharePayout, actor: Actor) -> SharePayout:
    """Take a mark back by a counter-entry, and its letter if it has not gone. Safe to repeat."""
    with transaction.atomic():
        Person.objects.select_for_update().get(pk=payout.artist_id)
        before = SharePayout.objects.filter(counters=payout).first()
        if before is not None:
            return before
        if payout.counters_id is not None:
            raise NotNowError("That entry takes a mark back itself.")
        back = SharePayout.objects.create(
            artist=payout.artist,
            month=payout.month,
            amount=-payout.amount,
            currency=payout.currency,
            paid_on=today(),
            reference=payout.reference,
            counters=payout,
            by=actor.person,
            press=f"counters-{payout.pk}",
        )
        record(LIFE, "unpay", actor, why=_told(payout))
        letters = Mail.objects.filter(kind=PAID_MAIL, event__why=_told(payout))
        letters.filter(status=Mail.Status.WAITING).update(status=Mail.Status.WITHDRAWN)
    return back


def take_back_by_hand(
    line: ShareLine, pieces: int, actor: Actor, *, why: str, press: str
) -> ShareLine:
    """Take shares of pieces back whose money was paid back, with a reason that stays.

    Pressing twice is the same as once. Raises RefusedError.
    """
    if not why.strip():
        raise RefusedError("Say why; it stays beside the line, and the artist reads it.")
    with transaction.atomic():
        Person.objects.select_for_update().get(pk=line.artist_id)
        back = take_back(line, pieces, actor.person, why=why.strip(), press=press)
        record(LIFE, "take-back", actor, why=f"share {line.pk}: {pieces} back. {why.strip()}")
    return back


def payees(artists: Iterable[Person]) -> dict[int, ShelfPayee]:
    """Return person -> where their share goes."""
    rows = ShelfPayee.objects.filter(person__in=[artist.pk for artist in artists])
    return {row.person_id: row for row in rows}


def line_rows(lines: Iterable[ShareLine]) -> list[tuple[object, ...]]:
    """Return the rows of the workshop's CSV, ``COLUMNS``; no formula of a spreadsheet in them."""
    lines = list(lines)
    names = _names(line.artist for line in lines)
    return [
        (
            *_own(line)[:3],
            plain(names[line.artist_id]),
            *_own(line)[3:5],
            line.sale.job.code,
            *_own(line)[5:],
            line.counters_id or "",
            plain(line.why),
        )
        for line in lines
    ]


def payout_rows(payouts: Iterable[SharePayout]) -> list[tuple[object, ...]]:
    """Return the rows of the CSV of marks, ``PAYOUT_COLUMNS``."""
    payouts = list(payouts)
    names = _names(payout.artist for payout in payouts)
    return [
        (
            row.pk,
            f"{row.month:%Y-%m}",
            row.paid_on.isoformat(),
            plain(names[row.artist_id]),
            row.currency,
            _amount(row.amount, row.currency),
            plain(row.reference),
            row.counters_id or "",
        )
        for row in payouts
    ]


def own_rows(statement: Statement) -> list[tuple[object, ...]]:
    """Return a month as its artist gets it, ``OWN_COLUMNS``: nothing of who bought."""
    return [_own(line) for line in statement.lines]


def _own(line: ShareLine) -> tuple[object, ...]:
    sale, version = line.sale, line.sale.job.version
    return (
        line.pk,
        line.kind,
        line.booked_on.isoformat(),
        plain(version.design.title),
        version.blank.name,
        line.pieces,
        f"{sale.unit_price.normalize():f}",
        f"{sale.share_percent.normalize():f}",
        _amount(sale.share_each, line.currency),
        line.currency,
        _amount(line.amount, line.currency),
    )


def _names(artists: Iterable[Person]) -> dict[int, str]:
    people = {artist.pk: artist for artist in artists}
    found = payees(people.values())
    return {
        pk: (found[pk].name if pk in found else "") or str(person) for pk, person in people.items()
    }


def _amount(amount: Decimal, currency: str) -> str:
    return format_money(amount, currency).partition(" ")[2]


def _told(payout: SharePayout) -> str:
    amount = format_money(payout.amount, payout.currency)
    return f"shares of {payout.month:%Y-%m}, mark {payout.pk}: {amount}"
