"""The same message from two presses at once, and a letter on its way, on both databases."""

from __future__ import annotations

from functools import partial

import pytest

from orders import messages, outbox
from orders.errors import NotNowError
from orders.messages import ARTIST
from orders.models import Design, Mail, Message, Order
from orders.privacy import remove_design
from orders.workflow import Actor
from tests import factories

from .test_at_once import all_at_once

pytestmark = pytest.mark.django_db(transaction=True)


def test_two_presses_at_once_make_one_message_and_one_letter() -> None:
    factories.workshop()
    wren = Actor(ARTIST, factories.artist_person())
    pk = factories.make_order(accepted=True).pk

    def press() -> Message:
        return messages.write(Order.objects.get(pk=pk), wren, "Once.", press="same")

    results = all_at_once(press, press, press)
    assert len({message.pk for message in results}) == 1
    assert Mail.objects.filter(kind="message-in").count() == 1


def test_messages_written_at_once_share_one_letter() -> None:
    factories.workshop()
    wren = Actor(ARTIST, factories.artist_person())
    pk = factories.make_order(accepted=True).pk

    def press(number: int) -> Message:
        return messages.write(Order.objects.get(pk=pk), wren, f"Word {number}.", press=str(number))

    all_at_once(*(partial(press, number) for number in range(4)))
    letter = Mail.objects.get(kind="message-in")
    assert [f"Word {number}." in letter.body for number in range(4)] == [True] * 4
    assert letter.messages.count() == 4


def test_a_message_is_either_changed_or_mailed_as_it_was() -> None:
    factories.workshop()
    wren = Actor(ARTIST, factories.artist_person())
    for number in range(4):
        order = factories.make_order(accepted=True)
        message = messages.write(order, wren, "Old words.", press=str(number))
        Mail.objects.filter(pk=message.mail_id).update(send_after=message.at)
        results = all_at_once(
            partial(messages.change, message, wren, "New words."), outbox.send_due
        )
        letter = Mail.objects.get(pk=message.mail_id)
        message.refresh_from_db()
        assert letter.status == Mail.Status.SENT
        assert message.text in letter.body
        assert isinstance(results[0], NotNowError) == (message.text == "Old words.")


def test_a_drawing_deleted_twice_at_once_is_deleted_once() -> None:
    wren = Actor(ARTIST, factories.artist_person())
    pk = factories.make_version(owner=wren.person).design.pk

    def press() -> None:
        remove_design(Design.objects.get(pk=pk), wren)

    all_at_once(press, press)
    design = Design.objects.get(pk=pk)
    assert design.removed_at is not None
    assert design.latest.events.filter(action="remove").count() == 1
