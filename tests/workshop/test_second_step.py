"""The second step of the workshop's sign-in: a code by time, spare codes, and a lost phone."""

from __future__ import annotations

import base64
import io
from typing import Any

import pytest
import zxingcpp
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import format_hotp_value, hotp_value
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from PIL import Image, ImageDraw

from config.environment import Environment, SettingError
from orders import outbox, second_step
from orders.errors import RefusedError
from orders.models import Mail, Person
from tests import factories
from tests.workshop.conftest import BACKEND

pytestmark = pytest.mark.django_db

FORM = {"username": "cutter@harbour.example", "password": "tide-table"}
NOW = 1_700_000_000


class Clock:
    """The clock by which codes are compared."""

    def __init__(self, seconds: int) -> None:
        self.seconds = seconds

    def time(self) -> float:
        return self.seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock(NOW)
    monkeypatch.setattr("allauth.mfa.totp.internal.auth.time", clock)
    return clock


@pytest.fixture
def cutter(clock: Clock) -> tuple[Person, str, list[str]]:
    """Somebody with a second step: the person, the secret, the spare codes."""
    person = factories.workshop_person()
    secret = second_step.new_secret()
    return person, secret, second_step.set_up(person, secret, code_at(secret, NOW - 30))


def code_at(secret: str, seconds: int) -> str:
    return format_hotp_value(hotp_value(secret, seconds // 30))


def signing_in() -> Client:
    """A browser in which the password was right a moment ago."""
    client = Client()
    answer = client.post(reverse("workshop-sign-in"), FORM)
    assert answer["Location"] == reverse("workshop-second-step")
    return client


def typed(client: Client, code: str) -> Any:
    return client.post(reverse("workshop-second-step"), {"code": code})


def turned_on(client: Client, code: str) -> Any:
    form = {"password": "tide-table", "code": code}
    return client.post(reverse("workshop-second-step-on"), form)


def is_in(client: Client) -> bool:
    return client.get(reverse("workshop-today")).status_code == 200


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_are_those_of_the_standard(seconds: int, code: str) -> None:
    """RFC 6238, appendix B (SHA-1): the last six of the eight figures that stand there."""
    secret = base64.b32encode(b"12345678901234567890").decode()
    assert code_at(secret, seconds) == code[-6:]


@pytest.mark.parametrize(
    ("counter", "code"), [(0, "755224"), (1, "287082"), (4, "338314"), (9, "520489")]
)
def test_codes_by_counter_are_those_of_the_standard(counter: int, code: str) -> None:
    """RFC 4226, appendix D."""
    secret = base64.b32encode(b"12345678901234567890").decode()
    assert format_hotp_value(hotp_value(secret, counter)) == code


class TestSigningIn:
    def test_the_password_alone_opens_nothing(self, cutter: Any) -> None:
        client = signing_in()
        assert not is_in(client)
        assert "_auth_user_id" not in client.session

    def test_the_code_opens_and_leads_on(self, cutter: Any) -> None:
        _, secret, _ = cutter
        client = Client()
        queue = reverse("workshop-queue")
        client.post(reverse("workshop-sign-in"), FORM | {"next": queue})
        answer = typed(client, code_at(secret, NOW))
        assert answer["Location"] == queue
        assert is_in(client)

    def test_a_code_with_a_gap_and_one_half_a_minute_away_are_taken(
        self, cutter: Any, clock: Clock
    ) -> None:
        _, secret, _ = cutter
        code = code_at(secret, NOW + 30)
        assert typed(signing_in(), f"{code[:3]} {code[3:]}").status_code == 302
        clock.seconds += 90
        assert typed(signing_in(), code_at(secret, clock.seconds - 30)).status_code == 302

    @pytest.mark.parametrize("seconds_off", [-90, 60, 3600])
    def test_a_code_of_another_time_is_wrong(self, cutter: Any, seconds_off: int) -> None:
        _, secret, _ = cutter
        client = signing_in()
        answer = typed(client, code_at(secret, NOW + seconds_off))
        assert answer.status_code == 422
        assert "not right" in answer.content.decode()
        assert not is_in(client)

    def test_no_code_works_twice_though_it_still_counts(self, cutter: Any, clock: Clock) -> None:
        """RFC 6238, 5.2: the verifier must not accept the second attempt."""
        _, secret, _ = cutter
        code = code_at(secret, NOW)
        assert typed(signing_in(), code).status_code == 302
        for later in (0, 25, 45):  # longer than the half minute for which it is shown
            clock.seconds = NOW + later
            assert typed(signing_in(), code).status_code == 422

    def test_nor_does_the_code_that_set_it_up(self, cutter: Any) -> None:
        _, secret, _ = cutter
        assert typed(signing_in(), code_at(secret, NOW - 30)).status_code == 422

    def test_a_spare_code_works_once(self, cutter: Any) -> None:
        _, _, codes = cutter
        assert len(set(codes)) == 10
        assert typed(signing_in(), f"{codes[3][:4]} {codes[3][4:]}").status_code == 302
        assert typed(signing_in(), codes[3]).status_code == 422
        assert typed(signing_in(), codes[4]).status_code == 302

    def test_few_spare_codes_left_are_told(self, cutter: Any) -> None:
        person, _, codes = cutter
        for code in codes[:7]:
            assert second_step.is_right(person, code)
        client = signing_in()
        typed(client, codes[7])
        assert "You have 2 spare codes left" in client.get("/workshop/").content.decode()

    @pytest.mark.parametrize("code", ["", "abc", "000000", "1" * 400, "١٢٣٤٥٦", "-1", "12345678"])
    def test_rubbish_is_a_sentence(self, cutter: Any, code: str) -> None:
        assert typed(signing_in(), code).status_code == 422

    def test_after_ten_tries_there_is_a_pause_that_a_new_password_does_not_end(
        self, cutter: Any
    ) -> None:
        _, secret, _ = cutter
        client = signing_in()
        for _ in range(10):
            assert typed(client, "000001").status_code == 422
        refused = typed(signing_in(), code_at(secret, NOW))
        assert refused.status_code == 429
        assert "wait 15 minutes" in refused.content.decode()

    @pytest.mark.parametrize("limits", [{}, None, {"second-step": (0, 0)}])
    def test_a_colleague_who_is_signed_in_guesses_no_longer_than_a_stranger(
        self, cutter: Any, settings: Any, limits: Any
    ) -> None:
        settings.LIMITS = limits
        client = Client()
        client.force_login(factories.workshop_person("packer@harbour.example"), BACKEND)
        session = client.session
        session["second_step_of"] = signing_in().session["second_step_of"]
        session.save()
        answers = [typed(client, "000001").status_code for _ in range(11)]
        assert answers == [422] * 10 + [429]

    def test_without_the_password_there_is_no_second_step(self, cutter: Any) -> None:
        _, secret, _ = cutter
        client = Client()
        assert client.get(reverse("workshop-second-step")).status_code == 302
        assert typed(client, code_at(secret, NOW))["Location"] == reverse("workshop-sign-in")
        assert not is_in(client)

    def test_the_password_counts_for_five_minutes_and_until_it_is_changed(
        self, cutter: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        person, secret, _ = cutter
        client = signing_in()
        person.set_password("another-tide")
        person.save()
        assert typed(client, code_at(secret, NOW)).status_code == 302
        assert not is_in(client)
        person.set_password("tide-table")
        person.save()
        client = signing_in()
        later = Clock(int(client.session["second_step_of"]["until"]) + 1)
        monkeypatch.setattr("orders.workshop.views_sign_in.time", later)
        answer = client.post(reverse("workshop-second-step"), {"code": "1"}, follow=True)
        assert "more than five minutes" in answer.content.decode()

    def test_somebody_without_a_second_step_signs_in_as_before_and_is_asked_to(self) -> None:
        factories.workshop_person()
        client = Client()
        client.post(reverse("workshop-sign-in"), FORM)
        assert "Set up a second step" in client.get(reverse("workshop-today")).content.decode()


class TestMySignIn:
    def page(self, client: Client) -> str:
        return client.get(reverse("workshop-my-sign-in")).content.decode()

    @pytest.fixture
    def client(self, clock: Clock) -> Client:
        client = Client()
        client.force_login(factories.workshop_person(), BACKEND)
        return client

    def test_it_is_set_up_with_the_first_code_and_spare_codes_are_shown_once(
        self, client: Client
    ) -> None:
        self.page(client)
        secret = client.session["second_step_secret"]
        answer = turned_on(client, code_at(secret, NOW))
        person = Person.objects.get()
        shown = answer.content.decode()
        codes = second_step.spare_codes(person)
        assert len(codes) == 10
        assert all(f"{code[:4]} {code[4:]}" in shown for code in codes)
        assert "no-store" in answer["Cache-Control"]
        assert second_step.is_set(person)
        assert not any(code[:4] in self.page(client) for code in codes if code[:4] != "2222")
        saved = client.get(reverse("workshop-spare-codes-file"))
        assert "attachment" in saved["Content-Disposition"]
        assert f"{codes[0][:4]} {codes[0][4:]}" in saved.content.decode()

    def test_the_file_is_there_for_ten_minutes_only(
        self, client: Client, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        assert client.get(reverse("workshop-spare-codes-file")).status_code == 404

    def test_a_wrong_first_code_changes_nothing_and_keeps_the_secret(self, client: Client) -> None:
        self.page(client)
        secret = client.session["second_step_secret"]
        answer = turned_on(client, "000000")
        assert answer.status_code == 422
        assert not second_step.is_set(Person.objects.get())
        assert client.session["second_step_secret"] == secret
        assert " ".join(secret[at : at + 4] for at in range(0, 32, 4)) in answer.content.decode()

    def test_the_picture_says_the_secret_to_an_independent_reader(self, client: Client) -> None:
        """Read back by zxing-cpp; the address is that of the key URI format (from memory)."""
        self.page(client)
        secret = client.session["second_step_secret"]
        person = Person.objects.get()
        address = second_step.address_for_app(person, secret)
        side, path = second_step.picture_of(address)
        image = Image.new("L", (side * 4, side * 4), "white")
        draw = ImageDraw.Draw(image)
        for part in path.split("M")[1:]:
            x, y = (int(number) for number in part.split("h")[0].split())
            draw.rectangle([x * 4, y * 4, x * 4 + 3, y * 4 + 3], fill="black")
        (read,) = zxingcpp.read_barcodes(image)
        assert read.text == address
        assert address.startswith("otpauth://totp/")
        assert f"secret={secret}" in address
        assert path in self.page(client)

    @pytest.mark.parametrize("name", ["workshop-second-step-off", "workshop-spare-codes"])
    def test_off_and_new_codes_need_password_and_code_again(
        self, client: Client, name: str
    ) -> None:
        """OWASP ASVS 5.0, 7.5.1 (from memory): full proof before what signs one in changes."""
        person = Person.objects.get()
        secret = second_step.new_secret()
        old = second_step.set_up(person, secret, code_at(secret, NOW - 30))
        client.force_login(person, BACKEND)
        code = code_at(secret, NOW)
        for form, told in (
            ({"password": "spring-tide", "code": code}, "not your password"),
            ({"password": "tide-table"}, "That code is not right"),
            ({"password": "tide-table", "code": "000000"}, "That code is not right"),
        ):
            refused = client.post(reverse(name), form)
            assert refused.status_code == 422
            assert refused.content.decode().count(told) == 1  # beside one of the two forms
        assert second_step.spare_codes(person) == old
        client.post(reverse(name), {"password": "tide-table", "code": code})
        assert not set(second_step.spare_codes(person)) & set(old)
        assert second_step.is_set(person) is (name == "workshop-spare-codes")

    def test_a_spare_code_turns_it_off_when_the_phone_is_lost(self, client: Client) -> None:
        person, secret = Person.objects.get(), second_step.new_secret()
        codes = second_step.set_up(person, secret, code_at(secret, NOW))
        client.force_login(person, BACKEND)
        form = {"password": "tide-table", "code": codes[0]}
        client.post(reverse("workshop-second-step-off"), form)
        assert not second_step.is_set(person)
        assert second_step.spare_codes(person) == []

    def test_turning_it_on_signs_the_persons_other_browsers_out(self, client: Client) -> None:
        person = Person.objects.get()
        other, colleague = Client(), Client()
        other.force_login(person, BACKEND)
        colleague.force_login(factories.workshop_person("packer@harbour.example"), BACKEND)
        self.page(client)
        secret = client.session["second_step_secret"]
        turned_on(client, code_at(secret, NOW))
        assert (is_in(client), is_in(other), is_in(colleague)) == (True, False, True)

    def test_setting_it_up_needs_the_password_again(self, client: Client) -> None:
        """At a browser left signed in, somebody's own phone would keep its owner out."""
        self.page(client)
        code = code_at(client.session["second_step_secret"], NOW)
        for form in ({"code": code}, {"code": code, "password": "guess"}):
            refused = client.post(reverse("workshop-second-step-on"), form)
            assert refused.status_code == 422
            assert refused.content.decode().count("not your password") == 1
        assert not second_step.is_set(Person.objects.get())
        assert turned_on(client, code).status_code == 200
        assert second_step.is_set(Person.objects.get())

    @pytest.mark.parametrize("name", ["second-step-off", "spare-codes"])
    def test_each_change_is_told_by_letter(self, client: Client, name: str) -> None:
        self.page(client)
        secret = client.session["second_step_secret"]
        turned_on(client, code_at(secret, NOW - 30))
        form = {"password": "tide-table", "code": code_at(secret, NOW)}
        client.post(reverse(f"workshop-{name}"), form)
        told, first = Mail.objects.all()  # the newest first
        assert {told.to, first.to} == {"cutter@harbour.example"}
        assert "was set up" in first.body
        assert {"second-step-off": "taken away", "spare-codes": "New spare"}[name] in told.body
        assert secret not in told.body + first.body
        assert is_in(client)
        assert outbox.send_due() == 2

    @pytest.mark.parametrize("how", ["page", "command"])
    def test_taking_it_away_signs_other_browsers_out(self, client: Client, how: str) -> None:
        """The phone that was lost may be signed in."""
        self.page(client)
        secret = client.session["second_step_secret"]
        turned_on(client, code_at(secret, NOW - 30))
        phone = signing_in()
        typed(phone, code_at(secret, NOW))
        assert is_in(phone)
        if how == "command":
            call_command("reset_second_step", "cutter@harbour.example", stdout=io.StringIO())
        else:
            form = {"password": "tide-table", "code": code_at(secret, NOW + 30)}
            client.post(reverse("workshop-second-step-off"), form)
        assert not second_step.is_set(Person.objects.get())
        assert (is_in(client), is_in(phone)) == (how == "page", False)

    def test_a_sign_in_on_its_way_while_it_is_set_up_opens_nothing(
        self, client: Client, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The password was taken and no second step found; then it is set up; then the session
        is made."""
        person, secret = Person.objects.get(), second_step.new_secret()
        thief, found = Client(), second_step.is_set

        def set_up_in_between(who: Person) -> bool:
            monkeypatch.setattr(second_step, "is_set", found)
            was_set = found(who)
            second_step.set_up(person, secret, code_at(secret, NOW))
            return was_set

        monkeypatch.setattr(second_step, "is_set", set_up_in_between)
        answer = thief.post(reverse("workshop-sign-in"), FORM)
        assert answer["Location"] == reverse("workshop-today")
        assert second_step.is_set(person)
        assert not is_in(thief)

    def test_many_wrong_codes_after_a_right_password_are_told_by_one_letter(
        self, clock: Clock
    ) -> None:
        person, secret = factories.workshop_person(), second_step.new_secret()
        second_step.set_up(person, secret, code_at(secret, NOW))
        thief = signing_in()
        for _ in range(13):
            typed(thief, "000001")
        letter, told_before = Mail.objects.all()  # the newest first
        assert letter.to == person.email
        assert "typed your password rightly" in letter.body
        assert "was set up" in told_before.body

    def test_guessing_the_password_there_is_paused(self, client: Client) -> None:
        for _ in range(10):
            client.post(reverse("workshop-second-step-off"), {"password": "guess"})
        answer = client.post(reverse("workshop-second-step-off"), {"password": "tide-table"})
        assert answer.status_code == 429

    def test_it_is_set_up_once(self, client: Client) -> None:
        person, secret = Person.objects.get(), second_step.new_secret()
        second_step.set_up(person, secret, code_at(secret, NOW))
        with pytest.raises(RefusedError):
            second_step.set_up(person, secret, code_at(secret, NOW))

    def test_the_secret_does_not_lie_open_in_the_database(self, client: Client) -> None:
        person, secret = Person.objects.get(), second_step.new_secret()
        second_step.set_up(person, secret, code_at(secret, NOW))
        stored = io.StringIO()
        call_command("dumpdata", "mfa", stdout=stored)
        assert Authenticator.objects.count() == 2
        assert secret not in stored.getvalue()

    def test_under_another_key_no_code_is_right_and_nothing_falls(
        self, client: Client, settings: Any
    ) -> None:
        person, secret = Person.objects.get(), second_step.new_secret()
        second_step.set_up(person, secret, code_at(secret, NOW - 30))
        settings.SECRET_KEY = "another key that is long enough to be one"
        assert not second_step.is_right(person, code_at(secret, NOW))
        assert second_step.spare_codes(person) == []


class TestRequired:
    def test_every_page_leads_to_the_set_up_until_it_is_done(
        self, settings: Any, clock: Clock
    ) -> None:
        settings.SECOND_STEP = "required"
        person = factories.workshop_person()
        client = Client()
        client.force_login(person, BACKEND)
        mine = reverse("workshop-my-sign-in")
        for name in ("workshop-today", "workshop-queue", "workshop-films", "workshop-settings"):
            assert client.get(reverse(name))["Location"] == mine
        assert client.get(mine).status_code == 200
        secret = client.session["second_step_secret"]
        turned_on(client, code_at(secret, NOW))
        assert client.get(reverse("workshop-today")).status_code == 200

    def test_strangers_and_artists_are_told_what_they_always_are(self, settings: Any) -> None:
        settings.SECOND_STEP = "required"
        assert "/sign-in/?next=" in Client().get(reverse("workshop-today"))["Location"]
        client = Client()
        client.force_login(factories.artist_person(), BACKEND)
        assert client.get(reverse("workshop-today")).status_code == 403

    def test_the_setting_is_one_of_two(self) -> None:
        def read(text: str) -> str:
            return Environment({"A": text}).one_of("A", ("offered", "required"))

        assert (read(""), read("Required")) == ("offered", "required")
        with pytest.raises(SettingError):
            read("sometimes")


class TestLostPhone:
    def test_one_command_takes_it_away(self, cutter: Any) -> None:
        out = io.StringIO()
        call_command("reset_second_step", " Cutter@Harbour.example", stdout=out)
        assert "by the password alone" in out.getvalue()
        assert "taken away" in Mail.objects.all()[0].body
        client = Client()
        client.post(reverse("workshop-sign-in"), FORM)
        assert is_in(client)

    def test_it_says_so_where_there_is_nobody_or_nothing(self) -> None:
        with pytest.raises(CommandError):
            call_command("reset_second_step", "nobody@harbour.example")
        factories.artist_person()
        with pytest.raises(CommandError):
            call_command("reset_second_step", "wren@harbour.example")
        factories.workshop_person()
        out = io.StringIO()
        call_command("reset_second_step", "cutter@harbour.example", stdout=out)
        assert "nothing was changed" in out.getvalue()
