"""One picture cannot harm the next: children are forked, bounded, ended, and leave nothing behind.

What a process holds, who its parent is and how it is bounded is read from Linux's own account of
it, proc(5).
"""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from geometry import decode_child, picture
from geometry.errors import UnreadableError
from geometry.picture import ReadLimits, read_picture

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the nursery is for Linux only")

ROOT = Path(__file__).resolve().parents[2]
BROKEN = ("damaged", "This file is broken in a way that cannot be read. Save or send it again.")
MEMORY = ("bomb", "This picture takes too much memory to unpack. Save it smaller.")
TOO_LONG = (
    "bomb",
    "This file takes too long to unpack. Save it as a plain PNG or JPEG and try again.",
)


def children_of(parent: int) -> list[int]:
    """Process ids whose parent is this one, those that ended but were not waited for as well."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue  # it has ended meanwhile
            if int(fields[1]) == parent:
                found.append(int(entry.name))
    return sorted(found)


def started_by(owner: int, script: str) -> int | None:
    """The child of a process that runs this script."""
    for child in children_of(owner):
        with contextlib.suppress(FileNotFoundError):
            if script.encode() in Path(f"/proc/{child}/cmdline").read_bytes():
                return child
    return None


def nursery() -> int:
    found = started_by(os.getpid(), "nursery.py")
    assert found is not None
    return found


def held_by(process: int) -> list[str]:
    """What its open descriptors are, sorted; nothing where it has ended."""
    found = []
    with contextlib.suppress(FileNotFoundError):
        for each in Path(f"/proc/{process}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # what this listing itself had open
                found.append(os.readlink(each))
    return sorted(found)


def lives(process: int) -> bool:
    """Whether it is there and is not only waiting to be waited for."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def soon(what: Callable[[], Any], seconds: float = 5.0) -> Any:
    """What comes of it as soon as it is something."""
    until = time.monotonic() + seconds
    while not (found := what()) and time.monotonic() < until:
        time.sleep(0.01)
    assert found
    return found


def told(path: Path, limits: ReadLimits | None = None) -> tuple[str, str]:
    """The code and the sentence that a bad file gets."""
    with pytest.raises(UnreadableError) as caught:
        read_picture(path, limits=limits)
    return caught.value.code, caught.value.message


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.png"
    ramp = np.arange(256, dtype=np.uint8).reshape(16, 16)
    Image.fromarray(ramp).save(path)
    read_picture(path)  # so that there is a nursery
    return path


@pytest.fixture
def endless(tmp_path: Path) -> Path:
    """A picture that is drawn for far longer than any test lasts."""
    path = tmp_path / "endless.svg"
    rows = '<rect width="50" height="50" filter="url(#f)"/>' * 2000
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="50mm" height="50mm" viewBox="0 0 50 50">'
        f'<filter id="f"><feTurbulence numOctaves="9" baseFrequency="9"/></filter>{rows}</svg>'
    )
    return path


@pytest.fixture
def pool() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(8) as threads:
        yield threads


def reading(pool: ThreadPoolExecutor, path: Path, seconds: float = 15.0) -> tuple[Future[Any], int]:
    """What comes of a picture that is being read in another thread, and the child at work on it."""
    before = set(children_of(nursery()))
    coming = pool.submit(told, path, ReadLimits(wall_seconds=seconds))
    return coming, soon(lambda: set(children_of(nursery())) - before).pop()


def test_every_picture_has_a_child_of_the_same_nursery(
    good: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (picture, decode_child):
        monkeypatch.delattr(module, "start_child")
    before = nursery()
    for _ in range(3):
        assert read_picture(good).grey.tolist() == np.arange(256).reshape(16, 16).tolist()
    assert nursery() == before


@pytest.mark.parametrize(
    ("ended_by", "sentence"),
    [
        (signal.SIGXCPU, TOO_LONG),
        (signal.SIGALRM, TOO_LONG),
        (signal.SIGKILL, MEMORY),
        (signal.SIGSEGV, BROKEN),
    ],
)
def test_a_child_that_dies_is_told_in_words_and_harms_no_other(
    good: Path, endless: Path, pool: ThreadPoolExecutor, ended_by: int, sentence: tuple[str, str]
) -> None:
    before = nursery()
    coming, child = reading(pool, endless)
    os.kill(child, ended_by)
    assert coming.result(2) == sentence
    assert read_picture(good).size_px == (16, 16)
    assert nursery() == before
    assert soon(lambda: not children_of(before))


def test_a_child_is_bounded_before_it_reads_and_holds_only_its_picture(
    good: Path, endless: Path, pool: ThreadPoolExecutor
) -> None:
    """While another is at work: a child must not hold what belongs to that one."""

    def kind(held: str) -> str:
        return "file" if held == str(endless) else held.partition(":")[0]

    def bounds(child: int) -> dict[str, list[str]]:
        limits = Path(f"/proc/{child}/limits").read_text().splitlines()
        return {line[:26].strip(): line[26:].split()[:2] for line in limits}

    both = [reading(pool, endless), reading(pool, endless)]
    for _, child in both:
        soon(lambda child=child: set(map(kind, held_by(child))) == {"/dev/null", "file", "pipe"})
        soon(lambda child=child: bounds(child)["Max core file size"] == ["0", "0"])  # set last
        assert bounds(child)["Max address space"] == ["2000000000"] * 2
        assert bounds(child)["Max cpu time"] == ["15", "16"]
        assert bounds(child)["Max file size"] == ["0", "0"]
    for coming, child in both:
        os.kill(child, signal.SIGKILL)
        assert coming.result(2) == MEMORY


def test_an_endless_picture_is_killed_at_the_deadline(
    good: Path, endless: Path, pool: ThreadPoolExecutor
) -> None:
    started = time.monotonic()
    coming, child = reading(pool, endless, 0.5)
    assert coming.result(5) == TOO_LONG
    assert time.monotonic() - started < 2
    assert soon(lambda: not lives(child), 1)


def test_a_memory_bomb_leaves_the_nursery_as_it_was(good: Path, tmp_path: Path) -> None:
    before = nursery()
    Image.new("RGB", (6000, 6000)).save(tmp_path / "bomb.png")
    assert told(tmp_path / "bomb.png", ReadLimits(memory_bytes=150_000_000))[0] == "bomb"
    assert read_picture(good).size_px == (16, 16)
    assert nursery() == before


def test_pictures_are_read_by_threads_while_an_endless_one_is_at_work(
    good: Path, endless: Path, pool: ThreadPoolExecutor
) -> None:
    coming, child = reading(pool, endless)
    read = list(pool.map(read_picture, [good] * 24))
    assert not coming.done()
    assert {picture.grey.tobytes() for picture in read} == {bytes(range(256))}
    os.kill(child, signal.SIGKILL)
    assert coming.result(2) == MEMORY


def test_nothing_is_left_open_or_unwaited_for(good: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    soon(lambda: not children_of(nursery()))
    mine, its = held_by(os.getpid()), held_by(nursery())
    for _ in range(10):
        read_picture(good)
        told(tmp_path / "bad.png")
        with contextlib.suppress(UnreadableError):  # a quick child may answer all the same
            read_picture(good, limits=ReadLimits(wall_seconds=0))
    assert soon(lambda: not children_of(nursery()))
    assert len(held_by(nursery())) == len(its)
    assert len(held_by(os.getpid())) == len(mine)


@pytest.mark.parametrize(
    "says",
    [
        b"",
        b"\n",
        b"{}\n",
        b"[]\n",
        b"5\n",
        b"\xff" * 65536,
        b'{"error": 5}\n',
        b'{"size": 5}\n',
        b'{"size": [-4, -4]}\n',
        b'{"size": [16, "16"]}\n',
        b'{"size": [2.0, 2.0]}\n',
        b'{"size": [1, 1]}\nP5\n1 1\n255\n1',
        b'{"size": [1, 1], "dpi": "no", "kind": 1, "full_size": [1]}\nP5\n1 1\n255\n1',
        b'{"size": [2000000000, 2000000000]}\n',
        b'{"size": [2, 2]}\nP5\n2 2\n255\n123',
    ],
)
def test_a_child_that_was_taken_over_cannot_harm_its_reader(
    good: Path, monkeypatch: pytest.MonkeyPatch, says: bytes
) -> None:
    """It has nothing but its pipe to write to; whatever it writes, the file is at fault."""

    class TakenOver:
        def __init__(self, *_: object) -> None:
            read, write = os.pipe()
            os.write(write, says)
            os.close(write)
            self.stream = os.fdopen(read, "rb", buffering=0)

        def exit_code(self, seconds: float) -> int:
            return 0

        def end(self) -> None:
            self.stream.close()

    monkeypatch.setattr(picture, "fork_child", TakenOver)
    assert told(good) == BROKEN


@pytest.mark.parametrize("start", [decode_child.fork_child, decode_child.start_child])
def test_a_second_child_reads_a_picture_from_its_beginning(
    good: Path, start: Callable[..., decode_child.Child]
) -> None:
    descriptor = os.open(good, os.O_RDONLY)
    os.read(descriptor, 1000)
    child = start(descriptor, asdict(ReadLimits()))
    try:
        assert b'"size": [16, 16]' in child.stream.readline()
        assert child.stream.readall() == b"P5\n16 16\n255\n" + bytes(range(256))
        assert child.exit_code(5) == 0
    finally:
        child.end()
        os.close(descriptor)


def test_a_nursery_that_was_killed_is_started_again(good: Path) -> None:
    before = nursery()
    os.kill(before, signal.SIGKILL)
    soon(lambda: not lives(before))
    assert read_picture(good).size_px == (16, 16)
    assert nursery() != before


def test_a_nursery_killed_at_work_takes_its_child_along_and_the_picture_is_read_anew(
    good: Path, endless: Path, pool: ThreadPoolExecutor
) -> None:
    coming, child = reading(pool, endless)
    os.kill(nursery(), signal.SIGKILL)
    assert soon(lambda: not lives(child), 1)
    os.kill(soon(lambda: started_by(os.getpid(), "decode.py")), signal.SIGKILL)
    assert coming.result(2) == MEMORY
    assert read_picture(good).size_px == (16, 16)


def run(script: str, good: Path, endless: Path) -> "subprocess.Popen[str]":
    """Start a process that has read the good picture and goes on as the script says."""
    begin = """
import os, sys
from geometry.picture import ReadLimits, read_picture
good, endless = sys.argv[1:]
assert read_picture(good).size_px == (16, 16)
"""
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-c", begin + script, str(good), str(endless)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def test_a_forked_process_has_a_nursery_of_its_own(good: Path, endless: Path) -> None:
    """As a web server or worker forks; the first process is killed, and its nursery goes too."""
    script = """
child = os.fork()
assert read_picture(good).size_px == (16, 16)
print("ready", child, flush=True)
sys.stdin.read()
"""
    with run(script, good, endless) as owner:
        assert owner.stdout is not None
        lines = sorted(owner.stdout.readline().split() for _ in range(2))
        forked = int(lines[1][1])
        assert lines == [["ready", "0"], ["ready", str(forked)]]
        both = [started_by(owner.pid, "nursery.py"), started_by(forked, "nursery.py")]
        assert None not in both
        assert both[0] != both[1]
        owner.kill()
        assert soon(lambda: not lives(both[0]), 2)
        assert lives(both[1])
        os.kill(forked, signal.SIGKILL)
        assert soon(lambda: not lives(both[1]), 2)


def test_a_forked_process_does_not_keep_the_nursery_of_the_first(good: Path, endless: Path) -> None:
    script = """
if os.fork():
    print("ready", flush=True)
sys.stdin.read()
"""
    with run(script, good, endless) as owner:
        assert owner.stdout is not None
        assert owner.stdout.readline() == "ready\n"
        its = started_by(owner.pid, "nursery.py")
        assert its is not None
        owner.kill()
        assert soon(lambda: not lives(its), 2)


def test_nothing_is_left_running_where_the_reader_is_killed_at_work(
    good: Path, endless: Path
) -> None:
    with run("read_picture(endless)", good, endless) as owner:
        its = soon(lambda: started_by(owner.pid, "nursery.py"))
        child = soon(lambda: [each for each in children_of(its) if str(endless) in held_by(each)])
        owner.kill()
        assert soon(lambda: not lives(its) and not lives(child[0]), 2)


def test_nothing_is_left_running_where_the_reader_ends(good: Path, endless: Path) -> None:
    script = """
from pathlib import Path
print(Path(f"/proc/self/task/{os.getpid()}/children").read_text())
"""
    with run(script, good, endless) as owner:
        assert owner.stdout is not None
        its = int(owner.stdout.read())
        assert soon(lambda: not lives(its), 2)
    assert owner.returncode == 0


@pytest.fixture
def alone(good: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No nursery, as on systems without what it needs."""
    decode_child.end_nursery()
    monkeypatch.setattr(decode_child, "_nursery", decode_child._Nursery())
    monkeypatch.setattr(decode_child._nursery, "_usable", False)


@pytest.mark.usefixtures("alone")
def test_without_a_nursery_pictures_are_read_alike(good: Path) -> None:
    assert read_picture(good).grey.tobytes() == bytes(range(256))
    assert started_by(os.getpid(), "nursery.py") is None


@pytest.mark.usefixtures("alone")
def test_without_a_nursery_a_child_is_bounded_and_killed_alike(
    endless: Path, tmp_path: Path
) -> None:
    others = children_of(os.getpid())  # of other tests
    started = time.monotonic()
    assert told(endless, ReadLimits(wall_seconds=0.5)) == TOO_LONG
    assert time.monotonic() - started < 3
    assert told(endless, ReadLimits(processor_seconds=1)) == TOO_LONG
    Image.new("RGB", (6000, 6000)).save(tmp_path / "bomb.png")
    assert told(tmp_path / "bomb.png", ReadLimits(memory_bytes=150_000_000))[0] == "bomb"
    assert children_of(os.getpid()) == others


def test_a_nursery_that_cannot_be_had_is_tried_once(
    good: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decode_child.end_nursery()
    monkeypatch.setattr(decode_child, "_nursery", decode_child._Nursery())
    start, started = decode_child._start, []

    def start_nothing(script: str, *more: Any, **named: Any) -> Any:
        started.append(script)
        return start("no_such.py" if script == "nursery.py" else script, *more, **named)

    monkeypatch.setattr(decode_child, "_start", start_nothing)
    for _ in range(2):
        assert read_picture(good).size_px == (16, 16)
    assert started == ["nursery.py", "decode.py", "decode.py"]
