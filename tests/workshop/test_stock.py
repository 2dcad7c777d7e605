"""Film in stock: the count follows the sheets, offcuts are kept, labelled and used first."""

from __future__ import annotations

import io

import pypdfium2
import pytest
from django.urls import reverse

from orders import planning, stock
from orders.errors import RefusedError
from orders.models import Film, Job, Offcut, SheetRun, StockMovement
from orders.workflow import Actor, abandon_run, finish_run, mark_piece, start_run, stop_run
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


def stocked(count: int | None, film: Film | None = None) -> Film:
    film = film or factories.make_film()
    Film.objects.filter(pk=film.pk).update(in_stock=count)
    film.refresh_from_db()
    return film


def planned(cutter: Actor, quantity: int = 2, **values: object) -> SheetRun:
    job = factories.make_job(quantity=quantity, **values)  # type: ignore[arg-type]
    return planning.plan_sheets(job.film, [(job, quantity)], cutter)[0]


def done(run: SheetRun, cutter: Actor) -> SheetRun:
    start_run(run, cutter)
    for piece in run.pieces.all():
        mark_piece(piece, "good", cutter)
    finish_run(run, cutter)
    return run


def moved(film: Film) -> list[tuple[str, int, int]]:
    return list(film.movements.order_by("id").values_list("kind", "change", "left"))


def test_a_sheet_leaves_as_it_starts_and_comes_back_uncut(cutter: Actor) -> None:
    film = stocked(3)
    run = planned(cutter)
    assert moved(film) == []  # planning takes nothing
    start_run(run, cutter, seen=0)
    start_run(run, cutter, seen=0)  # the same press twice
    stop_run(run, cutter)
    start_run(run, cutter)
    assert moved(film) == [("started", -1, 2), ("stopped", 1, 3), ("started", -1, 2)]
    film.refresh_from_db()
    assert film.in_stock == 2
    assert film.movements.first().by == cutter.person


def test_a_sheet_taken_apart_or_finished_takes_nothing_more(cutter: Actor) -> None:
    film = stocked(3)
    abandon_run(planned(cutter), cutter)
    done(planned(cutter), cutter)
    assert moved(film) == [("started", -1, 2)]


def test_of_blanks_as_many_leave_as_lie_on_the_run(cutter: Actor) -> None:
    film = stocked(4, factories.make_blank_film())
    start_run(planned(cutter, quantity=3, film=film), cutter)
    assert moved(film) == [("started", -3, 1)]


def test_no_sheet_is_started_on_nothing(bench: Bench, cutter: Actor) -> None:
    film = stocked(0)
    run = planned(cutter)
    told = bench.told("workshop-sheet-step", run.code, "start", seen=0)
    assert told[0].startswith("By the count there are 0 sheets of PET 0.19 mm (7.5 mil) in stock")
    run.refresh_from_db()
    assert (run.status, moved(film)) == ("planned", [])
    assert Job.objects.get().status == "queued"


def test_a_film_never_counted_is_left_alone(cutter: Actor) -> None:
    film = stocked(None)
    start_run(planned(cutter), cutter)
    assert moved(film) == []


def test_bought_and_counted_by_hand_with_a_reason(bench: Bench, cutter: Actor) -> None:
    film = stocked(None)
    bench.press("workshop-stock-change", film.code, "bought", pieces="10", why="chandler")
    bench.press("workshop-stock-change", film.code, "count", there="8", why="two bent", seen="10")
    assert moved(film) == [("bought", 10, 10), ("counted", -2, 8)]
    told = bench.told("workshop-stock-change", film.code, "count", there="5", why="x", seen="10")
    assert told[0].startswith("The count changed a moment ago: 8 now.")
    told = bench.told("workshop-stock-change", film.code, "count", there="5", why="", seen="8")
    assert told == ["Why the count is corrected: This field is required."]
    bench.press("workshop-stock-change", film.code, "marks", low_stock="9", unit_cost="1.50")
    page = bench.see("workshop-stock", film.code)
    assert "Only 8 sheets of" in page
    assert "worth 12.00" in page


def test_the_queue_that_needs_more_is_told(bench: Bench, cutter: Actor) -> None:
    """Nine blanks of 6 x 6 in need two sheets of 12 x 24 in (8 on one); one is there."""
    film = stocked(1)
    factories.make_job(quantity=9)
    assert stock.needed_by_queue(film) == 2
    words = "The queue needs 2 sheets of PET 0.19 mm (7.5 mil), and 1 sheet is in stock."
    assert stock.warning_for(film) == words
    assert words in bench.see("workshop-sheets")
    assert words in bench.see("workshop-films")


def test_what_is_left_is_kept_numbered_and_laid_on_first(bench: Bench, cutter: Actor) -> None:
    """Two 6 x 6 in beside each other on 12 x 24 in: 304.8 x 457.2 less the kerf's gap are left."""
    film = stocked(5)
    run = done(planned(cutter), cutter)
    page = bench.see("workshop-sheet", run.code)
    assert "What is left of this sheet" in page
    typed = {"keep": "1", "width-1": "304,8", "height-1": "450"}
    bench.press("workshop-sheet-offcuts", run.code, **typed)
    offcut = Offcut.objects.get()
    assert (offcut.number, offcut.size_mm, offcut.came_from) == (1, (304.8, 450.0), run)
    label = bench.client.get(reverse("workshop-offcut-label", args=[1])).content
    text = pypdfium2.PdfDocument(io.BytesIO(label))[0].get_textpage().get_text_bounded()
    assert {"1", "304.8 x 450 mm"} <= set(text.split("\r\n")) | {text.split()[0]}

    job = factories.make_job(quantity=5)
    filling = planning.fill_next(film, [(job, 5)], sheets=2)
    assert [(o and o.number, len(p)) for o, p in filling.sheets] == [(1, 4), (None, 1)]
    first, _ = planning.make_filled(film, filling, cutter)
    assert first.sheet_mm == (304.8, 450.0)
    assert stock.free_offcuts(film) == []
    assert "offcut <b>1</b>" in bench.see("workshop-sheet", first.code)
    start_run(first, cutter)
    assert moved(film) == [("started", -1, 4)]  # an offcut is no sheet
    offcut.refresh_from_db()
    assert offcut.status == "used"
    stop_run(first, cutter)
    offcut.refresh_from_db()
    assert offcut.status == "kept"


@pytest.mark.parametrize(
    ("width", "height"), [("400", "400"), ("300", "700"), ("-5", "100"), ("x", "1")]
)
def test_an_offcut_larger_than_its_sheet_is_refused(
    bench: Bench, cutter: Actor, width: str, height: str
) -> None:
    run = done(planned(cutter), cutter)
    typed = {"keep": "1", "width-1": width, "height-1": height}
    told = bench.told("workshop-sheet-offcuts", run.code, **typed)
    assert "in mm" in told[0]
    assert not Offcut.objects.exists()


def test_an_offcut_laid_on_is_not_thrown_away(bench: Bench, cutter: Actor) -> None:
    run = done(planned(cutter), cutter)
    offcut = stock.keep_offcut(run, 200, 200, cutter)
    job = factories.make_job(quantity=1)
    (laid,) = planning.make_filled(job.film, planning.fill_next(job.film, [(job, 1)]), cutter)
    assert laid.offcut == offcut
    bench.press("workshop-offcut-gone", offcut.number)
    offcut.refresh_from_db()
    assert offcut.status == "kept"
    abandon_run(laid, cutter)
    bench.press("workshop-offcut-gone", offcut.number)
    offcut.refresh_from_db()
    assert offcut.status == "gone"


def test_movements_add_up(cutter: Actor) -> None:
    film = stocked(None)
    stock.bought(film, 6, cutter)
    for _ in range(3):
        start_run(planned(cutter), cutter)
    with pytest.raises(RefusedError):
        stock.bought(film, 0, cutter)
    film.refresh_from_db()
    assert film.in_stock == sum(StockMovement.objects.values_list("change", flat=True)) == 3
