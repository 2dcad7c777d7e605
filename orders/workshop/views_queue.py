"""The queue: choose what to cut next. Sort, filters and search live in the address."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Page, Paginator
from django.db.models import Count, F, IntegerField, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from geometry.limits import BLANKS
from orders import workflow
from orders.access import workshop_actor, workshop_only
from orders.dates import today
from orders.errors import OrderError
from orders.messages import WORKSHOP, unseen_by
from orders.models import Film, Job, Order, Piece, Version
from orders.typed import whole_number
from orders.workflow.jobs import OPEN_RUNS

from .shown import RUNNING, dress

PAGE_SIZE = 48
SOON_DAYS = 2

STATES: dict[str, tuple[str, tuple[str, ...]]] = {
    "to-cut": ("to cut", (Job.Status.QUEUED, Job.Status.CUTTING)),
    "received": ("to look over", (Job.Status.RECEIVED,)),
    "cut": ("to pack", (Job.Status.CUT,)),
    "packed": ("to post", (Job.Status.PACKED,)),
    "needs-changes": ("with the artist", (Job.Status.NEEDS_CHANGES,)),
    "on-hold": ("on hold", (Job.Status.ON_HOLD,)),
    "open": ("all open jobs", RUNNING),
    "over": (
        "closed",
        (
            Job.Status.SHIPPED,
            Job.Status.HANDED_OVER,
            Job.Status.CANCELLED,
            Job.Status.DECLINED,
        ),
    ),
}
DUE = {
    "": "any day",
    "late": "late",
    "soon": "due within 2 days",
    "week": "due within a week",
    "rush": "rush orders",
}
SORTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "due": ("when due", ("promise_on", "id")),
    "film": ("film", ("film__thickness_mm", "film__code", "promise_on", "id")),
    "blank": ("blank", ("version__blank_code", "promise_on", "id")),
    "quantity": ("most pieces", ("-to_do", "promise_on", "id")),
    "artist": ("artist", ("order__artist__name", "order__artist__email", "promise_on", "id")),
    "newest": ("the newest first", ("-id",)),
}


@dataclass(frozen=True)
class Choice:
    """What the address asks for; unknown values fall back to the usual ones."""

    state: str
    due: str
    film: str
    blank: str
    sort: str
    search: str

    @classmethod
    def of(cls, request: HttpRequest) -> Choice:
        get = request.GET.get
        search = get("q", "").strip()[:80]
        due = get("due", "")
        due = due if due in DUE else ""
        # a search looks everywhere, and "late" means late at any step, unless a step is chosen
        usual = "any" if search else "open" if due else "to-cut"
        state = get("state", "")
        state = state if state in STATES else usual
        return cls(
            state=state,
            due=due,
            film=get("film", ""),
            blank=get("blank", "") if get("blank", "") in BLANKS else "",
            sort=get("sort", "") if get("sort", "") in SORTS else usual_sort(state),
            search=search,
        )

    def narrow(self, jobs: QuerySet[Job]) -> QuerySet[Job]:
        """Return the jobs that are asked for, in order."""
        if self.state in STATES:
            jobs = jobs.filter(status__in=STATES[self.state][1])
        if self.due == "rush":
            jobs = jobs.filter(order__rush_days__isnull=False)
        elif self.due:
            days = {"late": -1, "soon": SOON_DAYS, "week": 7}[self.due]
            jobs = jobs.filter(promise_on__lte=today() + timedelta(days=days))
        if self.film:
            jobs = jobs.filter(film__code=self.film)
        if self.blank:
            jobs = jobs.filter(version__blank_code=self.blank)
        if self.search:
            jobs = jobs.filter(_matches(self.search))
        return jobs.order_by(*SORTS[self.sort][1])

    def address(self, **changed: str) -> str:
        """Return the queue's address with some of this changed."""
        values = {
            "state": self.state if self.state in STATES else "",
            "due": self.due,
            "film": self.film,
            "blank": self.blank,
            "sort": self.sort if self.sort != usual_sort(self.state) else "",
            "q": self.search,
        } | changed
        kept = {key: value for key, value in values.items() if value}
        return reverse("workshop-queue") + (f"?{urlencode(kept)}" if kept else "")


def usual_sort(state: str) -> str:
    """Return how jobs are sorted unless asked: closed ones, of which there are most, the newest."""
    return "newest" if state == "over" else "due"


@require_GET
@workshop_only
def queue(request: HttpRequest) -> HttpResponse:
    """Show jobs, forty and more on one screen."""
    choice, films = Choice.of(request), list(Film.objects.all())
    # which jobs are on the page is asked first: what a row shows is worked out for these alone
    sorted_jobs = choice.narrow(Job.objects.annotate(to_do=F("quantity") - F("cut")))
    page = Paginator(sorted_jobs.values_list("pk", flat=True), PAGE_SIZE).get_page(
        request.GET.get("page")
    )
    shown = _jobs().in_bulk(list(page.object_list))
    jobs = dress([shown[pk] for pk in page.object_list if pk in shown], today())
    context = {
        "choice": choice,
        "jobs": jobs,
        "page": page,
        "pieces": sum(job.to_do for job in jobs),  # type: ignore[attr-defined]
        "may_lay": any(job.status in workflow.runs.CAN_BE_LAID for job in jobs),
        "may_unqueue": any(job.status == Job.Status.QUEUED for job in jobs),
        "may_queue": any(job.status == Job.Status.RECEIVED for job in jobs),
        "films": films,
        "narrowed": _narrowed(choice, films),
        "blanks": BLANKS.values(),
        "states": _state_links(choice),
        "dues": DUE,
        "sorts": {code: words for code, (words, _) in SORTS.items()},
        "more": _page_links(choice, page),
    }
    return render(request, "workshop/queue.html", context)


@require_POST
@workshop_only
def queue_selected(request: HttpRequest) -> HttpResponse:
    """Do something with the jobs that are ticked: lay them on a sheet, or queue them."""
    back = request.POST.get("back", "")
    here = back if back.startswith(reverse("workshop-queue")) else reverse("workshop-queue")
    ticked = [_code_and_seen(value) for value in request.POST.getlist("job")]
    if not ticked:
        messages.error(request, "Tick at least one job first. Nothing was done.")
        return redirect(here)
    if request.POST.get("do") == "sheet":
        query = urlencode([("job", code) for code, _ in ticked])
        return redirect(f"{reverse('workshop-sheet-new')}?{query}")
    if request.POST.get("do") == "tickets":
        query = urlencode([("job", code) for code, _ in ticked])
        return redirect(f"{reverse('workshop-tickets')}?{query}")
    if request.POST.get("do") == "unqueue":
        _step_all(request, ticked, workflow.unqueue, "back with the jobs to look over")
    else:
        _step_all(request, ticked, workflow.queue, "in the queue", "Next: lay them on a sheet.")
    return redirect(here)


def _step_all(
    request: HttpRequest,
    ticked: Sequence[tuple[str, int | None]],
    step: Callable[..., Any],
    words: str,
    after: str = "",
) -> None:
    """Take each ticked job a step on; say which went and why the others did not."""
    actor = workshop_actor(request)
    jobs = {job.code: job for job in _jobs().filter(code__in=[code for code, _ in ticked])}
    done = []
    for code, seen in ticked:
        if code not in jobs:
            continue
        try:
            step(jobs[code], actor, seen=seen)
            done.append(code)
        except OrderError as error:
            messages.error(request, error.sentence)
    if done:
        jobs_words = "1 job is" if len(done) == 1 else f"{len(done)} jobs are"
        messages.success(request, f"{jobs_words} {words}: {', '.join(done)}. {after}".strip())


def _jobs() -> QuerySet[Job]:
    """Jobs with everything a row shows, so that rows ask nothing: ``to_do``, ``laid``."""
    laid = (
        Piece.objects.filter(job=OuterRef("pk"), run__status__in=OPEN_RUNS)
        .order_by()
        .values("job")
        .annotate(pieces=Count("pk"))
        .values("pieces")
    )
    return (
        Job.objects.select_related("version__design", "film", "order__artist")
        .defer("version__report", "version__limits", "order__note")
        .annotate(
            to_do=F("quantity") - F("cut"),
            laid=Coalesce(Subquery(laid, output_field=IntegerField()), 0),
            new_messages=new_messages_of_job(),
        )
    )


def new_messages_of_job() -> Coalesce:
    """How many messages the workshop has not seen about a job, or about its order as a whole."""
    told = Q(job=None) | Q(job=OuterRef("pk"))
    rows = unseen_by(WORKSHOP).filter(told, order=OuterRef("order")).order_by().values("order")
    count = rows.annotate(new=Count("pk")).values("new")
    return Coalesce(Subquery(count, output_field=IntegerField()), 0)


def _matches(search: str) -> Q:
    """Return what a search finds. Each table is looked through on its own, not all of them joined.

    With twenty thousand jobs that takes a quarter of the time.
    """
    orders = Order.objects.filter(
        Q(artist__name__icontains=search)
        | Q(artist__email__icontains=search)
        | Q(ship_name__icontains=search)
    )
    versions = Version.objects.filter(design__title__icontains=search)
    return (
        Q(code__icontains=search)
        | Q(order__in=orders.order_by().values("pk"))
        | Q(version__in=versions.order_by().values("pk"))
    )


def _code_and_seen(value: str) -> tuple[str, int | None]:
    """Read a tick box's value, job code and revision: ``7KQ4M-1.3``."""
    code, _, seen = value.partition(".")
    return code, whole_number(seen)


def _state_links(choice: Choice) -> list[dict[str, Any]]:
    """Return the steps with how many jobs stand at each, as links that keep the other filters."""
    by_status = dict(
        Job.objects.order_by()
        .values("status")
        .annotate(jobs=Count("pk"))
        .values_list("status", "jobs")
    )
    return [
        {
            "words": words,
            "count": sum(by_status.get(status, 0) for status in statuses),
            "href": choice.address(state=code, q="", due=""),
            "here": choice.state == code,
        }
        for code, (words, statuses) in STATES.items()
    ]


def _narrowed(choice: Choice, films: Sequence[Film]) -> list[str]:
    """Return in words what the filters leave out and how it is sorted, where not as usual."""
    words = [DUE[choice.due]] if choice.due else []
    words += [film.name for film in films if film.code == choice.film]
    words += [BLANKS[choice.blank].name.replace(" x ", " × ")] if choice.blank else []
    return words + (
        [f"sorted by {SORTS[choice.sort][0]}"] if choice.sort != usual_sort(choice.state) else []
    )


def _page_links(choice: Choice, page: Page[Any]) -> list[tuple[str, str]]:
    links = []
    if page.has_previous():
        links.append(("Back", choice.address(page=str(page.previous_page_number()))))
    if page.has_next():
        links.append(("More jobs", choice.address(page=str(page.next_page_number()))))
    return links
