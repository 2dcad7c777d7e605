"""The next sheet filled by itself: late first, pins stay, what is left is said."""

from __future__ import annotations

import pytest

from orders import planning
from orders.models import SheetRun
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def test_late_pieces_come_first(bench: Bench, cutter: Actor) -> None:
    """Eight 6 x 6 in fill a sheet of 12 x 24 in: three late ones and five of the others."""
    later = factories.make_job(quantity=8, promise_in_days=6)
    late = factories.make_job(quantity=3, promise_in_days=-1)
    page = bench.see("workshop-sheet-fill", film=late.film.code)
    assert "3 late" in page
    assert f"{later.code}" in page
    assert "no room on these sheets" in page
    shown = page.split('name="shown" value="')[1].split('"')[0]
    bench.press("workshop-sheet-fill", film=late.film.code, sheets="1", shown=shown)
    run = SheetRun.objects.get()
    laid = [piece.job_id for piece in run.pieces.all()]
    assert (laid.count(late.pk), laid.count(later.pk)) == (3, 5)


def test_several_sheets_at_once(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(quantity=17)
    page = bench.see("workshop-sheet-fill", film=job.film.code, sheets=3)
    shown = page.split('name="shown" value="')[1].split('"')[0]
    bench.press("workshop-sheet-fill", film=job.film.code, sheets="3", shown=shown)
    assert sorted(run.pieces.count() for run in SheetRun.objects.all()) == [1, 8, 8]


def test_a_queue_that_changed_makes_nothing(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(quantity=2)
    told = bench.told("workshop-sheet-fill", film=job.film.code, shown="0:other")
    assert told[0].startswith("The queue changed a moment ago")
    assert not SheetRun.objects.exists()


def test_what_fits_on_no_sheet_is_said(bench: Bench) -> None:
    big = factories.make_version(blank_code="12x12in")
    job = factories.make_job(version=big, film=factories.make_film("narrow", sheet_width_mm=200))
    page = bench.see("workshop-sheet-fill", film=job.film.code)
    assert "larger than a sheet of this film" in page


def test_nothing_waits(bench: Bench) -> None:
    assert "Nothing waits for this film" in bench.see(
        "workshop-sheet-fill", film=factories.make_film().code
    )


def test_a_pinned_piece_stays_when_the_rest_is_laid_again(bench: Bench, cutter: Actor) -> None:
    job = factories.make_job(quantity=4)
    (run,) = planning.plan_sheets(job.film, [(job, 4)], cutter)
    first = run.pieces.order_by("id")[0]
    places = {f"x-{first.pk}": "152.4", f"y-{first.pk}": "400", "pin": str(first.pk)}
    bench.press("workshop-sheet-arrange", run.code, seen=run.revision, **places)
    run.refresh_from_db()
    bench.press("workshop-sheet-nest", run.code, seen=run.revision)
    first.refresh_from_db()
    assert (first.x_mm, first.y_mm, first.is_pinned) == (152.4, 400, True)
    lying = [planning.lying(place, n) for n, place in enumerate(planning.places_of(run).values())]
    assert planning.faults(run.film, lying) == []
    assert all(piece.y_mm < 305 for piece in run.pieces.exclude(pk=first.pk))
    assert run.pieces.filter(is_pinned=True).count() == 1


def test_pins_that_leave_no_room_are_told_and_nothing_moves(bench: Bench, cutter: Actor) -> None:
    """Eight fill the sheet; one pinned in the middle leaves no room for all the others."""
    job = factories.make_job(quantity=8)
    (run,) = planning.plan_sheets(job.film, [(job, 8)], cutter)
    piece = run.pieces.first()
    assert piece is not None
    run.pieces.filter(pk=piece.pk).update(x_mm=70, y_mm=200, is_pinned=True)
    before = list(run.pieces.values_list("x_mm", "y_mm"))
    told = bench.told("workshop-sheet-nest", run.code, seen=run.revision)
    assert "would find no room round what is pinned" in told[0]
    assert list(run.pieces.values_list("x_mm", "y_mm")) == before
