"""Where pieces lie on a sheet of film: a layout suggested by nesting, and its faults told in words.

All lengths are millimetres from the sheet's top left, y down. Blanks cut to size are never nested:
they go through the laser one at a time, each alone on its placement sheet.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations

from django.db import transaction

from geometry.errors import GeometryError
from geometry.limits import BLANKS
from geometry.nest_fill import Wanted, fill_sheet
from geometry.nesting import Placed, nest
from orders import stock, workflow
from orders.dates import today
from orders.errors import RefusedError
from orders.models import Film, Job, Offcut, Piece, SheetRun
from orders.words import counted
from orders.workflow import Actor, Place

# Two blanks may share this much: rounding of what was typed, far below any laser's step.
SLACK_MM = 0.011


@dataclass(frozen=True)
class Lying:
    """One piece as it lies: its number on the page, top left corner and size in mm."""

    number: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    @property
    def right_mm(self) -> float:
        return self.x_mm + self.width_mm

    @property
    def bottom_mm(self) -> float:
        return self.y_mm + self.height_mm


@dataclass(frozen=True)
class Suggestion:
    """Sheets of places as nested; no fewer sheets than ``lower_bound`` can do; ``used`` is 0..1."""

    sheets: list[list[Place]]
    lower_bound: int
    used: float


def size_on_sheet(blank_code: str, *, turned: bool) -> tuple[float, float]:
    """Return (width_mm, height_mm) of a blank as it lies."""
    width_mm, height_mm = BLANKS[blank_code].size_mm
    return (height_mm, width_mm) if turned else (width_mm, height_mm)


def lying(place: Place, number: int) -> Lying:
    """Return the rectangle that a place takes up."""
    size = size_on_sheet(place.job.version.blank_code, turned=place.turned)
    return Lying(number, place.x_mm, place.y_mm, *size)


def places_of(run: SheetRun) -> dict[int, Place]:
    """Return piece id -> place, in the order in which the page numbers the pieces."""
    pieces = run.pieces.select_related("job__version").order_by("id")
    return {p.pk: Place(p.job, p.x_mm, p.y_mm, p.turned) for p in pieces}


def faults(
    film: Film, pieces: Sequence[Lying], sheet_mm: tuple[float, float] | None = None
) -> list[str]:
    """Return a sentence for each piece that leaves the sheet and each pair that overlaps."""
    if film.form == Film.Form.BLANK:
        return []
    width_mm, height_mm = sheet_mm or film.sheet_mm
    found = []
    for piece in pieces:
        over = {
            "left": -piece.x_mm,
            "top": -piece.y_mm,
            "right": piece.right_mm - width_mm,
            "bottom": piece.bottom_mm - height_mm,
        }
        side, far_mm = max(over.items(), key=lambda entry: entry[1])
        if far_mm > SLACK_MM:
            found.append(
                f"Piece {piece.number} hangs {_mm(far_mm)} over the {side} edge of the sheet."
            )
    for one, other in combinations(pieces, 2):
        shared_mm = -_gap_between(one, other)
        if shared_mm > SLACK_MM:
            found.append(f"Pieces {one.number} and {other.number} overlap by {_mm(shared_mm)}.")
    return found


def cautions(
    film: Film, pieces: Sequence[Lying], sheet_mm: tuple[float, float] | None = None
) -> list[str]:
    """Return a sentence for pieces in the film's edge strip or closer than its gap: told only."""
    if film.form == Film.Form.BLANK:
        return []
    width_mm, height_mm = sheet_mm or film.sheet_mm
    found = []
    for p in pieces:
        left_mm = min(p.x_mm, p.y_mm, width_mm - p.right_mm, height_mm - p.bottom_mm)
        if -SLACK_MM <= left_mm < film.edge_mm - SLACK_MM:
            found.append(
                f"Piece {p.number} lies {_mm(max(left_mm, 0))} from the edge of the sheet; "
                f"{_mm(film.edge_mm)} are kept free on this film."
            )
    for one, other in combinations(pieces, 2):
        gap_mm = _gap_between(one, other)
        if -SLACK_MM <= gap_mm < film.gap_mm - SLACK_MM:
            found.append(
                f"Pieces {one.number} and {other.number} lie {_mm(max(gap_mm, 0))} apart; "
                f"{_mm(film.gap_mm)} are kept on this film."
            )
    return found


def suggest(film: Film, wanted: Sequence[tuple[Job, int]]) -> Suggestion:
    """Return sheets that hold so many pieces of each job; the first jobs come on the first sheet.

    Raises RefusedError with a sentence for a blank that the film cannot take.
    """
    waiting: dict[str, list[Job]] = defaultdict(list)
    for job, pieces in wanted:
        if not film.takes(job.version.blank_code):
            raise RefusedError(
                f"Job {job.code} is {job.version.blank.name}, and {film} does not take that size."
            )
        waiting[job.version.blank_code].extend([job] * pieces)
    if film.form == Film.Form.BLANK:
        stack = [Place(job, 0.0, 0.0) for jobs in waiting.values() for job in jobs]
        return Suggestion([stack] if stack else [], 1 if stack else 0, 1.0)
    items = [(code, *BLANKS[code].size_mm, len(jobs)) for code, jobs in waiting.items()]
    try:
        nested = nest(items, film.sheet_mm, edge_mm=film.edge_mm, gap_mm=film.gap_mm)
    except GeometryError as error:
        raise RefusedError(str(error)) from error
    sheets = [
        [Place(waiting[p.code].pop(0), p.x_mm, p.y_mm, p.turned) for p in sheet]
        for sheet in nested.sheets
    ]
    return Suggestion(sheets, nested.lower_bound, nested.used)


@dataclass(frozen=True)
class Filling:
    """Sheets laid one after the other, each on an offcut or on a whole sheet (None), and the
    pieces left over, with a sentence why."""

    sheets: list[tuple[Offcut | None, list[Place]]]
    left: list[tuple[Job, int, str]]


def fill_next(film: Film, wanted: Sequence[tuple[Job, int]], sheets: int = 1) -> Filling:
    """Return the next `sheets` filled: late pieces first, then what is due, then what else fits.

    Kept offcuts of the film are used before whole sheets, the smallest that takes a piece first.
    Blanks cut to size are not nested: all of them are one stack.
    """
    jobs = {job.code: job for job, _ in wanted}
    if film.form == Film.Form.BLANK:
        stack = [Place(job, 0.0, 0.0) for job, pieces in wanted for _ in range(pieces)]
        return Filling([(None, stack)] if stack else [], [])
    left = {job.code: pieces for job, pieces in wanted}
    free, filled = stock.free_offcuts(film), Filling([], [])
    while len(filled.sheets) < sheets and any(left.values()):
        offcut = free.pop(0) if free else None
        found = fill_sheet(
            _wishes(jobs, left),
            offcut.size_mm if offcut else film.sheet_mm,
            edge_mm=film.edge_mm,
            gap_mm=film.gap_mm,
        )
        if found.placed:
            left |= found.left
            places = [Place(jobs[p.code], p.x_mm, p.y_mm, p.turned) for p in found.placed]
            filled.sheets.append((offcut, places))
        elif offcut is None:
            break
    for code, pieces in left.items():
        if pieces:
            fits = film.takes(jobs[code].version.blank_code)
            why = "no room on these sheets" if fits else "larger than a sheet of this film"
            filled.left.append((jobs[code], pieces, why))
    return filled


def make_filled(film: Film, filling: Filling, actor: Actor) -> list[SheetRun]:
    """Make the planned runs of a filling, all of them or none."""
    with transaction.atomic():
        if not filling.sheets:
            raise RefusedError("Nothing that waits for this film fits on a sheet of it.")
        return [
            workflow.plan_run(film, places, actor, offcut=offcut)
            for offcut, places in filling.sheets
        ]


def _wishes(jobs: Mapping[str, Job], left: Mapping[str, int]) -> list[Wanted]:
    """Pieces by urgency: late or due today, due within two days, later."""
    on = today()
    return [
        Wanted(code, *jobs[code].version.blank.size_mm, pieces, _urgency(jobs[code], on))
        for code, pieces in left.items()
        if pieces
    ]


def _urgency(job: Job, on: date) -> int:
    days = (job.promise_on - on).days
    return 0 if days <= 0 else 1 if days <= 2 else 2


def plan_sheets(film: Film, wanted: Sequence[tuple[Job, int]], actor: Actor) -> list[SheetRun]:
    """Make the planned runs that ``suggest`` suggests, all of them or none."""
    with transaction.atomic():
        suggested = suggest(film, wanted)
        if not suggested.sheets:
            raise RefusedError("Choose at least one piece for the sheet.")
        return [workflow.plan_run(film, places, actor) for places in suggested.sheets]


def save_places(
    run: SheetRun,
    places: Mapping[int, tuple[float, float, bool]],
    actor: Actor,
    *,
    take_off: Iterable[int] = (),
    pinned: Iterable[int] | None = None,
    seen: int | None = None,
) -> list[str]:
    """Lay pieces (id -> x_mm, y_mm, turned) anew and take some off; return what to look out for.

    pinned: ids that stay when the rest is laid again; None leaves the pins as they are.

    Raises RefusedError with one sentence when pieces overlap or leave the sheet; nothing is
    changed then. Safe to repeat.
    """
    off = set(take_off)
    with transaction.atomic():
        laid = {
            pk: Place(old.job, *places.get(pk, (old.x_mm, old.y_mm, old.turned)))
            for pk, old in places_of(run).items()
            if pk not in off
        }
        pieces = [lying(place, number) for number, place in _numbered(run, laid)]
        refuse_faults(run, pieces)
        workflow.arrange_run(run, laid, actor, seen=seen)
        if pinned is not None:
            run.pieces.update(is_pinned=False)
            run.pieces.filter(pk__in=list(pinned)).update(is_pinned=True)
        for piece in run.pieces.filter(pk__in=off):
            workflow.take_off(piece, actor)
    return cautions(run.film, pieces, run.sheet_mm)


def refuse_faults(run: SheetRun, pieces: Sequence[Lying]) -> None:
    """Raise RefusedError with one sentence when a layout cannot be cut."""
    found = faults(run.film, pieces, run.sheet_mm)
    if not found:
        return
    more = f" There {_are(len(found) - 1)} more like it." if len(found) > 1 else ""
    raise RefusedError(f"{found[0]}{more} Nothing was saved; move it and save again.")


def nest_again(run: SheetRun, actor: Actor, *, seen: int | None = None) -> None:
    """Lay a planned sheet's pieces as nesting suggests, but for those pinned, which stay.

    Raises RefusedError if one sheet is too few.
    """
    old = places_of(run)
    pinned = set(run.pieces.filter(is_pinned=True).values_list("pk", flat=True))
    if pinned or run.offcut_id:
        _nest_round(run, old, pinned, actor, seen)
        return
    wanted: dict[int, list[Job]] = defaultdict(list)
    for place in old.values():
        wanted[place.job.pk].append(place.job)
    suggested = suggest(run.film, [(jobs[0], len(jobs)) for jobs in wanted.values()])
    if len(suggested.sheets) > 1:
        raise RefusedError("These pieces do not fit on one sheet. Take some off first.")
    free: dict[int, list[Place]] = defaultdict(list)
    for place in suggested.sheets[0] if suggested.sheets else []:
        free[place.job.pk].append(place)
    workflow.arrange_run(
        run, {pk: free[place.job.pk].pop(0) for pk, place in old.items()}, actor, seen=seen
    )


def _nest_round(
    run: SheetRun, old: Mapping[int, Place], pinned: set[int], actor: Actor, seen: int | None
) -> None:
    """Lay what is not pinned round what is."""
    stays = [
        Placed("", place.x_mm, place.y_mm, place.turned, *_size(place))
        for pk, place in old.items()
        if pk in pinned
    ]
    wishes = [
        Wanted(str(pk), *place.job.version.blank.size_mm, 1)
        for pk, place in old.items()
        if pk not in pinned
    ]
    film = run.film
    found = fill_sheet(wishes, run.sheet_mm, edge_mm=film.edge_mm, gap_mm=film.gap_mm, pinned=stays)
    left = sum(found.left.values())
    if left:
        raise RefusedError(
            f"{counted(left, 'piece')} would find no room round what is pinned. "
            "Nothing was moved; unpin a piece, or take some off first."
        )
    laid = {
        int(p.code): Place(old[int(p.code)].job, p.x_mm, p.y_mm, p.turned) for p in found.placed
    }
    workflow.arrange_run(run, laid, actor, seen=seen)


def _size(place: Place) -> tuple[float, float]:
    return size_on_sheet(place.job.version.blank_code, turned=place.turned)


def add_pieces(
    run: SheetRun, wanted: Sequence[tuple[Job, int]], actor: Actor, *, seen: int | None = None
) -> None:
    """Lay further pieces into the free room of a planned sheet, without moving what lies there.

    Each goes to the topmost, then leftmost place that a corner of what lies there offers.
    Raises RefusedError when there is no room; nothing is added then.
    """
    taken = [lying(place, 0) for place in places_of(run).values()]
    laid: list[Place] = []
    for job, pieces in wanted:
        for _ in range(pieces):
            place = _first_room(run, job, taken)
            if place is None:
                raise RefusedError(
                    f"There is no room left on this sheet for job {job.code} "
                    f"({job.version.blank.name}); nothing was added. "
                    "Make another sheet, or lay the pieces closer."
                )
            laid.append(place)
            taken.append(lying(place, 0))
    workflow.add_pieces(run, laid, actor, seen=seen)


def _first_room(run: SheetRun, job: Job, taken: Sequence[Lying]) -> Place | None:
    film = run.film
    if film.form == Film.Form.BLANK:
        return Place(job, 0.0, 0.0)
    width_mm, height_mm = run.sheet_mm
    lefts = sorted({film.edge_mm, *(other.right_mm + film.gap_mm for other in taken)})
    tops = sorted({film.edge_mm, *(other.bottom_mm + film.gap_mm for other in taken)})
    for y_mm in tops:
        for x_mm in lefts:
            for turned in (False, True):
                place = Place(job, x_mm, y_mm, turned)
                new = lying(place, 0)
                inside = (
                    new.right_mm <= width_mm - film.edge_mm + SLACK_MM
                    and new.bottom_mm <= height_mm - film.edge_mm + SLACK_MM
                )
                clear = all(_gap_between(new, o) >= film.gap_mm - SLACK_MM for o in taken)
                if inside and clear:
                    return place
    return None


def _gap_between(one: Lying, other: Lying) -> float:
    """Return the clear distance of two rectangles along an axis, below 0 where they overlap."""
    across = max(one.x_mm, other.x_mm) - min(one.right_mm, other.right_mm)
    down = max(one.y_mm, other.y_mm) - min(one.bottom_mm, other.bottom_mm)
    return max(across, down)


def _numbered(run: SheetRun, laid: Mapping[int, Place]) -> list[tuple[int, Place]]:
    """Return (number on the page, place) of the pieces that stay."""
    numbers = {pk: number for number, pk in enumerate(places_of(run), start=1)}
    return [(numbers[pk], place) for pk, place in laid.items()]


def pieces_left(job: Job) -> int:
    """Return how many pieces of a job may still be laid on a sheet."""
    return max(0, job.to_cut - workflow.planned_pieces(job))


def numbered_pieces(run: SheetRun) -> list[Piece]:
    """Return the pieces of a run with ``number``, ``width_mm`` and ``height_mm`` set, in order."""
    related = run.pieces.select_related("job__version__design", "job__order__artist")
    pieces = list(related.prefetch_related("job__version__overrides").order_by("id"))
    for number, piece in enumerate(pieces, start=1):
        piece.number = number  # type: ignore[attr-defined]
        size = size_on_sheet(piece.job.version.blank_code, turned=piece.turned)
        piece.width_mm, piece.height_mm = size  # type: ignore[attr-defined]
    return pieces


def _mm(length_mm: float) -> str:
    return f"{length_mm:.2f}".rstrip("0").rstrip(".") + " mm"


def _are(count: int) -> str:
    return "is 1" if count == 1 else f"are {count}"
