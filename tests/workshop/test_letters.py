"""Texts of letters: ours, the workshop's own, fields by a table and nothing else."""

import pytest
from django.urls import reverse

from orders import letters, outbox, workflow
from orders.errors import RefusedError
from orders.models import LetterText, Mail
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("kind", letters.LETTERS)
def test_our_own_text_uses_only_its_fields_and_stays_when_kept(kind: str, bench: Bench) -> None:
    subject, body = letters.ours(kind)
    assert letters.checked(kind, subject, body) == (subject, body)
    bench.press("workshop-letter", kind, subject=subject, body=body, do="keep")
    assert not LetterText.objects.exists()


def test_every_letter_to_an_artist_but_messages_can_be_written() -> None:
    to_artist = {kind for kind, (to, _) in outbox.KINDS.items() if to == "artist"}
    # a letter of safety says the same everywhere
    assert set(letters.LETTERS) == to_artist - {"message", "new-link"}


def test_a_text_of_ones_own_is_previewed_kept_sent_and_taken_back(
    bench: Bench, cutter: Actor
) -> None:
    text = {"subject": "Off it goes: [order]", "body": "Ahoy [name],\n\n[in the parcel]\n"}
    page = bench.press("workshop-letter", "shipped", do="look", **text).content.decode()
    assert "Preview, not kept yet" in page
    assert "Ahoy Wren Saltmarsh" in page
    assert not LetterText.objects.exists()
    bench.press("workshop-letter", "shipped", do="keep", **text)
    job = factories.make_job(status="packed")
    workflow.ship(job.order, cutter, [job], carrier="Harbour Mail")
    letter = Mail.objects.get()
    assert letter.subject == f"Off it goes: {job.order.code}"
    title = job.version.design.title
    assert letter.body == f"Ahoy Wren Saltmarsh,\n\n- 2 x {title}, 6 x 6 in\n"
    bench.press("workshop-letter-back", "shipped")
    assert not LetterText.objects.exists()


@pytest.mark.parametrize(
    ("subject", "body", "sentence"),
    [
        ("", "Ahoy", "A letter needs a subject and a text."),
        ("S", " \n", "A letter needs a subject and a text."),
        ("S", "[tracking]", "This letter has no field [tracking]. It may use [greeting]"),
        ("[order page", "[nonsense] x", "This letter has no field [nonsense]."),
        ("S", "x" * 5001, "That is too long"),
    ],
)
def test_what_cannot_be_kept_is_told_and_not_lost(
    bench: Bench, subject: str, body: str, sentence: str
) -> None:
    form = {"subject": subject, "body": body, "do": "keep"}
    response = bench.client.post(reverse("workshop-letter", args=["all-cut"]), form)
    assert response.status_code == 422
    page = response.content.decode()
    assert sentence in page
    assert body.strip() in page
    assert not LetterText.objects.exists()
    with pytest.raises(RefusedError):
        letters.checked("all-cut", subject, body)


def test_nothing_that_somebody_typed_is_read_as_a_field_or_as_code(cutter: Actor) -> None:
    job = factories.make_job(status="received")
    job.order.ship_name = "[order page] {{ order }} {% now 'Y' %}"
    job.order.save()
    workflow.decline(job, cutter, why="[drawing] {{ settings.SECRET_KEY }}")
    body = Mail.objects.get().body
    assert "Hello [order page] {{ order }} {% now 'Y' %}," in body
    assert "[drawing] {{ settings.SECRET_KEY }}" in body


def test_an_unknown_letter_is_not_found(bench: Bench) -> None:
    for name in ("workshop-letter", "workshop-letter-back"):
        assert bench.client.post(reverse(name, args=["message"])).status_code == 404
