"""Prepared pictures are kept by content, found by any process, and dropped when they are many."""

import os
import time
from pathlib import Path
from typing import Any

import pytest

from geometry.recheck import recheck
from geometry.recipe import Recipe, Stroke
from orders import prepared as store
from orders.checking import check_version_file
from tests.orders.test_closer_look import drawn_version

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, settings: Any) -> Path:
    settings.PREPARED_FOLDER = str(tmp_path / "prepared")
    store._held.clear()
    return tmp_path / "prepared"


def test_it_is_made_once_then_held_then_read_by_another_process(folder: Path) -> None:
    version = drawn_version()
    first = store.prepared_for(version)
    assert store.prepared_for(version) is first
    assert [path.name for path in folder.iterdir()] == [first.key]
    store._held.clear()
    again = store.prepared_for(version)
    assert again is not first
    stroke = Stroke("white", ((58.0, 63.5), (69.0, 63.5)), 1.5)
    assert _bare(recheck(again, [stroke])) == _bare(recheck(first, [stroke]))


def test_its_re_check_is_the_check_of_the_file() -> None:
    version = drawn_version()
    stroke = Stroke("white", ((73.0, 60.0), (73.0, 70.0)), 1.5)
    version.recipe = Recipe(blank_mm=(152.4, 152.4), strokes=(stroke,)).to_json()
    assert _bare(recheck(store.prepared_for(version), [stroke])) == _bare(
        check_version_file(version)
    )


def test_a_damaged_one_is_made_again(folder: Path) -> None:
    version = drawn_version()
    key = store.prepared_for(version).key
    store._held.clear()
    (folder / key).write_bytes(b"half a picture")
    assert store.prepared_for(version).key == key
    assert (folder / key).stat().st_size > 1000


def test_the_least_lately_used_go_above_the_cap(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = store.prepared_for(drawn_version())
    size = (folder / kept.key).stat().st_size
    monkeypatch.setattr(store, "MOST_BYTES", int(2.5 * size))
    for age, name in ((300, "older"), (200, "old")):
        (folder / name).write_bytes(b"0" * size)
        os.utime(folder / name, (time.time() - age, time.time() - age))
    store.keep_prepared(kept)
    assert sorted(path.name for path in folder.iterdir()) == sorted(["old", kept.key])


def test_a_folder_that_cannot_be_written_loses_nothing(tmp_path: Path, settings: Any) -> None:
    blocked = tmp_path / "a file"
    blocked.write_bytes(b"")
    settings.PREPARED_FOLDER = str(blocked)
    assert store.prepared_for(drawn_version()).ink.px_per_mm > 7


def _bare(checked: object) -> dict[str, object]:
    report = dict(checked.report)  # type: ignore[attr-defined]
    return {key: value for key, value in report.items() if key not in ("seconds", "file")}
