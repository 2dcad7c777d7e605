"""The shelf: consent kept, what may be offered, what ends it, and what its ending ends."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from orders import privacy, quoting, shelf, shelf_sales, workflow
from orders.errors import NotNowError, RefusedError
from orders.models import (
    Event,
    Job,
    Mail,
    OrderLine,
    Person,
    Quote,
    ShelfOffer,
    ShelfPayee,
    Version,
    Workshop,
)
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def version(db: None) -> Version:
    factories.price_sheet()
    factories.workshop()
    return factories.make_version(owner=factories.artist_person())


@pytest.fixture
def offer(version: Version) -> ShelfOffer:
    return factories.make_offer(version)


def is_live(offer: ShelfOffer) -> bool:
    """Whether anybody may see and order it."""
    return shelf_sales.live().filter(pk=offer.pk).exists()


def quoted(offer: ShelfOffer) -> Quote:
    """A quote to a buyer, not answered yet."""
    buyer = factories.buyer_person()
    order = factories.make_order(artist=buyer, placed=False)
    factories.make_line(order, offer.sizes.get().version, quantity=2, shelf_offer=offer)
    actor = Actor(Event.Role.ARTIST, buyer)
    return quoting.place_order(order, buyer, actor, rights_confirmed=True)


def accept(quote: Quote) -> Job:
    workflow.accept(quote, Actor(Event.Role.ARTIST, quote.order.artist))
    return quote.order.jobs.get()


def test_a_consent_is_kept_word_for_word_with_its_date_and_share(version: Version) -> None:
    before = timezone.now()
    offer = factories.make_offer(version)
    sentences = shelf.consent_sentences(Decimal(15), "Slipway Cutting Shed")
    assert offer.consent_text.split("\n") == [*sentences, "Ticked: 6 x 6 in, stencil, version 1."]
    assert "15 % of the stencil’s price without tax" in offer.consent_text
    assert before <= offer.consented_at <= timezone.now()
    assert (offer.artist, offer.share_percent) == (version.design.owner, 15)
    Workshop.objects.update(name="Another shed", shelf_share_percent=20)
    offer.refresh_from_db()
    assert "Slipway" in offer.consent_text
    assert offer.share_percent == 15  # what was agreed holds


def test_a_share_that_changed_since_the_page_was_read_is_not_agreed_to(version: Version) -> None:
    Workshop.objects.update(shelf_share_percent=5)
    with pytest.raises(RefusedError, match="The share has changed"):
        shelf.offer(
            version.design,
            Actor(Event.Role.ARTIST, version.design.owner),
            [version],
            shown_name="W",
            payee_name="W",
            pay_to="by hand",
            agreed_percent=Decimal(15),
        )
    assert not ShelfOffer.objects.exists()


def test_only_the_owner_offers_and_only_what_passed(version: Version) -> None:
    stranger = factories.buyer_person()
    options: dict[str, Any] = {
        "shown_name": "X",
        "payee_name": "X",
        "pay_to": "x",
        "agreed_percent": Decimal(15),
    }
    with pytest.raises(RefusedError, match="Only the signed-in owner"):
        shelf.offer(version.design, Actor(Event.Role.ARTIST, stranger), [version], **options)
    rejected = factories.make_version(version.design, status="rejected")
    offered = factories.make_version(version.design, proposal="offered")
    owner = Actor(Event.Role.ARTIST, version.design.owner)
    for wrong in (rejected, offered):
        with pytest.raises(RefusedError, match="Choose at least one size"):
            shelf.offer(version.design, owner, [wrong], **options)
    card = options | {"pay_to": "4111 1111 1111 1111"}  # a test number, ISO/IEC 7812-1
    with pytest.raises(RefusedError, match="number of a card"):
        shelf.offer(version.design, owner, [version], **card)


def test_the_newest_of_each_size_may_be_offered_copies_too(version: Version) -> None:
    newer = factories.make_version(version.design)
    small = factories.make_version(version.design, blank_code="4x4in")
    copy = factories.make_design(owner=version.design.owner)
    copy.made_from = version
    copy.save()
    card = factories.make_version(copy, blank_code="2.5x3.5in")
    assert shelf.offerable(version.design) == [newer, small, card]
    assert shelf.offerable(copy) == [newer, small, card]


def test_pressed_twice_it_is_on_the_shelf_once(version: Version) -> None:
    assert factories.make_offer(version) == factories.make_offer(version)


def test_withdrawing_is_for_the_future_and_can_be_undone_for_a_while(offer: ShelfOffer) -> None:
    artist = Actor(Event.Role.ARTIST, offer.artist)
    job = accept(quoted(offer))
    late = quoted(offer)
    shelf.withdraw(offer, artist)
    assert not is_live(offer)
    assert job.status == Job.Status.RECEIVED  # accepted before: it is still cut
    with pytest.raises(RefusedError, match="is not on the shelf any more"):
        accept(late)
    assert late.order.jobs.count() == 0
    late.refresh_from_db()
    assert late.status == Quote.Status.OFFERED
    with pytest.raises(RefusedError, match="is not on the shelf any more"):
        quoting.make_quote(late.order, artist)
    shelf.undo_withdraw(offer, artist)
    assert is_live(offer)
    accept(late)
    shelf.withdraw(offer, artist)
    long_ago = timezone.now() - timedelta(minutes=16)
    ShelfOffer.objects.update(revoked_at=long_ago)
    with pytest.raises(NotNowError, match="longer than 15 minutes"):
        shelf.undo_withdraw(offer, artist)


def test_a_takedown_is_mailed_with_its_reason_and_undone_with_its_letter(
    offer: ShelfOffer, cutter: Actor
) -> None:
    with pytest.raises(RefusedError, match="Write a reason"):
        shelf.take_down(offer, cutter, why=" ")
    shelf.take_down(offer, cutter, why="It melts at this size.")
    assert not is_live(offer)
    letter = Mail.objects.get(kind="shelf-taken-down")
    assert letter.to == offer.artist.email
    assert "It melts at this size." in letter.body
    assert letter.status == Mail.Status.WAITING
    shelf.undo_take_down(offer, cutter)
    assert is_live(offer)
    letter.refresh_from_db()
    assert letter.status == Mail.Status.WITHDRAWN


def test_a_deleted_drawing_leaves_shelf_and_baskets_at_once_and_needs_consent_anew(
    offer: ShelfOffer,
) -> None:
    artist = Actor(Event.Role.ARTIST, offer.artist)
    design = offer.sizes.get().version.design
    open_quote = quoted(offer)
    basket = factories.make_order(artist=factories.buyer_person(), placed=False)
    factories.make_line(basket, offer.sizes.get().version, shelf_offer=offer)
    privacy.remove_design(design, artist)
    assert not is_live(offer)
    assert not basket.lines.exists()
    # a buyer's open quote neither keeps the drawing nor brings it back
    assert privacy.kept_for(design) is None
    with pytest.raises(RefusedError, match="is not on the shelf any more"):
        accept(open_quote)
    design.refresh_from_db()
    assert design.removed_at is not None
    privacy.restore_design(design, artist)
    assert not is_live(offer)
    assert shelf.offer_of(design) is None


def test_a_deleted_copy_takes_its_size_along(version: Version) -> None:
    copy = factories.make_design(owner=version.design.owner)
    copy.made_from = version
    copy.save()
    card = factories.make_version(copy, blank_code="2.5x3.5in")
    offer = factories.make_offer(version, card)
    artist = Actor(Event.Role.ARTIST, offer.artist)
    assert shelf.sizes_of(offer) == [version, card]
    privacy.remove_design(copy, artist)
    assert shelf.sizes_of(offer) == [version]
    assert is_live(offer)


def test_an_erased_artist_is_off_the_shelf_and_is_still_owed(
    offer: ShelfOffer, cutter: Actor
) -> None:
    person = offer.artist
    job = factories.sell(offer, cutter)
    privacy.erase_account(person, "", Actor(Event.Role.ARTIST, person))
    offer.refresh_from_db()
    assert not is_live(offer)
    assert offer.shown_name == ""
    # what was accepted before is still cut, and its share is booked to whom it is owed
    job.refresh_from_db()
    factories.send(job, cutter)
    line = job.shelf_sale.lines.get()
    assert line.artist_id == person.pk
    payee = ShelfPayee.objects.get(person=person)
    assert payee.name == "Wren Saltmarsh"  # as the law asks of what was sold
    Person.objects.filter(pk=person.pk).update(erased_at=timezone.now() - timedelta(days=9000))
    privacy.erase_old_books()
    assert ShelfPayee.objects.filter(person=person).exists()  # a share of today is in the books


def test_an_erased_artist_who_sold_nothing_leaves_no_payee(offer: ShelfOffer) -> None:
    person = offer.artist
    privacy.erase_account(person, "", Actor(Event.Role.ARTIST, person))
    assert not ShelfPayee.objects.exists()


def test_a_job_from_the_shelf_is_neither_changed_nor_asked_about(
    offer: ShelfOffer, cutter: Actor
) -> None:
    job = factories.sell(offer, cutter)
    for step in (
        lambda: workflow.ask_changes(job, cutter, why="Thicker lines."),
        lambda: workflow.propose(job, job.version, cutter),
    ):
        with pytest.raises(RefusedError, match="cut as it is offered"):
            step()
    workflow.decline(job, cutter, why="The film is out of stock.")
    assert job.status == Job.Status.DECLINED


def test_no_set_up_for_what_was_set_up_before_at_any_of_its_sizes(version: Version) -> None:
    """First sheet: 8.00 for 6 x 6 in, 6.00 set-up; 4.00 for the card."""
    copy = factories.make_design(owner=version.design.owner)
    copy.made_from = version
    copy.save()
    card = factories.make_version(copy, blank_code="2.5x3.5in")
    offer = factories.make_offer(version, card)
    assert not quoting.is_set_up(offer)

    def set_up_of(size: Version) -> str:
        order = factories.make_order(artist=factories.buyer_person(), placed=False)
        factories.make_line(order, size, shelf_offer=offer)
        lines = quoting.price_of(order).lines
        return str(next(line.amount for line in lines if line.kind == "set-up"))

    assert set_up_of(card) == "6.00"  # never set up: the first buyer pays it, once
    own = factories.make_order(artist=offer.artist)
    factories.make_line(own, version)
    artist = Actor(Event.Role.ARTIST, offer.artist)
    workflow.accept(quoting.make_quote(own, artist), artist)
    assert set_up_of(version) == "0.00"
    assert set_up_of(card) == "0.00"  # the same file at another size
    assert quoting.is_set_up(offer)


def test_ordered_again_it_stays_from_the_shelf_while_it_is_there(
    offer: ShelfOffer, cutter: Actor
) -> None:
    from orders.ordering_again import put_in_again
    from orders.reorder import order_again

    job = factories.sell(offer, cutter)
    old, actor = job.order, Actor(Event.Role.ARTIST, factories.buyer_person())
    basket = factories.make_order(artist=old.artist, placed=False)
    assert put_in_again(basket, old, [job]).lines == 1
    assert basket.lines.get().shelf_offer == offer
    quote = order_again(old, actor, {job.code: (3, job.film)}, rights_confirmed=True)
    assert quote.order.lines.get().shelf_offer == offer
    assert quote.request[0]["shelf"]["offer"] == offer.pk
    shelf.withdraw(offer, Actor(Event.Role.ARTIST, offer.artist))
    OrderLine.objects.filter(order=basket).delete()
    put = put_in_again(basket, old, [job])
    assert (put.lines, len(put.left_out)) == (0, 1)
    assert "not on the shelf any more" in put.left_out[0]


def test_live_asks_after_the_drawing_and_its_artist(offer: ShelfOffer) -> None:
    assert list(shelf_sales.live()) == [offer]
    Person.objects.filter(pk=offer.artist_id).update(erased_at=timezone.now())
    assert not shelf_sales.live().exists()


def test_an_erased_drawing_leaves_the_record_of_its_consent_and_nothing_of_itself(
    offer: ShelfOffer,
) -> None:
    design = offer.design
    assert design is not None
    privacy.remove_design(design, Actor(Event.Role.ARTIST, offer.artist))
    design.removed_at = timezone.now() - timedelta(hours=25)
    design.save()
    assert privacy.erase_design(design) == 1
    offer.refresh_from_db()
    assert offer.design is None
    assert offer.consent_text.startswith("I offer this drawing")
    assert design.title not in offer.consent_text
    client = Client()
    client.force_login(offer.artist, "allauth.account.auth_backends.AuthenticationBackend")
    page = client.get(reverse("mine-shelf")).content.decode()
    assert "An erased drawing" in page


def test_what_can_be_put_back_stands_on_top(version: Version, cutter: Actor) -> None:
    first = factories.make_offer(version)
    owner = first.artist
    second = factories.make_offer(factories.make_version(owner=owner))
    client = Client()
    client.force_login(owner, "allauth.account.auth_backends.AuthenticationBackend")

    def order() -> list[str]:
        rows = client.get(reverse("mine-shelf")).context["offers"]
        return [row["offer"].code for row in rows]

    assert order() == [second.code, first.code]
    client.post(reverse("mine-shelf-withdraw", args=[first.code]))
    assert order() == [first.code, second.code]
    long_ago = timezone.now() - timedelta(minutes=16)
    ShelfOffer.objects.filter(pk=first.pk).update(revoked_at=long_ago)
    assert order() == [second.code, first.code]
