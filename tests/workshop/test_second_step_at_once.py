"""Codes of the second step, typed in several browsers at the same moment."""

from __future__ import annotations

import threading

import pytest
from django.db import connection
from django.test import Client

from orders import second_step
from tests import factories
from tests.workshop.test_second_step import NOW, Clock, clock, code_at, is_in, signing_in, typed

__all__ = ["clock"]


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("kind", ["phone", "spare"])
def test_a_code_typed_in_many_browsers_at_once_opens_one(clock: Clock, kind: str) -> None:
    """RFC 6238, 5.2: none is accepted twice, however close the second try is."""
    person, secret = factories.workshop_person(), second_step.new_secret()
    codes = second_step.set_up(person, secret, code_at(secret, NOW - 30))
    code = code_at(secret, NOW) if kind == "phone" else codes[0]
    browsers, start = [signing_in() for _ in range(6)], threading.Barrier(6)
    answers: list[int] = []

    def type_it(client: Client) -> None:
        start.wait(30)
        try:
            answers.append(typed(client, code).status_code)
        finally:
            connection.close()

    threads = [threading.Thread(target=type_it, args=(client,)) for client in browsers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(answers) == [302] + [422] * 5
    assert sum(is_in(client) for client in browsers) == 1
