"""The second step in a real browser: set up, signed in with, by thumb and by keyboard."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value

from tests import factories
from tests.conftest import PHONE

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def code_of(secret: str, step: int = 0) -> str:
    """The code that a phone shows; reckoned from the secret as the page writes it."""
    return format_hotp_value(hotp_value(secret.replace(" ", ""), int(time.time()) // 30 + step))


def test_set_up_save_the_codes_sign_out_and_in_again(
    live_server: Any,
    open_page: Callable[..., Any],
    faults_everywhere: Callable[..., list[str]],
) -> None:
    factories.workshop_person()
    factories.workshop()
    page = open_page(PHONE)
    page.goto(f"{live_server.url}/workshop/")
    page.get_by_label("Email address").fill("cutter@harbour.example")
    page.get_by_label("Password").fill("tide-table")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Set up a second step").click()
    secret = page.locator(".secret").inner_text()
    faults = faults_everywhere(page)
    page.get_by_label("The six figures in the app").fill("000000")
    page.get_by_label("Your password again").fill("tide-table")
    page.keyboard.press("Enter")
    page.get_by_text("That code is not right").wait_for()
    assert page.locator(".secret").inner_text() == secret
    faults += faults_everywhere(page)
    page.get_by_label("The six figures in the app").fill(code_of(secret, -1))
    page.get_by_label("Your password again").fill("tide-table")
    page.get_by_role("button", name="Turn it on").click()
    page.get_by_role("heading", name="Your spare codes").wait_for()
    codes = page.locator(".spare-codes .code").all_inner_texts()
    assert len(codes) == 10
    faults += faults_everywhere(page)
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save as a text file").click()
    assert codes[0] in saved.value.path().read_text()
    page.get_by_role("link", name="I have kept them").click()
    page.get_by_text("The second step is on").wait_for()
    faults += faults_everywhere(page)
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Email address").fill("cutter@harbour.example")
    page.get_by_label("Password").fill("tide-table")
    page.keyboard.press("Enter")
    field = page.get_by_label("The six figures in the app")
    field.wait_for()
    faults += faults_everywhere(page)
    assert field.evaluate("field => field === document.activeElement")
    page.keyboard.type(code_of(secret))
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Today").wait_for()
    assert faults == []
