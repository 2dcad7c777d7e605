"""Estimated seconds and weights against the planned cut file and against arithmetic by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from geometry.cut_file import svg_for_stencil
from geometry.limits import BLANKS
from orders import measures
from orders.demo.make import make_demo
from orders.models import CutMeasure, Film, Version
from tests import factories

pytestmark = pytest.mark.django_db


def test_the_estimate_is_near_the_planned_cut() -> None:
    """Each drawing of the demo: seconds from the report against those of its own cut file."""
    from orders.checking import stencil_of

    make_demo()
    looked_at = Version.objects.filter(status="passed", recipe__mode="stencil")
    assert looked_at.count() >= 4
    for version in looked_at:
        planned = svg_for_stencil(stencil_of(version), kerf_mm=0.15).seconds
        measure = measures.measures_of([version.pk])[version.pk]
        assert measures.seconds_of(measure, version.blank_code) == pytest.approx(planned, rel=0.1)


def test_a_version_without_measures_takes_the_mean_of_the_others() -> None:
    known, waiting = factories.make_version(), factories.make_version(status="waiting")
    sizes = {known.pk: "6x6in", waiting.pk: "6x6in"}
    seconds = measures.seconds_by_version(sizes)
    assert seconds[waiting.pk] == seconds[known.pk] > 0
    assert measures.seconds_by_version({waiting.pk: "6x6in"}) == {
        waiting.pk: measures.USUAL_SECONDS
    }


def test_reports_are_read_once_only() -> None:
    version = factories.make_version()
    measures.measures_of([version.pk])
    assert CutMeasure.objects.get().cut_outs == 1
    with CaptureQueriesContext(
        connection,
    ) as asked:
        measures.measures_of([version.pk])
    assert not any("report" in query["sql"] for query in asked if "SELECT" in query["sql"][:6])


def test_a_piece_weighs_its_film() -> None:
    """152.4 mm x 152.4 mm x 0.1905 mm = 4424.5 mm3; x 1.39 mg = 6.15 g."""
    film = Film(thickness_mm=Decimal("0.1905"))
    assert measures.weight_g("6x6in", film) == Decimal("6.15")
    assert BLANKS["6x6in"].size_mm == (152.4, 152.4)


def test_outlines_that_two_blanks_share_are_counted_once() -> None:
    """Eight 6 x 6 in on 12 x 24 in, by hand: one line of 609.6 down the middle and three of 304.8
    across; nothing along the sheet's edge. One blank away from the edges: its four sides."""
    side = 152.4
    boxes = [(x, y, x + side, y + side) for x in (0, side) for y in (0, side, 2 * side, 3 * side)]
    assert measures.outlines_mm(boxes, (304.8, 609.6)) == pytest.approx(609.6 + 3 * 304.8)
    assert measures.outlines_mm([(5, 5, 105, 55)], (304.8, 609.6)) == pytest.approx(300)
