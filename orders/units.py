"""The unit that a reader wants lengths in: chosen once, kept in the session and on the person."""

from __future__ import annotations

from django.http import HttpRequest

from .access import person_of
from .models import Person

SESSION_KEY = "unit"


def unit_of(request: HttpRequest) -> str:
    """Return "mm" or "in"."""
    person = person_of(request)
    chosen = (person.unit if person else "") or request.session.get(SESSION_KEY, "")
    return chosen if chosen in Person.Unit.values else Person.Unit.MM.value


def choose_unit(request: HttpRequest, unit: str) -> None:
    """Keep the reader's choice; anything but a unit is left alone."""
    if unit not in Person.Unit.values:
        return
    request.session[SESSION_KEY] = unit
    person = person_of(request)
    if person is not None and person.unit != unit:
        person.unit = unit
        person.save(update_fields=["unit"])
