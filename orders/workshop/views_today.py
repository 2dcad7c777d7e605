"""The page that says what needs the cutter today."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from orders import second_step, watch
from orders.access import workshop_only, workshop_person
from orders.dates import today as date_of_today
from orders.messages import WORKSHOP, unseen_by
from orders.models import Event, Job, Mail, SheetRun

from .shown import RUNNING, dress

SOON_DAYS = 2
SHOWN = 12


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
        "ask_second_step": not second_step.is_set(workshop_person(request)),
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
    doubted = Mail.objects.filter(status=Mail.Status.IN_DOUBT).count()
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
        (
            doubted,
            "mails that may have gone",
            "mail",
            reverse("workshop-mail") + "?state=in-doubt",
            "tally-soon",
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
