"""The child that reads a picture has no network, and no way to new programs or files.

The calls are made in real processes behind the real filter; the numbers of system calls are held
against those of the kernel's own header.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

import geometry
from geometry import child_guard, decode_child

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the filter is for Linux only")

ROOT = Path(__file__).resolve().parents[2]
# Linux, asm/unistd_64.h: what must be refused, and what a decoder cannot do without.
REFUSED = """
socket 41 connect 42 bind 49 listen 50 accept 43 accept4 288 sendto 44 sendmsg 46 sendmmsg
307 socketpair 53 io_uring_setup 425 io_uring_enter 426 io_uring_register 427 fork 57 vfork
58 execve 59 execveat 322 ptrace 101 kill 62 tkill 200 tgkill 234 rt_sigqueueinfo 129
rt_tgsigqueueinfo 297 pidfd_open 434 pidfd_send_signal 424 process_vm_readv 310
process_vm_writev 311 pidfd_getfd 438 creat 85 unlink 87 unlinkat 263 rename 82 renameat 264
renameat2 316 link 86 linkat 265 symlink 88 symlinkat 266 mkdir 83 mkdirat 258 rmdir 84
truncate 76 chmod 90 fchmod 91 fchmodat 268 chown 92 fchown 93 lchown 94 fchownat 260 mknod
133 mknodat 259 utime 132 utimes 235 futimesat 261 utimensat 280 setxattr 188 lsetxattr 189
fsetxattr 190 removexattr 197 lremovexattr 198 fremovexattr 199 mount 165 umount2 166
pivot_root 155 chroot 161 unshare 272 setns 308 bpf 321 userfaultfd 323 perf_event_open 298
add_key 248 request_key 249 keyctl 250
"""
NEEDED = "read 0 write 1 close 3 mmap 9 munmap 11 lseek 8 futex 202 exit 60 exit_group 231 brk 12"

ATTEMPTS = {
    "a socket": "socket.socket(socket.AF_INET, socket.SOCK_STREAM)",
    "a socket of version 6": "socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)",
    "a local socket": "socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)",
    "a pair of sockets": "socket.socketpair()",
    "a listener by an open socket": "given.listen()",
    "a message by an open socket": "given.sendto(b'x', ('127.0.0.1', 9))",
    "a connection by an open socket": "given.connect(('127.0.0.1', 9))",
    "a new process": "os._exit(7) if os.fork() == 0 else None",
    "a new program": "os.execv('/bin/true', ['true'])",
    "a program beside": "os.posix_spawn('/bin/true', ['true'], {})",
    "the end of its reader": "os.kill(os.getppid(), 0)",
    "a new file": "open(f'{folder}/new', 'x')",
    "a file opened for change": "open(f'{folder}/old', 'r+')",
    "a file emptied": "os.truncate(f'{folder}/old', 0)",
    "a file removed": "os.unlink(f'{folder}/old')",
    "a file moved": "os.rename(f'{folder}/old', f'{folder}/moved')",
    "a folder": "os.mkdir(f'{folder}/folder')",
    "a link": "os.symlink('/etc/hostname', f'{folder}/link')",
    "other rights": "os.chmod(f'{folder}/old', 0o777)",
    "other rights by an open file": "os.fchmod(opened.fileno(), 0o777)",
    "another time": "os.utime(f'{folder}/old', (1, 1))",
    "the limits of its reader": "resource.prlimit(os.getppid(), resource.RLIMIT_CORE)",
}
SCRIPT = """
import json, os, resource, socket, sys, threading
sys.path.insert(0, sys.argv[1])
from geometry.child_guard import Guard
folder, attempts, is_shut = sys.argv[2], json.loads(sys.argv[3]), sys.argv[4] == "shut"
given, opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM), open(f"{folder}/old", "rb")
if is_shut:
    assert Guard().close()
came = {}
for name, attempt in attempts.items():
    try:
        eval(attempt)
        came[name] = "done"
    except PermissionError:
        came[name] = "refused"
    except OSError as error:
        came[name] = error.strerror
worker = threading.Thread(target=lambda: came.setdefault("a thread", "done"))
worker.start(); worker.join()
came["reading"] = open(f"{folder}/old").read()
came["memory"] = len(bytearray(50_000_000))
print(json.dumps(came))
"""


def tried(folder: Path, door: str, attempts: dict[str, str]) -> dict[str, object]:
    """What came of each attempt in a process of its own."""
    (folder / "old").write_text("as it was")
    given = [str(ROOT), str(folder), json.dumps(attempts), door]
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT, *given],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return dict(json.loads(run.stdout))


def test_behind_the_door_there_is_only_reading(tmp_path: Path) -> None:
    came = tried(tmp_path, "shut", ATTEMPTS)
    assert {name: came[name] for name in ATTEMPTS} == dict.fromkeys(ATTEMPTS, "refused")
    assert (came["a thread"], came["reading"], came["memory"]) == ("done", "as it was", 50_000_000)
    assert [entry.name for entry in tmp_path.iterdir()] == ["old"]


def test_the_same_attempts_succeed_before_the_door_is_shut(tmp_path: Path) -> None:
    """So that a refusal above comes of the door and not of the machine."""
    harmless = [
        "a socket",
        "a local socket",
        "a pair of sockets",
        "a message by an open socket",
        "a new process",
        "a program beside",
        "the end of its reader",
        "a new file",
        "a file opened for change",
        "other rights by an open file",
        "another time",
        "the limits of its reader",
    ]
    came = tried(tmp_path, "open", {name: ATTEMPTS[name] for name in harmless})
    assert {name: came[name] for name in harmless} == dict.fromkeys(harmless, "done")


@pytest.mark.parametrize("nursery", [True, False])
def test_a_child_that_reads_pictures_says_that_its_door_is_shut(
    nursery: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not nursery:
        decode_child.end_nursery()
        monkeypatch.setattr(decode_child._nursery, "_usable", False)
    geometry.reading_guard.cache_clear()
    told = geometry.reading_guard()
    assert told.network_closed
    assert told.reason.endswith(".")


def test_where_there_is_no_filter_it_is_said_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The child is one of another machine: none of its kind has a table here."""
    source = Path(child_guard.__file__).read_text()
    unknown = source.replace('"x86_64": (', '"m68k": (').replace('"aarch64": (', '"vax": (')
    assert unknown != source
    script = f"import sys\n__name__ = 'g'\nsys.modules['g'] = sys\nexec({unknown!r})\n"
    script += "guard = Guard()\nprint(guard.close(), try_door())"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert run.stdout == "False False\n"

    class Open:
        """A child that could open a socket."""

        stream = (ROOT / "pyproject.toml").open("rb")

        def end(self) -> None:
            self.stream.close()

    read, write = os.pipe()
    os.write(write, b'{"closed": false}\n')
    os.close(write)
    child = Open()
    child.stream.close()
    child.stream = os.fdopen(read, "rb")
    monkeypatch.setattr(decode_child, "fork_child", lambda *_: child)
    geometry.reading_guard.cache_clear()
    told = geometry.reading_guard()
    geometry.reading_guard.cache_clear()
    assert not told.network_closed
    assert "takes no seccomp filter" in told.reason
    assert "Run Holdfast on" in told.reason


def numbers(table: str) -> dict[str, int]:
    words = table.split()
    return dict(zip(words[::2], map(int, words[1::2]), strict=True))


def test_the_numbers_are_those_of_the_kernels_header() -> None:
    refused = set(child_guard._REFUSED["x86_64"])
    assert set(numbers(REFUSED).values()) <= refused
    assert not set(numbers(NEEDED).values()) & refused
    assert child_guard._CLONE["x86_64"] == 56
    assert list(child_guard._OPENS["x86_64"]) == [2, 257]  # open, openat
    assert child_guard._UNKNOWN == (435, 437)  # clone3, openat2
    assert child_guard._LIMITS["x86_64"] == 302  # prlimit64


def test_shutting_the_door_costs_a_child_far_less_than_two_milliseconds() -> None:
    """Processor time of a process that shuts it; the program is made once, by the nursery."""
    guard = child_guard.Guard()
    read, write = os.pipe()
    if os.fork() == 0:
        before = time.process_time()
        guard.close()
        os.write(write, str(time.process_time() - before).encode())
        os._exit(0)
    os.wait()
    os.close(write)
    with os.fdopen(read) as told:
        assert float(told.read()) < 0.002
