"""Some 180 kinds of bad files: one clear sentence each, in time, within memory, nothing written.

What they are stands in hostile.py.
"""

import contextlib
import os
import time
from pathlib import Path

import pytest

from geometry.errors import ERROR_CODES, UnreadableError
from geometry.picture import ReadLimits, read_picture
from tests.geometry.hostile import FILES, READ

# Less than a real picture may take, so that the worst of them do not hold the tests up.
LIMITS = ReadLimits(processor_seconds=2, wall_seconds=12.0, memory_bytes=1_000_000_000)
LATER_S = 4.0
SWELLING = (".png", ".jpg", ".tif", ".webp")  # pixels unpacked would be large


def test_there_are_more_than_a_hundred_of_them_of_every_kind_and_all_differ() -> None:
    assert len(FILES) > 150
    assert len({data for data, _ in FILES.values()}) == len(FILES)
    kinds = [name.rpartition(".")[2] for name in FILES]
    assert all(kinds.count(kind) >= 5 for kind in ("png", "jpg", "tif", "gif", "webp"))
    assert all(kinds.count(kind) >= 5 for kind in ("heic", "svg", "pdf"))


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_hostile_file_ends_in_a_sentence_or_a_picture(name: str, tmp_path: Path) -> None:
    data, may_come = FILES[name]
    path = tmp_path / name
    path.write_bytes(data)
    before = os.times().children_system + os.times().children_user
    started = time.monotonic()
    try:
        picture = read_picture(path, limits=LIMITS)
    except UnreadableError as error:
        came, sentence = error.code, error.message
        assert came in ERROR_CODES
        assert sentence.endswith(".")
        assert "\n" not in sentence
        assert len(sentence) < 250
        assert not any(word in sentence for word in ("Traceback", "Error", "Exception", "/tmp"))
    else:
        came = READ
        assert picture.grey.ndim == 2
        assert 0 < picture.grey.size <= LIMITS.kept_pixels
    assert came in may_come
    assert time.monotonic() - started < LIMITS.wall_seconds + LATER_S
    assert os.times().children_system + os.times().children_user - before < LATER_S
    assert [entry.name for entry in tmp_path.iterdir()] == [name]
    assert path.read_bytes() == data


def test_the_reader_itself_does_not_grow(tmp_path: Path) -> None:
    """What swells, swells in the child: this process grows by less than half a gigabyte.

    The kernel's high-water mark is set back first: earlier tests of this process had a higher one.
    """
    Path("/proc/self/clear_refs").write_text("5")
    before_kb = memory_kb("VmRSS")
    for name in sorted(FILES):
        (tmp_path / name).write_bytes(FILES[name][0])
        if name.endswith(SWELLING):
            with contextlib.suppress(UnreadableError):
                read_picture(tmp_path / name, limits=LIMITS)
    assert memory_kb("VmHWM") - before_kb < 500_000


def memory_kb(which: str) -> int:
    """Return VmRSS (memory now) or VmHWM (the most since it was set back) of this process."""
    status = Path("/proc/self/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(which))
