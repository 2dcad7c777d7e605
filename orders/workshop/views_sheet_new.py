"""A new sheet: jobs chosen in the queue, so many pieces of each, laid as nesting suggests."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import Count, IntegerField, OuterRef, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from orders import planning
from orders.access import workshop_actor, workshop_only
from orders.dates import today
from orders.errors import OrderError, RefusedError, StaleError
from orders.models import Film, Job, Piece
from orders.typed import whole_number
from orders.workflow.jobs import OPEN_RUNS
from orders.workflow.runs import CAN_BE_LAID

from .run_pictures import sheet_scale
from .shown import dress

MOST_PIECES = 400


@require_http_methods(["GET", "POST"])
@workshop_only
def sheet_new(request: HttpRequest) -> HttpResponse:
    """Show how many sheets the chosen pieces make (GET), and make them (POST)."""
    given = request.POST if request.method == "POST" else request.GET
    chosen = _chosen(given)
    if given.get("do") == "look":
        return redirect(_address(chosen, given))
    films = {job.film for job in chosen}
    context: dict[str, Any] = {"jobs": chosen, "to_lay": []}
    if len(films) == 1:
        film = films.pop()
        wanted = read_counts(given, chosen, usual_all=True)
        if request.method == "POST":
            made = _make(request, film, wanted)
            if made is not None:
                return made
        context |= _suggested(request, film, wanted)
    elif films:
        context["by_film"] = _addresses_by_film(chosen)
    else:
        context["to_lay"] = _films_with_work()
    return render(request, "workshop/sheet_new.html", context)


def _waiting() -> Any:
    """Jobs whose pieces may be laid, each with the number that lie on a sheet already."""
    laid = (
        Piece.objects.filter(job=OuterRef("pk"), run__status__in=OPEN_RUNS)
        .order_by()
        .values("job")
        .annotate(pieces=Count("pk"))
        .values("pieces")
    )
    return Job.objects.filter(status__in=CAN_BE_LAID).annotate(
        laid=Coalesce(Subquery(laid, output_field=IntegerField()), 0)
    )


def pieces_to_lay() -> Counter[int]:
    """Return film id -> pieces that wait for a sheet; no row of a job is made for it."""
    waiting: Counter[int] = Counter()
    for film, quantity, cut, laid in _waiting().values_list("film", "quantity", "cut", "laid"):
        waiting[film] += max(0, quantity - cut - laid)
    return +waiting


def jobs_to_lay(film: Film | None = None) -> list[Job]:
    """Return jobs in the queue with pieces not yet on a sheet, ``left`` of them each."""
    jobs = (
        _waiting()
        .select_related("version__design", "film", "order__artist")
        .defer("version__report", "version__limits")
        .order_by("promise_on", "id")
    )
    if film is not None:
        jobs = jobs.filter(film=film)
    found = dress(jobs, today())
    for job in found:
        job.left = max(0, job.to_cut - job.laid)  # type: ignore[attr-defined]
    return [job for job in found if job.left]  # type: ignore[attr-defined]


def read_counts(
    given: QueryDict, jobs: Sequence[Job], *, usual_all: bool = False
) -> list[tuple[Job, int]]:
    """Return (job, pieces) as typed in ``pieces-CODE``; never more than are left."""
    counts = []
    for job in jobs:
        left = job.left  # type: ignore[attr-defined]
        typed = whole_number(given.get(f"pieces-{job.code}"))
        pieces = min(typed, left) if typed is not None else left if usual_all else 0
        counts.append((job, pieces))
    return counts


def _chosen(given: QueryDict) -> list[Job]:
    codes = set(given.getlist("job"))
    return [job for job in jobs_to_lay() if job.code in codes] if codes else []


def _address(chosen: Sequence[Job], given: QueryDict) -> str:
    """Return the page's address with the jobs and the pieces typed, so that it can be kept."""
    query = [("job", job.code) for job in chosen]
    names = [f"pieces-{job.code}" for job in chosen]
    query += [(name, str(given[name])) for name in names if given.get(name, "").isdecimal()]
    return f"{reverse('workshop-sheet-new')}?{urlencode(query)}"


def _make(request: HttpRequest, film: Film, wanted: list[tuple[Job, int]]) -> HttpResponse | None:
    """Make the sheets; None when that was refused and the page is to be shown again."""
    try:
        _refuse_outdated(request.POST, wanted)
        _refuse_too_many(wanted)
        runs = planning.plan_sheets(
            film, [(job, pieces) for job, pieces in wanted if pieces], workshop_actor(request)
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return None
    codes = ", ".join(run.code for run in runs)
    if len(runs) == 1:
        messages.success(request, f"Sheet {codes} is planned. Next: move pieces, or start it.")
        return redirect("workshop-sheet", runs[0].code)
    messages.success(request, f"{len(runs)} sheets are planned: {codes}. Next: start one.")
    return redirect("workshop-sheets")


def _refuse_outdated(given: QueryDict, wanted: Sequence[tuple[Job, int]]) -> None:
    """Tell a press on an outdated page: ``left-CODE`` is how many were left when it was shown."""
    for job, _ in wanted:
        seen = whole_number(given.get(f"left-{job.code}"))
        if seen is not None and seen != job.left:  # type: ignore[attr-defined]
            raise StaleError(
                f"Pieces of job {job.code} were laid on a sheet a moment ago: "
                f"{job.left} are left now. "  # type: ignore[attr-defined]
                "Nothing was made; look at the numbers and press again."
            )


def _refuse_too_many(wanted: Sequence[tuple[Job, int]]) -> None:
    pieces = sum(count for _, count in wanted)
    if pieces > MOST_PIECES:
        raise RefusedError(
            f"{pieces} pieces are too many at once; lay at most {MOST_PIECES} at a time."
        )


def _suggested(request: HttpRequest, film: Film, wanted: list[tuple[Job, int]]) -> dict[str, Any]:
    """Return what the page shows of the suggestion: sheets as drawings, the bound, the fill."""
    shown: dict[str, Any] = {"film": film, "wanted": wanted, "scale": sheet_scale(film)}
    try:
        _refuse_too_many(wanted)
        suggested = planning.suggest(film, [(job, pieces) for job, pieces in wanted if pieces])
    except OrderError as error:
        messages.error(request, error.sentence)
        return shown
    shown |= {
        "pieces": sum(pieces for _, pieces in wanted),
        "sheet_count": len(suggested.sheets),
        "lower_bound": suggested.lower_bound,
        "used": 100 * suggested.used,
        "drawn": [
            [(place, planning.lying(place, 0)) for place in sheet]
            for sheet in suggested.sheets[:12]
        ],
        "nested": film.form == Film.Form.SHEET,
    }
    return shown


def _addresses_by_film(jobs: list[Job]) -> list[tuple[Film, int, str]]:
    """Return (film, jobs, address of the new sheet for them alone)."""
    by_film: dict[Film, list[str]] = defaultdict(list)
    for job in jobs:
        by_film[job.film].append(job.code)
    address = reverse("workshop-sheet-new")
    return [
        (film, len(codes), f"{address}?{urlencode([('job', code) for code in codes])}")
        for film, codes in by_film.items()
    ]


def _films_with_work() -> list[tuple[Film, int, str]]:
    return _addresses_by_film(jobs_to_lay())
