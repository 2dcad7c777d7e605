"""How a sheet is drawn on a page, and its pieces gathered by job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orders.models import Film, Job, Piece

RULER_MM = 12


@dataclass(frozen=True)
class Scale:
    """A sheet's drawing: its millimetres, and where the ruler's lines stand (every 50 mm)."""

    width_mm: float
    height_mm: float
    edge_mm: float
    across_mm: tuple[int, ...]
    down_mm: tuple[int, ...]

    @property
    def view_width(self) -> float:
        """Width of the drawing with room for the ruler's figures."""
        return self.width_mm + RULER_MM + 2

    @property
    def view_height(self) -> float:
        """Height of the drawing with room for the ruler's figures."""
        return self.height_mm + RULER_MM + 2

    @property
    def free_width(self) -> float:
        """Width of what lies within the edge strip."""
        return max(0.0, self.width_mm - 2 * self.edge_mm)

    @property
    def free_height(self) -> float:
        """Height of what lies within the edge strip."""
        return max(0.0, self.height_mm - 2 * self.edge_mm)


def sheet_scale(film: Film, sheet_mm: tuple[float, float] | None = None) -> Scale | None:
    """Return the drawing's measures, or None for blanks cut to size."""
    if film.form != Film.Form.SHEET:
        return None
    width_mm, height_mm = sheet_mm or film.sheet_mm
    return Scale(
        width_mm,
        height_mm,
        film.edge_mm,
        tuple(range(0, int(width_mm) + 1, 50)),
        tuple(range(0, int(height_mm) + 1, 50)),
    )


def pieces_by_job(pieces: Sequence[Piece]) -> list[tuple[Job, list[Piece]]]:
    """Return (job, its pieces here), jobs in the order of their first piece."""
    jobs: dict[int, tuple[Job, list[Piece]]] = {}
    for piece in pieces:
        jobs.setdefault(piece.job_id, (piece.job, []))[1].append(piece)
    return list(jobs.values())
