"""Putting drawings in: what is taken, what is refused in a sentence, and whose it is then."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.messages import get_messages
from django.test import Client

from orders import drawings
from orders.models import Design, Upload, Version
from tests import factories

from .conftest import KEY

SIZES = {"blank": "6x6in", "paper": "same"}
Make = Callable[..., Any]


def said(response: Any) -> list[str]:
    """Return the sentences that the next page shows."""
    return [str(message) for message in get_messages(response.wsgi_request)]


def test_the_landing_page_is_the_drop_zone(stranger: Client) -> None:
    page = stranger.get("/").content.decode()
    assert 'action="/upload/"' in page
    assert 'enctype="multipart/form-data"' in page
    assert 'name="drawing"' in page
    assert page.index("6 × 6 in (152.4 mm)") < page.index("4 × 4 in (101.6 mm)")


def test_one_drawing_leads_to_its_page_and_is_stored_untouched(
    stranger: Client, picture: Make
) -> None:
    response = stranger.post("/upload/", {**SIZES, "drawing": picture()})
    design = Design.objects.get()
    assert response.headers["Location"] == f"/drawing/{design.token}/"
    assert design.title == "tide snail"
    with design.uploads.get().file.open() as stored:
        assert stored.read() == factories.picture_png()
    assert design.latest.recipe["paper_mm"] == [152.4, 152.4]
    assert stranger.get(response.headers["Location"]).status_code == 200


def test_the_paper_may_be_another_size_than_the_stencil(stranger: Client, picture: Make) -> None:
    stranger.post("/upload/", {"blank": "4x4in", "paper": "a4", "drawing": picture()})
    recipe = Version.objects.get().recipe
    assert recipe["paper_mm"] == [210.0, 297.0]  # ISO 216
    assert recipe["blank_mm"] == [101.6, 101.6]


def test_the_sizes_of_the_last_drawing_are_set_for_the_next(
    stranger: Client, picture: Make
) -> None:
    stranger.post("/upload/", {"blank": "4x4in", "paper": "letter", "drawing": picture()})
    page = stranger.get("/").content.decode()
    assert '<option value="4x4in" selected>' in page
    assert '<option value="letter" selected>' in page


def test_of_several_drawings_the_refused_one_is_named_and_the_others_go_on(
    stranger: Client, picture: Make
) -> None:
    files = [picture("gull.png"), picture("empty.png", b""), picture("crab.png")]
    response = stranger.post("/upload/", {**SIZES, "drawing": files})
    gull, crab = (Design.objects.get(title=title).token for title in ("gull", "crab"))
    assert response.headers["Location"] == f"/sent/?d={gull}.{crab}"
    assert said(response) == [
        "empty.png: That file is empty. Choose the picture again, or take a new one.",
    ]
    page = stranger.get(response.headers["Location"]).content.decode()
    assert "2 drawings arrived" in page
    assert page.index("gull</b>") < page.index("crab</b>")


def test_a_file_over_the_limit_is_refused_and_nothing_is_stored(
    stranger: Client, picture: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawings, "LARGEST_UPLOAD_BYTES", 100)
    response = stranger.post("/upload/", {**SIZES, "drawing": picture()})
    assert response.headers["Location"] == "/"
    assert "60 MB is the most that is taken" in said(response)[0]
    assert not Upload.objects.exists()


def test_no_file_at_all_is_told(stranger: Client) -> None:
    response = stranger.post("/upload/", SIZES)
    assert said(response) == [
        "No drawing came with that. Choose a picture, or take a photograph of the paper."
    ]


def test_a_size_that_is_not_in_the_list_shows_the_form_again(
    stranger: Client, picture: Make
) -> None:
    response = stranger.post("/upload/", {**SIZES, "blank": "9x9in", "drawing": picture()})
    assert response.status_code == 422
    assert "Nothing was lost" in response.content.decode()
    assert not Design.objects.exists()


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("../../etc/passwd", "passwd"),
        ("<script>alert(1)</script>.png", "script>"),
        ("a\x00b\n\u202egnp.exe.png", "a b gnp.exe"),
        ("." * 300 + ".png", "Untitled drawing"),
        ("Möwe am Pier.HEIC", "Möwe am Pier"),
    ],
)
def test_hostile_file_names_are_only_ever_text(
    stranger: Client, picture: Make, name: str, title: str
) -> None:
    upload = picture()
    upload._name = name  # what a hostile client sends, past the cleaning of Django's own client
    version = drawings.receive_drawing(
        upload, visitor=KEY, owner=None, blank_code="6x6in", paper_mm=None
    )
    assert version.design.title == title
    assert version.upload.file.name.startswith("uploads/")
    assert "script" not in version.upload.file.name


def test_a_title_with_markup_is_shown_as_text(visitor: Client) -> None:
    design = factories.make_design(visitor=KEY, title="<b>Gull</b>")
    factories.make_version(design)
    page = visitor.get(f"/drawing/{design.token}/").content.decode()
    assert "<b>Gull</b>" not in page
    assert "&lt;b&gt;Gull&lt;/b&gt;" in page


def test_a_mended_drawing_is_the_next_version_and_the_first_stays(
    visitor: Client, picture: Make
) -> None:
    first = factories.make_version(visitor=KEY, status="rejected", blank_code="4x4in")
    token = first.design.token
    response = visitor.post(
        f"/drawing/{token}/mend/", {"version": "1", "drawing": picture("mended.png")}
    )
    assert response.headers["Location"] == f"/drawing/{token}/?v=2"
    second = first.design.versions.get(number=2)
    assert (second.blank_code, second.origin, second.status) == ("4x4in", "mended", "waiting")
    first.refresh_from_db()
    assert first.status == "rejected"
    assert visitor.get(f"/drawing/{token}/?v=1").status_code == 200


def test_an_empty_mended_drawing_is_refused_and_earlier_versions_stay(
    visitor: Client, picture: Make
) -> None:
    first = factories.make_version(visitor=KEY, status="rejected")
    response = visitor.post(
        f"/drawing/{first.design.token}/mend/", {"version": "1", "drawing": picture("x.png", b"")}
    )
    assert said(response) == ["That file is empty. Choose the picture again, or take a new one."]
    assert first.design.versions.count() == 1


def test_a_stranger_neither_sees_nor_mends_a_drawing(stranger: Client, picture: Make) -> None:
    version = factories.make_version(visitor=KEY)
    token = version.design.token
    assert stranger.get(f"/drawing/{token}/").status_code == 404
    response = stranger.post(f"/drawing/{token}/mend/", {"drawing": picture()})
    assert response.status_code == 404
    assert version.design.versions.count() == 1


BY_SCRIPT = {"HTTP_ACCEPT": "application/json"}


def test_a_script_is_answered_with_the_address_or_with_what_is_wrong(
    stranger: Client, picture: Make
) -> None:
    taken = stranger.post("/upload/", {**SIZES, "drawing": picture("gull.png")}, **BY_SCRIPT)
    design = Design.objects.get()
    assert taken.json() == {
        "address": f"/drawing/{design.token}/",
        "token": design.token,
        "title": "gull",
    }
    for form, sentence in (
        ({**SIZES, "drawing": picture("x.png", b"")}, "That file is empty. Choose the picture"),
        (SIZES, "No drawing came with that."),
        ({**SIZES, "paper": "a0", "drawing": picture()}, "Choose a size for the stencil and"),
    ):
        refused = stranger.post("/upload/", form, **BY_SCRIPT)
        assert refused.status_code == 422
        assert refused.json()["error"].startswith(sentence)
    assert Design.objects.count() == 1


def test_a_sending_repeated_because_its_answer_got_lost_is_taken_once(
    visitor: Client, picture: Make
) -> None:
    name = "0badcafe-00000001-00000002-00000003"
    addresses = set()
    for _ in range(2):
        form = {**SIZES, "sending": name, "drawing": picture("gull.png")}
        addresses.add(visitor.post("/upload/", form, **BY_SCRIPT).json()["address"])
    assert len(addresses) == Design.objects.count() == 1
    other = {**SIZES, "sending": name[:-1] + "4", "drawing": picture("gull.png")}
    visitor.post("/upload/", other, **BY_SCRIPT)
    assert Design.objects.count() == 2


def test_a_mended_drawing_sent_twice_by_a_script_is_one_version(
    visitor: Client, picture: Make
) -> None:
    first = factories.make_version(visitor=KEY, status="rejected")
    address = f"/drawing/{first.design.token}/mend/"
    for _ in range(2):
        form = {"version": 1, "sending": "a-name-of-its-own", "drawing": picture()}
        taken = visitor.post(address, form, **BY_SCRIPT)
        assert taken.json()["address"] == f"/drawing/{first.design.token}/?v=2"
    empty = visitor.post(address, {"version": 1, "drawing": picture("x.png", b"")}, **BY_SCRIPT)
    assert empty.status_code == 422
    assert first.design.versions.count() == 2


def test_the_list_of_what_was_sent_fills_itself_in_and_shows_only_ones_own(
    visitor: Client, stranger: Client
) -> None:
    waiting = factories.make_version(visitor=KEY, status="waiting")
    passed = factories.make_version(visitor=KEY)
    foreign = factories.make_version(visitor="somebody else")
    tokens = ".".join(version.design.token for version in (waiting, foreign, passed))
    page = visitor.get(f"/sent/?d={tokens}").content.decode()
    assert "2 drawings arrived" in page
    assert foreign.design.token not in page
    state = f"/sent/state/?d={tokens}&seen=waiting-passed"
    assert visitor.get(state).status_code == 204
    Version.objects.filter(pk=waiting.pk).update(status="rejected")
    done = visitor.get(state)
    assert done.status_code == 286
    assert "to be mended" in done.content.decode()
    assert stranger.get(f"/sent/?d={tokens}").headers["Location"] == "/"
    assert stranger.get("/sent/state/").status_code == 204


def test_a_form_sent_twice_without_scripts_is_one_drawing(visitor: Client, picture: Make) -> None:
    page = visitor.get("/").content.decode()
    name = page.split('name="sending" value="')[1].split('"')[0]
    addresses = set()
    for _ in range(2):
        form = {**SIZES, "sending": name, "drawing": picture("gull.png")}
        addresses.add(visitor.post("/upload/", form)["Location"])
    assert len(addresses) == Design.objects.count() == 1
    # gone back to, and another picture chosen or another size: that is a new drawing
    other = {**SIZES, "sending": name, "drawing": picture("tern.png", factories.picture_png(250))}
    visitor.post("/upload/", other)
    larger = {**SIZES, "blank": "8x8in", "sending": name, "drawing": picture("gull.png")}
    visitor.post("/upload/", larger)
    assert Design.objects.count() == 3


def test_a_first_answer_lost_with_its_session_gives_the_same_drawing(
    stranger: Client, picture: Make
) -> None:
    name = "0badcafe-00000001-00000002-00000009"
    stranger.post(
        "/upload/", {**SIZES, "sending": name, "drawing": picture("gull.png")}, **BY_SCRIPT
    )
    again = Client()  # the cookie never came
    form = {**SIZES, "sending": name, "drawing": picture("gull.png")}
    address = again.post("/upload/", form, **BY_SCRIPT).json()["address"]
    assert Design.objects.count() == 1
    assert again.get(address).status_code == 200


def test_a_mended_form_sent_twice_without_scripts_is_one_version(
    visitor: Client, picture: Make
) -> None:
    first = factories.make_version(visitor=KEY, status="rejected")
    address = f"/drawing/{first.design.token}/"
    name = visitor.get(address).content.decode().split('name="sending" value="')[1].split('"')[0]
    for _ in range(2):
        form = {"version": 1, "sending": name, "drawing": picture()}
        visitor.post(f"{address}mend/", form)
    assert first.design.versions.count() == 2
