"""Compiled code is dropped with the sources it was made from, directly or not, and no other."""

import os
from pathlib import Path

import pytest

from geometry.kernel_cache import drop_stale

SOURCES = {
    "low.py": "@njit\ndef step(): ...\n",
    "high.py": "from geometry.low import step\n\n@njit\ndef walk(): ...\n",
    "top.py": "from geometry.high import walk\n\n@njit\ndef trip(): ...\n",
    "other.py": "@njit\ndef rest(): ...\n",
    "plain.py": "from geometry.top import trip\n",
}


@pytest.fixture
def room(tmp_path: Path) -> Path:
    kept = tmp_path / "__pycache__"
    kept.mkdir()
    for name, text in SOURCES.items():
        file = tmp_path / name
        file.write_text(text)
        os.utime(file, (1000, 1000))
        for ending in ("nbi", "1.nbc"):
            entry = kept / f"{file.stem}.work-3.py311.{ending}"
            entry.touch()
            os.utime(entry, (2000, 2000))
    return tmp_path


def kept_of(room: Path) -> set[str]:
    return {entry.name.split(".")[0] for entry in (room / "__pycache__").iterdir()}


def test_what_is_newer_than_its_sources_stays(room: Path) -> None:
    assert drop_stale(room, room / "__pycache__") == []
    assert kept_of(room) == {"low", "high", "top", "other", "plain"}


def test_change_drops_what_calls_it_through_others_too(room: Path) -> None:
    os.utime(room / "low.py", (3000, 3000))
    assert drop_stale(room, room / "__pycache__") == ["high", "low", "top"]
    assert kept_of(room) == {"other", "plain"}


def test_change_drops_nothing_that_it_calls(room: Path) -> None:
    os.utime(room / "top.py", (3000, 3000))
    assert drop_stale(room, room / "__pycache__") == ["top"]


def test_folder_named_by_the_environment_is_looked_through(
    room: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "kernels" / "geometry_3fa9"
    elsewhere.mkdir(parents=True)
    (elsewhere / "high.walk-4.py311.nbi").touch()
    os.utime(elsewhere / "high.walk-4.py311.nbi", (2000, 2000))
    os.utime(room / "low.py", (3000, 3000))
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kernels"))
    assert drop_stale(room) == ["high"]
    assert not list(elsewhere.iterdir())
