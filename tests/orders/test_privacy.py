"""Deleting for good, keeping what must be kept, and erasing an account."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from axes.models import AccessAttempt
from django.contrib.sessions.models import Session
from django.core.files.base import ContentFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import messages, outbox, privacy, quoting, upkeep, workflow
from orders.errors import NotNowError
from orders.models import Design, Event, Job, Mail, Message, Order, Parcel, Upload, Version
from orders.workflow import SYSTEM_ACTOR, Actor
from tests import factories

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def _shop(media: Path) -> None:
    factories.workshop()
    factories.price_sheet()


@pytest.fixture
def wren() -> Actor:
    return Actor(Event.Role.ARTIST, factories.artist_person())


@pytest.fixture
def version(wren: Actor) -> Version:
    return factories.make_version(factories.make_design(owner=wren.person, title="Tide snail"))


def files_in(media: Path) -> int:
    return sum(path.is_file() for path in media.rglob("*"))


def let_pass(design: Design, days: float) -> None:
    Design.objects.filter(pk=design.pk).update(removed_at=timezone.now() - days * DAY)


def send(job: Job, days_ago: float = 0) -> None:
    """Let a job have been sent so many days ago."""
    counts = {"cut": job.quantity, "packed": job.quantity, "shipped": job.quantity}
    Job.objects.filter(pk=job.pk).update(status="shipped", **counts)
    at = timezone.now() - days_ago * DAY
    parcel = Parcel.objects.create(order=job.order, carrier="Harbour Post", sent_at=at)
    parcel.lines.create(job=job, count=job.quantity)


def test_a_deleted_drawing_is_gone_after_a_day_files_and_rows(
    version: Version, wren: Actor, media: Path
) -> None:
    design = version.design
    factories.make_version(design, mode="mask")
    assert files_in(media) == 7
    privacy.remove_design(design, wren)
    let_pass(design, 0.99)
    assert privacy.erase_due() == 0
    assert files_in(media) == 7
    let_pass(design, 1.01)
    assert privacy.erase_due() == 1
    assert files_in(media) == 0
    counts = [model.objects.count() for model in (Design, Version, Upload)]
    assert counts == [0, 0, 0]
    (event,) = Event.objects.filter(action="erase")
    assert event.why == "files erased: 7"
    assert privacy.erase_due() == 0


@pytest.mark.parametrize("is_sold", [False, True])
def test_what_was_made_of_a_drawing_later_goes_with_it(
    version: Version, wren: Actor, media: Path, settings: Any, tmp_path: Path, is_sold: bool
) -> None:
    from geometry.limits import Limits
    from geometry.prepared import prepared_key
    from geometry.recipe import Recipe
    from orders.models import Closer, Working

    Working.objects.create(version=version, strokes=[{"pen": "white"}])
    settings.KEEP_ORDERED_DAYS = 0
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    closer, _ = Closer.objects.get_or_create(version=version)
    closer.lift_field.save("l.png", ContentFile(b"x"))
    closer.hold_picture.save("h.png", ContentFile(b"x"))
    recipe, limits = Recipe.from_json(version.recipe), Limits.from_json(version.limits)
    prepared = tmp_path / "prepared" / prepared_key(version.upload.sha256, recipe, limits)
    prepared.parent.mkdir()
    prepared.write_bytes(b"x")
    view = prepared.with_name(f"{Path(version.stencil.name).stem}-1-film.svg")
    view.write_bytes(b"x")
    others = prepared.with_name("another-1-film.svg")
    others.write_bytes(b"x")
    settings.VAR = tmp_path
    unpacked = tmp_path / "cache" / "pictures" / f"{version.upload.sha256}.npy"
    unpacked.parent.mkdir(parents=True)
    unpacked.write_bytes(b"x")
    if is_sold:
        send(factories.make_job(version=version), days_ago=1)
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)
    assert privacy.erase_due() == 1
    assert files_in(media) == 0
    assert not prepared.exists()
    assert not view.exists()
    assert not unpacked.exists()
    assert others.exists()
    assert not Closer.objects.exists()
    assert not Working.objects.exists()
    assert Version.objects.exists() == is_sold


def test_within_a_day_it_is_brought_back_whole(version: Version, wren: Actor, media: Path) -> None:
    for _ in range(2):
        privacy.remove_design(version.design, wren)
    for _ in range(2):
        privacy.restore_design(version.design, wren)
    version.design.refresh_from_db()
    assert version.design.removed_at is None
    actions = list(Event.objects.filter(version=version).values_list("action", flat=True))
    assert actions == ["remove", "restore"]
    assert files_in(media) == 4


def test_after_a_day_it_is_not_brought_back(version: Version, wren: Actor) -> None:
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 1.01)
    with pytest.raises(NotNowError, match="longer than 24 hours ago"):
        privacy.restore_design(version.design, wren)
    privacy.erase_due()
    with pytest.raises(NotNowError, match="is erased"):
        privacy.restore_design(version.design, wren)


def test_what_is_being_made_is_not_deleted(version: Version, wren: Actor) -> None:
    factories.make_job(version=version, status="queued")
    with pytest.raises(NotNowError, match="an order that is not finished yet"):
        privacy.remove_design(version.design, wren)


def test_what_was_sent_is_kept_for_its_time_and_then_erased_to_a_husk(
    version: Version, wren: Actor, media: Path, settings: Any
) -> None:
    settings.KEEP_ORDERED_DAYS = 30
    job = factories.make_job(version=version)
    photo = job.photos.create(by=factories.workshop_person())
    photo.file.save("p.jpg", ContentFile(b"x"))
    send(job, days_ago=10)
    kept = privacy.kept_for(version.design)
    assert kept is not None
    assert kept.why == "it was ordered, and may have to be cut again"
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)
    assert privacy.erase_due() == 0
    assert files_in(media) == 5
    Parcel.objects.update(sent_at=timezone.now() - 31 * DAY)
    Design.objects.update(kept_until=timezone.now().date())
    assert privacy.erase_due() == 1
    assert files_in(media) == 0
    job.refresh_from_db()
    assert job.version.design.title == "Erased drawing"
    assert job.version.cut_outs == 1  # counts of the order's record stay
    assert job.version.findings == []
    assert privacy.erase_due() == 0


def test_many_kept_drawings_do_not_keep_others_from_being_erased(
    version: Version, wren: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(privacy, "AT_ONCE", 2)
    for _ in range(3):
        sold = factories.make_version(owner=wren.person)
        send(factories.make_job(version=sold))
        privacy.remove_design(sold.design, wren)
        let_pass(sold.design, 3)
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)
    assert privacy.erase_due() == 1


def test_a_drawing_in_an_open_quote_is_kept_until_that_runs_out(
    version: Version, wren: Actor
) -> None:
    order = factories.make_order(artist=wren.person, placed=False)
    factories.make_line(order, version)
    assert wren.person is not None
    quote = quoting.place_order(order, wren.person, wren, rights_confirmed=True)
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)
    Design.objects.update(kept_until=None)
    assert privacy.erase_due() == 0
    quote.valid_until -= timedelta(days=60)
    quote.save()
    Design.objects.update(kept_until=None)
    assert privacy.erase_due() == 1
    assert not order.lines.exists()


def test_an_erasing_that_stopped_between_files_and_rows_is_ended(
    version: Version, wren: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)

    def stops(design: Design) -> int:
        raise OSError("no disk")

    with monkeypatch.context() as broken:
        broken.setattr(privacy, "_delete_files", stops)
        with pytest.raises(OSError, match="no disk"):
            privacy.erase_due()
    with pytest.raises(NotNowError):
        privacy.restore_design(version.design, wren)
    assert privacy.erase_due() == 1
    assert not Design.objects.exists()


def test_an_erased_account_leaves_the_invoice_and_nothing_else(
    version: Version, wren: Actor, media: Path, django_capture_on_commit_callbacks: Any
) -> None:
    person = wren.person
    assert person is not None
    order = factories.make_order(artist=person, accepted=True, note="My secret cove.")
    job = factories.make_job(order, version=version, status="received")
    workflow.cancel(job, wren, why="Wren says no.")
    sold = factories.make_order(artist=person, accepted=True, note="My second cove.")
    old_link = sold.link_token
    send(factories.make_job(sold, version=factories.make_version(owner=person)))
    messages.write(sold, wren, "I live by the cove.", press="1")
    basket = factories.make_order(artist=person, placed=False)
    factories.make_line(basket, version)
    unsold = factories.make_version(owner=person)
    with django_capture_on_commit_callbacks(execute=True):
        privacy.erase_account(person, "", wren)
    person.refresh_from_db()
    assert (person.email, person.name, person.is_active) == (
        f"erased-{person.pk}@erased.invalid",
        "",
        False,
    )
    order.refresh_from_db()
    sold.refresh_from_db()
    assert (order.ship_name, order.ship_line1, order.note) == ("", "", "")
    assert (sold.ship_name, sold.ship_line1, sold.note) == ("Wren Saltmarsh", "3 Quay Steps", "")
    assert sold.link_token != old_link
    assert not Order.objects.filter(pk=basket.pk).exists()
    assert not Design.objects.filter(pk=unsold.design.pk).exists()
    assert Message.objects.get().text == ""
    assert not Design.objects.filter(owner=person).exists()
    words = [
        *Event.objects.values_list("why", flat=True),
        *Mail.objects.values_list("body", flat=True),
    ]
    words += [
        *Mail.objects.values_list("to", flat=True),
        *Mail.objects.values_list("subject", flat=True),
    ]
    told = [word for word in words if ("ren" in word and "erased" not in word) or "cove" in word]
    assert told == []
    assert outbox.send_due() == 0
    assert files_in(media) == 4  # the one that was sold, kept for remakes
    privacy.erase_account(person, "", wren)  # pressed twice
    assert factories.artist_person().pk != person.pk  # the address is free again


def test_old_links_of_an_erased_account_lead_nowhere(wren: Actor) -> None:
    """A quote's address leads on to the order's, where name and street stand for the invoice."""
    factories.price_sheet()
    factories.workshop()
    person = wren.person
    assert person is not None
    order = factories.make_order(artist=person)
    factories.make_line(order, factories.make_version(owner=person))
    quote = quoting.make_quote(order, wren)
    workflow.accept(quote, wren)
    cutter = Actor(Event.Role.WORKSHOP, factories.workshop_person())
    workflow.queue(order.jobs.get(), cutter)
    factories.send(order.jobs.get(), cutter)
    addresses = [
        reverse("order", args=[order.link_token]),
        *(reverse(name, args=[quote.token]) for name in ("quote", "quote-pdf")),
    ]
    assert [Client().get(address).status_code for address in addresses] == [200, 200, 200]
    privacy.erase_account(person, "", wren)
    assert [Client().get(address).status_code for address in addresses] == [404, 404, 404]


def test_an_account_with_something_being_made_is_not_erased(wren: Actor) -> None:
    factories.make_job(status="cut")
    assert wren.person is not None
    with pytest.raises(NotNowError, match="Something is still being made for you"):
        privacy.erase_account(wren.person, "", wren)


def test_names_on_invoices_go_when_the_books_time_is_over(wren: Actor, settings: Any) -> None:
    settings.KEEP_BOOKS_DAYS = 10
    assert wren.person is not None
    order = factories.make_order(artist=wren.person, accepted=True)
    send(factories.make_job(order))
    privacy.erase_account(wren.person, "", wren)
    assert privacy.erase_old_books() == 0
    Order.objects.update(placed_at=timezone.now() - 11 * DAY)
    assert privacy.erase_old_books() == 1
    order.refresh_from_db()
    assert order.address_lines == []


def test_a_visitor_erases_only_what_nobody_owns(wren: Actor) -> None:
    own = factories.make_version(visitor="key")
    other = factories.make_version(visitor="other key")
    owned = factories.make_version(visitor="key", owner=wren.person)
    assert privacy.erase_visitor("key") == 1
    left = set(Design.objects.values_list("pk", flat=True))
    assert left == {other.design.pk, owned.design.pk}
    assert own.design.pk not in left
    assert privacy.erase_visitor("") == 0


def test_the_sweep_erases(version: Version, wren: Actor) -> None:
    from orders.tasks import sweep

    privacy.remove_design(version.design, wren)
    let_pass(version.design, 2)
    assert sweep()["erased"] == 1
    assert SYSTEM_ACTOR.person is None


def test_a_drawing_that_nobody_signed_in_for_is_erased_in_the_end(
    wren: Actor, media: Path, settings: Any
) -> None:
    settings.KEEP_UNCLAIMED_DAYS = 180
    forgotten = factories.make_version(visitor="key")
    changed_since = factories.make_version(visitor="key")
    owned = factories.make_version(owner=wren.person)
    Design.objects.update(created_at=timezone.now() - 181 * DAY)
    Version.objects.exclude(pk=changed_since.pk).update(created_at=timezone.now() - 181 * DAY)
    files = files_in(media)
    assert privacy.erase_forgotten() == 1
    assert set(Design.objects.all()) == {changed_since.design, owned.design}
    assert files_in(media) < files
    assert not Version.objects.filter(pk=forgotten.pk).exists()


def test_what_was_put_in_half_a_year_ago_less_a_day_stays(settings: Any) -> None:
    settings.KEEP_UNCLAIMED_DAYS = 180
    factories.make_version(visitor="key")
    Design.objects.update(created_at=timezone.now() - 179 * DAY)
    Version.objects.update(created_at=timezone.now() - 179 * DAY)
    assert privacy.erase_forgotten() == 0


def test_letters_lose_their_words_with_the_drawings_they_tell_of(settings: Any) -> None:
    settings.KEEP_ORDERED_DAYS = 730
    facts = {"to": "wren@harbour.example", "subject": "Your order", "body": "Dear Wren"}
    old = Mail.objects.create(kind="quote", status="sent", **facts)
    waits = Mail.objects.create(kind="quote", status="waiting", **facts)
    Mail.objects.update(created_at=timezone.now() - 731 * DAY)
    young = Mail.objects.create(kind="quote", status="sent", **facts)
    assert privacy.erase_old_letters() == 1
    assert privacy.erase_old_letters() == 0
    bodies = {mail.pk: mail.body for mail in Mail.objects.all()}
    assert bodies == {old.pk: "(erased)", waits.pk: "Dear Wren", young.pk: "Dear Wren"}


def test_sign_in_tries_and_ended_sessions_go(client: Client) -> None:
    client.post("/workshop/sign-in/", {"username": "a@b.example", "password": "wrong"})
    assert AccessAttempt.objects.count() == 1
    AccessAttempt.objects.update(attempt_time=timezone.now() - 31 * DAY)
    ended = Session.objects.create(session_key="ended", expire_date=timezone.now() - DAY)
    Session.objects.create(session_key="open", expire_date=timezone.now() + DAY)
    assert upkeep.tidy_when_due() == 2
    assert not AccessAttempt.objects.exists()
    assert not Session.objects.filter(pk=ended.pk).exists()
    assert Session.objects.filter(session_key="open").exists()
    assert upkeep.tidy_when_due() == 0, "once an hour"
