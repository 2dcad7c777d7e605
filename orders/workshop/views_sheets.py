"""Sheet runs: fill a sheet, lay its pieces by hand, take it through the laser."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

from django.contrib import messages
from django.core.exceptions import BadRequest
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from orders import planning, stock, workflow
from orders.access import workshop_actor, workshop_only, workshop_piece, workshop_run
from orders.errors import OrderError
from orders.models import Event, Film, Piece, SheetRun
from orders.typed import whole_number
from orders.words import counted

from .forms import PieceResultForm, SeenForm
from .run_pictures import pieces_by_job, sheet_scale
from .shown import happened
from .views_machine import time_shown
from .views_sheet_new import jobs_to_lay, pieces_to_lay, read_counts
from .views_stock import left_of

PAGE_SIZE = 60
TYPED_X, TYPED_Y, TYPED_TURNED = "x-{}", "y-{}", "turned-{}"

RUN_STEPS: dict[str, tuple[Callable[..., Any], str]] = {
    "start": (workflow.start_run, "is on the laser. Next: say of each piece if it was cut well."),
    "stop": (workflow.stop_run, "is off the laser uncut; its jobs are back in the queue."),
    "finish": (workflow.finish_run, "is done; the counts of its jobs follow."),
    "reopen": (workflow.reopen_run, "is open again; correct the results and finish it once more."),
    "abandon": (workflow.abandon_run, "is taken apart; its pieces can be laid on another sheet."),
}


@require_GET
@workshop_only
def sheets(request: HttpRequest) -> HttpResponse:
    """List the sheets planned, on the laser, and done."""
    runs = SheetRun.objects.select_related("film")
    open_runs = runs.filter(status__in=(SheetRun.Status.PLANNED, SheetRun.Status.CUTTING))
    ended = runs.filter(status__in=(SheetRun.Status.DONE, SheetRun.Status.ABANDONED))
    pages = Paginator(ended.order_by("-ended_at", "-id"), PAGE_SIZE)
    page = pages.get_page(request.GET.get("page"))
    page.object_list = _with_counts(page.object_list)
    context = {
        "films": _films_that_wait(),
        "open_runs": _with_counts(open_runs.order_by("status", "id")),
        "page": page,
    }
    return render(request, "workshop/sheets.html", context)


def _with_counts(runs: Iterable[SheetRun]) -> list[SheetRun]:
    """Return the runs with their pieces counted: all, cut well, spoiled. One query for all."""
    found = list(runs)
    result = Piece.Result
    counts = (
        Piece.objects.filter(run__in=found)
        .order_by()
        .values_list("run")
        .annotate(
            laid=Count("pk"),
            good=Count("pk", filter=Q(result=result.GOOD)),
            spoiled=Count("pk", filter=Q(result=result.SPOILED)),
        )
    )
    by_run = {run: numbers for run, *numbers in counts}
    for one in found:
        numbers = by_run.get(one.pk, [0, 0, 0])
        one.piece_count, one.good_count, one.spoiled_count = numbers  # type: ignore[attr-defined]
    return found


def _films_that_wait() -> list[tuple[Film, int, str]]:
    """Films with pieces to lay, how many, and a sentence where the stock runs short."""
    waiting = pieces_to_lay()
    films = Film.objects.filter(pk__in=waiting)
    return [(film, waiting[film.pk], stock.warning_for(film)) for film in films]


@require_GET
@workshop_only
def sheet(request: HttpRequest, code: str) -> HttpResponse:
    return sheet_page(request, workshop_run(request, code))


@require_POST
@workshop_only
def sheet_arrange(request: HttpRequest, code: str) -> HttpResponse:
    """Save the places typed or dragged; take pieces off whose button was pressed."""
    run = workshop_run(request, code)
    typed, wrong = _typed_places(request, run)
    if wrong:
        messages.error(request, wrong)
        return sheet_page(request, run, typed)
    off = [whole_number(value) or 0 for value in request.POST.getlist("off")]
    try:
        cautions = planning.save_places(
            run,
            typed,
            workshop_actor(request),
            take_off=off,
            pinned=[whole_number(pk) or 0 for pk in request.POST.getlist("pin")],
            seen=_seen(request),
        )
    except OrderError as error:
        messages.error(request, error.sentence)
        return sheet_page(request, workshop_run(request, code), typed)
    messages.success(request, "The piece is off the sheet." if off else "The places are saved.")
    for sentence in cautions[:3]:
        messages.warning(request, sentence)
    return redirect("workshop-sheet", run.code)


@require_POST
@workshop_only
def sheet_nest(request: HttpRequest, code: str) -> HttpResponse:
    """Lay the pieces of a planned sheet as nesting suggests."""
    run = workshop_run(request, code)
    return _do(
        request,
        run,
        lambda: planning.nest_again(run, workshop_actor(request), seen=_seen(request)),
        "The pieces lie as nesting suggests.",
    )


@require_POST
@workshop_only
def sheet_add(request: HttpRequest, code: str) -> HttpResponse:
    """Lay further pieces into the free room of a planned sheet."""
    run = workshop_run(request, code)
    wanted = [pair for pair in read_counts(request.POST, jobs_to_lay(run.film)) if pair[1]]
    pieces = sum(count for _, count in wanted)
    return _do(
        request,
        run,
        lambda: planning.add_pieces(run, wanted, workshop_actor(request), seen=_seen(request)),
        f"{counted(pieces, 'piece')} added to the sheet.",
    )


@require_POST
@workshop_only
def sheet_step(request: HttpRequest, code: str, action: str) -> HttpResponse:
    """Start, stop, finish, reopen or abandon a run."""
    run = workshop_run(request, code)
    if action not in RUN_STEPS:
        raise BadRequest("There is no such step.")
    begun, done = RUN_STEPS[action]

    def step() -> None:
        take = begun
        if action == "start" and run.status == SheetRun.Status.PLANNED:
            laid = planning.places_of(run).values()
            pieces = [planning.lying(place, at) for at, place in enumerate(laid, start=1)]
            planning.refuse_faults(run, pieces)
            take = partial(take, estimated_s=_estimated_s(run))
        take(run, workshop_actor(request), seen=_seen(request))

    return _do(request, run, step, f"Sheet {run.code} {done}")


@require_POST
@workshop_only
def sheet_piece(request: HttpRequest, code: str, piece_id: int) -> HttpResponse:
    """Say of one piece that it was cut well or spoiled, or take that back."""
    run = workshop_run(request, code)
    piece = workshop_piece(request, run, piece_id)
    form = PieceResultForm(request.POST)
    if not form.is_valid():
        raise BadRequest("A piece is cut well, spoiled, or not yet cut.")
    try:
        workflow.mark_piece(
            piece,
            form.cleaned_data["result"],
            workshop_actor(request),
            why=form.cleaned_data["why"],
        )
    except OrderError as error:
        messages.error(request, error.sentence)
    return redirect(f"{reverse('workshop-sheet', args=[run.code])}#piece-{piece.pk}")


@require_POST
@workshop_only
def sheet_all_good(request: HttpRequest, code: str) -> HttpResponse:
    """Say of every piece not yet judged that it was cut well."""
    run = workshop_run(request, code)
    actor = workshop_actor(request)
    open_pieces = list(run.pieces.filter(result=Piece.Result.OPEN))

    def mark() -> None:
        for piece in open_pieces:
            workflow.mark_piece(piece, Piece.Result.GOOD, actor)

    return _do(request, run, mark, f"{counted(len(open_pieces), 'piece')} marked as cut well.")


def sheet_page(
    request: HttpRequest,
    run: SheetRun,
    typed: dict[int, tuple[float, float, bool]] | None = None,
) -> HttpResponse:
    """Show a run; ``typed`` are places that came back unsaved."""
    pieces = planning.numbered_pieces(run)
    for piece in pieces if typed else []:
        if piece.pk in (typed or {}):
            piece.x_mm, piece.y_mm, piece.turned = (typed or {})[piece.pk]
            piece.width_mm, piece.height_mm = planning.size_on_sheet(  # type: ignore[attr-defined]
                piece.job.version.blank_code, turned=piece.turned
            )
    planned = run.status == SheetRun.Status.PLANNED
    by_job = pieces_by_job(pieces)
    context = {
        "run": run,
        "film": run.film,
        "nested": run.film.form == Film.Form.SHEET,
        "pieces": pieces,
        "by_job": by_job,
        "faults": planning.faults(run.film, _lying(pieces), run.sheet_mm),
        "cautions": planning.cautions(run.film, _lying(pieces), run.sheet_mm),
        "scale": sheet_scale(run.film, run.sheet_mm),
        "used": _used(run, pieces),
        "time": time_shown(run, pieces),
        "offcuts": left_of(run, _lying(pieces)),
        "left_over": list(run.left_over.all()) if run.status == SheetRun.Status.DONE else [],
        "stock_warning": stock.warning_for(run.film) if planned and not run.offcut_id else "",
        "actions": workflow.actions_from("run", run.status, Event.Role.WORKSHOP),
        "reasons": Piece.Reason.choices,
        "open_count": sum(piece.result == Piece.Result.OPEN for piece in pieces),
        "good_count": sum(piece.result == Piece.Result.GOOD for piece in pieces),
        "spoiled_count": sum(piece.result == Piece.Result.SPOILED for piece in pieces),
        "uncuttable": [job for job, _ in by_job if not job.version.may_be_cut],
        "to_add": jobs_to_lay(run.film) if planned else [],
        "history": happened(run.events.select_related("by", "undoes", "job").order_by("-id")[:60]),
        "unsaved": typed is not None,
    }
    return render(request, "workshop/sheet.html", context)


def _do(request: HttpRequest, run: SheetRun, act: Callable[[], Any], done: str) -> HttpResponse:
    """Do one thing to a run and come back to its page with what came of it."""
    try:
        act()
    except OrderError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, done)
    return redirect("workshop-sheet", run.code)


def _estimated_s(run: SheetRun) -> float | None:
    """Return what the machine's figures tell of a run, None where its outlines cannot be read."""
    from orders import cut_files  # loads the geometry, which other pages do without

    try:
        return cut_files.bare_seconds(run)
    except OrderError:  # the sheet itself says why there is no cut file
        return None


def _seen(request: HttpRequest) -> int | None:
    form = SeenForm(request.POST)
    return form.cleaned_data["seen"] if form.is_valid() else -1


def _lying(pieces: list[Piece]) -> list[planning.Lying]:
    return [
        planning.Lying(p.number, p.x_mm, p.y_mm, p.width_mm, p.height_mm)  # type: ignore[attr-defined]
        for p in pieces
    ]


def _used(run: SheetRun, pieces: list[Piece]) -> float:
    """Return the share of the sheet that its blanks take, in percent."""
    width_mm, height_mm = run.sheet_mm
    area = sum(p.width_mm * p.height_mm for p in pieces)  # type: ignore[attr-defined]
    return 100 * area / (width_mm * height_mm) if width_mm and height_mm else 0.0


def _typed_places(
    request: HttpRequest, run: SheetRun
) -> tuple[dict[int, tuple[float, float, bool]], str]:
    """Return piece id -> (x_mm, y_mm, turned) as typed, and a sentence when one is no number."""
    typed: dict[int, tuple[float, float, bool]] = {}
    wrong = ""
    for number, piece in enumerate(run.pieces.order_by("id"), start=1):
        if TYPED_X.format(piece.pk) not in request.POST:
            continue
        turned = request.POST.get(TYPED_TURNED.format(piece.pk)) == "on"
        values = []
        for name, old in ((TYPED_X, piece.x_mm), (TYPED_Y, piece.y_mm)):
            text = request.POST.get(name.format(piece.pk), "").strip().replace(",", ".")
            value = _number(text)
            if value is None:
                wrong = wrong or (
                    f"“{text[:20]}” is no place for piece {number}. Write millimetres, like 152.4. "
                    "Nothing was saved."
                )
            values.append(old if value is None else value)
        typed[piece.pk] = (values[0], values[1], turned)
    return typed, wrong


def _number(text: str) -> float | None:
    """Return a length in mm from -10000 to 10000, or None."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if -10_000 <= value <= 10_000 else None
