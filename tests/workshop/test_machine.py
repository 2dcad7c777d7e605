"""The laser's page, times told before and taken after, and what is learnt from them."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from orders import cut_files, machine_time, measures, planning
from orders.models import Event, Film, Machine, SheetRun
from orders.workflow import Actor, finish_run, mark_piece, reopen_run, start_run, stop_run
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def on_laser(cutter: Actor, estimated_s: float | None = 100.0) -> SheetRun:
    job = factories.make_job(quantity=1)
    (run,) = planning.plan_sheets(job.film, [(job, 1)], cutter)
    start_run(run, cutter, estimated_s=estimated_s)
    return run


def finished(cutter: Actor, told_s: float, took_s: float) -> SheetRun:
    run = on_laser(cutter, told_s)
    machine_time.type_time(run, took_s, cutter)
    mark_piece(run.pieces.get(), "good", cutter)
    finish_run(run, cutter)
    return run


def form(**values: str) -> dict[str, str]:
    row = Machine.current()
    names = [f.name for f in Machine._meta.fields]
    data = {name: str(getattr(row, name)) for name in names if name not in ("id", "page_is_bed")}
    return {**data, "uses_factor": "on"} | values


def test_the_factor_is_the_middle_of_what_sheets_took(cutter: Actor) -> None:
    """By hand: 110/100, 120/100, 60/50 and one with a tea break, 900/100: ratios 1.1, 1.2, 1.2, 9.

    The median is 1.2; distances 0.1, 0, 0, 7.8 have the median 0.05, times 1.4826 = 0.0741."""
    for told, took in ((100, 110), (100, 120), (50, 60), (100, 900)):
        finished(cutter, told, took)
    row = Machine.current()
    assert (row.factor, row.factor_runs) == (pytest.approx(1.2), 4)
    assert row.factor_spread == pytest.approx(0.07413, abs=1e-4)
    assert machine_time.profile_of().factor == pytest.approx(1.2)


def test_two_sheets_teach_nothing_yet_and_the_factor_can_be_left_out(cutter: Actor) -> None:
    for _ in range(2):
        finished(cutter, 100, 150)
    assert machine_time.profile_of().factor == 1.0
    finished(cutter, 100, 150)
    assert machine_time.profile_of().factor == pytest.approx(1.5)
    Machine.objects.update(uses_factor=False)
    assert machine_time.profile_of().factor == 1.0


def test_a_factor_of_two_doubles_a_quote_and_a_lead_time(cutter: Actor) -> None:
    version = factories.make_version()
    before = measures.seconds_by_version({version.pk: "6x6in"}, machine_time.profile_of())
    Machine.current()
    Machine.objects.update(factor=2.0, factor_runs=5)
    after = measures.seconds_by_version({version.pk: "6x6in"}, machine_time.profile_of())
    assert after[version.pk] == pytest.approx(2 * before[version.pk])


def test_new_speeds_are_learnt_from_new_sheets_only(bench: Bench, cutter: Actor) -> None:
    for _ in range(3):
        finished(cutter, 100, 150)
    bench.press("workshop-machine", **form(cut_mm_per_s="25"))
    row = Machine.current()
    assert (row.cut_mm_per_s, row.factor, row.factor_runs) == (25, 1.0, 0)
    assert row.changed_by == cutter.person or row.changed_by is not None
    assert Event.objects.get(life="machine").why == "cut_mm_per_s"
    assert machine_time.teaching_runs() == []


def test_the_clock_counts_where_nobody_timed_the_laser(cutter: Actor) -> None:
    """Started 10 minutes ago: 600 s by the clock; reopening forgets it."""
    run = on_laser(cutter)
    SheetRun.objects.filter(pk=run.pk).update(started_at=timezone.now() - timedelta(minutes=10))
    mark_piece(run.pieces.get(), "good", cutter)
    finish_run(run, cutter)
    run.refresh_from_db()
    assert run.took_s == pytest.approx(600, abs=5)
    assert run.took_is_clock
    reopen_run(run, cutter)
    assert (run.took_s, run.took_is_clock) == (None, False)


def test_the_button_stops_the_clock_once(bench: Bench, cutter: Actor) -> None:
    run = on_laser(cutter)
    SheetRun.objects.filter(pk=run.pk).update(started_at=timezone.now() - timedelta(seconds=90))
    for _ in range(2):
        bench.press("workshop-sheet-stopped", run.code)
    run.refresh_from_db()
    assert run.took_s == pytest.approx(90, abs=5)
    assert run.events.filter(action="laser-stopped").count() == 1
    page = bench.see("workshop-sheet", run.code)
    assert "Estimated 1 min 40 s" in page
    stop_run(run, cutter)
    assert run.took_s is None


@pytest.mark.parametrize(
    ("typed", "took_s"),
    [({"minutes": "13", "seconds": ""}, 780), ({"minutes": "", "seconds": "45"}, 45)],
)
def test_a_time_can_be_typed(
    bench: Bench, cutter: Actor, typed: dict[str, str], took_s: int
) -> None:
    run = finished(cutter, 720, 1)
    bench.press("workshop-sheet-took", run.code, **typed)
    run.refresh_from_db()
    assert run.took_s == took_s


def test_the_sheet_says_what_was_told_and_what_it_took(bench: Bench, cutter: Actor) -> None:
    run = finished(cutter, 720, 780)
    page = bench.see("workshop-sheet", run.code)
    assert "Estimated 12 min; took 13 min." in " ".join(page.split())


@pytest.mark.parametrize("typed", [{"minutes": "-1"}, {"seconds": "75"}, {"minutes": "2000"}])
def test_a_time_that_is_none_is_one_sentence(
    bench: Bench, cutter: Actor, typed: dict[str, str]
) -> None:
    run = on_laser(cutter)
    page = bench.client.post(reverse("workshop-sheet-took", args=[run.code]), typed, follow=True)
    assert "Write the time in whole minutes and seconds" in page.content.decode()
    run.refresh_from_db()
    assert run.took_s is None


def test_starting_keeps_what_the_figures_tell(bench: Bench, cutter: Actor) -> None:
    """The page's start: the seconds of the very path, the factor of that day beside them."""
    Machine.current()
    Machine.objects.update(factor=1.5, factor_runs=9)
    job = factories.make_job(quantity=2)
    (run,) = planning.plan_sheets(job.film, [(job, 2)], cutter)
    bench.press("workshop-sheet-step", run.code, "start", seen=run.revision)
    run.refresh_from_db()
    path = cut_files.plan_of_run(run, 0.15, smooth=False).path
    assert run.estimated_s == pytest.approx(path.seconds(machine_time.profile_of(bare=True)))
    assert run.told_s == pytest.approx(1.5 * run.estimated_s)


def test_a_film_has_a_speed_of_its_own() -> None:
    film = factories.make_film()
    Film.objects.update(cut_mm_per_s=5)
    film.refresh_from_db()
    assert machine_time.profile_of(film).cut_mm_per_s == 5
    assert machine_time.profile_of().cut_mm_per_s == 20


@pytest.mark.parametrize(
    ("origin", "page_mm"),
    [
        ("top-left", (-20.0, -10.0, 580.0, 890.0)),
        ("top-right", (-275.2, -10.0, 324.8, 890.0)),
        ("bottom-left", (-20.0, -280.4, 580.0, 619.6)),
        ("bottom-right", (-275.2, -280.4, 324.8, 619.6)),
    ],
)
def test_film_lies_on_the_bed_where_its_corner_says(
    origin: str, page_mm: tuple[float, ...]
) -> None:
    """By hand on a bed of 600 x 900 and film of 304.8 x 609.6, 20 across and 10 down from the
    corner: from the right 600 - 304.8 - 20 = 275.2 are left, from below 280.4."""
    row = Machine(origin=origin, offset_x_mm=20, offset_y_mm=10)
    assert cut_files.bed_page_mm(row, (304.8, 609.6)) == pytest.approx(page_mm)


@pytest.mark.parametrize("wrong", [{"cut_mm_per_s": "0"}, {"colour_mark": "red"}])
def test_odd_figures_are_told_and_nothing_is_saved(bench: Bench, wrong: dict[str, str]) -> None:
    response = bench.client.post(reverse("workshop-machine"), form(**wrong))
    assert response.status_code == 200
    assert "error" in response.content.decode()
    assert Machine.current().changed_at is None
