"""Cut files of jobs and of sheet runs. Loads the geometry; views import this only when it is asked.

Every refusal is an OrderError with one sentence for the page.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from geometry.cut_file import CutFile, svg_for_sheet, svg_for_stencil
from geometry.cut_plan import PlacedStencil
from geometry.errors import GeometryError
from geometry.stencil import Stencil

from . import planning
from .checking import stencil_of
from .errors import RefusedError
from .models import Film, Job, Piece, SheetRun, Version


def file_for_job(job: Job, kerf_mm: float) -> CutFile:
    """Return the cut file of one piece, in its blank's frame.

    The blank's outline is part of it, unless the film comes as blanks cut to size.
    """
    _refuse_uncuttable(job, "There is no cut file yet.")
    return _written(
        lambda: svg_for_stencil(
            _stencil(job.version),
            kerf_mm=kerf_mm,
            with_outline=job.film.form == Film.Form.SHEET,
            title=f"{job.code} {job.version.design.title}",
        )
    )


def file_for_run(run: SheetRun, kerf_mm: float) -> CutFile:
    """Return the one cut file of a sheet run: every blank in its place, outlines last."""
    pieces = planning.numbered_pieces(run)
    if not pieces:
        raise RefusedError("Nothing lies on this sheet, so there is no cut file.")
    laid = enumerate(planning.places_of(run).values(), start=1)
    planning.refuse_faults(run.film, [planning.lying(place, number) for number, place in laid])
    placed = _placed(pieces)
    return _written(
        lambda: svg_for_sheet(placed, run.film.sheet_mm, kerf_mm=kerf_mm, title=f"sheet {run.code}")
    )


def _placed(pieces: Sequence[Piece]) -> list[PlacedStencil]:
    """Return the pieces' stencils in their places; each version's is read once."""
    stencils: dict[int, Stencil] = {}
    placed = []
    for piece in pieces:
        version = piece.job.version
        if version.pk not in stencils:
            _refuse_uncuttable(piece.job, f"Take job {piece.job.code} off the sheet.")
            stencils[version.pk] = _stencil(version)
        label = f"piece {piece.number}, {piece.job.code}"  # type: ignore[attr-defined]
        stencil = stencils[version.pk]
        placed.append(PlacedStencil(stencil, piece.x_mm, piece.y_mm, piece.turned, label))
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


def _written(write: Callable[[], CutFile]) -> CutFile:
    try:
        return write()
    except GeometryError as error:
        raise RefusedError(str(error)) from error
