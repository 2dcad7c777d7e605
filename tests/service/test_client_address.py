"""Sign-in tries are counted by the visitor's address, which nobody can make up."""

from typing import Any

import pytest
from allauth.account.adapter import get_adapter
from django.test import RequestFactory

from config.sign_in import client_address

MADE_UP = {"HTTP_X_FORWARDED_FOR": "6.6.6.6, 203.0.113.7", "REMOTE_ADDR": "127.0.0.1"}


@pytest.mark.parametrize(("behind", "address"), [(False, "127.0.0.1"), (True, "203.0.113.7")])
def test_only_what_the_proxy_added_is_believed(settings: Any, behind: bool, address: str) -> None:
    settings.IS_BEHIND_PROXY = behind
    request = RequestFactory().get("/", **MADE_UP)
    assert client_address(request) == address
    assert get_adapter(request).get_client_ip(request) == address


def test_a_request_that_came_past_the_proxy_counts_by_its_own_address(settings: Any) -> None:
    settings.IS_BEHIND_PROXY = True
    request = RequestFactory().get("/", REMOTE_ADDR="203.0.113.9")
    assert client_address(request) == "203.0.113.9"


@pytest.mark.parametrize(
    ("seen", "counted"),
    [
        ("2001:db8:1:2:ffff::9", "2001:db8:1:2::"),
        ("2001:db8:1:2::1", "2001:db8:1:2::"),
        ("2001:db8:1:3::1", "2001:db8:1:3::"),
        ("fe80::1%eth0", "fe80::"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("192.0.2.7", "192.0.2.7"),
        ("not an address", "not an address"),
    ],
)
def test_one_household_of_version_six_is_one_address(seen: str, counted: str) -> None:
    """RFC 6177: a site has 64 bits or more; the addresses are those for documents (RFC 3849)."""
    assert client_address(RequestFactory().get("/", REMOTE_ADDR=seen)) == counted


def test_nobody_signs_up() -> None:
    request = RequestFactory().get("/")
    assert get_adapter(request).is_open_for_signup(request) is False
