"""Where pieces lie: suggestions by nesting, faults in words, room for further pieces."""

import pytest

from orders import planning, workflow
from orders.errors import RefusedError, StaleError
from orders.models import Film, Job, SheetRun
from orders.planning import Lying
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


def job_of(blank_code: str, quantity: int = 1, film: Film | None = None) -> Job:
    version = factories.make_version(blank_code=blank_code)
    return factories.make_job(
        version=version, quantity=quantity, film=film or factories.make_film()
    )


def one_sheet(cutter: Actor, *jobs: Job) -> SheetRun:
    (run,) = planning.plan_sheets(jobs[0].film, [(job, job.quantity) for job in jobs], cutter)
    return run


def test_nine_blanks_of_6x6_fill_one_sheet_of_12x24_and_begin_another(cutter: Actor) -> None:
    """By area 8 of 6 x 6 in fill 12 x 24 in to the last (international inch, NIST SP 811)."""
    first, second = job_of("6x6in", 6), job_of("6x6in", 3)
    suggested = planning.suggest(first.film, [(first, 6), (second, 3)])
    assert [len(sheet) for sheet in suggested.sheets] == [8, 1]
    assert suggested.lower_bound == 2
    assert [place.job for place in suggested.sheets[0]] == [first] * 6 + [second] * 2
    assert planning.faults(first.film, [planning.lying(p, 0) for p in suggested.sheets[0]]) == []


def test_edge_and_gap_of_the_film_are_kept(cutter: Actor) -> None:
    film = factories.make_film("pet-edged", edge_mm=5, gap_mm=3)
    job = job_of("4x4in", 4, film)
    suggested = planning.suggest(film, [(job, 4)])
    pieces = [planning.lying(p, n) for n, p in enumerate(suggested.sheets[0], start=1)]
    assert planning.faults(film, pieces) == []
    assert planning.cautions(film, pieces) == []
    assert min(piece.x_mm for piece in pieces) == 5


def test_a_size_the_film_cannot_take_is_one_sentence(cutter: Actor) -> None:
    film = factories.make_film("pet-small", sheet_width_mm=100, sheet_height_mm=100)
    job = job_of("6x6in", 1, film)
    with pytest.raises(RefusedError) as refused:
        planning.suggest(film, [(job, 1)])
    assert refused.value.sentence == (
        f"Job {job.code} is 6 x 6 in, and {film} does not take that size."
    )


def test_blanks_cut_to_size_are_one_stack_without_faults(cutter: Actor) -> None:
    job = job_of("6x6in", 3, factories.make_blank_film())
    run = one_sheet(cutter, job)
    assert [(p.x_mm, p.y_mm, p.turned) for p in run.pieces.all()] == [(0, 0, False)] * 3
    pieces = [planning.lying(p, n) for n, p in enumerate(planning.places_of(run).values())]
    assert planning.faults(run.film, pieces) == []


@pytest.mark.parametrize(
    ("second", "sentences"),
    [
        (Lying(2, 100, 0, 100, 100), []),  # side by side, one cut shared
        (Lying(2, 99.99, 0, 100, 100), []),  # rounding
        (Lying(2, 99.5, 0, 100, 100), ["Pieces 1 and 2 overlap by 0.5 mm."]),
        (Lying(2, 60, 90, 100, 100), ["Pieces 1 and 2 overlap by 10 mm."]),
        (Lying(2, 204.8, 0, 100, 100), []),  # exactly at the edge
        (Lying(2, 206.3, 0, 100, 100), ["Piece 2 hangs 1.5 mm over the right edge of the sheet."]),
        (Lying(2, 0, 510, 100, 100), ["Piece 2 hangs 0.4 mm over the bottom edge of the sheet."]),
        (Lying(2, 150, -2, 100, 100), ["Piece 2 hangs 2 mm over the top edge of the sheet."]),
    ],
)
def test_faults_are_told_in_one_sentence_each(second: Lying, sentences: list[str]) -> None:
    film = factories.make_film()
    assert planning.faults(film, [Lying(1, 0, 0, 100, 100), second]) == sentences


def test_less_than_edge_and_gap_is_told_but_no_fault() -> None:
    film = factories.make_film("pet-edged", edge_mm=5, gap_mm=3)
    pieces = [Lying(1, 4, 5, 100, 100), Lying(2, 106, 5, 100, 100)]
    assert planning.faults(film, pieces) == []
    assert planning.cautions(film, pieces) == [
        "Piece 1 lies 4 mm from the edge of the sheet; 5 mm are kept free on this film.",
        "Pieces 1 and 2 lie 2 mm apart; 3 mm are kept on this film.",
    ]


def test_overlapping_places_are_refused_and_nothing_is_saved(cutter: Actor) -> None:
    run = one_sheet(cutter, job_of("6x6in", 2))
    first, second = run.pieces.order_by("id")
    with pytest.raises(RefusedError) as refused:
        planning.save_places(
            run, {second.pk: (100.0, 0.0, False)}, cutter, take_off=[], seen=run.revision
        )
    assert refused.value.sentence == (
        "Pieces 1 and 2 overlap by 52.4 mm. Nothing was saved; move it and save again."
    )
    second.refresh_from_db()
    assert (second.x_mm, run.events.count()) == (152.4, 1)
    # taken off in the same press, the first one is no longer in the way
    planning.save_places(
        run, {second.pk: (100.0, 0.0, False)}, cutter, take_off=[first.pk], seen=run.revision
    )
    second.refresh_from_db()
    assert (second.x_mm, run.pieces.count()) == (100.0, 1)


def test_places_on_an_outdated_page_are_told(cutter: Actor) -> None:
    run = one_sheet(cutter, job_of("6x6in", 1))
    piece = run.pieces.get()
    planning.save_places(run, {piece.pk: (10, 0, False)}, cutter, seen=0)
    other = Actor(cutter.role, factories.workshop_person("mate@harbour.example"))
    with pytest.raises(StaleError, match="Somebody else changed sheet"):
        planning.save_places(run, {piece.pk: (20, 0, False)}, other, seen=0)
    piece.refresh_from_db()
    assert piece.x_mm == 10


def test_further_pieces_go_where_there_is_room_and_nothing_else_moves(cutter: Actor) -> None:
    run = one_sheet(cutter, job_of("6x6in", 2))
    before = dict(run.pieces.values_list("id", "y_mm"))
    planning.add_pieces(run, [(job_of("4x4in", 3), 3)], cutter, seen=run.revision)
    pieces = [planning.lying(p, n) for n, p in enumerate(planning.places_of(run).values())]
    assert planning.faults(run.film, pieces) == []
    assert [(p.x_mm, p.y_mm) for p in pieces[2:]] == [(0, 152.4), (101.6, 152.4), (203.2, 152.4)]
    assert {pk: y for pk, y in run.pieces.values_list("id", "y_mm") if pk in before} == before


def test_a_full_sheet_takes_no_more(cutter: Actor) -> None:
    run = one_sheet(cutter, job_of("6x6in", 8))
    more = job_of("4x4in")
    with pytest.raises(RefusedError) as refused:
        planning.add_pieces(run, [(more, 1)], cutter, seen=run.revision)
    assert refused.value.sentence == (
        f"There is no room left on this sheet for job {more.code} (4 x 4 in); nothing was added. "
        "Make another sheet, or lay the pieces closer."
    )
    assert run.pieces.count() == 8


def test_nesting_again_lays_the_same_pieces(cutter: Actor) -> None:
    run = one_sheet(cutter, job_of("6x6in", 2), job_of("2.5x3.5in", 4))
    piece = run.pieces.order_by("-id").first()
    assert piece is not None
    planning.save_places(run, {piece.pk: (200.0, 500.0, False)}, cutter, seen=run.revision)
    planning.nest_again(run, cutter, seen=run.revision)
    piece.refresh_from_db()
    assert (piece.x_mm, piece.y_mm) != (200.0, 500.0)
    pieces = [planning.lying(p, n) for n, p in enumerate(planning.places_of(run).values())]
    assert planning.faults(run.film, pieces) == []


def test_pieces_left_counts_remakes_and_what_lies_on_sheets(cutter: Actor) -> None:
    job = job_of("6x6in", 5)
    assert planning.pieces_left(job) == 5
    planning.plan_sheets(job.film, [(job, 2)], cutter)
    assert planning.pieces_left(job) == 3
    workflow.count(job, cutter, good=1, spoiled=1, why="spoiled: melted")
    assert planning.pieces_left(job) == 2
