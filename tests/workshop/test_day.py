"""The figures of the day: counted from what was pressed, by day, week and month."""

from __future__ import annotations

import csv
import io
import itertools
from datetime import date, timedelta

import pytest

from orders import day, workflow
from orders.dates import today
from orders.models import Job, SheetTally, Tally
from orders.workflow import Actor, Place
from orders.workshop.bars import chart
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def cut_on_a_sheet(cutter: Actor) -> tuple[Job, workflow.runs.SheetRun]:
    """Three blanks of 6 x 6 in on a sheet of 12 x 24 in; one is melted."""
    job = factories.make_job(status="queued", quantity=3)
    run = workflow.plan_run(job.film, [Place(job, 0, 152.4 * n) for n in range(3)], cutter)
    workflow.start_run(run, cutter)
    for number, piece in enumerate(run.pieces.all()):
        result, why = ("spoiled", "melted") if number == 2 else ("good", "")
        workflow.mark_piece(piece, result, cutter, why=why)
    workflow.finish_run(run, cutter)
    job.refresh_from_db()
    return job, run


def test_a_sheet_is_counted_with_its_reasons_its_film_and_the_lasers_time(cutter: Actor) -> None:
    _job, run = cut_on_a_sheet(cutter)
    now = day.figures(day.SPANS["day"], today())[-1]
    assert (now.good, now.spoiled, now.reasons["melted"], now.sheets) == (2, 1, 1, 1)
    # 12 x 24 in hold eight of 6 x 6 in; two came out well (by hand)
    assert now.film_m2 == pytest.approx(0.3048 * 0.6096)
    assert now.wasted_percent == 75
    assert now.seconds == pytest.approx(3 * Tally.objects.filter(good=2).get().seconds / 2)
    assert now.seconds > 0
    workflow.reopen_run(run, cutter)
    now = day.figures(day.SPANS["day"], today())[-1]
    assert (now.good, now.spoiled, now.sheets, now.reasons["melted"]) == (0, 0, 0, 0)
    assert now.seconds == pytest.approx(0)
    assert not SheetTally.objects.exists()


def test_what_is_sent_after_its_day_is_late_and_an_undone_parcel_is_not_counted(
    cutter: Actor,
) -> None:
    late = factories.make_job(status="packed", quantity=3, promise_in_days=-1)
    in_time = factories.make_job(status="packed", quantity=2, promise_in_days=0)
    for job in (late, in_time):
        workflow.ship(job.order, cutter, [job], carrier="M")
    now = day.figures(day.SPANS["week"], today())[-1]
    assert (now.sent, now.late, now.on_time) == (5, 3, 2)
    workflow.undo(late, cutter)
    now = day.figures(day.SPANS["month"], today())[-1]
    assert (now.sent, now.late) == (2, 0)
    assert day.late_now(today()) == 1


@pytest.mark.parametrize("span", day.SPANS.values(), ids=lambda span: span.code)
def test_every_day_lies_in_one_row_and_rows_follow_each_other(span: day.Span) -> None:
    """ISO 8601: a week begins on Monday."""
    until = date(2026, 3, 5)
    firsts = [row.first for row in day.figures(span, until)]
    assert len(firsts) == span.rows
    assert firsts == sorted(set(firsts))
    assert firsts[0] <= until
    if span.code == "week":
        assert all(first.isoweekday() == 1 for first in firsts)
        assert all(b - a == timedelta(days=7) for a, b in itertools.pairwise(firsts))
    if span.code == "month":
        assert all(first.day == 1 for first in firsts)
        assert firsts[0] == date(2025, 4, 1)


@pytest.mark.parametrize("by", ["day", "week", "month", "nonsense"])
def test_the_page_and_the_csv_show_the_same(bench: Bench, cutter: Actor, by: str) -> None:
    cut_on_a_sheet(cutter)
    page = bench.see("workshop-day", by=by)
    assert page.count("<svg viewBox") == 4
    assert 'role="img"' in page
    rows = list(csv.DictReader(io.StringIO(bench.see("workshop-day-csv", by=by))))
    assert tuple(rows[0]) == day.COLUMNS
    assert (rows[-1]["cut_well"], rows[-1]["spoiled_melted"], rows[-1]["sheets"]) == ("2", "1", "1")


def test_bars_are_as_long_as_their_numbers() -> None:
    plot = chart(
        "Cut", "pieces", (("good", "well"), ("bad", "not")), [("a", (6, 2)), ("b", (-1, 0))]
    )
    tall = plot.base - 14.0
    assert [words for _, words in plot.grid] == ["0", "2", "4", "6", "8"]
    assert [bar.height for bar in plot.bars] == pytest.approx([tall * 6 / 8, tall * 2 / 8])
    assert plot.bars[1].y + plot.bars[1].height == pytest.approx(plot.bars[0].y)
    assert plot.bars[0].tip == "a: 6 pieces well"
    assert chart("Cut", "pieces", (("good", "well"),), []).is_empty
