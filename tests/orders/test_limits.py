"""Limits per address and person: counted across processes, told in a sentence, nothing lost."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, connection, transaction
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import timezone

from config.environment import Environment, SettingError
from orders import access, limits, tasks, upkeep
from orders.limits import TooOftenError
from orders.models import Design, Message, Order, SheetRun, ShelfOffer, UseCount, Version
from tests import factories

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"

# pages by which the same file becomes another version, and what their forms send
VERSION_MAKERS: dict[str, dict[str, Any]] = {
    "drawing-mode": {"mode": "mask"},
    "drawing-size": {"blank": "4x4in", "paper": "same"},
    "drawing-back": {},
    "drawing-mend-here": {"kind": "island"},
    "drawing-mend-all-do": {"mend": "0"},
    "pens-bridges": {},
    "pens-save": {"revision": "0"},
    "mine-copy": {"blank": "4x4in"},
    "straighten-save": {"blank": "4x4in", "paper": "same", "turn_deg": "90"},
}


def asked(address: str = "192.0.2.7", visitor: str = "wren", user: Any = None) -> Any:
    """A request as a view gets it. The addresses are those for documents (RFC 5737, RFC 3849)."""
    request = RequestFactory().post("/", REMOTE_ADDR=address)
    request.session = {access.VISITOR: visitor} if visitor else {}  # type: ignore[assignment]
    request.user = user
    return request


def picture() -> SimpleUploadedFile:
    return SimpleUploadedFile("crab.png", factories.picture_png(), "image/png")


@pytest.mark.django_db
class TestCounting:
    def test_one_more_than_the_row_says_is_refused_and_told_until_when(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (3, 0)}
        for _ in range(3):
            limits.count(asked(), "upload")
        with pytest.raises(TooOftenError) as caught:
            limits.count(asked(), "upload")
        assert 3590 <= caught.value.seconds <= 3600
        assert "wait 60 minutes" in caught.value.sentence
        limits.count(asked(visitor="moss"), "upload")  # somebody else is not held up

    def test_a_new_session_each_time_is_counted_by_its_address(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (3, 5)}
        for number in range(5):
            limits.count(asked(visitor=f"session-{number}"), "upload")
        with pytest.raises(TooOftenError):
            limits.count(asked(visitor="another"), "upload")
        limits.count(asked("192.0.2.8", "another"), "upload")

    def test_what_is_refused_is_not_counted_by_either(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (1, 10)}
        limits.count(asked(), "upload")
        for _ in range(20):
            with pytest.raises(TooOftenError):
                limits.count(asked(), "upload")
        assert sorted(UseCount.objects.values_list("count", flat=True)) == [1, 1]

    def test_the_window_begins_anew(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (1, 1)}
        limits.count(asked(), "upload")
        UseCount.objects.update(began_at=timezone.now() - limits.HOUR - timedelta(seconds=1))
        limits.count(asked(), "upload")
        with pytest.raises(TooOftenError):
            limits.count(asked(), "upload")

    def test_one_household_of_version_six_is_one_address(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (0, 1)}
        limits.count(asked("2001:db8:1:2::1", "a"), "upload")
        with pytest.raises(TooOftenError):
            limits.count(asked("2001:db8:1:2:ffff::9", "b"), "upload")
        limits.count(asked("2001:db8:1:3::1", "c"), "upload")
        limits.count(asked("not an address", "d"), "upload")

    def test_a_network_of_version_six_is_ten_addresses(self, settings: Any) -> None:
        """Whoever is given 48 bits has 65,536 such households (RFC 6177)."""
        settings.LIMITS = {"upload": (0, 2)}
        for number in range(20):
            limits.count(asked(f"2001:db8:1:{number:x}::1", f"v{number}"), "upload")
        with pytest.raises(TooOftenError):
            limits.count(asked("2001:db8:1:ffff::1", "a"), "upload")
        limits.count(asked("2001:db8:2:ffff::1", "b"), "upload")
        assert limits.network_of(asked("192.0.2.7")) == ""
        assert limits.network_of(asked("::ffff:192.0.2.7")) == ""

    def test_behind_a_proxy_the_address_is_the_one_that_the_proxy_saw(self, settings: Any) -> None:
        settings.LIMITS, settings.IS_BEHIND_PROXY = {"upload": (0, 1)}, True
        for number in range(2):
            request = asked("10.0.0.1", f"v{number}")
            request.META["HTTP_X_FORWARDED_FOR"] = f"198.51.100.{number}, 192.0.2.9"
            if number:
                with pytest.raises(TooOftenError):
                    limits.count(request, "upload")
            else:
                limits.count(request, "upload")

    def test_the_workshop_is_not_counted_and_off_is_off(self, settings: Any) -> None:
        settings.LIMITS = {"upload": (1, 1)}
        cutter = factories.workshop_person()
        for _ in range(5):
            limits.count(asked(user=cutter), "upload")
        settings.LIMITS = None
        for _ in range(5):
            limits.count(asked(), "upload")
        assert not UseCount.objects.exists()

    def test_neither_address_nor_person_is_kept_and_old_counts_go(self, settings: Any) -> None:
        owner = factories.artist_person()
        limits.count(asked(user=owner), "upload")
        rows = UseCount.objects.values_list("who", flat=True)
        assert len(rows) == 2
        assert not any("192.0" in who or "wren" in who for who in rows)
        UseCount.objects.update(began_at=timezone.now() - limits.KEPT - timedelta(hours=1))
        assert tasks.sweep()["counts"] == 2

    def test_usual_rows_let_the_benches_and_a_school_by(self) -> None:
        """Twenty drawings a minute from one address, and a class of thirty with ten each."""
        upload = limits.LIMITS["upload"]
        assert upload.address >= 20 * 60
        assert upload.address >= 30 * 10
        assert limits.LIMITS[limits.WAITING].each >= 50


@pytest.mark.django_db(transaction=True)
def test_the_count_holds_across_many_at_once(settings: Any) -> None:
    settings.LIMITS = {"upload": (0, 7)}
    taken: list[bool] = []

    def press(number: int) -> None:
        try:
            limits.count(asked(visitor=f"v{number}"), "upload")
            taken.append(True)
        except TooOftenError:
            taken.append(False)
        finally:
            connection.close()

    threads = [threading.Thread(target=press, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert (taken.count(True), taken.count(False)) == (7, 9)


@pytest.mark.django_db
class TestPages:
    def test_a_page_script_is_told_by_429_in_words_and_when(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"upload": (1, 0)}
        form = {"blank": "6x6in", "paper": "6x6in"}
        sent = {**form, "drawing": picture()}
        first = client.post(reverse("upload"), sent, headers={"accept": "application/json"})
        assert first.status_code == 200
        again = {**form, "drawing": picture()}
        second = client.post(reverse("upload"), again, headers={"accept": "application/json"})
        assert second.status_code == 429
        assert int(second["Retry-After"]) > 3000
        assert "Nothing is lost" in second.json()["error"]
        assert Design.objects.count() == 1

    def test_a_plain_form_gets_the_page_with_the_sentence(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"upload": (1, 0)}
        for code in (302, 429):
            form = {"blank": "6x6in", "paper": "6x6in", "drawing": picture()}
            response = client.post(reverse("upload"), form)
            assert response.status_code == code
        page = response.content.decode()
        assert "sent very many drawings" in page
        assert "Traceback" not in page
        assert Design.objects.count() == 1

    def test_of_many_at_once_those_before_the_limit_are_taken(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"upload": (3, 0)}
        form = {"blank": "6x6in", "paper": "6x6in", "drawing": [picture() for _ in range(5)]}
        page = client.post(reverse("upload"), form, follow=True).content.decode()
        assert Design.objects.count() == 3
        assert "2 of your drawings were not taken" in page

    def test_too_many_that_wait_are_refused_until_some_are_done(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"waiting": (2, 0)}
        form = {"blank": "6x6in", "paper": "6x6in"}
        for code in (302, 302, 429):
            response = client.post(reverse("upload"), {**form, "drawing": picture()})
            assert response.status_code == code
        assert "stay in the queue" in response.content.decode()
        Version.objects.update(status="passed")
        response = client.post(reverse("upload"), {**form, "drawing": picture()})
        assert response.status_code == 302

    @pytest.mark.parametrize("page", VERSION_MAKERS)
    def test_versions_are_made_so_often_and_no_more(self, settings: Any, page: str) -> None:
        settings.LIMITS = {"version": (0, 1)}
        owner = factories.artist_person()
        version = factories.make_version(owner=owner)
        client = Client()
        client.force_login(owner, BACKEND)
        form = {"version": 1, **VERSION_MAKERS[page]}
        address = reverse(page, args=[version.design.token])
        assert client.post(address, form).status_code in (302, 422)
        made = Version.objects.count()
        assert client.post(address, form).status_code == 429
        assert Version.objects.count() == made

    def test_a_links_holder_does_not_fill_the_queue_in_its_artists_name(
        self, settings: Any, client: Client
    ) -> None:
        """What waits of a drawing counts for whoever sent it: one drawing takes few at a time."""
        settings.LIMITS = {"waiting-of-one": (3, 0), "waiting": (6, 0)}
        owner = factories.artist_person()
        version = factories.make_version(owner=owner)
        order = factories.make_job(factories.make_order(artist=owner), version=version).order
        assert client.get(reverse("order", args=[order.link_token])).status_code == 200
        codes = []
        for blank in ("4x4in", "8x8in", "a5", "a4", "12x12in"):
            form = {"version": 1, "blank": blank, "paper": "same"}
            address = reverse("drawing-size", args=[version.design.token])
            codes.append(client.post(address, form).status_code)
        assert codes == [302, 302, 302, 429, 429]
        artist = Client()
        artist.force_login(owner, BACKEND)
        form = {"blank": "6x6in", "paper": "6x6in", "drawing": picture()}
        assert artist.post(reverse("upload"), form).status_code == 302

    def test_a_drawing_remembers_a_mark_and_no_address(self, client: Client) -> None:
        form = {"blank": "6x6in", "paper": "6x6in", "drawing": picture()}
        client.post(reverse("upload"), form, REMOTE_ADDR="192.0.2.77")
        mark = Design.objects.get().sent_from
        assert len(mark) == limits.MARK_LENGTH
        assert "192" not in mark[:3]

    def test_a_message_that_is_too_many_stays_in_its_field(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"message": (1, 1)}
        order = factories.make_job().order
        address = reverse("order-write", args=[order.link_token])
        assert client.post(address, {"text": "One.", "press": "a"}).status_code == 302
        refused = client.post(address, {"text": "The second one.", "press": "b"})
        assert refused.status_code == 429
        assert "The second one." in refused.content.decode()
        assert "written very many messages" in refused.content.decode()
        assert Message.objects.count() == 1

    def test_a_basket_that_is_one_too_many_keeps_its_address(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"order": (0, 0)}
        factories.price_sheet()
        factories.workshop()
        owner = factories.artist_person()
        client.force_login(owner, BACKEND)
        basket = factories.make_order(artist=owner)
        Order.objects.filter(pk=basket.pk).update(placed_at=None)
        factories.make_line(basket, factories.make_version(owner=owner))
        UseCount.objects.create(
            action="order",
            who=limits.address_of(asked("127.0.0.1")),
            count=9,
            began_at=timezone.now(),
        )
        settings.LIMITS = {"order": (9, 9)}
        form = {
            "email": owner.email,
            "delivery": "post",
            "ship_name": "Wren Saltmarsh",
            "ship_line1": "4 Quay Steps",
            "ship_city": "Kelpmouth",
            "ship_postcode": "K1",
            "ship_country": "Portugal",
            "rights": "on",
        }
        refused = client.post(reverse("basket-place"), form)
        assert refused.status_code == 429
        assert "4 Quay Steps" in refused.content.decode()
        assert "asked for very many quotes" in refused.content.decode()
        assert Order.objects.get(pk=basket.pk).placed_at is None

    def test_things_are_put_into_baskets_so_often_and_no_more(self, settings: Any) -> None:
        """Each new session has a basket of its own, so its address is counted."""
        settings.LIMITS = {"basket": (0, 2)}
        factories.price_sheet()
        factories.workshop()
        version = factories.make_version(owner=factories.artist_person())
        offer, film = factories.make_offer(version), factories.make_film()
        form = {"size": version.pk, "quantity": 1, "film": film.pk}
        codes = [Client().post(reverse("shelf-add", args=[offer.code]), form) for _ in range(3)]
        assert [response.status_code for response in codes] == [302, 302, 429]
        own = {"drawing": version.design.token, "version": 1, "quantity": 1, "film": film.pk}
        client = Client()
        client.force_login(factories.artist_person(), BACKEND)
        assert client.post(reverse("basket-add"), own).status_code == 429
        assert Order.objects.count() == 2

    def test_a_price_of_many_pieces_is_counted_one_of_few_is_not(
        self, settings: Any, client: Client
    ) -> None:
        settings.LIMITS = {"prices": (0, 1)}
        factories.price_sheet()
        asked_for = {"size": "6x6in", "film": factories.make_film().pk, "designs": 1, "collect": 1}
        for pieces, code in ((100, 200), (101, 200), (102, 429), (100, 200)):
            response = client.get(reverse("prices"), asked_for | {"pieces": pieces})
            assert response.status_code == code
            told = "asked for very many prices" in response.content.decode()
            assert told == (code == 429)


@pytest.mark.django_db
class TestWhatIsWorkedOut:
    """It is counted by the processor time that it takes; the clock of the thread is set here."""

    @pytest.fixture
    def clock(self, monkeypatch: pytest.MonkeyPatch) -> list[float]:
        now = [0.0]
        monkeypatch.setattr(limits.time, "thread_time", lambda: now[0])
        return now

    def test_time_adds_up_by_person_and_address_and_then_nothing_is_done(
        self, settings: Any, clock: list[float]
    ) -> None:
        settings.LIMITS = {"work": (10, 25)}
        for _ in range(2):
            with limits.work(asked()):
                clock[0] += 6.3  # seven seconds begun
        with pytest.raises(TooOftenError, match="very much worked out"), limits.work(asked()):
            raise AssertionError("nothing is worked out any more")
        with limits.work(asked(visitor="moss")):
            clock[0] += 20  # what is begun is done
        with pytest.raises(TooOftenError), limits.work(asked(visitor="tern")):
            raise AssertionError("the address is used up")
        with limits.work(asked("192.0.2.8", "tern")):
            pass
        UseCount.objects.update(began_at=timezone.now() - limits.HOUR - timedelta(seconds=1))
        with limits.work(asked()):
            clock[0] += 1
        assert set(UseCount.objects.values_list("count", flat=True)) == {1, 20}

    def test_what_takes_little_writes_nothing_and_what_breaks_is_counted(
        self, settings: Any, clock: list[float]
    ) -> None:
        settings.LIMITS = {}
        with limits.work(asked()):
            clock[0] += 0.2
        assert not UseCount.objects.exists()

        def breaks() -> None:
            with limits.work(asked()):
                clock[0] += 3
                raise ValueError("broken")

        with pytest.raises(ValueError, match="broken"):
            breaks()
        assert set(UseCount.objects.values_list("count", flat=True)) == {3}
        with limits.work(asked(user=factories.workshop_person())):
            clock[0] += 3
        assert set(UseCount.objects.values_list("count", flat=True)) == {3}

    def test_pages_that_work_something_out_say_so(
        self, settings: Any, client: Client, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        settings.LIMITS = {"work": (1, 0)}
        version = factories.make_version(owner=factories.artist_person())
        token = version.design.token
        client.force_login(version.design.owner, BACKEND)
        monkeypatch.setattr(limits, "LEAST_WORK_S", 0.0)
        assert client.get(reverse("drawing-proof", args=[token, 1, "a4"])).status_code == 200
        for method, name, args in (
            ("get", "drawing-proof", [token, 1, "a4"]),
            ("get", "drawing-see", [token, 1, "film"]),
            ("get", "compare-difference", [token]),
            ("get", "straighten-paper", [token]),
            ("get", "straighten-measure", [token]),
            ("get", "straighten-source", [token]),
            ("get", "pens-film", [token]),
            ("get", "pens-state", [token]),
            ("post", "pens-propose", [token]),
            ("post", "pens-bridges", [token]),
        ):
            headers = {"Accept": "application/json"} if "propose" in name else {}
            response = getattr(client, method)(reverse(name, args=args), headers=headers)
            assert response.status_code == 429, name
            assert "very much worked out" in response.content.decode()
            assert int(response["Retry-After"]) > 0
        assert client.get(reverse("drawing", args=[token])).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize("kind", ["order", "run", "offer"])
def test_a_code_that_another_row_has_gives_way_to_another(
    monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """Twenty-four million codes: by the birthday rule some five thousand rows meet one twice."""

    def make(**values: Any) -> Any:
        if kind == "order":
            return Order.objects.create(visitor="wren", **values)
        if kind == "run":
            return SheetRun.objects.create(film=factories.make_film(), **values)
        owner = factories.artist_person()
        facts = {"artist": owner, "share_percent": 10, "consent_text": "Yes."}
        design = factories.make_design(owner=owner)
        return ShelfOffer.objects.create(design=design, **facts, **values)

    taken = make()
    free = iter(["23456", "34567"])
    monkeypatch.setattr("orders.codes.new_code", lambda: taken.code)
    with pytest.raises(IntegrityError), transaction.atomic():
        make(code=taken.code)  # none is ever free
    monkeypatch.setattr("orders.codes.new_code", lambda: next(free))
    assert make(code=taken.code).code == "23456"
    if kind == "order":
        with pytest.raises(IntegrityError), transaction.atomic():  # another fault stays one
            make(code="99999", link_token=taken.link_token)
    assert next(free) == "34567"
    type(taken).objects.get(pk=taken.pk).save()  # a row that is there keeps its code


@pytest.mark.django_db
def test_baskets_that_nobody_signed_in_for_go_in_the_end(settings: Any) -> None:
    settings.KEEP_UNCLAIMED_DAYS = 180
    owner = factories.artist_person()
    forgotten, young = (Order.objects.create(visitor=name) for name in ("wren", "moss"))
    factories.make_line(forgotten, factories.make_version(owner=owner))
    own = Order.objects.create(artist=owner)
    placed = factories.make_order(artist=owner, placed=True)
    long_ago = timezone.now() - timedelta(days=181)
    Order.objects.exclude(pk=young.pk).update(created_at=long_ago)
    assert upkeep.forgotten_baskets() == 2  # the basket and its line
    assert set(Order.objects.all()) == {young, own, placed}
    assert upkeep.forgotten_baskets() == 0


def test_the_setting_changes_rows_or_drops_them() -> None:
    def read(text: str) -> Any:
        return Environment({"HOLDFAST_LIMITS": text}).limits("HOLDFAST_LIMITS")

    assert read("") == {}
    assert read("off") is None
    assert read("upload=3/9 message=0/0") == {"upload": (3, 9), "message": (0, 0)}
    for wrong in ("upload", "upload=3", "upload=-1/2", "=3/4", "upload=a/b"):
        with pytest.raises(SettingError):
            read(wrong)
