"""What is logged when the store is away names the page, never its address."""

from __future__ import annotations

import pytest
from django.http import HttpResponse
from django.test import RequestFactory
from django.urls import resolve

from config.store_away import StoreAwayMiddleware
from orders.file_store import StoreAwayError


def test_the_address_that_opens_a_page_is_not_logged(caplog: pytest.LogCaptureFixture) -> None:
    address = "/sign-in/code/"
    request = RequestFactory().get(address)
    request.resolver_match = resolve(address)
    away = StoreAwayError("The store of files does not answer (Test).")
    answer = StoreAwayMiddleware(lambda _: HttpResponse()).process_exception(request, away)
    assert answer is not None
    assert answer.status_code == 503
    (record,) = [one for one in caplog.records if one.name == "config.store_away"]
    assert record.getMessage() == "The store of files does not answer (Test). (sign-in-code)"
