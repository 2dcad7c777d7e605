"""What a visitor reads when something is wrong: one sentence, and the way on."""

from __future__ import annotations

import pytest
from django.test import Client, RequestFactory
from django.views import defaults

from tests import factories

from .conftest import KEY


def test_an_address_that_leads_nowhere(stranger: Client) -> None:
    response = stranger.get("/nothing-here/")
    assert response.status_code == 404
    assert "There is nothing at this address" in response.content.decode()


def test_a_form_from_a_page_left_open_too_long(db: None) -> None:
    strict = Client(enforce_csrf_checks=True)
    response = strict.post("/upload/", {})
    assert response.status_code == 403
    assert "That press did not count" in response.content.decode()


def test_a_page_for_another_role(visitor: Client) -> None:
    visitor.force_login(
        factories.artist_person(), backend="allauth.account.auth_backends.AuthenticationBackend"
    )
    response = visitor.get("/workshop/")
    assert response.status_code == 403
    assert "This page is for somebody else" in response.content.decode()


def test_what_broke_says_so_without_a_trace(db: None) -> None:
    response = defaults.server_error(RequestFactory().get("/"))
    assert "Nothing that was stored is lost." in response.content.decode()
    assert response.status_code == 500


def test_what_is_not_understood_says_what_to_do(db: None) -> None:
    response = defaults.bad_request(RequestFactory().get("/"), ValueError("x"))
    assert "Go back and try once more" in response.content.decode()


@pytest.mark.parametrize("number", ["0", "99999999999", "-1", "x", "1;drop", "²"])
def test_a_made_up_version_in_the_address_shows_the_latest_or_nothing(
    visitor: Client, number: str
) -> None:
    design = factories.make_version(visitor=KEY).design
    response = visitor.get(f"/drawing/{design.token}/", {"v": number})
    assert response.status_code in (200, 404)


@pytest.mark.parametrize("value", ["", "x", "99999999999", "-1", "²", "1.5"])
def test_made_up_numbers_in_forms_never_break_a_page(visitor: Client, value: str) -> None:
    version = factories.make_version(visitor=KEY)
    basket = factories.make_order(placed=False, visitor=KEY)
    factories.make_line(basket, version)
    for address, form in (
        (f"/drawing/{version.design.token}/mode/", {"version": value}),
        (f"/drawing/{version.design.token}/answer/", {"version": value, "seen": value}),
        ("/basket/change/", {"line": value}),
        ("/basket/remove/", {"line": value}),
        ("/basket/add/", {"drawing": version.design.token, "version": value}),
    ):
        assert visitor.post(address, form).status_code in (302, 404)
    assert basket.lines.count() == 1
