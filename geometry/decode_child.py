"""Starting the child process that unpacks one picture, and ending it.

On Linux a process that reads pictures has a nursery (nursery.py), started with its first picture:
it has the decoders loaded and forks a child for each picture within milliseconds. Elsewhere, and
where the nursery falls, a child is started from nothing. Both kinds are held to the same limits
and answer in the same way on a pipe. Memory shared with the child was no faster where it was
measured (getting a page took longer than copying 4 kB), and a child could still write to it.
"""

import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any, Final, Protocol

_PIPE_BYTES: Final = 1 << 20
_SET_PIPE_SIZE: Final = 1031  # fcntl F_SETPIPE_SZ on Linux
_ENVIRONMENT: Final = {
    "LC_ALL": "C.UTF-8",
    # glibc: memory in large pages, used again instead of given back. Getting it in small ones took
    # a third of the time of a large colour picture.
    "GLIBC_TUNABLES": "glibc.malloc.hugetlb=1:glibc.malloc.mmap_threshold=33554432"
    ":glibc.malloc.trim_threshold=100000000",
}
_START_S: Final = 10.0
_END_S: Final = 2.0


class Child(Protocol):
    """A child at work on one picture; `stream` gives what decode.py writes, unbuffered."""

    stream: IO[bytes]

    def exit_code(self, seconds: float) -> int | None:
        """Return how it ended, as Popen.returncode has it, or None where nobody knows.

        Waits for the end. Raises TimeoutError after that many seconds.
        """

    def end(self) -> None:
        """Kill the child if it is at work, and let go of all that was held for it."""


def fork_child(picture: int, limits: dict[str, Any]) -> Child:
    """Return a child for an open file: forked by the nursery where that can be had."""
    with contextlib.suppress(OSError):
        return _ForkedChild(picture, limits)
    return start_child(picture, limits)


def start_child(picture: int, limits: dict[str, Any]) -> Child:
    """Return a child for an open file, started from nothing."""
    return _StartedChild(picture, limits)


def end_nursery() -> None:
    """End this process's nursery, if it has one, and wait for it. The next picture starts one."""
    _nursery.end()


class _StartedChild:
    """A child of this process."""

    def __init__(self, picture: int, limits: dict[str, Any]) -> None:
        given = {"limits": limits, "path": _search_path()}
        read, answer = os.pipe()
        self.stream: IO[bytes] = os.fdopen(read, "rb", buffering=0)
        _widen(answer)
        try:
            self._process = _start("decode.py", given, stdin=picture, stdout=answer)
        except OSError:
            self.stream.close()
            raise
        finally:
            os.close(answer)

    def exit_code(self, seconds: float) -> int | None:
        try:
            return self._process.wait(max(0.0, seconds))
        except subprocess.TimeoutExpired:
            raise TimeoutError from None

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        self.stream.close()


class _ForkedChild:
    """A child of the nursery. Raises OSError where that cannot be reached."""

    def __init__(self, picture: int, limits: dict[str, Any]) -> None:
        self._report, report = socket.socketpair()
        read, answer = os.pipe()
        self.stream: IO[bytes] = os.fdopen(read, "rb", buffering=0)
        _widen(answer)
        try:
            _nursery.send(json.dumps(limits).encode(), (picture, answer, report.fileno()))
        except OSError:
            self.end()
            raise
        finally:
            os.close(answer)
            report.close()

    def exit_code(self, seconds: float) -> int | None:
        self._report.settimeout(max(0.001, seconds))
        with contextlib.suppress(ConnectionError):
            if code := self._report.recv(16):
                return int(code)
        return None  # the nursery fell, or could not fork

    def end(self) -> None:
        with contextlib.suppress(OSError):
            # Not only closed: a process forked meanwhile may hold the same socket.
            self._report.shutdown(socket.SHUT_RDWR)
        self._report.close()
        self.stream.close()


class _Nursery:
    """This process's nursery: started when first needed, and again after it fell."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None
        self._usable = hasattr(os, "pidfd_open") and hasattr(select, "poll")

    def send(self, request: bytes, descriptors: Sequence[int]) -> None:
        """Hand over a request. Raises ConnectionError where there is no nursery for it."""
        with self._lock:
            control = self._control
            if control is None or self._process is None or self._process.poll() is not None:
                self._end()
                control = self._start()
            socket.send_fds(control, [request], descriptors)

    def end(self) -> None:
        """End it: it kills its children and ends as its socket closes."""
        with self._lock:
            self._end()

    def forget(self) -> None:
        """Leave the nursery to the process that this one was forked from."""
        self._lock = threading.Lock()
        if self._control is not None:
            self._control.close()
        if self._process is not None:
            self._process.returncode = 0  # no child of this process: not to be waited for
        self._control = self._process = None

    def _start(self) -> socket.socket:
        """Start it, wait until it serves and return its socket, or raise ConnectionError."""
        if not self._usable:
            raise ConnectionError
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = _start(
                "nursery.py", _search_path(), theirs.fileno(), subprocess.DEVNULL
            )
        self._control.settimeout(_START_S)
        try:
            # Where it ends at once it cannot be had: it is not tried again with every picture.
            self._usable = bool(self._control.recv(1))
        except (ConnectionError, TimeoutError) as error:
            self._end()
            raise ConnectionError from error
        if not self._usable:
            self._end()
            raise ConnectionError
        self._control.settimeout(None)
        return self._control

    def _end(self) -> None:
        if self._control is not None:
            self._control.close()
        if self._process is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_END_S)
            self._process.kill()
            self._process.wait()
        self._control = self._process = None


def _start(script: str, given: object, stdin: int, stdout: int) -> "subprocess.Popen[bytes]":
    """Start a script of this package with nothing of this process but the descriptors given.

    In a session of its own, so that the key that interrupts this process leaves it alone.
    """
    return subprocess.Popen(
        [sys.executable, "-I", "-S", str(Path(__file__).with_name(script)), json.dumps(given)],
        stdin=stdin,
        stdout=stdout,
        stderr=subprocess.DEVNULL,
        cwd="/",
        env=_ENVIRONMENT,
        start_new_session=True,
    )


def _search_path() -> list[str]:
    """Return where a child finds this package and its libraries, without reading site files."""
    here = str(Path(__file__).resolve().parent.parent)
    return [here, *(path for path in sys.path if path and path != here)]


def _widen(pipe: int) -> None:
    """Let the pipe hold more at once; a system that cannot keeps its own size."""
    with contextlib.suppress(ImportError, OSError):
        import fcntl

        fcntl.fcntl(pipe, _SET_PIPE_SIZE, _PIPE_BYTES)


_nursery = _Nursery()
os.register_at_fork(after_in_child=_nursery.forget)
