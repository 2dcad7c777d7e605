"""The pens on the server: operations count once, two windows keep all, saving makes one version."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse

from geometry.recipe import Recipe
from orders import editing, prepared
from orders.errors import OrderError, RefusedError, StaleError
from orders.models import Upload, Version, Working
from tests import factories
from tests.artist.conftest import KEY
from tests.orders.test_at_once import all_at_once

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _own_prepared(settings: Any, tmp_path: Path) -> Iterator[None]:
    """Keep prepared pictures apart from test to test."""
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    prepared._held.clear()
    yield
    prepared._held.clear()


def ring_version(**values: Any) -> Version:
    """A version of a scan that can be measured: one ring, so that its inside falls out."""
    design = factories.make_design(visitor=values.pop("visitor", ""))
    data = factories.picture_png(1440)
    upload = Upload(design=design, name="ring.png", sha256=sha256(data).hexdigest(), size_bytes=1)
    upload.file.save("upload", ContentFile(data), save=False)
    upload.save()
    return factories.make_version(design, **values)


def stroke(number: str = "a", x: float = 20.0, **values: Any) -> dict[str, Any]:
    plain = {"id": number, "pen": "white", "points_mm": [[x, 20], [x, 60]], "width_mm": 1.5}
    return plain | {"from": "hand"} | values


def put(number: str = "a", seq: int = 1, *, snap: bool = False, **values: Any) -> dict[str, Any]:
    return {"op": "put", "stroke": stroke(number, **values), "seq": seq, "snap": snap}


def drop(number: str, seq: int) -> dict[str, Any]:
    return {"op": "drop", "id": number, "seq": seq}


def draw(version: Version, *operations: dict[str, Any]) -> editing.Merged:
    read, refused = editing.read_operations(json.dumps({"ops": operations}).encode())
    assert refused == []
    return editing.draw(version, read)


def ids(version: Version) -> list[str]:
    return [one["id"] for one in editing.working_of(version).strokes]


# ---- operations


def test_a_repeat_changes_nothing() -> None:
    version = factories.make_version()
    first = draw(version, put("a", 1), put("b", 2))
    again = draw(version, put("a", 1), put("b", 2))
    assert (first.working.revision, again.working.revision) == (1, 1)
    assert again.working.strokes == first.working.strokes
    assert [one["id"] for one in again.working.strokes] == ["a", "b"]


def test_a_late_put_does_not_bring_back_what_was_taken_away() -> None:
    version = factories.make_version()
    draw(version, put("a", 1), drop("a", 2))
    draw(version, put("a", 1))
    assert ids(version) == []
    draw(version, put("a", 3))
    assert ids(version) == ["a"]


def test_a_changed_stroke_keeps_its_place_in_the_order() -> None:
    version = factories.make_version()
    draw(version, put("a", 1), put("b", 2))
    draw(version, put("a", 3, width_mm=4))
    assert ids(version) == ["a", "b"]
    assert editing.working_of(version).strokes[0]["width_mm"] == 4


def test_two_windows_keep_all_strokes() -> None:
    version = factories.make_version()
    draw(version, put("one-1", 1))
    draw(version, put("two-1", 1))
    answer = draw(version, put("one-2", 2))
    assert [one["id"] for one in answer.working.strokes] == ["one-1", "two-1", "one-2"]
    assert answer.working.revision == 3


def test_the_strokes_of_the_version_can_be_changed_and_only_changes_count() -> None:
    version = factories.make_version()
    version.recipe["strokes"] = editing.plain([stroke(), stroke(x=40)])
    version.save()
    assert editing.unkept(version) == 0
    assert ids(version) == ["r1", "r2"]
    draw(version, put("r1", 1))
    assert editing.unkept(version) == 0
    draw(version, drop("r2", 2), put("r1", 3, x=22.0), put("new", 4))
    assert editing.unkept(version) == 3


def test_a_rough_stroke_is_laid_across_the_line_once() -> None:
    """The ring of the picture: radii 45.7 and 33.0 mm about the middle of 6 x 6 in."""
    version = ring_version()
    across = [[75.0, 25.0], [79.0, 50.0]]
    first = draw(version, put("a", 1, snap=True, points_mm=across))
    (x0, y0), (x1, y1) = first.working.strokes[0]["points_mm"]
    assert first.unsnapped == []
    assert abs(x1 - x0) < 1.0
    assert y0 < 76.2 - 45.7 < 76.2 - 33.0 < y1
    again = draw(version, put("a", 1, snap=True, points_mm=across))
    assert again.working.strokes == first.working.strokes


def test_a_stroke_across_no_line_stays_as_drawn_and_is_named() -> None:
    version = ring_version()
    answer = draw(version, put("a", 1, snap=True, points_mm=[[5, 5], [9, 9]]))
    assert answer.unsnapped == ["a"]
    assert answer.working.strokes[0]["points_mm"] == [[5, 5], [9, 9]]


# ---- what is refused


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b"[" * 50_000,
        b'{"ops": 3}',
        b'{"ops": ["put"]}',
        b'{"ops": [{"op": "fly", "id": "a", "seq": 1}]}',
        b'{"ops": [{"op": "drop", "id": "../a", "seq": 1}]}',
        b'{"ops": [{"op": "drop", "id": "a"}]}',
        b'{"ops": [{"op": "drop", "id": "a", "seq": true}]}',
        b'{"ops": [{"op": "drop", "id": "a", "seq": 1e300}]}',
        json.dumps({"ops": [drop("a", 1)] * (editing.MOST_OPERATIONS + 1)}).encode(),
        b'{"ops": [], "more": "' + b"x" * editing.LARGEST_BODY_BYTES + b'"}',
    ],
)
def test_what_is_no_list_of_operations_is_refused_in_a_sentence(body: bytes) -> None:
    with pytest.raises(RefusedError, match="could not be read"):
        editing.read_operations(body)


@pytest.mark.parametrize(
    "values",
    [
        {"pen": "red"},
        {"points_mm": []},
        {"points_mm": [[1, "2"]]},
        {"points_mm": [[1e9, 0]]},
        {"points_mm": [[1, 2]] * (editing.MOST_POINTS + 1)},
        {"width_mm": 0},
        {"width_mm": 101},
        {"from": "elsewhere"},
    ],
)
def test_one_wrong_stroke_is_named_and_the_others_are_taken(values: dict[str, Any]) -> None:
    body = json.dumps({"ops": [put("good", 1), put("bad", 2, **values)]}).encode()
    operations, refused = editing.read_operations(body)
    assert [one.id for one in operations] == ["good"]
    assert [(one["id"], one["seq"]) for one in refused] == [("bad", 2)]
    assert refused[0]["why"].endswith(".")


def test_there_is_a_limit_on_strokes_and_it_is_told() -> None:
    version = factories.make_version()
    many = [put(f"s{number}", number) for number in range(1, editing.MOST_STROKES + 1)]
    assert draw(version, *many).refused == []
    over = draw(version, put("one-more", 1000), put("s1", 1001, width_mm=3))
    assert [one["id"] for one in over.refused] == ["one-more"]
    assert over.refused[0]["why"] == editing.TOO_MANY
    assert len(over.working.strokes) == editing.MOST_STROKES
    assert over.working.strokes[0]["width_mm"] == 3


@pytest.mark.parametrize(
    "values",
    [
        {"status": "waiting"},
        {"status": "checking"},
        {"status": "unreadable"},
        {"status": "passed", "proposal": "offered"},
    ],
)
def test_nothing_is_drawn_on_what_is_not_ready_or_not_ones_own(values: dict[str, Any]) -> None:
    version = factories.make_version(**values)
    with pytest.raises(OrderError):
        draw(version, put())
    assert not Working.objects.exists()


# ---- saving and discarding


def test_saving_makes_the_next_version_once_and_then_empties_what_was_drawn() -> None:
    version = factories.make_version()
    revision = draw(version, put("a", 1), put("b", 2, pen="black")).working.revision
    made = editing.save(version, revision, by=None)
    assert made.number == 2
    assert made.origin == Version.Origin.PENS
    assert made.get_origin_display() == "mended with the pens"
    assert [one.pen for one in Recipe.from_json(made.recipe).strokes] == ["white", "black"]
    assert editing.unkept(version) == 0
    assert editing.save(version, revision, by=None) == made
    assert version.design.versions.count() == 2
    draw(version, put("a", 1), put("b", 2))  # what arrives late after that
    assert editing.unkept(version) == 0


def test_nothing_drawn_makes_no_version() -> None:
    version = factories.make_version()
    with pytest.raises(RefusedError):
        editing.save(version, 0, by=None)
    draw(version, put("a", 1), drop("a", 2))
    with pytest.raises(RefusedError):
        editing.save(version, 2, by=None)
    assert version.design.versions.count() == 1


def test_a_save_of_what_another_window_has_drawn_on_asks_to_look_first() -> None:
    version = factories.make_version()
    seen = draw(version, put("a", 1)).working.revision
    draw(version, put("b", 1))
    with pytest.raises(StaleError):
        editing.save(version, seen, by=None)
    assert ids(version) == ["a", "b"]
    assert version.design.versions.count() == 1


def test_discarding_brings_the_version_s_own_strokes_back() -> None:
    version = factories.make_version()
    version.recipe["strokes"] = editing.plain([stroke()])
    version.save()
    draw(version, drop("r1", 5), put("a", 6))
    editing.discard(version)
    assert editing.unkept(version) == 0
    draw(version, drop("r1", 5), put("a", 6))  # late repeats
    assert ids(version) == ["r1"]


# ---- several writers at the same moment, on SQLite and PostgreSQL alike


@pytest.mark.django_db(transaction=True)
def test_eight_windows_drawing_at_once_lose_no_stroke() -> None:
    version = factories.make_version()

    def window(name: int) -> Callable[[], Any]:
        def strokes() -> None:
            for seq in range(1, 6):
                draw(version, put(f"w{name}-{seq}", seq))

        return strokes

    results = all_at_once(*[window(name) for name in range(8)])
    assert results == [None] * 8
    working = Working.objects.get()
    assert sorted(one["id"] for one in working.strokes) == sorted(
        f"w{name}-{seq}" for name in range(8) for seq in range(1, 6)
    )
    assert working.revision == 40


@pytest.mark.django_db(transaction=True)
def test_saving_pressed_by_many_fingers_makes_one_version() -> None:
    version = factories.make_version()
    revision = draw(version, put()).working.revision
    pk = version.pk
    results = all_at_once(
        *[lambda: editing.save(Version.objects.get(pk=pk), revision, by=None).pk] * 4
    )
    assert len(set(results)) == 1
    assert version.design.versions.count() == 2


@pytest.mark.django_db(transaction=True)
def test_a_stroke_that_comes_while_saving_is_never_lost() -> None:
    for _ in range(5):
        version = factories.make_version()
        revision = draw(version, put("a", 1)).working.revision
        pk = version.pk
        saved, _ = all_at_once(
            lambda pk=pk, revision=revision: editing.save(
                Version.objects.get(pk=pk), revision, by=None
            ),
            lambda pk=pk: draw(Version.objects.get(pk=pk), put("b", 2)),
        )
        in_version = len(saved.recipe["strokes"]) if isinstance(saved, Version) else 0
        assert (in_version, ids(version)) in [(1, ["b"]), (0, ["a", "b"])]


# ---- the pages


def send(client: Client, version: Version, *operations: dict[str, Any]) -> Any:
    address = reverse("pens-strokes", args=[version.design.token]) + f"?v={version.number}"
    body = json.dumps({"ops": operations})
    return client.post(address, body, content_type="application/json")


def test_the_answer_holds_list_revision_verdict_and_findings(visitor: Client) -> None:
    version = ring_version(visitor=KEY, status="rejected")
    address = reverse("pens-state", args=[version.design.token])
    before = visitor.get(address).json()
    assert before["verdict"] == "rejected"
    assert before["said"].startswith("1 thing to mend; 1: The inside of this loop")
    assert "1 · must be mended:" in before["html"]
    assert before["marks"][0]["severity"] == "reject"
    assert before["is_whole"] is True
    bridges = [
        put("n", 1, snap=True, points_mm=[[76, 28], [77, 46]]),
        put("s", 2, snap=True, points_mm=[[76, 105], [77, 125]]),
    ]
    response = send(visitor, version, *bridges)
    after = response.json()
    assert after["verdict"] == "passed"
    assert after["said"].startswith("Nothing has to be mended")
    assert (after["revision"], after["unkept"], len(after["strokes"])) == (1, 2, 2)
    assert "recheck;dur=" in response["Server-Timing"]


def test_white_over_everything_is_said_and_kept(visitor: Client) -> None:
    version = ring_version(visitor=KEY)
    wide = [put(f"w{y}", y, points_mm=[[0, y], [152, y]], width_mm=99) for y in (30, 110)]
    answer = send(visitor, version, *wide).json()
    assert answer["verdict"] == "unreadable"
    assert answer["said"] == "The white strokes cover all that is drawn."
    assert len(answer["strokes"]) == 2


def test_bad_json_is_answered_in_a_sentence_and_changes_nothing(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY)
    address = reverse("pens-strokes", args=[version.design.token])
    response = visitor.post(address, "{", content_type="application/json")
    assert response.status_code == 400
    assert response.json() == {"error": editing.NOT_READ}
    assert not Working.objects.exists()


def test_the_workshop_looks_on_and_draws_nothing(cutter_client: Client) -> None:
    version = factories.make_version(visitor=KEY)
    page = cutter_client.get(reverse("drawing-pens", args=[version.design.token]))
    assert b"You are looking on" in page.content
    assert b'id="pens-save"' not in page.content
    assert cutter_client.get(reverse("pens-state", args=[version.design.token])).status_code == 200
    assert send(cutter_client, version, put()).status_code == 403
    assert not Working.objects.exists()


def test_a_stranger_finds_nothing(stranger: Client) -> None:
    version = factories.make_version(visitor=KEY)
    assert send(stranger, version, put()).status_code == 404
    assert stranger.get(reverse("pens-film", args=[version.design.token])).status_code == 404


def test_a_version_that_is_not_ready_leads_back_to_the_drawing(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY, status="unreadable")
    response = visitor.get(reverse("drawing-pens", args=[version.design.token]))
    assert response["Location"] == reverse("drawing", args=[version.design.token]) + "?v=1"


def test_the_drawing_page_tells_of_strokes_not_yet_kept(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY)
    page = reverse("drawing", args=[version.design.token])
    assert "not yet kept as a version" not in visitor.get(page).content.decode()
    draw(version, put("a", 1), put("b", 2), put("c", 3))
    assert "You have 3 strokes not yet kept as a version." in visitor.get(page).content.decode()
    visitor.post(reverse("pens-discard", args=[version.design.token]), {"version": 1})
    assert "not yet kept as a version" not in visitor.get(page).content.decode()


def test_saving_by_the_form_leads_to_the_new_version(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY)
    revision = send(visitor, version, put()).json()["revision"]
    address = reverse("pens-save", args=[version.design.token])
    for _ in range(2):
        response = visitor.post(address, {"version": 1, "revision": revision})
        assert response["Location"].endswith("?v=2")
    assert version.design.versions.count() == 2


def test_without_scripts_the_proposed_bridges_become_a_version(visitor: Client) -> None:
    version = ring_version(visitor=KEY, status="rejected")
    page = visitor.get(reverse("drawing-pens", args=[version.design.token])).content.decode()
    assert "Drawing with the pens needs scripts" in page
    response = visitor.post(reverse("pens-bridges", args=[version.design.token]), {"version": 1})
    assert response["Location"].endswith("?v=2")
    made = version.design.versions.get(number=2)
    strokes = Recipe.from_json(made.recipe).strokes
    assert strokes
    assert {one.origin for one in strokes} == {"proposal"}
    looked = editing.look(made, editing.own_strokes(made))
    assert looked.verdict == "passed"


# ---- bridges proposed


def ask_for_bridges(client: Client, version: Version, **data: Any) -> Any:
    address = reverse("pens-propose", args=[version.design.token])
    return client.post(address, json.dumps(data), content_type="application/json")


def test_bridges_are_proposed_and_nothing_is_stored(visitor: Client) -> None:
    version = ring_version(visitor=KEY, status="rejected")
    answer = ask_for_bridges(visitor, version, style="usual").json()
    assert answer["bridges"]
    assert answer["said"].endswith("With all of them it will hold.")
    assert not Working.objects.exists()
    fewer = ask_for_bridges(visitor, version, style="fewer").json()
    assert fewer["bridges"][0]["width_mm"] > answer["bridges"][0]["width_mm"]


def test_a_bridge_kept_by_the_artist_stays_and_comes_first(visitor: Client) -> None:
    version = ring_version(visitor=KEY, status="rejected")
    kept = {"points_mm": [[76.2, 29.0], [76.2, 45.0]], "width_mm": 2.0}
    answer = ask_for_bridges(visitor, version, locked=[kept]).json()
    first = answer["bridges"][0]
    assert first["locked"] is True
    assert (first["from_mm"], first["to_mm"]) == tuple(kept["points_mm"])


@pytest.mark.parametrize(
    "data", [{"style": "fancy"}, {"locked": 3}, {"locked": [3]}, {"locked": [{"points_mm": []}]}]
)
def test_a_wrong_question_for_bridges_is_refused(visitor: Client, data: dict[str, Any]) -> None:
    version = factories.make_version(visitor=KEY)
    assert ask_for_bridges(visitor, version, **data).status_code == 400
