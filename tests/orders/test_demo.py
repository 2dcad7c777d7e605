"""The demo: made once through the ordinary doors; its letter box is for this machine only."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.mail import EmailMessage, get_connection
from django.test import Client
from django.urls import reverse

from orders.demo import drawings
from orders.demo.make import make_demo
from orders.models import Design, Job, ShareLine, Workshop
from orders.shelf_money import owed_today
from orders.shelf_sales import live


@pytest.mark.django_db
def test_the_demo_is_made_once_with_every_drawing_looked_at() -> None:
    signs = make_demo("slack-water-9")
    assert signs.password == "slack-water-9"
    assert make_demo().password is None
    verdicts = {d.title: d.versions.get(number=1).status for d in Design.objects.all()}
    assert verdicts == {
        "Limpet": "passed",
        "Shore crab": "passed",
        "Trefoil knot": "passed",
        "Trefoil knot at 6 x 6 in": "passed",
        "Open sign": "rejected",
        "Starfish card": "passed",
    }
    statuses = {"received", "queued", "cut", "shipped"}
    assert set(Job.objects.values_list("status", flat=True)) == statuses
    on_shelf = {offer.design.title for offer in live() if offer.design}
    assert on_shelf == {"Limpet", "Starfish card", "Trefoil knot"}
    # 4 knots of 4 x 4 in at 5.50: 15 % is 0.825, 0.83 each, 3.32, paid; 2 limpets at 8.00: 2.40
    assert [str(line.amount) for line in ShareLine.objects.all()] == ["3.3200", "2.4000"]
    assert owed_today() == {"USD": Decimal("2.40")}


def test_the_sign_forgets_two_bridges(tmp_path: Path) -> None:
    from geometry.check import check

    path = tmp_path / "sign.png"
    path.write_bytes(drawings.sign())
    kinds = [f["kind"] for f in check(path).report["findings"]]
    assert kinds.count("island") == 2  # the O and the P: counters by the alphabet


@pytest.fixture
def letters(settings: Any, tmp_path: Path) -> Path:
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    settings.EMAIL_FILE_PATH = str(tmp_path)
    connection = get_connection()
    EmailMessage("Your code", "It is 493 211.", to=["a@b.example"], connection=connection).send()
    return tmp_path


@pytest.mark.django_db
def test_the_letter_box_shows_what_was_mailed_on_the_demo(client: Client, letters: Path) -> None:
    Workshop.objects.create(pk=1, is_demo=True)
    page = client.get(reverse("demo-letters")).content.decode()
    assert "Your code" in page
    assert "It is 493 211." in page


@pytest.mark.django_db
def test_the_letter_box_is_shut_elsewhere(client: Client, letters: Path, settings: Any) -> None:
    address = reverse("demo-letters")
    Workshop.objects.create(pk=1, is_demo=False)
    assert client.get(address).status_code == 404
    Workshop.objects.update(is_demo=True)
    assert client.get(address, REMOTE_ADDR="192.0.2.7").status_code == 404
    assert client.get(address, HTTP_X_FORWARDED_FOR="192.0.2.7").status_code == 404
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert client.get(address).status_code == 404
