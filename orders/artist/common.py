"""What the views of this side share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from orders import access, limits
from orders.errors import OrderError
from orders.models import Design, Version
from orders.typed import whole_number

View = Callable[..., HttpResponse]


def takes_work(view: View) -> View:
    """Count the processor time of a page that works something out; see ``limits.work``."""

    @wraps(view)
    def counted(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        with limits.work(request):
            return view(request, *args, **kwargs)

    return counted


@contextmanager
def told(request: HttpRequest) -> Iterator[None]:
    """Turn an error of the order's rules into a sentence on the page that is shown next."""
    try:
        yield
    except OrderError as error:
        messages.error(request, error.sentence)


def design_to_change(request: HttpRequest, token: str) -> Design:
    """Return a drawing that the reader may change; the workshop only looks, and proposes."""
    design = access.design_for(request, token)
    person = access.person_of(request)
    if person is not None and person.is_workshop:
        own = access.own_designs(request).filter(pk=design.pk).exists()
        if not own:
            raise PermissionDenied
    return design


def version_to_show(request: HttpRequest, design: Design, *, bare: bool = False) -> Version:
    """Return the version that the address asks for by ?v=, the latest by default."""
    wanted = request.GET.get("v", "")
    if wanted.isdecimal() and len(wanted) < 6:
        return access.version_of(design, int(wanted), bare=bare)
    return design.latest


def posted_version(request: HttpRequest, design: Design) -> Version:
    """Return the version that a form names, the latest where it names none of this drawing."""
    number = row_number(request.POST.get("version"))
    return design.versions.filter(number=number).first() or design.latest


def drawing_address(version: Version) -> str:
    """Return the address of a drawing's page, showing this version."""
    return f"{reverse('drawing', args=[version.design.token])}?v={version.number}"


def row_number(text: str | None) -> int:
    """Return the number of a row or version named in a form; 0, which none has, if it is none."""
    return whole_number(text) or 0


def first_error(form: BaseForm) -> str:
    """Return the first thing that is wrong with a form, as a sentence."""
    return str(next(iter(form.errors.values()))[0])
