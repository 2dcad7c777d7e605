"""Whose drawing is looked at next: everybody in turn, however many one person sent.

A nudge only says that some drawing waits. The worker takes the one of whoever had the fewest turns
in the last minute: first by the network address that a drawing came from, so that somebody who
begins a new session for every drawing counts once, then by its owner or browser session, so that
two people behind one address take turns as well; then the one that waits longest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Final

from django.db.models import Count, Min, Q
from django.utils import timezone

from .models import Version

REMEMBERED: Final = timedelta(seconds=60)
WHO: Final = ("design__sent_from", "design__owner", "design__visitor")
Group = tuple[str, int | None, str]  # an address's mark, an owner, a browser session


def next_waiting() -> int | None:
    """Return the version that is to be looked at next, or None where none waits."""
    # one row for each person: the rows of somebody who sent a thousand drawings stay behind
    waiting = Version.objects.filter(status=Version.Status.WAITING).order_by()
    groups = {tuple(row[:3]): row[3] for row in waiting.values_list(*WHO).annotate(Min("pk"))}
    if len(groups) < 2:
        return next(iter(groups.values()), None)
    turns = _turns_of(groups)
    return min((*_had(group, turns), oldest) for group, oldest in groups.items())[-1]


def _had(group: Group, turns: Counter[tuple[str, Any]]) -> tuple[int, int]:
    """Return the turns that a group's address had, and those of its person."""
    address, *_ = group
    # nobody knows where an older drawing came from: its person alone counts
    by_address = turns["address", address] if address else turns["person", _person(group)]
    return by_address, turns["person", _person(group)]


def _turns_of(groups: dict[Group, int]) -> Counter[tuple[str, Any]]:
    """Count the checks at work and those of the last minute, by address and by person."""
    recent = Q(checked_at__gte=timezone.now() - REMEMBERED) | Q(status=Version.Status.CHECKING)
    addresses = {address for address, _, _ in groups if address}
    owners = {owner for _, owner, _ in groups if owner is not None}
    visitors = {visitor for _, _, visitor in groups if visitor}
    theirs = Q(design__sent_from__in=addresses) | Q(design__owner__in=owners)
    theirs |= Q(design__visitor__in=visitors)
    turns: Counter[tuple[str, Any]] = Counter()
    done = Version.objects.filter(recent, theirs).order_by()
    for *who, count in done.values_list(*WHO).annotate(Count("pk")):
        for key in _keys((who[0], who[1], who[2])):
            turns[key] += count
    return turns


def _keys(group: Group) -> Iterator[tuple[str, Any]]:
    yield "address", group[0]
    yield "person", _person(group)


def _person(group: Group) -> int | str:
    _, owner, visitor = group
    return owner if owner is not None else visitor
