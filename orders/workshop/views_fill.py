"""The next sheet of a film filled by itself: late pieces first, then what fits."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from orders import planning, stock
from orders.access import workshop_actor, workshop_only
from orders.errors import OrderError, StaleError
from orders.models import Film, Job
from orders.typed import whole_number

from .run_pictures import sheet_scale
from .views_sheet_new import MOST_PIECES, jobs_to_lay

MOST_SHEETS = 12
# one scale for all the sheets of the page
PX_PER_MM = 0.55


@require_http_methods(["GET", "POST"])
@workshop_only
def sheet_fill(request: HttpRequest) -> HttpResponse:
    """Show the next sheets of a film filled (GET, ``?film=&sheets=``), and make them (POST)."""
    given = request.POST if request.method == "POST" else request.GET
    film = get_object_or_404(Film, code=given.get("film", ""))
    sheets = min(max(whole_number(given.get("sheets")) or 1, 1), MOST_SHEETS)
    wanted = _waiting(film)
    filling = planning.fill_next(film, wanted, sheets)
    if request.method == "POST":
        try:
            if given.get("shown") != _fingerprint(filling):
                raise StaleError(
                    "The queue changed a moment ago, so other pieces would lie there. "
                    "Nothing was made; look again and press once more."
                )
            runs = planning.make_filled(film, filling, workshop_actor(request))
        except OrderError as error:
            messages.error(request, error.sentence)
        else:
            codes = ", ".join(run.code for run in runs)
            messages.success(request, f"Planned: {codes}. Next: start it, or move pieces.")
            one = len(runs) == 1
            return redirect("workshop-sheet", runs[0].code) if one else redirect("workshop-sheets")
    return render(request, "workshop/sheet_fill.html", _shown(film, sheets, filling))


def _waiting(film: Film) -> list[tuple[Job, int]]:
    """The first pieces that wait for a film, in the order of their promise."""
    wanted: list[tuple[Job, int]] = []
    room = MOST_PIECES
    for job in jobs_to_lay(film):
        pieces = min(job.left, room)  # type: ignore[attr-defined]
        if pieces:
            wanted.append((job, pieces))
            room -= pieces
    return wanted


def _shown(film: Film, sheets: int, filling: planning.Filling) -> dict[str, Any]:
    drawn = []
    for offcut, places in filling.sheets:
        size_mm = offcut.size_mm if offcut else film.sheet_mm
        boxes = [planning.lying(place, 0) for place in places]
        area = sum(box.width_mm * box.height_mm for box in boxes)
        late = [place.job for place in places if place.job.due.code == "late"]  # type: ignore[attr-defined]
        drawn.append(
            {
                "offcut": offcut,
                "size_mm": size_mm,
                "width_px": round(size_mm[0] * PX_PER_MM),
                "height_px": round(size_mm[1] * PX_PER_MM),
                "scale": sheet_scale(film, size_mm),
                "boxes": list(zip(places, boxes, strict=True)),
                "used": 100 * area / (size_mm[0] * size_mm[1]) if size_mm[0] else 100,
                "late": len(late),
            }
        )
    return {
        "film": film,
        "sheets": sheets,
        "more": min(sheets + 1, MOST_SHEETS) if filling.left and drawn else 0,
        "drawn": drawn,
        "left": filling.left,
        "late_left": [job for job, _, _ in filling.left if job.due.code == "late"],  # type: ignore[attr-defined]
        "nested": film.form == Film.Form.SHEET,
        "shown": _fingerprint(filling),
        "warning": stock.warning_for(film),
    }


def _fingerprint(filling: planning.Filling) -> str:
    """What lies on the shown sheets, so that a press on an outdated page makes nothing."""
    parts = [
        f"{offcut.number if offcut else 0}:" + ",".join(sorted(place.job.code for place in places))
        for offcut, places in filling.sheets
    ]
    return ";".join(parts)
