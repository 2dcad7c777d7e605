"""Signing in by a mailed code, without telling strangers whose addresses are known."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core import mail
from django.test import Client

from orders.access import VISITOR
from tests import factories

from .conftest import KEY

WREN = "wren@harbour.example"


@pytest.fixture(autouse=True)
def _fresh_limits(settings: Any) -> None:
    """Each test counts its own tries."""
    settings.CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
    from django.core.cache import cache

    cache.clear()


def ask(client: Client, email: str) -> Any:
    return client.post("/sign-in/", {"email": email}, follow=True)


def code_in_mail() -> str:
    found = re.search(r"^ {4}(\S+)$", str(mail.outbox[-1].body), re.MULTILINE)
    assert found
    return found[1]


def test_the_mailed_code_signs_in_and_hands_over_what_the_browser_owned(visitor: Client) -> None:
    person = factories.artist_person(WREN)
    version = factories.make_version(visitor=KEY)
    ask(visitor, WREN)
    response = visitor.post("/sign-in/code/", {"code": code_in_mail()})
    assert response.headers["Location"] == "/mine/"
    version.design.refresh_from_db()
    assert version.design.owner == person
    assert visitor.session[VISITOR] == KEY
    assert WREN in visitor.get("/mine/").content.decode()


def test_known_and_unknown_addresses_are_answered_alike(stranger: Client) -> None:
    factories.artist_person(WREN)
    known = ask(stranger, WREN).content.decode()
    unknown = ask(Client(), "nobody@harbour.example").content.decode()
    bare = [re.sub(r'value="[^"]+"|\S+@harbour.example', "", page) for page in (known, unknown)]
    assert bare[0] == bare[1]
    assert [message.to for message in mail.outbox] == [[WREN]]


def test_no_code_is_ever_mailed_for_the_workshop(stranger: Client) -> None:
    factories.workshop_person("cutter@harbour.example")
    page = ask(stranger, "cutter@harbour.example").content.decode()
    assert "Look into your mail" in page
    assert mail.outbox == []


def test_a_wrong_code_is_told_and_three_end_it(stranger: Client) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    page = stranger.post("/sign-in/code/", {"code": "000000"}).content.decode()
    assert "That is not the code in the mail." in page
    stranger.post("/sign-in/code/", {"code": "000000"})
    stranger.post("/sign-in/code/", {"code": "000000"})
    late = stranger.post("/sign-in/code/", {"code": code_in_mail()})
    assert late.headers["Location"] == "/sign-in/"
    assert "_auth_user_id" not in stranger.session


def test_a_mistyped_address_can_be_written_again(stranger: Client) -> None:
    factories.artist_person(WREN)
    ask(stranger, "wrne@harbour.example")
    assert "Send me the code" in stranger.get("/sign-in/").content.decode()
    ask(stranger, WREN)
    stranger.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in stranger.session


def test_an_empty_code_never_signs_an_unknown_address_in(stranger: Client) -> None:
    ask(stranger, "nobody@harbour.example")
    for code in ("", " ", "None"):
        stranger.post("/sign-in/code/", {"code": code})
    assert "_auth_user_id" not in stranger.session


def test_signing_out_takes_a_press_not_a_link(visitor: Client) -> None:
    assert visitor.get("/sign-out/").status_code == 405
    assert visitor.post("/sign-out/").headers["Location"] == "/"
