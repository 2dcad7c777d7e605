"""Sheets by the pages: filled from the queue, laid by hand, cut, corrected."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from orders import planning, workflow
from orders.models import Job, Mail, Piece, SheetRun
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def planned(cutter: Actor, quantity: int = 2, **values: Any) -> SheetRun:
    job = factories.make_job(quantity=quantity, **values)
    (run,) = planning.plan_sheets(job.film, [(job, quantity)], cutter)
    return run


def places(run: SheetRun, **moved: Any) -> dict[str, Any]:
    """The form as the page sends it, some of it changed."""
    form: dict[str, Any] = {"seen": run.revision}
    for piece in run.pieces.all():
        form |= {f"x-{piece.pk}": piece.x_mm, f"y-{piece.pk}": piece.y_mm}
    return form | moved


def test_a_new_sheet_is_shown_before_it_is_made(bench: Bench) -> None:
    job = factories.make_job(quantity=9)
    page = bench.see("workshop-sheet-new", job=job.code)
    assert "2 sheets of 12 × 24 in" in page
    assert "No layout needs fewer sheets." in page
    assert SheetRun.objects.count() == 0


def test_pieces_typed_are_kept_in_the_address(bench: Bench) -> None:
    job = factories.make_job(quantity=9)
    response = bench.client.post(
        reverse("workshop-sheet-new"),
        {"do": "look", "job": job.code, f"pieces-{job.code}": "3", f"left-{job.code}": "9"},
    )
    assert response["Location"] == f"/workshop/sheet/new/?job={job.code}&pieces-{job.code}=3"
    assert "1 sheet of 12 × 24 in" in bench.client.get(response["Location"]).content.decode()


def make_form(*jobs: Job, pieces: int, left: int) -> dict[str, Any]:
    form: dict[str, Any] = {"do": "make", "job": [job.code for job in jobs]}
    for job in jobs:
        form |= {f"pieces-{job.code}": pieces, f"left-{job.code}": left}
    return form


def test_made_sheets_hold_the_pieces_and_a_second_press_makes_no_more(bench: Bench) -> None:
    job = factories.make_job(quantity=6)
    form = make_form(job, pieces=3, left=6)
    told = bench.told("workshop-sheet-new", **form)
    run = SheetRun.objects.get()
    assert told == [f"Sheet {run.code} is planned. Next: move pieces, or start it."]
    assert bench.told("workshop-sheet-new", **form) == [
        (
            f"Pieces of job {job.code} were laid on a sheet a moment ago: 3 are left now. "
            "Nothing was made; look at the numbers and press again."
        )
    ]
    assert Piece.objects.count() == 3


def test_two_films_are_two_sheets_and_the_page_says_so(bench: Bench) -> None:
    one = factories.make_job()
    other = factories.make_job(film=factories.make_film("pet-0.254", name="PET 0.25 mm"))
    response = bench.client.get(reverse("workshop-sheet-new"), {"job": [one.code, other.code]})
    page = response.content.decode()
    assert "These jobs want 2 films, and one sheet is one film." in page
    assert f"?job={other.code}" in page


def test_nothing_to_lay_says_where_to_go(bench: Bench) -> None:
    assert "Nothing waits for a sheet" in bench.see("workshop-sheet-new")
    job = factories.make_job(quantity=2, status="packed")
    assert "Nothing waits for a sheet" in bench.see("workshop-sheet-new", job=job.code)


def test_places_are_saved_by_numbers_with_point_or_comma(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    _first, second = run.pieces.order_by("id")
    moved = {f"y-{second.pk}": "300,25", f"turned-{second.pk}": "on"}
    told = bench.told("workshop-sheet-arrange", run.code, **places(run, **moved))
    assert told == ["The places are saved."]
    second.refresh_from_db()
    assert (second.x_mm, second.y_mm, second.turned) == (152.4, 300.25, True)
    assert "Pieces were moved" in bench.see("workshop-sheet", run.code)


def test_an_overlap_is_refused_told_and_what_was_typed_stays(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    second = run.pieces.order_by("id")[1]
    response = bench.press(
        "workshop-sheet-arrange", run.code, **places(run, **{f"x-{second.pk}": "149.4"})
    )
    assert [str(m) for m in response.context["messages"]] == [
        "Pieces 1 and 2 overlap by 3 mm. Nothing was saved; move it and save again."
    ]
    page = response.content.decode()
    assert 'value="149.4"' in page
    assert "This layout is not saved." in page
    second.refresh_from_db()
    assert second.x_mm == 152.4


def test_a_place_that_is_no_number_is_told(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    first = run.pieces.order_by("id")[0]
    for text in ("left", "nan", "1e9", ""):
        told = bench.told(
            "workshop-sheet-arrange", run.code, **places(run, **{f"x-{first.pk}": text})
        )
        assert told == [
            f"“{text}” is no place for piece 1. Write millimetres, like 152.4. Nothing was saved."
        ]


def test_a_press_on_an_outdated_sheet_is_told(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    form = places(run)
    SheetRun.objects.filter(pk=run.pk).update(revision=4)
    (told,) = bench.told("workshop-sheet-arrange", run.code, **form)
    assert told.startswith(f"Somebody else changed sheet {run.code} a moment ago:")
    (told,) = bench.told("workshop-sheet-step", run.code, "start", seen=0)
    assert told.startswith(f"Somebody else changed sheet {run.code} a moment ago:")


def test_a_piece_comes_off_and_a_second_press_is_harmless(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    first = run.pieces.order_by("id")[0]
    form = places(run, off=first.pk)
    assert bench.told("workshop-sheet-arrange", run.code, **form) == ["The piece is off the sheet."]
    bench.press("workshop-sheet-arrange", run.code, **form)
    assert run.pieces.count() == 1


def test_further_pieces_are_added_and_nested_again(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    more = factories.make_job(version=factories.make_version(blank_code="4x4in"), quantity=3)
    assert more.code in bench.see("workshop-sheet", run.code)
    told = bench.told(
        "workshop-sheet-add", run.code, seen=run.revision, **{f"pieces-{more.code}": 2}
    )
    assert told == ["2 pieces added to the sheet."]
    assert bench.told("workshop-sheet-add", run.code, seen=1) == [
        "Choose at least one piece for the sheet."
    ]
    assert bench.told("workshop-sheet-nest", run.code, seen=1) == [
        "The pieces lie as nesting suggests."
    ]
    assert run.pieces.count() == 4


def test_a_sheet_goes_through_the_laser_and_its_jobs_follow(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    job = run.pieces.all()[0].job
    first, _second = run.pieces.order_by("id")
    assert bench.told("workshop-sheet-step", run.code, "start", seen=0) == [
        f"Sheet {run.code} is on the laser. Next: say of each piece if it was cut well."
    ]
    assert bench.told("workshop-sheet-step", run.code, "finish", seen=1) == [
        "Say how 2 more pieces came out, then finish the sheet."
    ]
    assert bench.told("workshop-sheet-piece", run.code, first.pk, result="spoiled") == [
        "Say what went wrong with the piece."
    ]
    bench.press("workshop-sheet-piece", run.code, first.pk, result="spoiled", why="shifted")
    assert "spoiled: shifted" in bench.see("workshop-sheet", run.code)
    assert bench.told("workshop-sheet-all-good", run.code, seen=1) == [
        "1 piece marked as cut well."
    ]
    assert bench.told("workshop-sheet-step", run.code, "finish", seen=1) == [
        f"Sheet {run.code} is done; the counts of its jobs follow."
    ]
    job.refresh_from_db()
    assert (job.cut, job.spoiled, job.status) == (1, 1, Job.Status.QUEUED)
    assert "The spoiled pieces wait in the queue to be cut again." in bench.see(
        "workshop-sheet", run.code
    )


def test_a_result_is_corrected_by_reopening_and_its_mail_withdrawn(
    bench: Bench, cutter: Actor
) -> None:
    run = planned(cutter, quantity=1)
    job, piece = run.pieces.get().job, run.pieces.get()
    bench.press("workshop-sheet-step", run.code, "start", seen=0)
    bench.press("workshop-sheet-all-good", run.code, seen=1)
    bench.press("workshop-sheet-step", run.code, "finish", seen=1)
    assert Mail.objects.get(kind="all-cut").status == Mail.Status.WAITING
    bench.press("workshop-sheet-step", run.code, "reopen", seen=2)
    job.refresh_from_db()
    assert (job.status, job.cut) == (Job.Status.CUTTING, 0)
    assert Mail.objects.get(kind="all-cut").status == Mail.Status.WITHDRAWN
    bench.press("workshop-sheet-piece", run.code, piece.pk, result="")
    piece.refresh_from_db()
    assert piece.result == ""


@pytest.mark.parametrize(
    ("before", "action", "after"),
    [("cutting", "stop", "planned"), ("planned", "abandon", "abandoned")],
)
def test_a_sheet_is_stopped_or_taken_apart(
    bench: Bench, cutter: Actor, before: str, action: str, after: str
) -> None:
    run = planned(cutter)
    if before == "cutting":
        workflow.start_run(run, cutter)
    for _ in range(2):
        bench.press("workshop-sheet-step", run.code, action, seen=run.revision)
    stored = SheetRun.objects.get(pk=run.pk)
    assert (stored.status, stored.revision) == (after, run.revision + 1)
    assert run.pieces.all()[0].job.status == Job.Status.QUEUED


def test_an_overlapping_sheet_is_not_started(bench: Bench, cutter: Actor) -> None:
    run = planned(cutter)
    run.pieces.update(x_mm=0)
    assert bench.told("workshop-sheet-step", run.code, "start", seen=0) == [
        "Pieces 1 and 2 overlap by 152.4 mm. Nothing was saved; move it and save again."
    ]
    assert SheetRun.objects.get().status == SheetRun.Status.PLANNED


def test_a_sheet_of_many_jobs_takes_as_many_queries_as_of_one(bench: Bench, cutter: Actor) -> None:
    def queries(run: SheetRun) -> int:
        with CaptureQueriesContext(connection) as caught:
            bench.see("workshop-sheet", run.code)
        return len(caught)

    few, many = planned(cutter), planned(cutter)
    for number in range(10):
        status = "rejected" if number % 2 else "passed"
        version = factories.make_version(blank_code="2.5x3.5in", status=status)
        planning.add_pieces(many, [(factories.make_job(version=version), 2)], cutter)
    for run in (few, many):  # the first sight copies the measures of its drawings
        bench.see("workshop-sheet", run.code)
    assert queries(many) == queries(few)
