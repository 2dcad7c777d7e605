"""Sign-in, and the page that says what needs the cutter today."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib.auth import logout
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from orders import watch
from orders.access import workshop_only
from orders.dates import today as date_of_today
from orders.messages import WORKSHOP, unseen_by
from orders.models import Event, Job, Mail, SheetRun, Workshop

from .shown import RUNNING, dress

SOON_DAYS = 2
SHOWN = 12


class WorkshopSignInForm(AuthenticationForm):
    """Email and password of somebody of the workshop; artists sign in by a mailed code."""

    error_messages = {
        "invalid_login": "That address and password do not belong together. "
        "Look at both and try again.",
        "inactive": "This sign-in is closed.",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "Email address"
        self.fields["username"].widget.attrs |= {"inputmode": "email", "autocomplete": "username"}

    def confirm_login_allowed(self, user: Any) -> None:
        super().confirm_login_allowed(user)
        if not user.is_workshop:
            raise ValidationError(self.error_messages["invalid_login"], code="invalid_login")


class SignIn(LoginView):
    template_name = "workshop/sign_in.html"
    authentication_form = WorkshopSignInForm
    next_page = "workshop-today"

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(workshop=Workshop.current(), **kwargs)


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("workshop-sign-in")


@require_GET
@workshop_only
def today(request: HttpRequest) -> HttpResponse:
    """Show what needs the cutter: late and due, to look over, to cut, to pack, to post."""
    on = date_of_today()
    jobs = Job.objects.select_related("version__design", "film", "order__artist").defer(
        "version__report", "version__limits"
    )
    running = jobs.filter(status__in=RUNNING)
    # as many as the numbers above count: what waits for the artist is late all the same
    pressing = running.filter(promise_on__lte=on + timedelta(days=SOON_DAYS))
    sheets = SheetRun.objects.filter(
        status__in=(SheetRun.Status.PLANNED, SheetRun.Status.CUTTING)
    ).select_related("film")
    context = {
        "tallies": _tallies(on),
        "pressing": dress(pressing.order_by("promise_on", "id")[:SHOWN], on),
        "received": dress(_received(jobs)[:SHOWN], on),
        "sheets": sheets.annotate(piece_count=Count("pieces")).order_by("status", "id")[:SHOWN],
        "talks": _new_messages(),
        "today": on,
        "not_well": watch.something_is_bad(),
    }
    return render(request, "workshop/today.html", context)


def _new_messages() -> list[dict[str, Any]]:
    """Return the orders with messages that nobody here has opened, the longest waiting first."""
    rows: dict[int, dict[str, Any]] = {}
    unseen = unseen_by(WORKSHOP).select_related("order__artist", "job__version__design")
    for message in unseen.defer("job__version__report", "job__version__limits").order_by("id"):
        row = rows.setdefault(message.order_id, {"order": message.order, "new": 0})
        row |= {"new": row["new"] + 1, "last": message}
    return list(rows.values())[:SHOWN]


def _received(jobs: QuerySet[Job]) -> QuerySet[Job]:
    """Jobs to look over, with ``last_action``: "answer" where the artist came back to it."""
    last = Event.objects.filter(job=OuterRef("pk"), life=Event.Life.JOB).order_by("-id")
    received = jobs.filter(status=Job.Status.RECEIVED)
    return received.annotate(last_action=Subquery(last.values("action")[:1])).order_by(
        "promise_on", "id"
    )


def _tallies(on: Any) -> list[dict[str, Any]]:
    """Return the numbers of the page, each with the one place to go."""
    status = Job.Status
    running = Q(status__in=RUNNING)
    counts = Job.objects.aggregate(
        late=Count("pk", filter=running & Q(promise_on__lt=on)),
        due=Count(
            "pk",
            filter=running & Q(promise_on__gte=on, promise_on__lte=on + timedelta(days=SOON_DAYS)),
        ),
        received=Count("pk", filter=Q(status=status.RECEIVED)),
        to_cut=Count("pk", filter=Q(status__in=(status.QUEUED, status.CUTTING))),
        cut=Count("pk", filter=Q(status=status.CUT)),
        packed=Count("pk", filter=Q(status=status.PACKED)),
        waiting=Count("pk", filter=Q(status=status.NEEDS_CHANGES)),
        on_hold=Count("pk", filter=Q(status=status.ON_HOLD)),
    )
    sheets = SheetRun.objects.aggregate(
        planned=Count("pk", filter=Q(status=SheetRun.Status.PLANNED)),
        cutting=Count("pk", filter=Q(status=SheetRun.Status.CUTTING)),
    )
    talking = unseen_by(WORKSHOP).values("order").distinct().count()
    failed = Mail.objects.filter(status=Mail.Status.FAILED).count()
    queue = reverse("workshop-queue")
    rows: list[tuple[int, str, str, str, str]] = [
        (counts["late"], "late", "clock", f"{queue}?due=late", "tally-late"),
        (counts["due"], "due within 2 days", "clock", f"{queue}?due=soon", "tally-soon"),
        (counts["received"], "to look over", "received", f"{queue}?state=received", "tally-ready"),
        (talking, "with new messages", "mail", "#messages-new", "tally-ready"),
        (counts["to_cut"], "to cut", "queued", queue, ""),
        (sheets["planned"], "sheets to cut", "sheets", reverse("workshop-sheets"), "tally-ready"),
        (sheets["cutting"], "on the laser", "cutting", reverse("workshop-sheets"), "tally-ready"),
        (counts["cut"], "to pack", "packed", reverse("workshop-pack"), "tally-ready"),
        (counts["packed"], "to post", "shipped", reverse("workshop-post"), "tally-ready"),
        (
            counts["waiting"],
            "wait for the artist",
            "needs-changes",
            f"{queue}?state=needs-changes",
            "",
        ),
        (counts["on_hold"], "on hold", "on-hold", f"{queue}?state=on-hold", ""),
        (
            failed,
            "mails that failed",
            "mail",
            reverse("workshop-mail") + "?state=failed",
            "tally-late",
        ),
    ]
    # what is at rest is only listed when there is some of it
    always = {"late", "due within 2 days", "to look over", "to cut", "to pack", "to post"}
    return [
        {
            "count": count,
            "words": words,
            "sign": sign,
            "href": href,
            "css": css if count else "",
        }
        for count, words, sign, href, css in rows
        if count or words in always
    ]
