"""Every page by every role and every method, and what every answer carries.

The table is ROWS of test_page_roles.py: a page answers its one method there (GET also means HEAD,
which says the same without a body); ALSO names the pages that take more. All others get 405, or
what a stranger gets anyhow, and nothing changes.
"""

from __future__ import annotations

from typing import Any

import pytest
from django.apps import apps
from django.core import serializers
from django.test import Client
from django.urls import reverse

from tests import factories
from tests.orders.test_page_roles import (
    CUTTER,
    IN,
    OTHER,
    OWNER,
    ROWS,
    SIGN,
    STRANGER,
    Row,
    address_of,
    client_for,
    let_go,
    world,
)

__all__ = ["world"]
pytestmark = pytest.mark.django_db

METHODS = ("get", "head", "post", "put", "patch", "delete", "options", "trace")
# forms that show themselves and take what was filled in
FORMS = (
    *("sign-in", "account_login", "account_request_login_code"),
    *("sign-in-code", "account_confirm_login_code"),
    *("workshop-sign-in", "workshop-second-step", "workshop-settings", "workshop-film-new"),
    *("workshop-sheet-new", "workshop-sheet-fill", "workshop-packagings", "workshop-letter"),
    *("workshop-job-propose", "workshop-film", "workshop-dab", "workshop-kerf"),
    *("workshop-machine", "shelf-offer"),
)
ALSO: dict[str, set[str]] = {name: {"post"} for name in FORMS}
TABLE_OF_METHODS: dict[str, set[str]] = {"get": {"get", "head"}, "post": {"post"}}


def allowed(row: Row) -> set[str]:
    """The methods that a page takes, by the table."""
    return TABLE_OF_METHODS[row.method] | ALSO.get(row.name, set())


def everything() -> list[str]:
    """All rows of the database but sessions, written down."""
    models = [model for model in apps.get_models() if model._meta.label != "sessions.Session"]
    return [serializers.serialize("json", model.objects.order_by("pk")) for model in models]


def got(client: Client, row: Row, method: str, world: dict[str, Any]) -> Any:
    response = getattr(client, method)(address_of(row, world))
    let_go(response)
    if response.status_code == 302 and "/sign-in/?next=" in response["Location"]:
        return SIGN
    return response.status_code


@pytest.mark.parametrize("role", [STRANGER, OWNER, OTHER, CUTTER])
def test_a_page_takes_its_own_methods_only(role: str, world: dict[str, Any]) -> None:
    client = client_for(role)
    before = everything()
    wrong = []
    for row in ROWS:
        for method in METHODS:
            if method in allowed(row):
                continue
            outcome = got(client, row, method, world)
            guard = row.codes[role]
            # whoever may not come in may be told so before the method is looked at
            if outcome != 405 and (guard == IN or outcome != guard):
                wrong.append((row.name, method, outcome))
    assert wrong == []
    assert everything() == before


@pytest.mark.parametrize("role", [STRANGER, OWNER, OTHER, CUTTER])
def test_head_says_what_get_says_without_a_body(role: str, world: dict[str, Any]) -> None:
    client = client_for(role)
    wrong = []
    for row in ROWS:
        if row.method != "get" or row.name == "workshop-sheet-fill":
            continue
        first, second = got(client, row, "head", world), got(client, row, "get", world)
        # pages of the workshop take GET alone, and say so
        if first not in (second, 405):
            wrong.append((row.name, first, second))
    assert wrong == []


@pytest.mark.parametrize("role", [STRANGER, OWNER, CUTTER])
def test_every_answer_carries_the_headers_of_safety(role: str, world: dict[str, Any]) -> None:
    """Names and values as OWASP's Secure Headers Project lists them (from memory)."""
    client = client_for(role)
    wrong = []
    for row in ROWS:
        response = getattr(client, row.method)(address_of(row, world), secure=True)
        let_go(response)
        wrong += [(row.name, fault) for fault in faults_of(row, response)]
    assert wrong == []


def faults_of(row: Row, response: Any) -> list[str]:
    """What is missing or wrong among the headers of an answer."""
    head = response.headers
    policy = head.get("Content-Security-Policy", "")
    must = {
        "nosniff": head.get("X-Content-Type-Options") == "nosniff",
        "frames": head.get("X-Frame-Options") == "DENY",
        "referrer": head.get("Referrer-Policy") in ("same-origin", "no-referrer"),
        "opener": head.get("Cross-Origin-Opener-Policy") == "same-origin",
        "resource": head.get("Cross-Origin-Resource-Policy") == "same-origin",
        "permissions": "camera=()" in head.get("Permissions-Policy", ""),
        "policy": "default-src 'self'" in policy or "default-src 'none'" in policy,
        "unsafe": "unsafe-" not in policy and "*" not in policy,
        "ancestors": "frame-ancestors 'none'" in policy or "sandbox" in policy,
        "cache": any(word in head.get("Cache-Control", "") for word in ("private", "no-store")),
        "type": bool(head.get("Content-Type")) or response.status_code in (204, 302),
    }
    if row.args and response.status_code in (200, 422) and "html" in head.get("Content-Type", ""):
        # a page with a token or code in its address is kept by nothing on the way or behind
        must["store"] = "no-store" in head["Cache-Control"]
    return [name for name, is_right in must.items() if not is_right]


def test_over_https_the_browser_is_told_to_stay_there(settings: Any) -> None:
    settings.SECURE_HSTS_SECONDS = 31536000
    response = Client().get(reverse("landing"), secure=True)
    assert response["Strict-Transport-Security"] == "max-age=31536000"


def test_what_an_artist_uploaded_comes_back_as_bytes_to_keep_and_nothing_to_run(
    world: dict[str, Any],
) -> None:
    """OWASP File Upload Cheat Sheet: a fixed type, as a download, in a sandbox."""
    for role, name, args, kind in (
        (OWNER, "drawing-original", (world["design"], 1), "application/octet-stream"),
        # the workshop gets its pixels, redrawn
        (CUTTER, "workshop-job-original", (world["job"],), "image/png"),
    ):
        response = client_for(role).get(reverse(name, args=args))
        let_go(response)
        assert response["Content-Type"] == kind
        assert response["Content-Disposition"].startswith("attachment")
        assert response["X-Content-Type-Options"] == "nosniff"
        assert "sandbox" in response["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("name", "args", "kind"),
    [
        ("drawing-picture", ("design", "one", "film"), "image/png"),
        ("order-picture", ("link", "job"), "image/png"),
        ("order-photo", ("link", "job", "photo"), "image/jpeg"),
        ("message-photo", ("link", "message"), "image/jpeg"),
        ("proposal-picture", ("link", "job", "proposal"), "image/png"),
        ("parcel-picture", ("parcel", "job"), "image/png"),
    ],
)
def test_pictures_made_of_uploads_have_a_fixed_type_and_a_sandbox(
    name: str, args: tuple[str, ...], kind: str, world: dict[str, Any]
) -> None:
    response = client_for(OWNER).get(reverse(name, args=[world[arg] for arg in args]))
    let_go(response)
    assert response["Content-Type"] == kind
    assert "sandbox" in response["Content-Security-Policy"]
    assert response["X-Content-Type-Options"] == "nosniff"


def test_stored_files_cannot_be_asked_for_by_address(world: dict[str, Any]) -> None:
    version = factories.make_version()
    client = client_for(CUTTER)
    for path in (version.upload.file.name, version.film_picture.name):
        for root in ("/media/", "/media-is-not-served/", "/", "/static/", "/static/../media/"):
            assert client.get(root + path).status_code == 404
    assert len(version.upload.file.name.split("/")[-1]) >= 22  # a token, no name of the artist's
