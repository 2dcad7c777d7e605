"""Cut files of jobs and of sheet runs. Loads the geometry; views import this only when it is asked.

Every refusal is an OrderError with one sentence for the page.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from geometry.cut_file import CutFile, write_cut_file
from geometry.cut_plan import CutPlan, PlacedStencil, plan_sheet, plan_stencil
from geometry.errors import GeometryError
from geometry.order_mark import mark_contours
from geometry.stencil import Stencil

from . import planning
from .checking import stencil_of
from .errors import RefusedError
from .machine_time import profile_of
from .models import Film, Job, Machine, Piece, SheetRun, Version

Told = TypeVar("Told")


def file_for_job(
    job: Job,
    kerf_mm: float,
    format: str = "svg",  # noqa: A002
    *,
    with_mark: bool = False,
) -> CutFile:
    """Return the cut file of one piece, in its blank's frame.

    The blank's outline is part of it, unless the film comes as blanks cut to size. with_mark: the
    job's code is marked on the margin.
    """
    _refuse_uncuttable(job, "There is no cut file yet.")
    stencil = _stencil(job.version)

    def write() -> CutFile:
        plan = plan_stencil(
            stencil,
            kerf_mm=kerf_mm,
            with_outline=job.film.form == Film.Form.SHEET,
            marks=mark_contours(stencil, job.code) if with_mark else (),
        )
        return _written(
            plan, stencil.blank_mm, job.film, format, f"{job.code} {job.version.design.title}"
        )

    return _told(write)


def file_for_run(
    run: SheetRun,
    kerf_mm: float,
    format: str = "svg",  # noqa: A002
    *,
    with_mark: bool = False,
    only: int | None = None,
) -> CutFile:
    """Return the one cut file of a sheet run: every blank in its place, outlines last.

    only: the id of one piece to be cut again in its place, without the others.
    """
    plan = plan_of_run(run, kerf_mm, with_mark=with_mark, only=only)
    return _told(lambda: _written(plan, run.sheet_mm, run.film, format, f"sheet {run.code}"))


def plan_of_run(
    run: SheetRun,
    kerf_mm: float,
    *,
    with_mark: bool = False,
    smooth: bool = True,
    only: int | None = None,
) -> CutPlan:
    """Return what the beam does on a sheet run, in order; of one piece alone where it is asked."""
    pieces = [p for p in planning.numbered_pieces(run) if only in (None, p.pk)]
    if not pieces:
        raise RefusedError("Nothing lies on this sheet, so there is no cut file.")
    if run.film.form == Film.Form.BLANK:
        raise RefusedError("These blanks come cut to size; each has a cut file of its own.")
    laid = enumerate(planning.places_of(run).values(), start=1)
    planning.refuse_faults(run, [planning.lying(place, number) for number, place in laid])
    placed = _placed(pieces, with_mark=with_mark)
    return _told(lambda: plan_sheet(placed, run.sheet_mm, kerf_mm=kerf_mm, smooth=smooth))


def bare_seconds(run: SheetRun) -> float:
    """Return what the machine's bare figures tell of a run, the factor of old runs left out."""
    machine = profile_of(run.film, bare=True)
    if run.film.form == Film.Form.SHEET:
        return plan_of_run(run, run.film.kerf_mm, smooth=False).path.seconds(machine)
    seconds: dict[int, float] = {}
    pieces = planning.numbered_pieces(run)
    for piece in pieces:
        version = piece.job.version
        if version.pk not in seconds:
            _refuse_uncuttable(piece.job, f"Take job {piece.job.code} off the sheet.")
            plan = plan_stencil(
                _stencil(version), kerf_mm=run.film.kerf_mm, with_outline=False, smooth=False
            )
            seconds[version.pk] = plan.path.seconds(machine)
    return sum(seconds[piece.job.version_id] for piece in pieces)


def _written(
    plan: CutPlan,
    film_mm: tuple[float, float],
    film: Film,
    format: str,  # noqa: A002
    title: str,
) -> CutFile:
    """The file in the machine's colours, on its page, with its time."""
    machine = Machine.current()
    if machine.page_is_bed:
        plan = plan.on_page(bed_page_mm(machine, film_mm))
    return write_cut_file(
        plan, format, title=title, machine=profile_of(film), colours=machine.colours()
    )


def bed_page_mm(
    machine: Machine, film_mm: tuple[float, float]
) -> tuple[float, float, float, float]:
    """Return the bed (left, top, right, bottom) in the frame of film that lies at its offset.

    Raises RefusedError where the film does not lie on the bed whole.
    """
    width_mm, height_mm = film_mm
    from_left = machine.origin in (Machine.Origin.TOP_LEFT, Machine.Origin.BOTTOM_LEFT)
    from_top = machine.origin in (Machine.Origin.TOP_LEFT, Machine.Origin.TOP_RIGHT)
    free_x = machine.bed_width_mm - width_mm - machine.offset_x_mm
    free_y = machine.bed_height_mm - height_mm - machine.offset_y_mm
    if min(free_x, free_y) < -planning.SLACK_MM:
        raise RefusedError(
            f"Film of {width_mm:g} x {height_mm:g} mm at its place does not lie on the bed of "
            f"{machine.bed_width_mm:g} x {machine.bed_height_mm:g} mm. "
            "Correct the bed or the place of the film on the page of the laser."
        )
    left = -(machine.offset_x_mm if from_left else free_x)
    top = -(machine.offset_y_mm if from_top else free_y)
    return left, top, left + machine.bed_width_mm, top + machine.bed_height_mm


def _placed(pieces: Sequence[Piece], *, with_mark: bool) -> list[PlacedStencil]:
    """Return the pieces' stencils in their places; each version's is read once."""
    stencils: dict[int, Stencil] = {}
    placed = []
    for piece in pieces:
        version = piece.job.version
        if version.pk not in stencils:
            _refuse_uncuttable(piece.job, f"Take job {piece.job.code} off the sheet.")
            stencils[version.pk] = _stencil(version)
        label = f"piece {piece.number}, {piece.job.code}"  # type: ignore[attr-defined]
        mark = piece.job.code if with_mark else ""
        stencil = stencils[version.pk]
        placed.append(PlacedStencil(stencil, piece.x_mm, piece.y_mm, piece.turned, label, mark))
    return placed


def _refuse_uncuttable(job: Job, then: str) -> None:
    if not job.version.may_be_cut:
        raise RefusedError(f"{job.version} has not passed, so it cannot be cut. {then}")


def _stencil(version: Version) -> Stencil:
    try:
        return stencil_of(version)
    except (FileNotFoundError, ValueError) as error:
        raise RefusedError(
            f"The stored outlines of {version} cannot be read. Have the drawing checked again."
        ) from error


def _told(act: Callable[[], Told]) -> Told:
    try:
        return act()
    except GeometryError as error:
        raise RefusedError(str(error)) from error
