"""Sign-in of the workshop: email and password, and nobody else comes in."""

import io
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from orders.models import Person
from tests import factories
from tests.workshop.conftest import BACKEND

pytestmark = pytest.mark.django_db

WRONG = "That address and password do not belong together. Look at both and try again."


def sign_in(email: str, password: str, **query: str) -> object:
    return Client().post(
        reverse("workshop-sign-in"), {"username": email, "password": password, **query}
    )


def test_email_and_password_lead_to_today() -> None:
    factories.workshop_person()
    response = sign_in("Cutter@Harbour.example", "tide-table")
    assert response["Location"] == reverse("workshop-today")  # type: ignore[index]


def test_sign_in_goes_on_to_the_page_that_was_asked_for() -> None:
    factories.workshop_person()
    queue = reverse("workshop-queue") + "?due=late"
    asked = Client().get(queue)
    assert asked["Location"] == f"{reverse('workshop-sign-in')}?next=/workshop/queue/%3Fdue%3Dlate"
    response = sign_in("cutter@harbour.example", "tide-table", next=queue)
    assert response["Location"] == queue  # type: ignore[index]


def test_a_wrong_password_gets_one_sentence_and_keeps_the_address() -> None:
    factories.workshop_person()
    response = sign_in("cutter@harbour.example", "spring-tide")
    page = response.content.decode()  # type: ignore[attr-defined]
    assert WRONG in page
    assert 'value="cutter@harbour.example"' in page


def test_an_artist_with_a_password_is_told_the_same_as_anybody() -> None:
    artist = Person(email="wren@harbour.example")
    artist.set_password("tide-table")
    artist.save()
    assert WRONG in sign_in("wren@harbour.example", "tide-table").content.decode()  # type: ignore[attr-defined]


def test_an_artist_signed_in_gets_403_on_the_workshops_side() -> None:
    client = Client()
    client.force_login(factories.artist_person(), BACKEND)
    assert client.get(reverse("workshop-today")).status_code == 403


def test_sign_out_is_a_press_and_ends_the_session() -> None:
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    assert client.get(reverse("workshop-sign-out")).status_code == 405
    client.post(reverse("workshop-sign-out"))
    assert client.get(reverse("workshop-today")).status_code == 302


def test_a_press_after_the_session_ran_out_leads_to_a_page_not_to_the_press() -> None:
    press = reverse("workshop-job-step", args=["7KQ4M-1", "queue"])
    answer = Client().post(press)
    assert answer["Location"] == f"{reverse('workshop-sign-in')}?next=/workshop/"


def test_after_ten_wrong_tries_even_the_right_password_is_refused_there() -> None:
    """OWASP ASVS 4.0.3, 2.2.1: tries at a password are limited."""
    factories.workshop_person()
    spellings = ("cutter@harbour.example", "CUTTER@Harbour.example", " cutter@harbour.example ")
    for number in range(10):
        sign_in(spellings[number % 3], f"guess {number}")
    refused = sign_in("cutter@harbour.example", "tide-table")
    assert refused.status_code == 429  # type: ignore[attr-defined]
    page = refused.content.decode()  # type: ignore[attr-defined]
    assert "Try again in a quarter of an hour" in page
    assert "</html>" in page


def test_tries_from_elsewhere_do_not_lock_the_cutter_out() -> None:
    factories.workshop_person()
    form = {"username": "cutter@harbour.example", "password": "tide-table"}
    for _ in range(12):
        Client(REMOTE_ADDR="192.0.2.7").post(
            reverse("workshop-sign-in"), form | {"password": "guess"}
        )
    answer = Client(REMOTE_ADDR="192.0.2.8").post(reverse("workshop-sign-in"), form)
    assert answer["Location"] == reverse("workshop-today")


def test_a_new_address_of_the_same_household_gives_no_new_tries() -> None:
    factories.workshop_person()
    form = {"username": "cutter@harbour.example", "password": "guess"}
    for number in range(1, 12):  # RFC 6177: all of the 64 bits are one household's
        client = Client(REMOTE_ADDR=f"2001:db8:1:2::{number:x}")
        answer = client.post(reverse("workshop-sign-in"), form)
    assert answer.status_code == 429


def test_whoever_has_a_network_of_version_six_has_no_tries_without_end() -> None:
    """RFC 6177: a site is given 48 bits, in which are 65,536 of the 64 bits of a household."""
    factories.workshop_person()
    form = {"username": "cutter@harbour.example", "password": "guess"}
    answers = [
        Client(REMOTE_ADDR=f"2001:db8:1:{number:x}::1").post(reverse("workshop-sign-in"), form)
        for number in range(61)
    ]
    assert [answer.status_code for answer in answers] == [200] * 60 + [429]
    right = form | {"password": "tide-table"}
    elsewhere = Client(REMOTE_ADDR="2001:db8:2::1").post(reverse("workshop-sign-in"), right)
    assert elsewhere["Location"] == reverse("workshop-today")


@pytest.mark.parametrize("setting", [{}, None])
def test_a_password_is_counted_before_it_is_compared(settings: Any, setting: Any) -> None:
    """Requests at the same moment are all let by until the first failure is written down."""
    settings.LIMITS = setting
    settings.AXES_ENABLED = False  # as long as nothing is written down
    factories.workshop_person()
    answers = [sign_in("cutter@harbour.example", "guess") for _ in range(21)]
    assert [answer.status_code for answer in answers] == [200] * 20 + [429]  # type: ignore[attr-defined]


def test_pages_of_the_workshop_are_not_kept_by_a_shared_browser() -> None:
    """OWASP ASVS 4.0.3, 8.2.1: no caching of sensitive pages."""
    client = Client()
    client.force_login(factories.workshop_person(), BACKEND)
    assert "no-store" in client.get(reverse("workshop-today"))["Cache-Control"]


@pytest.mark.parametrize("password", ["password123", "short", "football1"])
def test_a_common_password_or_a_short_one_is_refused(
    password: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OWASP ASVS 5.0, 6.2.1 and 6.2.4 (numbers from memory)."""
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))
    with pytest.raises(CommandError):
        call_command("add_cutter", "new@harbour.example")
    assert not Person.objects.filter(email="new@harbour.example").exists()


def test_the_workshop_signs_in_again_after_a_month() -> None:
    factories.workshop_person()
    client = Client()
    client.post(
        reverse("workshop-sign-in"),
        {"username": "cutter@harbour.example", "password": "tide-table"},
    )
    assert client.session.get_expiry_age() == 30 * 24 * 3600
    assert client.cookies["sessionid"]["max-age"] == 30 * 24 * 3600
