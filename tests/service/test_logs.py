"""Logs name the request and the job, and nobody: no address, no token, no password."""

from __future__ import annotations

import io
import json
import logging
import logging.config
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse
from kombu import Producer

from config import logs
from orders import tasks
from orders.codes import new_token
from tests import factories

FOLDER = Path(__file__).resolve().parents[2]


@pytest.fixture
def written() -> Iterator[io.StringIO]:
    """What the handler of the settings writes, as JSON, with every logger at its finest."""
    stream = io.StringIO()
    config = settings.LOGGING
    handler = logging.StreamHandler(stream)
    json_format = dict(config["formatters"]["json"])
    handler.setFormatter(
        logs.StruckJsonFormatter(
            json_format["format"], style="{", rename_fields=json_format["rename_fields"]
        )
    )
    handler.addFilter(logs.WhoseFilter())
    names = ("", "django", "orders", "holdfast.requests", "axes", "django.request")
    loggers = [logging.getLogger(name) for name in names]
    before = [(one.level, one.disabled) for one in loggers]
    for one in loggers:
        one.setLevel(logging.DEBUG)
        if one.name in ("root", "django", "orders"):
            one.addHandler(handler)
    yield stream
    for one, (level, disabled) in zip(loggers, before, strict=True):
        one.removeHandler(handler)
        one.setLevel(level)
        one.disabled = disabled


def lines(stream: io.StringIO) -> list[dict[str, Any]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


@pytest.mark.django_db
def test_a_request_has_one_line_and_its_id_in_the_answer(written: io.StringIO) -> None:
    response = Client().get("/guide/", headers={"X-Request-ID": "proxy-12345678"})
    assert response["X-Request-ID"] == "proxy-12345678"
    (line,) = [one for one in lines(written) if one["logger"] == "holdfast.requests"]
    assert line["request_id"] == "proxy-12345678"
    assert (line["page"], line["method"], line["status"]) == ("guide", "GET", 200)
    assert line["ms"] >= 0


@pytest.mark.django_db
def test_a_refusal_names_its_request_and_has_no_traceback(written: io.StringIO) -> None:
    given = "proxy-12345678"
    Client().get("/order/nobodys/", headers={"X-Request-ID": given})
    refused = [one for one in lines(written) if one["logger"] == "django.request"][:1]
    assert [(one["request_id"], one["message"]) for one in refused] == [(given, "404 order")]
    assert "exc_info" not in refused[0]


@pytest.mark.django_db
@pytest.mark.parametrize("given", ["", "short", "a b c d e f g h", "x" * 65, 'a"}\\n{"level'])
def test_an_id_that_is_none_is_made_anew(given: str) -> None:
    answered = Client().get("/healthz", headers={"X-Request-ID": given})["X-Request-ID"]
    assert re.fullmatch("[0-9a-f]{16}", answered)


@pytest.mark.django_db
def test_no_page_writes_a_token_or_an_address(written: io.StringIO, media: Any) -> None:
    """Walks pages that are there, that are not and that are refused, and tries to sign in."""
    factories.workshop()
    factories.price_sheet()
    order = factories.make_order(artist=factories.artist_person(), accepted=True)
    client = Client(REMOTE_ADDR="203.0.113.77")  # RFC 5737, addresses for documentation
    client.get(reverse("order", args=[order.link_token]))
    client.get(reverse("order", args=[order.link_token + "x"]))
    client.get(f"/no/such/{order.link_token}/")
    client.post(reverse("order-write", args=[order.link_token]), {"text": "hello"})
    wrong = {"username": "heron@harbour.example", "password": "wrong words"}
    client.post(reverse("workshop-sign-in"), wrong)
    client.post(reverse("account_request_login_code"), {"email": "heron@harbour.example"})
    text = written.getvalue()
    assert text.count('"page"') >= 6
    for secret in (order.link_token, "heron@", "203.0.113.77", "wrong words", order.ship_name):
        assert secret not in text, secret


@pytest.mark.parametrize(
    ("said", "written_as"),
    [
        ("no mail to wren.o'hara+sea@harbour.example now", "no mail to [mail] now"),
        (
            "Key (email)=(wren@harbour.example) already exists",
            "Key (email)=([mail]) already exists",
        ),
        ("from 203.0.113.77 and 2001:db8::7:1:2:3", "from [address] and [address]"),
        ("postgres://holdfast:s3cret@db:5432/x", "postgres://[secret]@db:5432/x"),
        ("at /order/Zt3kT0mGJ2u1pXy7vQw9aA/", "at /order/[token]/"),
        ("version 14 of orders.check_version took 1.2 s", None),
        ('File "orders/artist/views_drawing.py", line 30, in drawing_state', None),
        ("2026-11-26 05:26:35 ready", None),
    ],
)
def test_what_would_name_somebody_is_struck_out(said: str, written_as: str | None) -> None:
    assert logs.struck_out(said) == (written_as or said)


def test_no_token_of_ours_gets_through() -> None:
    for _ in range(2000):
        token = new_token()
        for said in (f"GET /quote/{token}/ 200", f"the link {token} is old"):
            assert token not in logs.struck_out(said)


def test_a_traceback_is_struck_out_too(written: io.StringIO) -> None:
    try:
        raise ValueError("duplicate key (wren@harbour.example)")
    except ValueError:
        logging.getLogger("orders").exception("this broke")
    (line,) = lines(written)
    assert "ValueError: duplicate key ([mail])" in line["exc_info"]


@pytest.mark.django_db
def test_a_check_names_its_version_and_the_request_it_came_from(written: io.StringIO) -> None:
    headers: dict[str, Any] = {}
    token = logs.request_id.set("0123456789abcdef")
    logs.send_along(headers=headers)
    logs.request_id.reset(token)
    assert headers == {"holdfast_request": "0123456789abcdef"}
    request = type("Request", (), headers)
    logs.take_up(task=type("Task", (), {"request": request, "name": "x"}), args=(41,))
    logging.getLogger("orders").warning("it takes long")
    logs.lay_down()
    logging.getLogger("orders").warning("nobody's")
    first, second = lines(written)
    assert (first["request_id"], first["job_id"]) == ("0123456789abcdef", "version-41")
    assert (second["request_id"], second["job_id"]) == ("-", "-")


def test_the_message_to_the_worker_carries_the_id() -> None:
    """Celery publishes into a broker in memory, and the header is in the message."""
    from config.celery import app

    with app.connection_for_write("memory://") as connection:
        token = logs.request_id.set("0123456789abcdef")
        queue = connection.SimpleQueue("celery")
        queue.clear()
        tasks.check_version.apply_async((41,), producer=Producer(connection))
        logs.request_id.reset(token)
        message = queue.get(timeout=3)
    assert message.headers["holdfast_request"] == "0123456789abcdef"


@pytest.mark.parametrize("form", ["lines", "json"])
def test_the_settings_write_in_the_form_asked_for(form: str, tmp_path: Path) -> None:
    code = (
        "import django; django.setup(); import logging;"
        "logging.getLogger('orders').warning('to %s', 'wren@harbour.example')"
    )
    environment = {
        **{k: v for k, v in os.environ.items() if not k.startswith("HOLDFAST_")},
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "HOLDFAST_VAR": str(tmp_path),
        "HOLDFAST_LOG_FORMAT": form,
    }
    ended = subprocess.run(
        [sys.executable, "-c", code], cwd=FOLDER, env=environment, capture_output=True, text=True
    )
    line = ended.stderr.strip().splitlines()[-1]
    if form == "json":
        assert json.loads(line)["message"] == "to [mail]"
    else:
        assert line.endswith("WARNING orders [- -]: to [mail]")
