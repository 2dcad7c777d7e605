"""Letters over SMTP: what is known of each, and what is done where nothing can be known.

The server is one of our own that keeps to RFC 5321; the answers' figures are the RFC's (4.2.1).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from bench.faults_post import PostOffice
from orders import outbox, workflow
from orders.models import Mail
from orders.posting import Post
from orders.workflow import Actor
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def post(settings: Any) -> Iterator[PostOffice]:
    office = PostOffice(1, is_calm=True)
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", office.port
    settings.EMAIL_TIMEOUT = 5
    yield office
    office.close()


@pytest.fixture
def letter(cutter: Actor) -> Mail:
    return written(cutter)


def written(cutter: Actor) -> Mail:
    job = factories.make_job(status="received")
    workflow.ask_changes(job, cutter, why="Widen the bridge.\n.\nOr leave it.")
    mail = Mail.objects.latest("pk")
    Mail.objects.filter(pk=mail.pk).update(send_after=timezone.now())
    mail.refresh_from_db()
    return mail


def status(letter: Mail) -> str:
    letter.refresh_from_db()
    return str(letter.status)


def again_now(letter: Mail) -> int:
    Mail.objects.filter(pk=letter.pk).update(send_after=timezone.now())
    return outbox.send_due()


def test_a_letter_that_is_taken_is_sent_under_its_own_number(
    letter: Mail, post: PostOffice
) -> None:
    assert outbox.send_due() == 1
    assert status(letter) == "sent"
    (taken,) = post.letters
    assert (taken.to, taken.message_id) == (letter.to, outbox.message_id(letter))


def test_many_letters_go_over_one_line(cutter: Actor, post: PostOffice) -> None:
    letters = [written(cutter) for _ in range(3)]
    assert outbox.send_due() == 3
    assert {status(letter) for letter in letters} == {"sent"}
    assert len({taken.message_id for taken in post.letters}) == 3


def test_a_letter_refused_for_now_goes_later_and_once(letter: Mail, post: PostOffice) -> None:
    post.always = "refuse"
    assert outbox.send_due() == 0
    assert status(letter) == "waiting"
    assert letter.failure == "451 not now, try later"
    assert letter.send_after > timezone.now() + timedelta(minutes=1)
    post.always = "take"
    assert again_now(letter) == 1
    assert len(post.letters) == 1


def test_a_letter_refused_for_good_is_shown_at_once(letter: Mail, post: PostOffice) -> None:
    post.always = "never"
    assert outbox.send_due() == 0
    assert status(letter) == "failed"
    assert letter.failure == "554 not to this box"


def test_a_line_that_breaks_before_the_answer_leaves_a_doubt_and_no_second_letter(
    letter: Mail, post: PostOffice
) -> None:
    post.always = "break"
    assert outbox.send_due() == 0
    assert status(letter) == "in-doubt"
    post.always = "take"
    assert again_now(letter) == 0
    assert len(post.letters) == 1
    assert outbox.send_again(letter)
    assert outbox.send_due() == 1
    assert {taken.message_id for taken in post.letters} == {outbox.message_id(letter)}


def test_a_doubt_is_settled_by_a_person_who_knows(letter: Mail, post: PostOffice) -> None:
    post.always = "break"
    outbox.send_due()
    assert outbox.call_arrived(letter)
    assert status(letter) == "sent"
    assert letter.sent_at == letter.handed_at
    assert not outbox.call_arrived(letter)
    assert not outbox.send_again(letter)


def test_a_server_that_is_away_ends_the_round_and_no_letter_gives_up(
    cutter: Actor, post: PostOffice
) -> None:
    letters = [written(cutter) for _ in range(2)]
    post.close()
    Mail.objects.filter(pk=letters[0].pk).update(attempts=outbox.ATTEMPTS)
    assert outbox.send_due() == 0
    assert {status(letter) for letter in letters} == {"waiting"}
    assert sorted(letter.attempts for letter in letters) == [0, outbox.ATTEMPTS + 1]
    longest = timedelta(minutes=outbox.LONGEST_AWAY_MIN)
    assert max(letter.send_after for letter in letters) <= timezone.now() + longest
    post.open()
    Mail.objects.update(send_after=timezone.now())
    assert outbox.send_due() == 2


def test_a_sender_that_died_before_the_hand_over_sends_it_by_itself(
    letter: Mail, post: PostOffice
) -> None:
    gone = timezone.now() - timedelta(seconds=1)
    Mail.objects.filter(pk=letter.pk).update(status="sending", attempts=1, lease_until=gone)
    assert outbox.return_unsent() == 1
    assert outbox.send_due() == 1
    assert len(post.letters) == 1


@pytest.mark.parametrize("lease", [timedelta(seconds=-1), timedelta(days=2)])
def test_a_sender_that_died_after_it_leaves_a_doubt(
    letter: Mail, post: PostOffice, lease: timedelta
) -> None:
    """Also where the clock was put back since, so that its lease seems to be days ahead."""
    now = timezone.now()
    Mail.objects.filter(pk=letter.pk).update(
        status="sending", attempts=1, handed_at=now, lease_until=now + lease
    )
    assert outbox.return_unsent() == 1
    assert outbox.send_due() == 0
    assert status(letter) == "in-doubt"
    assert post.letters == []


def test_a_sender_that_was_taken_for_dead_hands_nothing_over(
    letter: Mail, post: PostOffice, monkeypatch: pytest.MonkeyPatch
) -> None:
    hand_over = Post.hand_over

    def slowly(self: Post, *words: Any) -> None:
        late = timezone.now() - timedelta(seconds=1)
        Mail.objects.filter(pk=letter.pk).update(lease_until=late)
        outbox.return_unsent()
        hand_over(self, *words)

    monkeypatch.setattr(Post, "hand_over", slowly)
    assert outbox.send_due() == 0
    assert post.letters == []
    assert status(letter) == "waiting"


def test_the_answer_that_came_late_settles_the_doubt(
    letter: Mail, post: PostOffice, monkeypatch: pytest.MonkeyPatch
) -> None:
    last_part = Post._last_part

    def slowly(self: Post, *words: Any) -> None:
        Mail.objects.filter(pk=letter.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
        outbox.return_unsent()
        assert status(letter) == "in-doubt"
        last_part(self, *words)

    monkeypatch.setattr(Post, "_last_part", slowly)
    assert outbox.send_due() == 1
    assert status(letter) == "sent"


def test_a_letter_of_a_time_that_the_clock_was_put_back_from_goes_now(
    letter: Mail, post: PostOffice
) -> None:
    Mail.objects.filter(pk=letter.pk).update(send_after=timezone.now() + timedelta(days=40))
    assert outbox.send_due() == 1
