"""Numbers that fit no column: told or taken as none, never an error of the server."""

from __future__ import annotations

import pytest

from orders import planning
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

# more than SQLite's 64 bits; more than Python turns into a number (sys.set_int_max_str_digits)
TOO_LONG = ("9" * 30, "9" * 5000)


@pytest.mark.parametrize("number", TOO_LONG)
def test_a_piece_that_is_nowhere_is_not_taken_off(bench: Bench, cutter: Actor, number: str) -> None:
    job = factories.make_job(quantity=1)
    (run,) = planning.plan_sheets(job.film, [(job, 1)], cutter)
    response = bench.press("workshop-sheet-arrange", run.code, off=number, seen="0")
    assert response.status_code == 200
    assert run.pieces.count() == 1


@pytest.mark.parametrize("number", TOO_LONG)
def test_too_many_pieces_for_a_sheet_are_as_many_as_are_left(bench: Bench, number: str) -> None:
    job = factories.make_job(quantity=2)
    page = bench.see("workshop-sheet-new", **{"job": job.code, f"pieces-{job.code}": number})
    assert job.code in page


@pytest.mark.parametrize("number", TOO_LONG)
def test_a_revision_that_never_was_breaks_no_page(bench: Bench, number: str) -> None:
    received, packed = factories.make_job(status="received"), factories.make_job(status="packed")
    queued = bench.press("workshop-queue-selected", job=f"{received.code}.{number}", do="queue")
    assert queued.status_code == 200
    sent = bench.press(
        "workshop-order-ship", packed.order.code, job=f"{packed.code}.{number}", carrier="Post"
    )
    assert sent.status_code == 200
