"""Signing in by a mailed code, without telling strangers whose addresses are known."""

from __future__ import annotations

import copy
import re
import threading
from datetime import timedelta
from typing import Any

import pytest
from django.core import mail
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import privacy
from orders.access import VISITOR
from orders.models import Event, Person, UseCount
from orders.workflow import Actor
from tests import factories

from .conftest import KEY

WREN = "wren@harbour.example"


@pytest.fixture(autouse=True)
def _fresh_limits(settings: Any) -> None:
    """Each test counts its own tries."""
    settings.CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
    from django.core.cache import cache

    cache.clear()


def ask(client: Client, email: str) -> Any:
    return client.post("/sign-in/", {"email": email}, follow=True)


def code_in_mail() -> str:
    found = re.search(r"^ {4}(\S.*)$", str(mail.outbox[-1].body), re.MULTILINE)
    assert found
    return found[1]


def test_the_mailed_code_signs_in_and_hands_over_what_the_browser_owned(visitor: Client) -> None:
    person = factories.artist_person(WREN)
    version = factories.make_version(visitor=KEY)
    ask(visitor, WREN)
    response = visitor.post("/sign-in/code/", {"code": code_in_mail()})
    assert response.headers["Location"] == "/mine/"
    version.design.refresh_from_db()
    assert version.design.owner == person
    assert visitor.session[VISITOR] == KEY
    assert WREN in visitor.get("/mine/").content.decode()


def test_the_basket_comes_along_and_its_page_leads_to_signing_in(visitor: Client) -> None:
    factories.artist_person(WREN)
    order = factories.make_order(placed=False, visitor=KEY)
    version = factories.make_version(factories.make_design(visitor=KEY, title="Tide snail"))
    factories.make_line(order, version)
    assert 'href="/sign-in/?next=/basket/"' in visitor.get("/basket/").content.decode()
    visitor.post("/sign-in/?next=/basket/", {"email": WREN, "next": "/basket/"}, follow=True)
    response = visitor.post("/sign-in/code/?next=/basket/", {"code": code_in_mail()}, follow=True)
    page = response.content.decode()
    assert "Tide snail" in page
    assert WREN in page


def test_known_and_unknown_addresses_are_answered_alike(stranger: Client) -> None:
    factories.artist_person(WREN)
    known = ask(stranger, WREN).content.decode()
    unknown = ask(Client(), "nobody@harbour.example").content.decode()
    bare = [re.sub(r'value="[^"]+"|\S+@harbour.example', "", page) for page in (known, unknown)]
    assert bare[0] == bare[1]
    assert [message.to for message in mail.outbox] == [[WREN]]


def test_no_code_is_ever_mailed_for_the_workshop(stranger: Client) -> None:
    factories.workshop_person("cutter@harbour.example")
    page = ask(stranger, "cutter@harbour.example").content.decode()
    assert "Look into your mail" in page
    assert mail.outbox == []


def test_a_wrong_code_is_told_and_three_end_it(stranger: Client) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    page = stranger.post("/sign-in/code/", {"code": "000000"}).content.decode()
    assert "That is not the code in the mail." in page
    stranger.post("/sign-in/code/", {"code": "000000"})
    stranger.post("/sign-in/code/", {"code": "000000"})
    late = stranger.post("/sign-in/code/", {"code": code_in_mail()})
    assert late.headers["Location"] == "/sign-in/"
    assert "_auth_user_id" not in stranger.session


def test_a_mistyped_address_can_be_written_again(stranger: Client) -> None:
    factories.artist_person(WREN)
    ask(stranger, "wrne@harbour.example")
    assert "Send me the code" in stranger.get("/sign-in/").content.decode()
    ask(stranger, WREN)
    stranger.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in stranger.session


def test_an_empty_code_never_signs_an_unknown_address_in(stranger: Client) -> None:
    ask(stranger, "nobody@harbour.example")
    for code in ("", " ", "None"):
        stranger.post("/sign-in/code/", {"code": code})
    assert "_auth_user_id" not in stranger.session


def test_signing_out_takes_a_press_not_a_link(visitor: Client) -> None:
    assert visitor.get("/sign-out/").status_code == 405
    assert visitor.post("/sign-out/").headers["Location"] == "/"


def test_the_code_is_six_figures_and_the_field_asks_for_them(stranger: Client) -> None:
    factories.artist_person(WREN)
    page = ask(stranger, WREN).content.decode()
    assert re.fullmatch(r"\d{6}", code_in_mail())
    for part in ('autocomplete="one-time-code"', 'inputmode="numeric"', "autofocus"):
        assert part in page


@pytest.mark.parametrize("shape", ["{0} {1}", " {0}-{1} ", "{0}\u00a0{1}\n"])
def test_a_pasted_code_counts_however_it_was_copied(stranger: Client, shape: str) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    code = code_in_mail()
    stranger.post("/sign-in/code/", {"code": shape.format(code[:3], code[3:])})
    assert "_auth_user_id" in stranger.session


def test_another_code_comes_after_half_a_minute_and_the_first_ends(
    stranger: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    first = code_in_mail()
    again = {"action": "resend"}
    early = stranger.post("/sign-in/code/", again, follow=True).content.decode()
    assert "The first mail may still be on its way." in early
    assert len(mail.outbox) == 1
    monkeypatch.setattr("orders.artist.sign_in.RESEND_AFTER_SECONDS", 0)
    page = stranger.post("/sign-in/code/", again, follow=True).content.decode()
    assert "A new code is on its way. The one before it no longer works." in page
    second = code_in_mail()
    assert first != second
    stranger.post("/sign-in/code/", {"code": first})
    assert "_auth_user_id" not in stranger.session
    stranger.post("/sign-in/code/", {"code": second})
    assert "_auth_user_id" in stranger.session


def test_another_code_tells_nobody_whether_an_address_is_known(
    stranger: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    factories.artist_person(WREN)
    monkeypatch.setattr("orders.artist.sign_in.RESEND_AFTER_SECONDS", 0)
    pages = []
    for client, email in ((stranger, WREN), (Client(), "nobody@harbour.example")):
        ask(client, email)
        page = client.post("/sign-in/code/", {"action": "resend"}, follow=True)
        pages.append(re.sub(r'value="[^"]+"|\S+@harbour.example', "", page.content.decode()))
    assert pages[0] == pages[1]
    assert {message.to[0] for message in mail.outbox} == {WREN}


def test_a_code_that_is_too_old_is_told_in_a_sentence(stranger: Client, settings: Any) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    settings.ACCOUNT_LOGIN_BY_CODE_TIMEOUT = -1
    late = stranger.post("/sign-in/code/", {"code": code_in_mail()}, follow=True)
    assert late.redirect_chain[-1][0] == "/sign-in/"
    assert "That code cannot be used any more" in late.content.decode()
    assert "_auth_user_id" not in stranger.session


def test_an_empty_field_costs_no_try(stranger: Client) -> None:
    factories.artist_person(WREN)
    ask(stranger, WREN)
    for _ in range(4):
        page = stranger.post("/sign-in/code/", {"code": " "}).content.decode()
        assert "Write the code from the mail." in page
    stranger.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in stranger.session


def test_signing_in_leads_back_to_where_it_was_asked_for(stranger: Client) -> None:
    factories.artist_person(WREN)
    stranger.post("/sign-in/?next=/mine/orders/", {"email": WREN, "next": "/mine/orders/"})
    done = stranger.post("/sign-in/code/", {"code": code_in_mail(), "next": "/mine/orders/"})
    assert done.headers["Location"] == "/mine/orders/"


def test_drawings_of_two_browsers_come_together_in_the_account(db: None) -> None:
    person = factories.artist_person(WREN)
    for number in (1, 2):
        browser = Client()
        session = browser.session
        session[VISITOR] = f"browser {number}"
        session.save()
        factories.make_version(
            factories.make_design(visitor=f"browser {number}", title=f"Limpet {number}")
        )
        ask(browser, WREN)
        browser.post("/sign-in/code/", {"code": code_in_mail()})
    page = browser.get("/mine/").content.decode()
    assert "Limpet 1" in page
    assert "Limpet 2" in page
    assert person.designs.count() == 2


def test_an_answer_does_not_wait_for_the_mail_and_so_tells_nobody_by_its_time(
    stranger: Client, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mail server that takes its time holds up neither the known address nor the unknown."""
    settings.CODES_SENT_BESIDE = True
    factories.artist_person()
    goes_on, sent = threading.Event(), threading.Event()

    def slow(message: Any) -> None:
        assert goes_on.wait(30)
        sent.set()

    monkeypatch.setattr("config.sign_in._send", slow)
    for email in ("wren@harbour.example", "nobody@harbour.example"):
        answer = stranger.post(reverse("sign-in"), {"email": email})
        assert answer["Location"] == reverse("sign-in-code")
        assert not sent.is_set()
    goes_on.set()
    assert sent.wait(30)


def test_a_mail_server_that_is_down_is_no_error_of_the_page(
    stranger: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    factories.artist_person()

    def down(message: Any) -> None:
        raise ConnectionRefusedError

    monkeypatch.setattr("django.core.mail.EmailMessage.send", down)
    answer = stranger.post(reverse("sign-in"), {"email": "wren@harbour.example"})
    assert answer["Location"] == reverse("sign-in-code")


@pytest.mark.django_db
@pytest.mark.parametrize("email", ["wren@harbour.example", "nobody@harbour.example"])
def test_codes_are_asked_for_so_often_and_no_more_known_address_or_not(
    settings: Any, email: str
) -> None:
    settings.LIMITS = {"sign-in-mail": (2, 0)}
    factories.artist_person()
    for _ in range(2):
        assert Client().post(reverse("sign-in"), {"email": email}).status_code == 302
    spelt = f" {email.upper()} "
    refused = Client().post(reverse("sign-in"), {"email": spelt})
    assert refused.status_code == 429
    page = refused.content.decode()
    assert "asked for very many sign-in codes" in page
    assert "harbour.example" in page.lower()  # the address stays in its field


@pytest.mark.django_db
def test_a_stranger_who_asks_and_asks_does_not_keep_the_artist_out() -> None:
    factories.artist_person(WREN)
    stranger = [
        Client(REMOTE_ADDR="192.0.2.1").post("/sign-in/", {"email": WREN}) for _ in "x" * 14
    ]
    assert [answer.status_code for answer in stranger] == [302] * 10 + [429] * 4
    artist = Client(REMOTE_ADDR="192.0.2.2")
    ask(artist, WREN)
    artist.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in artist.session


@pytest.mark.django_db
def test_a_mailbox_that_strangers_fill_gets_few_mails_and_nobody_is_told(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.LIMITS = {"sign-in-box": (2, 0)}
    monkeypatch.setattr("orders.artist.sign_in.RESEND_AFTER_SECONDS", 0)
    factories.artist_person(WREN)
    pages = set()
    for number in range(5):
        client = Client(REMOTE_ADDR=f"192.0.2.{number}")
        pages.add(re.sub(r'value="[^"]+"', "", ask(client, WREN).content.decode()))
    assert len(pages) == 1
    assert len(mail.outbox) == 3  # two, and one of each five minutes
    for code in ("", "-", "None"):  # no mail, no code
        client.post("/sign-in/code/", {"code": code})
    again = {"action": "resend"}
    client.post("/sign-in/code/", again)
    assert len(mail.outbox) == 3
    assert "_auth_user_id" not in client.session
    late = UseCount.objects.filter(action="sign-in-box-more")
    late.update(began_at=timezone.now() - timedelta(minutes=6))
    client.post("/sign-in/code/", again)
    assert len(mail.outbox) == 4
    client.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in client.session


@pytest.mark.django_db
def test_codes_sent_again_are_counted_too(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.LIMITS = {"sign-in-mail": (2, 0)}
    monkeypatch.setattr("orders.artist.sign_in.RESEND_AFTER_SECONDS", 0)
    factories.artist_person(WREN)
    client = Client()
    ask(client, WREN)
    for _ in range(2):
        page = client.post("/sign-in/code/", {"action": "resend"}, follow=True).content.decode()
    assert "asked for very many sign-in codes" in page
    assert len(mail.outbox) == 2


@pytest.mark.django_db
@pytest.mark.parametrize("limits", [{}, None, {"sign-in-try": (99, 99)}])
def test_three_tries_are_three_though_each_request_reads_the_session_as_it_was(
    settings: Any, limits: Any
) -> None:
    """What requests at the same moment read: a session in which nothing was tried yet."""
    settings.LIMITS = limits
    factories.artist_person(WREN)
    client = Client()
    ask(client, WREN)
    as_it_was = copy.deepcopy(client.session["account_login"])

    def tried(code: str) -> Any:
        session = client.session
        session["account_login"] = copy.deepcopy(as_it_was)
        session.save()
        return client.post("/sign-in/code/", {"code": code})

    assert [tried("000000").status_code for _ in range(3)] == [200, 200, 200]
    refused = tried(code_in_mail())
    assert refused.headers["Location"] == "/sign-in/"
    assert "_auth_user_id" not in client.session
    ask(client, WREN)  # a new code has its own three
    client.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in client.session


@pytest.mark.django_db
@pytest.mark.parametrize("change", ["erased", "of the workshop"])
def test_a_code_ends_with_what_its_account_was(change: str) -> None:
    """A code on its way opens neither an account that was erased since nor the workshop's side."""
    person = factories.artist_person(WREN)
    client = Client()
    ask(client, WREN)
    if change == "erased":
        privacy.erase_account(person, "", Actor(Event.Role.ARTIST, person))
    else:
        Person.objects.filter(pk=person.pk).update(is_workshop=True)
    answer = client.post("/sign-in/code/", {"code": code_in_mail()}, follow=True)
    assert answer.status_code == 200
    assert "cannot be used any more" in answer.content.decode()
    assert "_auth_user_id" not in client.session
    assert client.get(reverse("workshop-today")).status_code == 302


def guess(client: Client, times: int = 1) -> None:
    for _ in range(times):
        client.post("/sign-in/code/", {"code": "000000"})


@pytest.mark.django_db
@pytest.mark.parametrize("limits", [{}, None])
def test_codes_grow_where_one_mailbox_is_asked_for_again_and_again(
    settings: Any, limits: Any
) -> None:
    """20 and 12 codes an hour with three tries each are 2,300 tries a day at a million codes."""
    settings.LIMITS = limits
    factories.artist_person(WREN)
    factories.artist_person("moss@harbour.example")
    lengths = []
    for number in range(5):
        client = Client(REMOTE_ADDR=f"192.0.2.{number}")
        ask(client, WREN)
        lengths.append(len(re.sub(r"\D", "", code_in_mail())))
    assert lengths == [6, 6, 6, 9, 9]
    assert re.fullmatch(r"\d{3} \d{3} \d{3}", code_in_mail())
    client.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in client.session
    ask(Client(), "moss@harbour.example")  # somebody else has as short a code as ever
    assert re.fullmatch(r"\d{6}", code_in_mail())


@pytest.mark.django_db
def test_codes_grow_for_a_day_after_wrong_ones() -> None:
    factories.artist_person(WREN)
    for number in range(2):
        guesser = Client(REMOTE_ADDR=f"192.0.2.{number}")
        ask(guesser, WREN)
        guess(guesser, 3)
    artist = Client()
    ask(artist, WREN)
    assert re.fullmatch(r"\d{3} \d{3} \d{3}", code_in_mail())
    artist.post("/sign-in/code/", {"code": code_in_mail()})
    assert "_auth_user_id" in artist.session


@pytest.mark.django_db
def test_codes_grow_for_all_where_many_mailboxes_are_guessed_at() -> None:
    """Each mailbox has few tries; by all together one would be found. Unknown ones count too."""
    factories.artist_person(WREN)
    for number in range(10):
        guesser = Client(REMOTE_ADDR=f"192.0.2.{number}")
        ask(guesser, f"tern-{number}@harbour.example")
        guess(guesser, 3)
    ask(Client(), WREN)
    assert re.fullmatch(r"\d{3} \d{3} \d{3}", code_in_mail())


@pytest.mark.django_db
def test_codes_grow_where_very_many_are_asked_for_before_any_is_tried() -> None:
    factories.artist_person(WREN)
    for number in range(40):
        ask(Client(REMOTE_ADDR=f"192.0.2.{number}"), f"tern-{number}@harbour.example")
    ask(Client(), WREN)
    assert re.fullmatch(r"\d{3} \d{3} \d{3}", code_in_mail())


@pytest.mark.django_db
@pytest.mark.parametrize("email", ["wren@harbour.example", "nobody@harbour.example"])
def test_the_page_of_the_code_says_to_everybody_that_no_letters_leave(
    email: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the mail server is away, and no longer once it took a code again."""
    said = "No letters leave here at the moment"
    factories.artist_person()

    def refuse(message: Any) -> None:
        raise ConnectionRefusedError

    def page_of(address: str) -> str:
        client = Client()
        ask(client, address)
        return client.get(reverse("sign-in-code")).content.decode()

    assert said not in page_of("wren@harbour.example")
    with monkeypatch.context() as away:
        away.setattr("django.core.mail.EmailMessage.send", refuse)
        assert said in page_of("wren@harbour.example")
        assert said in page_of(email)
    page_of("wren@harbour.example")
    assert said not in page_of(email)
