"""The process that has the decoders loaded and forks one child for each picture.

decode_child.py starts it, once in a process that reads pictures, with a socket as its standard
input. A message there is a request: the limits as JSON, and three descriptors, of the picture, of
the pipe to answer on and of a socket of this request alone. The child gets the picture and the
pipe and nothing else. The socket is about its end: the exit code is sent there, and a reader that
shuts it has the child killed. The end of standard input ends the children and this process. The
first message, from here, says that it serves.

Nothing of a picture is read here, so that a hostile one meets only its own child. Linux only.
"""

import contextlib
import gc
import json
import os
import select
import signal
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, NoReturn

_MOST_REQUEST_BYTES: Final = 65536
_SET_PARENT_DEATH_SIGNAL: Final = 1  # prctl PR_SET_PDEATHSIG

Answer = Callable[[dict[str, Any]], None]


@dataclass(frozen=True)
class _Child:
    """A child at work: its id, a descriptor that tells of its end, the socket of its request."""

    pid: int
    process: int
    report: int


class Nursery:
    """The children at work.

    control: the socket of requests. answer: decodes standard input to standard output within the
    limits given; called in a child only.
    """

    def __init__(self, control: socket.socket, answer: Answer) -> None:
        self._control = control
        self._answer = answer
        self._children: dict[int, _Child] = {}  # by process and by report
        self._poll = select.poll()
        self._poll.register(control, select.POLLIN)
        self._end_with_parent = _end_with_parent()

    def serve(self) -> None:
        """Answer requests until the process that reads is gone; then end what is at work."""
        try:
            while True:
                # One at a time, as handling one may close another; the youngest first.
                descriptor, _ = self._poll.poll()[-1]
                child = self._children.get(descriptor)
                if child is None:
                    self._take()
                elif descriptor == child.process:
                    self._reap(child)
                else:
                    self._poll.unregister(child.report)
                    os.kill(child.pid, signal.SIGKILL)
        except (EOFError, ConnectionError):
            for child in set(self._children.values()):
                os.kill(child.pid, signal.SIGKILL)

    def _take(self) -> None:
        """Fork a child for the next request. Raises EOFError where none will come.

        A request that cannot be met is dropped: its reader sees that, and helps itself.
        """
        message, given, _, _ = socket.recv_fds(self._control, _MOST_REQUEST_BYTES, 3)
        if not message:
            raise EOFError
        if len(given) != 3:  # too many are open
            for descriptor in given:
                os.close(descriptor)
            return
        picture, answer, report = given
        try:
            self._fork(json.loads(message), picture, answer, report)
        except OSError:
            os.close(report)
        finally:
            os.close(picture)
            os.close(answer)

    def _fork(self, limits: dict[str, Any], picture: int, answer: int, report: int) -> None:
        """Fork a child and remember it. Raises OSError, and then there is none."""
        parent = os.getpid()
        pid = os.fork()
        if pid == 0:
            self._decode(limits, picture, answer, report, parent)
        try:
            child = _Child(pid, os.pidfd_open(pid), report)
        except OSError:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            raise
        for descriptor in (child.process, child.report):
            self._children[descriptor] = child
            self._poll.register(descriptor, select.POLLIN)

    def _decode(
        self, limits: dict[str, Any], picture: int, answer: int, report: int, parent: int
    ) -> NoReturn:
        """Be the child: keep the picture and the pipe and nothing else, decode, end."""
        code = 1
        try:
            self._end_with_parent()
            if os.getppid() == parent:
                os.dup2(picture, 0)  # in place of the socket of requests
                os.dup2(answer, 1)
                for descriptor in (picture, answer, report, *self._children):
                    os.close(descriptor)
                self._answer(limits)
                code = 0
        finally:
            os._exit(code)

    def _reap(self, child: _Child) -> None:
        """Take the exit code of a child that has ended, and send it to the reader."""
        _, status = os.waitpid(child.pid, 0)
        for descriptor in (child.process, child.report):
            del self._children[descriptor]
            with contextlib.suppress(KeyError):
                self._poll.unregister(descriptor)
        os.close(child.process)
        with socket.socket(fileno=child.report) as report, contextlib.suppress(OSError):
            report.send(str(os.waitstatus_to_exitcode(status)).encode())


def _end_with_parent() -> Callable[[], object]:
    """Return what makes a child end with this process, should that be killed."""
    try:
        import ctypes

        prctl = ctypes.CDLL(None).prctl
    except (ImportError, OSError, AttributeError):
        return lambda: None  # the child's alarm clock and processor time still bound it
    return lambda: prctl(_SET_PARENT_DEATH_SIGNAL, signal.SIGKILL, 0, 0, 0)


def main() -> None:
    """Serve requests from standard input, with the library paths given as JSON."""
    sys.path[:] = json.loads(sys.argv[1])
    from geometry import child_guard, decode

    os.close(os.pidfd_open(os.getpid()))  # a system without it is told at once
    decode.preload()
    gc.freeze()  # what is loaded stays shared with the children
    with socket.socket(fileno=0) as control:
        control.send(b"r")  # ready
        guard = child_guard.Guard()
        Nursery(control, lambda limits: decode.answer(limits, guard)).serve()


if __name__ == "__main__":
    main()
    os._exit(0)
