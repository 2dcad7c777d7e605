"""Findings one can act on: mends, keeping, the unit, and the picture close up, without scripts."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.test import Client
from PIL import Image

from orders import mending, prepared
from orders.artist.showing import findings_shown, told
from orders.marks import zoom_box
from orders.models import Event, Kept, MendPlan, Version
from orders.templatetags.holdfast import in_unit, lengths
from orders.workflow import Actor
from tests import factories

from .conftest import KEY

pytestmark = pytest.mark.django_db
WHITE = {"pen": "white", "points_mm": [[44, 44], [48, 48]], "width_mm": 1.5, "from": "proposal"}
BLACK = {"pen": "black", "points_mm": [[88, 60], [92, 60]], "width_mm": 1.06, "from": "proposal"}
ARTIST = Actor("artist")


def mend_of(finding: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "finding": finding["id"],
        "key": finding["key"],
        "kind": finding["kind"],
        "words": "Put in a bridge",
        "strokes": [WHITE],
        "place_mm": None,
        "scale": None,
        "shrinks_to": None,
        "shift_mm": None,
        "takes_mm2": 3.0,
        "adds_mm2": 0.0,
        "alone": True,
    } | more


def planned(**values: Any) -> Version:
    """A rejected drawing of an island and thin film whose mends are worked out."""
    web = {**factories.THIN_WEB, "id": 2}
    findings = [factories.ISLAND, web]
    version = factories.make_version(visitor=KEY, status="rejected", findings=findings, **values)
    mends = [
        mend_of(factories.ISLAND),
        mend_of(web, words="Widen this gap", strokes=[BLACK]),
    ]
    after = {"verdict": "passed", "rejects": 0, "warnings": 0, "notes": 0, "came": []}
    together = {"mends": mends, "left": [], "takes_mm2": 3.0, "adds_mm2": 1.0, "after": after}
    MendPlan.objects.create(version=version, plan={"each": mends, "together": together})
    return version


def at(version: Version, part: str = "") -> str:
    return f"/drawing/{version.design.token}/{part}"


def with_an_island(letter: str) -> Version:
    """A checked drawing; its prepared picture is kept by a hash of its own."""
    version = factories.make_version(visitor=KEY, status="rejected")
    picture = Image.open(BytesIO(factories.picture_png())).convert("L").resize((1200, 1200))
    out = BytesIO()
    picture.save(out, "PNG", dpi=(200, 200))
    version.upload.sha256 = letter * 64
    version.upload.file.save("upload", ContentFile(out.getvalue()), save=True)
    return version


def test_the_worker_works_out_the_mends_of_a_checked_drawing() -> None:
    version = with_an_island("d")
    assert mending.is_awaited(version)
    assert mending.make_plan(version.pk)
    assert not mending.make_plan(version.pk)
    assert not mending.is_awaited(version)
    plan = mending.plan_of(version)
    assert plan is not None
    assert plan["together"]["after"]["verdict"] == "passed"
    assert plan["each"][0]["words"].startswith("Put in")


def test_a_drawing_that_comes_while_mends_are_worked_out_has_its_verdict_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Mends of a drawing with much to mend take seconds; nobody's verdict waits for them."""
    version = with_an_island("a")
    come: list[Version] = []
    usual = prepared.prepared_for

    def prepared_for(asked: Version) -> Any:
        found = usual(asked)
        come.append(factories.make_version(status="waiting"))  # after the work was begun
        return found

    looked: list[bool] = []

    def look_at(version_id: int) -> bool:
        looked.append(mending.plan_of(version) is None)
        return bool(Version.objects.filter(pk=version_id).update(status="passed"))

    monkeypatch.setattr("orders.prepared.prepared_for", prepared_for)
    monkeypatch.setattr("orders.checking.look_at", look_at)
    assert mending.make_plan(version.pk)
    assert looked == [True]
    come[0].refresh_from_db()
    assert come[0].status == "passed"
    assert mending.plan_of(version) is not None


def test_mends_are_put_off_where_drawings_keep_coming(monkeypatch: pytest.MonkeyPatch) -> None:
    version = with_an_island("b")
    seen: list[float] = []

    def give_way(until: float) -> bool:
        seen.append(until)
        return len(seen) == 1  # nobody waits at first, and then more than there is time for

    monkeypatch.setattr("orders.closer_look.give_way", give_way)
    assert not mending.make_plan(version.pk)
    row = MendPlan.objects.get(version=version)
    assert (row.plan, row.failed, row.lease_until) == (None, False, None)
    assert len(seen) == 2
    assert seen[0] == seen[1]
    seen[:] = []
    monkeypatch.setattr("orders.closer_look.give_way", lambda until: True)
    assert mending.make_plan(version.pk)


def test_a_plan_that_cannot_be_made_is_given_up_and_not_waited_for() -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    version.upload.sha256 = "e" * 64
    version.upload.file.save("upload", ContentFile(b"no picture"), save=True)
    assert not mending.make_plan(version.pk)
    assert MendPlan.objects.get().failed
    assert not mending.is_awaited(version)


def test_the_list_asks_until_the_mends_are_there(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    assert "Working out how each" in visitor.get(at(version)).content.decode()
    assert visitor.get(at(version, "mends/")).status_code == 204
    MendPlan.objects.update(failed=True)
    answer = visitor.get(at(version, "mends/"))
    assert answer.status_code == 286
    assert 'id="finding-1"' in answer.content.decode()


def test_a_mend_is_made_into_the_next_version_once(visitor: Client) -> None:
    version = planned()
    page = visitor.get(at(version)).content.decode()
    assert "Put in a bridge" in page
    data = {"version": 1, "key": factories.ISLAND["key"]}
    for _ in range(2):
        response = visitor.post(at(version, "mend-here/"), data)
        assert response["Location"].endswith("?v=2")
    made = version.design.versions.get(number=2)
    assert version.design.versions.count() == 2
    assert made.origin == Version.Origin.HERE
    assert made.status == Version.Status.WAITING
    assert made.recipe["strokes"] == [WHITE]
    assert version.recipe.get("strokes") is None


def test_only_what_is_ticked_is_mended_black_first(visitor: Client) -> None:
    version = planned()
    page = visitor.get(at(version, "mend-all/")).content.decode()
    assert page.count('type="checkbox"') == 2
    assert "With all of them it can be cut." in page
    visitor.post(at(version, "mend-all/do/"), {"version": 1, "mend": ["0", "1"]})
    assert version.design.latest.recipe["strokes"] == [BLACK, WHITE]
    visitor.post(at(version, "mend-all/do/"), {"version": 1, "mend": ["1"]})
    assert version.design.latest.recipe["strokes"] == [BLACK]
    response = visitor.post(at(version, "mend-all/do/"), {"version": 1}, follow=True)
    assert "Choose at least one mend." in response.content.decode()
    assert version.design.versions.count() == 3


def test_strokes_follow_a_move_and_come_back_without_it(visitor: Client) -> None:
    version = planned()
    plan = MendPlan.objects.get()
    move = {"place_mm": [50.0, 60.0], "scale": 0.5, "shrinks_to": 0.5, "shift_mm": [10.0, 20.0]}
    first = mend_of({"id": 3, "key": "margin", "kind": "margin"}, strokes=[], **move)
    plan.plan["together"]["mends"] = [first, *plan.plan["together"]["mends"]]
    plan.save()
    visitor.post(at(version, "mend-all/do/"), {"version": 1, "mend": ["0", "1"]})
    recipe = version.design.latest.recipe
    assert recipe["place_mm"] == [50.0, 60.0]
    assert recipe["scale"] == 0.5
    assert recipe["strokes"][0]["points_mm"] == WHITE["points_mm"]
    visitor.post(at(version, "mend-all/do/"), {"version": 1, "mend": ["1"]})
    recipe = version.design.latest.recipe
    assert "scale" not in recipe
    assert recipe["strokes"][0]["points_mm"] == [[68, 48], [76, 56]]
    assert recipe["strokes"][0]["width_mm"] == 3.0


def test_a_mend_that_is_not_worked_out_yet_is_said(visitor: Client) -> None:
    version = factories.make_version(visitor=KEY, status="rejected")
    data = {"version": 1, "key": factories.ISLAND["key"]}
    page = visitor.post(at(version, "mend-here/"), data, follow=True).content.decode()
    assert "still being worked out" in page


def test_a_warning_is_kept_with_who_and_when_and_undone(
    visitor: Client, cutter_client: Client
) -> None:
    version = planned()
    key = factories.THIN_WEB["key"]
    data = {"version": 1, "key": key, "finding": 2}
    for _ in range(2):
        assert visitor.post(at(version, "keep/"), data)["Location"].endswith("#finding-2")
    kept = Kept.objects.get()
    assert Event.objects.filter(version=version, action="keep", why=key).count() == 1
    assert "Kept as it is" in visitor.get(at(version)).content.decode()
    job = factories.make_job(version=version, status="received")
    page = cutter_client.get(f"/workshop/job/{job.code}/").content.decode()
    assert "The artist keeps it as it is" in page
    visitor.post(at(version, "mend-here/"), {"version": 1, "key": factories.ISLAND["key"]})
    assert version.design.latest.recipe["accepted"] == [key]
    assert kept.version.status == Version.Status.REJECTED
    visitor.post(at(version, "keep/"), data | {"do": "undo"})
    assert not Kept.objects.exists()
    assert Event.objects.filter(version=version, action="unkeep", why=key).count() == 1


def test_what_must_be_mended_cannot_be_kept(visitor: Client) -> None:
    version = planned()
    data = {"version": 1, "key": factories.ISLAND["key"]}
    page = visitor.post(at(version, "keep/"), data, follow=True).content.decode()
    assert "has to be mended" in page
    assert not Kept.objects.exists()


def test_a_group_is_mended_by_one_press(visitor: Client) -> None:
    webs = [
        {**factories.THIN_WEB, "id": n, "key": f"w{n}", "at_mm": [20 + 3 * n, 60]}
        for n in range(1, 25)
    ]
    version = factories.make_version(visitor=KEY, findings=webs)
    each = [
        mend_of(one, strokes=[{**WHITE, "points_mm": [[20 + 3 * one["id"], 60.0]]}]) for one in webs
    ]
    MendPlan.objects.create(version=version, plan={"each": each, "together": {"mends": each}})
    assert "Mend all 24 of these" in visitor.get(at(version)).content.decode()
    visitor.post(at(version, "mend-here/"), {"version": 1, "kind": "thin-web"})
    assert len(version.design.latest.recipe["strokes"]) == 24


def test_small_pictures_show_the_place_before_and_after(visitor: Client) -> None:
    version = planned()
    parts = []
    for side in ("before", "after"):
        response = visitor.get(at(version, f"v1/place-1-{side}.png"))
        assert response["Content-Type"] == "image/png"
        parts.append(response.content)
    assert parts[0] != parts[1]
    assert visitor.get(at(version, "v1/place-9-before.png")).status_code == 404
    assert visitor.get(at(version, "v1/place-1-other.png")).status_code == 404


def test_a_finding_is_seen_close_up_without_scripts(visitor: Client) -> None:
    version = planned()
    page = visitor.get(at(version) + "?zoom=1").content.decode()
    x, y, across, _ = zoom_box(factories.ISLAND, version.blank.size_mm)
    assert f'viewBox="{x:g} {y:g} {across:g}' in page
    assert "Whole picture" in page
    assert 'class="plate-marks"' not in page


def test_a_close_up_stays_on_the_blank_and_holds_its_finding() -> None:
    for at_mm in ([0.0, 0.0], [152.0, 3.0], [70.0, 152.4]):
        x, y, across, down = zoom_box({"at_mm": at_mm}, (152.4, 152.4))
        assert 0 <= x <= at_mm[0] <= x + across <= 152.41
        assert 0 <= y <= at_mm[1] <= y + down <= 152.41


def test_the_unit_is_chosen_once_and_stays_with_the_person(client: Client) -> None:
    person = factories.artist_person()
    version = factories.make_version(owner=person, findings=[factories.THIN_WEB])
    client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
    assert "0.7 mm wide; 1 mm or more is wanted" in client.get(at(version)).content.decode()
    response = client.post("/unit/", {"unit": "in", "next": at(version)})
    assert response["Location"] == at(version)
    assert "1/32 in (0.7 mm) wide" in client.get(at(version)).content.decode()
    person.refresh_from_db()
    assert person.unit == "in"
    assert client.post("/unit/", {"unit": "ell", "next": "https://a.example/"})["Location"] == "/"
    person.refresh_from_db()
    assert person.unit == "in"


@pytest.mark.parametrize(
    ("value_mm", "unit", "words"),
    [
        # the international inch is 25.4 mm (NIST SP 811)
        (25.4, "in", "1 in"),
        (9.525, "in", "3/8 in"),
        (31.75, "in", "1 1/4 in"),
        (0.7, "in", "1/32 in (0.7 mm)"),
        (0.15, "in", "under 1/32 in (0.15 mm)"),
        (0.7, "mm", "0.7 mm"),
        (152.44, "mm", "152.4 mm"),
    ],
)
def test_lengths_are_told_in_the_readers_unit(value_mm: float, unit: str, words: str) -> None:
    assert in_unit(value_mm, unit) == words


def test_a_sentence_changes_its_lengths_and_no_areas() -> None:
    sentence = "It reaches 25.4 mm; a dot of 3 mm² stays."
    assert lengths(sentence, "in") == "It reaches 1 in; a dot of 3 mm² stays."
    assert lengths(sentence, "mm") == sentence


def test_a_drawing_is_told_in_reading_order_with_places_in_words() -> None:
    version = planned()
    words = told(version)
    assert words.startswith("1 thing to mend, 1 thing to look at. 1, must be mended:")
    assert "near the top left" in words
    assert "2, warning:" in words
    assert "in the middle" in words


def test_what_has_no_mend_says_what_to_do_on_paper(visitor: Client) -> None:
    version = planned()
    plan = MendPlan.objects.get()
    plan.plan["each"][1] = {"key": factories.THIN_WEB["key"], "reason": "Draw them farther apart."}
    plan.save()
    page = visitor.get(at(version)).content.decode()
    assert "On paper: Draw them farther apart." in page
    shown = findings_shown(version, "mm", mending.offered(version))
    assert shown.mendable == 1


def test_the_workshop_looks_and_does_not_mend(cutter_client: Client) -> None:
    version = planned()
    page = cutter_client.get(at(version)).content.decode()
    assert "Put in a bridge" not in page
    assert "Keep it as it is" not in page
    assert cutter_client.post(at(version, "mend-here/"), {"version": 1}).status_code == 403


@pytest.mark.parametrize("number", ["9" * 5000, "٣", "-1", "77"])
def test_a_tick_that_is_no_mend_is_told(visitor: Client, number: str) -> None:
    version = planned()
    form = {"version": 1, "mend": [number]}
    response = visitor.post(at(version, "mend-all/do/"), form, follow=True)
    assert "Choose at least one mend." in response.content.decode()
    assert version.design.versions.count() == 1
