"""The verdict page: what it says, how it fills itself in, and what can be done from it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from orders import workflow
from orders.artist.showing import (
    NEARLY_EMPTY_MM2,
    SHOWN_OF_A_KIND,
    findings_shown,
    is_edge_of_table,
    is_nearly_empty,
    measure_of,
)
from orders.marks import place_marks
from orders.models import Job, Version
from orders.workflow import Actor
from tests import factories

from .conftest import KEY


def address(version: Version) -> str:
    return f"/drawing/{version.design.token}/?v={version.number}"


def text(response: Any) -> str:
    return str(response.content.decode())


def test_a_rejected_drawing_tells_each_finding_beside_its_numbered_mark(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    page = text(visitor.get(address(version)))
    assert "It will not hold yet" in page
    assert "One place has to be mended before it can be cut." in page
    assert 'id="finding-1"' in page
    assert 'aria-label="Finding 1, must be mended"' in page
    assert factories.ISLAND["message"] in page
    assert factories.ISLAND["remedy"] in page
    assert "100 mm² of film" in page
    assert 'viewBox="0 0 152.4 152.4"' in page


def test_a_drawing_that_holds_can_be_ordered_from_its_page(visitor: Client, shop: Any) -> None:
    page = text(visitor.get(address(factories.make_version(visitor=KEY))))
    assert "It will hold" in page
    assert 'action="/basket/add/"' in page
    assert "Send me the cut-outs too" in page


def test_a_mask_says_that_all_pieces_are_the_product(visitor: Client, shop: Any) -> None:
    version = factories.make_version(visitor=KEY, mode="mask")
    page = text(visitor.get(address(version)))
    assert "It can be cut as a mask" in page
    assert "Send me the cut-outs too" not in page


def test_an_unreadable_picture_gets_its_one_sentence(visitor: Client) -> None:
    page = text(visitor.get(address(factories.make_version(visitor=KEY, status="unreadable"))))
    assert "This picture could not be read" in page
    assert "Nothing is drawn on this paper." in page
    assert "A good picture" in page
    assert "basket/add" not in page


def test_polling_answers_204_until_the_step_changes_and_286_when_settled(
    visitor: Client,
) -> None:
    version = factories.make_version(visitor=KEY, status="waiting")
    page = text(visitor.get(address(version)))
    state = f"/drawing/{version.design.token}/state/?v=1"
    assert f"{state}&amp;seen=waiting-" in page
    assert visitor.get(f"{state}&seen=waiting-").status_code == 204

    attempt = workflow.claim(version.pk)
    assert attempt is not None
    workflow.show_step(version.pk, attempt, "widths")
    moved = visitor.get(f"{state}&seen=waiting-")
    assert moved.status_code == 200
    assert "Measuring lines and gaps" in text(moved)
    assert visitor.get(f"{state}&seen=checking-widths").status_code == 204

    workflow.finish(version.pk, attempt, factories.make_report("passed", [], "6x6in"))
    done = visitor.get(f"{state}&seen=checking-widths")
    assert done.status_code == 286
    assert "It will hold" in text(done)
    assert "hx-trigger" not in text(done).split("<form")[0]


def test_meant_as_a_mask_makes_one_more_version_once(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    form = {"version": "1", "mode": "mask"}
    for _ in range(2):
        response = visitor.post(f"/drawing/{version.design.token}/mode/", form)
        assert response.headers["Location"].endswith("?v=2")
    mask = version.design.versions.get(number=2)
    assert (mask.mode, mask.origin, version.design.versions.count()) == ("mask", "mask", 2)


def test_another_size_reads_the_same_file_again(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY)
    form = {"version": "1", "blank": "4x4in", "paper": "letter"}
    visitor.post(f"/drawing/{version.design.token}/size/", form)
    second = version.design.versions.get(number=2)
    assert second.blank_code == "4x4in"
    assert second.recipe["paper_mm"] == [215.9, 279.4]
    assert second.upload_id == version.upload_id


def test_a_name_can_be_changed_but_not_emptied(visitor: Client) -> None:
    design = factories.make_version(visitor=KEY).design
    visitor.post(f"/drawing/{design.token}/rename/", {"title": "  Bowline  "})
    visitor.post(f"/drawing/{design.token}/rename/", {"title": "   "})
    design.refresh_from_db()
    assert design.title == "Bowline"


def test_a_drawing_taken_away_is_gone_from_its_address(visitor: Client) -> None:
    design = factories.make_version(visitor=KEY).design
    response = visitor.post(f"/drawing/{design.token}/remove/")
    assert response.headers["Location"] == "/mine/"
    assert visitor.get(f"/drawing/{design.token}/").status_code == 404


def test_a_drawing_in_an_open_order_stays(visitor: Client) -> None:
    job = factories.make_job(version=factories.make_version(visitor=KEY))
    design = job.version.design
    response = visitor.post(f"/drawing/{design.token}/remove/", follow=True)
    assert "is in an order that is not finished yet" in text(response)
    assert visitor.get(f"/drawing/{design.token}/").status_code == 200


def test_the_workshop_looks_at_a_drawing_but_does_not_change_it(cutter_client: Client) -> None:
    design = factories.make_version(visitor=KEY).design
    assert cutter_client.get(f"/drawing/{design.token}/").status_code == 200
    assert cutter_client.post(f"/drawing/{design.token}/mode/", {"mode": "mask"}).status_code == 403
    assert cutter_client.post(f"/drawing/{design.token}/rename/", {"title": "x"}).status_code == 404


def test_an_answer_sends_the_chosen_version_to_the_waiting_job(visitor: Client) -> None:
    old = factories.make_version(visitor=KEY)
    order = factories.make_order(accepted=True, visitor=KEY)
    job = factories.make_job(order, version=old, status="received")
    workflow.ask_changes(job, Actor("workshop", factories.workshop_person()), why="A little room.")
    mended = factories.make_version(old.design)
    assert "Send version 2 to the workshop" in text(visitor.get(address(mended)))
    assert "Send version 1" not in text(visitor.get(address(old)))
    form = {"version": "2", "job": job.code, "seen": str(job.revision)}
    response = visitor.post(f"/drawing/{old.design.token}/answer/", form)
    assert response.headers["Location"] == f"/order/{job.order.link_token}/"
    job.refresh_from_db()
    assert (job.status, job.version_id) == (Job.Status.RECEIVED, mended.pk)


# --- what the page makes of a report ------------------------------------------------------


def test_marks_stand_clear_of_each_other_inside_the_blank() -> None:
    findings = [{"id": n, "at_mm": [50.0 + n / 10, 1.0]} for n in range(12)]
    marks = [mark for mark in place_marks(findings, (152.4, 152.4)) if mark]
    assert len(marks) == 12
    for n, mark in enumerate(marks):
        half = mark.size / 2
        assert half - 0.01 <= mark.x <= 152.41 - half
        assert half - 0.01 <= mark.y <= 152.41 - half
        for other in marks[:n]:
            assert abs(mark.x - other.x) + abs(mark.y - other.y) > mark.size * 0.99


def test_an_area_is_outlined_closed_and_a_line_is_drawn_along() -> None:
    line = [[1.0, 2.0], [3.0, 4.0]]
    area, web = place_marks(
        [
            {"id": 1, "at_mm": [9, 9], "outline_mm": line, "area_mm2": 5.0},
            {"id": 2, "at_mm": [9, 9], "outline_mm": line, "width_mm": 0.5, "area_mm2": None},
        ],
        (101.6, 101.6),
    )
    assert area is not None
    assert web is not None
    assert (area.path, web.path) == ("M1.00,2.00 3.00,4.00Z", "M1.00,2.00 3.00,4.00")


def test_a_finding_without_a_place_has_no_mark() -> None:
    assert place_marks([{"id": 1, "at_mm": None}], (152.4, 152.4)) == [None]


def test_more_than_twenty_of_a_kind_are_told_in_one_sentence(db: None) -> None:
    many = [{**factories.THIN_WEB, "id": n, "key": str(n)} for n in range(1, 26)]
    shown = findings_shown(factories.make_version(findings=many))
    assert len(shown.findings) == SHOWN_OF_A_KIND
    (group,) = shown.groups
    assert (group.title, group.count, group.left_out) == ("thin film", 25, 5)
    assert len(shown.left_out_paths) == 5


@pytest.mark.parametrize(
    ("finding", "words"),
    [
        ({"width_mm": 0.7, "limit_mm": 1.0}, "0.7 mm wide; 1 mm or more is wanted"),
        (
            {"distance_mm": 6.35, "limit_mm": 10.0},
            "6.35 mm from the edge; 10 mm or more is wanted",
        ),
        ({"distance_mm": -6.4, "limit_mm": 10.0}, "6.4 mm beyond the edge"),
        ({"distance_mm": 0.0, "limit_mm": 10.0}, "0 mm from the edge; 10 mm or more is wanted"),
        (
            {"kind": "crowding", "cut_mm_per_mm2": 1.984, "limit_mm_per_mm2": 1.6, "area_mm2": 80},
            "2 mm of cut on each mm² of film; 1.6 or less is wanted",
        ),
        ({"kind": "island", "area_mm2": 2310.4}, "2,310 mm² of film"),
        ({"kind": "island", "area_mm2": 1.25}, "1.2 mm² of film"),
        ({"kind": "speck", "area_mm2": 0.08}, ""),
        ({}, ""),
    ],
)
def test_a_measure_is_told_against_its_limit(finding: dict[str, Any], words: str) -> None:
    assert measure_of(finding) == words


def test_the_link_of_one_order_does_not_open_another_of_the_same_drawing(stranger: Client) -> None:
    drawn = factories.make_version(owner=factories.artist_person())
    shown = factories.make_job(status="shipped", version=drawn)
    waiting = factories.make_job(status="needs-changes", version=drawn)
    mended = factories.make_version(drawn.design)
    stranger.get(f"/order/{shown.order.link_token}/")
    assert waiting.code not in text(stranger.get(address(mended)))
    response = stranger.post(
        f"/drawing/{drawn.design.token}/answer/",
        {"job": waiting.code, "version": str(mended.number)},
    )
    assert waiting.order.link_token not in response.headers["Location"]
    waiting.refresh_from_db()
    assert waiting.status == "needs-changes"


def test_a_name_is_one_line_of_plain_text(visitor: Client) -> None:
    version = factories.make_version(factories.make_design(visitor=KEY))
    rename = f"/drawing/{version.design.token}/rename/"
    visitor.post(rename, {"title": "Tide\r\nsnail\x08\u2028 v1.2"})
    version.design.refresh_from_db()
    assert version.design.title == "Tide snail v1.2"
    # composed, each of these is two letters (Unicode composition exclusions): 160 fit no column
    page = visitor.post(rename, {"title": "\u0958" * 80}, follow=True)
    assert "A name has up to 80 letters" in page.content.decode()
    page = visitor.post(rename, {"title": "\u2028\x08"}, follow=True)
    assert "Give the drawing a name." in text(page)


@pytest.mark.parametrize(
    ("kind", "found", "is_table"),
    [
        ("leaves-blank", "paper-edges", True),
        ("leaves-blank", "whole-image", True),
        ("leaves-blank", "dpi", False),
        ("island", "paper-edges", False),
    ],
)
def test_what_runs_off_a_photograph_may_be_the_table(kind: str, found: str, is_table: bool) -> None:
    version = Version(report={"page": {"found": found}, "findings": [{"kind": kind}]})
    assert is_edge_of_table(version) is is_table


@pytest.mark.parametrize(
    ("area_mm2", "is_empty"),
    [(0.6, True), (NEARLY_EMPTY_MM2 - 0.1, True), (NEARLY_EMPTY_MM2, False), (None, False)],
)
def test_next_to_nothing_drawn_is_asked_about(area_mm2: float | None, is_empty: bool) -> None:
    stencil = {} if area_mm2 is None else {"opening_area_mm2": area_mm2}
    assert is_nearly_empty(Version(report={"stencil": stencil, "findings": []})) is is_empty


@pytest.mark.parametrize("status", ["passed", "rejected"])
def test_a_drawings_page_has_one_main_button(
    visitor: Client, shop: Any, status: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("orders.mending.is_awaited", lambda version: False)
    version = factories.make_version(visitor=KEY, status=status)
    page = visitor.get(f"/drawing/{version.design.token}/").content.decode()
    assert page.count("button-main") == 1
    assert page.index('id="next-steps"') < (
        page.index('id="finding-list"') if status == "rejected" else len(page)
    )
