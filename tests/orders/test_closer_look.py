"""The closer look is claimed once, fenced by its attempt, and lets every verdict go first."""

import io
from datetime import timedelta

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image, ImageDraw

from orders import tasks, workflow
from orders.closer_look import give_way, look_closer_at
from orders.models import Closer, Film, Version
from tests import factories

pytestmark = pytest.mark.django_db
REPORT = {"schema": 1, "verdict": "passed", "findings": [], "error": None}


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    said: list[tuple[str, int]] = []
    monkeypatch.setattr(tasks, "send", lambda task, pk: said.append((task.name, pk)))
    return said


def tongue_png() -> bytes:
    """A tongue 30 mm long and 20 mm wide that hangs on one side, on 6 x 6 in at 200 dpi."""
    picture = Image.new("L", (1200, 1200), 255)
    pen = ImageDraw.Draw(picture)
    pen.line([(500, 760), (500, 500), (660, 500), (660, 760)], fill=0, width=14)
    out = io.BytesIO()
    picture.save(out, "PNG", dpi=(200, 200))
    return out.getvalue()


def drawn_version(status: str = "passed", mode: str = "stencil") -> Version:
    version = factories.make_version(status=status, mode=mode)
    version.upload.file.save("upload", ContentFile(tongue_png()), save=True)
    return version


@pytest.mark.parametrize(
    ("verdict", "mode", "wanted"),
    [
        ("passed", "stencil", True),
        ("rejected", "stencil", True),
        ("unreadable", "stencil", False),
        ("passed", "mask", False),
    ],
)
def test_a_finished_check_asks_for_a_closer_look_where_it_makes_sense(
    verdict: str, mode: str, wanted: bool
) -> None:
    version = factories.make_version(status="waiting", mode=mode)
    attempt = workflow.claim(version.pk)
    assert attempt
    assert workflow.finish(version.pk, attempt, {**REPORT, "verdict": verdict})
    assert Closer.objects.filter(version=version).exists() is wanted


def test_it_is_claimed_by_one_and_an_answer_after_the_lease_is_not_written() -> None:
    version = factories.make_version()
    assert workflow.want_closer_look(version)
    assert not workflow.want_closer_look(version)
    assert workflow.claim_closer(version.pk) == 1
    assert workflow.claim_closer(version.pk) is None
    Closer.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    assert workflow.return_expired_closer() == 1
    assert workflow.claim_closer(version.pk) == 2
    assert not workflow.finish_closer(version.pk, 1, lift={"worst": []})
    assert workflow.finish_closer(version.pk, 2, lift={"worst": []})
    assert not workflow.finish_closer(version.pk, 2, lift=None)
    assert Closer.objects.get().lift == {"worst": []}


def test_one_that_dies_twice_is_given_up() -> None:
    version = factories.make_version()
    workflow.want_closer_look(version)
    for _ in range(2):
        assert workflow.claim_closer(version.pk)
        Closer.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
        workflow.return_expired_closer()
    assert Closer.objects.get().status == "failed"
    assert workflow.claim_closer(version.pk) is None


def test_a_lost_nudge_is_sent_again(sent: list[tuple[str, int]]) -> None:
    version = factories.make_version()
    workflow.want_closer_look(version)
    tasks.sweep()
    assert sent == []
    Closer.objects.update(nudged_at=timezone.now() - timedelta(seconds=61))
    tasks.sweep()
    tasks.sweep()
    assert sent == [("orders.look_closer", version.pk)]


def test_a_drawing_that_waits_for_its_verdict_goes_first(sent: list[tuple[str, int]]) -> None:
    checked, waiting = drawn_version(), drawn_version("waiting")
    workflow.want_closer_look(checked)
    assert look_closer_at(checked.pk)
    waiting.refresh_from_db()
    assert waiting.status == "passed"
    closer = Closer.objects.get(version=checked)
    assert waiting.checked_at
    assert closer.done_at
    assert waiting.checked_at < closer.done_at
    assert sent == [("orders.plan_mends", waiting.pk), ("orders.look_closer", waiting.pk)]
    assert Closer.objects.get(version=waiting).status == "waiting"


def test_where_drawings_keep_coming_it_is_put_back_and_the_task_ends(
    monkeypatch: pytest.MonkeyPatch, sent: list[tuple[str, int]]
) -> None:
    version = drawn_version()
    workflow.want_closer_look(version)
    looked: list[int] = []

    def look_at(version_id: int) -> bool:
        looked.append(version_id)  # there is always one more that waits
        return True

    monkeypatch.setattr("orders.checking.look_at", look_at)
    monkeypatch.setattr("orders.closer_look.PATIENCE_S", 0.2)
    calm = [True]
    monkeypatch.setattr(
        "orders.closer_look.give_way_to_mends",
        lambda until: calm.pop() if calm else give_way(until),
    )
    waiting = factories.make_version(status="waiting")
    assert look_closer_at(version.pk) is False
    assert set(looked) == {waiting.pk}
    row = Closer.objects.get(version=version)
    assert (row.status, row.attempt, row.lease_until) == ("waiting", 0, None)


def test_what_it_finds_is_stored_for_every_film(sent: list[tuple[str, int]]) -> None:
    """A long tongue hangs free from any film; a thinner film lifts more."""
    for code, thickness in (("thin", "0.1270"), ("thick", "0.2540"), ("gone", "0.1000")):
        Film.objects.create(
            code=code, name=code, thickness_mm=thickness, form="sheet",
            sheet_width_mm=600, sheet_height_mm=300, is_active=code != "gone",
        )  # fmt: skip
    version = drawn_version()
    workflow.want_closer_look(version)
    assert look_closer_at(version.pk)
    closer = Closer.objects.get()
    assert closer.status == "done"
    assert closer.lift is not None
    assert closer.lift["worst"][0]["word"] == "hangs free"
    thin, thick = (closer.worst_for(mm)[0]["lift_mm"] for mm in (0.127, 0.254))
    assert thin > closer.lift["worst"][0]["lift_mm"] > thick > 1
    assert closer.worst_for(0.1) == []
    assert next(one["kind"] for one in closer.findings) == "lift"
    assert closer.bridges is not None
    assert closer.bridges["after"]["flaps"] == 0
    with closer.lift_field.open("rb") as stored:
        field = np.asarray(Image.open(stored))
    assert field.shape == (305, 305)
    x_mm, y_mm = closer.lift["worst"][0]["at_mm"]
    grey = field[round(2 * y_mm), round(2 * x_mm)]
    assert grey == pytest.approx(min(255, 50 * closer.lift["worst"][0]["lift_mm"]), rel=0.15)
    assert field[5, 5] == 0
    with closer.hold_picture.open("rb") as stored:
        assert Image.open(stored).size[0] > 1000


def test_a_closer_look_that_fails_harms_nothing(
    monkeypatch: pytest.MonkeyPatch, sent: list[tuple[str, int]]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no plate")

    monkeypatch.setattr("geometry.closer.look_closer", broken)
    version = drawn_version()
    workflow.want_closer_look(version)
    assert look_closer_at(version.pk)
    assert Closer.objects.get().status == "failed"
    version.refresh_from_db()
    assert version.status == "passed"
