"""The page where somebody of the workshop changes their password."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from orders import second_step
from orders.models import Mail, Person
from orders.workshop import views_sign_in
from tests import factories
from tests.workshop.conftest import BACKEND
from tests.workshop.test_second_step import NOW, Clock, clock, code_at, is_in

__all__ = ["clock"]
pytestmark = pytest.mark.django_db

OLD, NEW = "tide-table", "eelgrass at low water"
FORM = {"password": OLD, "new": NEW, "again": NEW}


@pytest.fixture
def client() -> Client:
    """A browser signed in by the page, as the cutter does it."""
    factories.workshop_person()
    return signed_in(OLD)


def signed_in(password: str) -> Client:
    client = Client()
    form = {"username": "cutter@harbour.example", "password": password}
    client.post(reverse("workshop-sign-in"), form)
    return client


def change(client: Client, **form: str) -> Any:
    return client.post(reverse("workshop-password"), FORM | form)


def test_it_is_changed_other_browsers_are_out_and_a_letter_tells(client: Client) -> None:
    other, colleague = signed_in(OLD), Client()
    colleague.force_login(factories.workshop_person("packer@harbour.example"), BACKEND)
    key = client.session.session_key
    page = client.get(reverse("workshop-my-sign-in")).content.decode()
    assert "Change your password" in page
    assert change(client)["Location"] == reverse("workshop-my-sign-in")
    assert (is_in(client), is_in(other), is_in(colleague)) == (True, False, True)
    assert client.session.session_key != key
    assert (is_in(signed_in(OLD)), is_in(signed_in(NEW))) == (False, True)
    (letter,) = Mail.objects.all()
    assert (letter.to, letter.order) == ("cutter@harbour.example", None)
    assert "password of your sign-in was changed" in letter.body
    assert NEW not in letter.body
    bench = client.get(reverse("workshop-mail-text", args=[letter.pk]))
    assert bench.status_code == 200  # a letter without an order


@pytest.mark.parametrize(
    ("form", "told"),
    [
        ({"password": "spring-tide"}, "not your password"),
        ({"password": ""}, "not your password"),
        ({"again": "eelgrass at high water"}, "not the same"),
        ({"new": "short", "again": "short"}, "too short"),
        ({"new": "password", "again": "password"}, "too common"),
        ({"new": "", "again": ""}, "too short"),
        ({"new": OLD, "again": OLD}, "password you have"),
    ],
)
def test_what_is_wrong_is_told_and_changes_nothing(
    client: Client, form: dict[str, str], told: str
) -> None:
    before = Person.objects.get().password
    refused = change(client, **form)
    assert refused.status_code == 422
    page = refused.content.decode()
    assert page.count(told) == 1
    assert NEW not in page
    assert Person.objects.get().password == before
    assert not Mail.objects.exists()
    assert is_in(client)


def test_with_a_second_step_its_code_is_asked_for_and_not_used_up_by_a_mistake(
    client: Client, clock: Clock
) -> None:
    person, secret = Person.objects.get(), second_step.new_secret()
    second_step.set_up(person, secret, code_at(secret, NOW - 30))
    client.force_login(person, BACKEND)
    code = code_at(secret, NOW)
    assert change(client).status_code == 422
    assert change(client, code="000000").status_code == 422
    assert change(client, code=code, again="another").status_code == 422
    assert change(client, code=code).status_code == 302
    assert Person.objects.get().check_password(NEW)


def test_the_old_password_is_guessed_ten_times_and_no_more(client: Client) -> None:
    """Neither by the field for it nor by the one for the new, which says whether it is the old."""
    for _ in range(5):
        assert change(client, password="guess").status_code == 422
        page = change(client, password="guess", new=OLD, again=OLD).content.decode()
        assert "password you have" not in page
    assert change(client).status_code == 429
    assert Person.objects.get().check_password(OLD)


def test_a_sign_in_by_the_old_one_on_its_way_opens_nothing(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = second_step.is_set

    def changed_in_between(who: Person) -> bool:
        monkeypatch.setattr(second_step, "is_set", found)
        assert change(client).status_code == 302
        return found(who)

    monkeypatch.setattr(second_step, "is_set", changed_in_between)
    assert not is_in(signed_in(OLD))


def test_of_two_changes_at_once_one_is_made(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other was proved by a password that is not the password any more."""
    proved = views_sign_in._not_proved

    def overtaken(*args: Any) -> Any:
        monkeypatch.setattr(views_sign_in, "_not_proved", proved)
        person = Person.objects.get()
        person.set_password("wrack line")
        person.save()
        return None

    monkeypatch.setattr(views_sign_in, "_not_proved", overtaken)
    assert change(client).status_code == 422
    assert Person.objects.get().check_password("wrack line")
    assert not Mail.objects.exists()


def test_artists_and_strangers_have_no_such_page() -> None:
    assert "/sign-in/?next=" in change(Client())["Location"]
    client = Client()
    client.force_login(factories.artist_person(), BACKEND)
    assert change(client).status_code == 403
