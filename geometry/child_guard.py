"""The door that a child shuts behind itself before it reads a hostile picture.

A seccomp filter (Linux, kernel 3.5 or later, no privilege needed, in containers too) that the child
puts on itself and cannot take off again: from then on the kernel refuses it every socket, every new
program and process, signals to others, and making, moving or changing files. What decoders need
(memory, threads, reading) goes on. A child whose decoder was taken over by the picture has its
pipe to write to, and nothing else.

The filter is a short program for the kernel (see seccomp(2) and linux/filter.h): one comparison for
each refused number of a system call. `reading_guard` asks a real child whether it holds.
"""

import contextlib
import errno
import json
import os
import struct
import sys
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any, Final

_NO_NEW_PRIVILEGES: Final = 38  # prctl PR_SET_NO_NEW_PRIVS
_SET_SECCOMP: Final = 22  # prctl PR_SET_SECCOMP
_FILTER: Final = 2  # SECCOMP_MODE_FILTER
_ALLOW: Final = 0x7FFF0000  # SECCOMP_RET_ALLOW
_REFUSE: Final = 0x00050000  # SECCOMP_RET_ERRNO, the number of the error in the low 16 bits
_KILL: Final = 0x80000000  # SECCOMP_RET_KILL_PROCESS
# Classic BPF: load a word, jump if equal, if any bit is set, if greater or equal, return.
_LOAD, _EQUAL, _ANY_BIT, _AT_LEAST, _RETURN = 0x20, 0x15, 0x45, 0x35, 0x06
_NUMBER, _ARCHITECTURE, _FIRST_ARGUMENT = 0, 4, 16  # offsets in struct seccomp_data
_CLONE_THREAD: Final = 0x00010000
_WRITES: Final = os.O_RDWR | os.O_CREAT | os.O_TRUNC
_OTHER_SET_OF_NUMBERS: Final = 0x40000000  # x32: the same calls under other numbers

# Numbers of system calls from the kernel's tables (asm/unistd_64.h, asm-generic/unistd.h).
_REFUSED: Final[dict[str, tuple[int, ...]]] = {
    "x86_64": (
        # socket connect accept sendto sendmsg bind listen socketpair accept4 sendmmsg
        *(41, 42, 43, 44, 46, 49, 50, 53, 288, 307),
        # io_uring: work of all these kinds given to the kernel in bulk
        *(425, 426, 427),
        # fork vfork execve kill rt_sigqueueinfo ptrace execveat pidfd_open pidfd_send_signal
        *(57, 58, 59, 62, 129, 101, 322, 434, 424),
        # tkill tgkill rt_tgsigqueueinfo process_vm_readv process_vm_writev pidfd_getfd
        *(200, 234, 297, 310, 311, 438),
        # truncate rename mkdir rmdir creat link unlink symlink chmod fchmod chown fchown lchown
        *(76, 82, 83, 84, 85, 86, 87, 88, 90, 91, 92, 93, 94),
        # mknod utime utimes futimesat utimensat fchmodat2, set and remove extended attributes
        *(133, 132, 235, 261, 280, 452, 188, 189, 190, 197, 198, 199),
        # mkdirat mknodat fchownat unlinkat renameat linkat symlinkat fchmodat renameat2
        *(258, 259, 260, 263, 264, 265, 266, 268, 316),
        # unshare setns mount umount2 pivot_root chroot bpf perf_event_open userfaultfd
        *(272, 308, 165, 166, 155, 161, 321, 298, 323),
        # add_key request_key keyctl
        *(248, 249, 250),
    ),
    "aarch64": (
        # socket socketpair bind listen accept connect sendto sendmsg accept4 sendmmsg
        *(198, 199, 200, 201, 202, 203, 206, 211, 242, 269),
        *(425, 426, 427),
        # execve kill rt_sigqueueinfo ptrace execveat pidfd_open pidfd_send_signal
        *(221, 129, 138, 117, 281, 434, 424),
        *(130, 131, 240, 270, 271, 438),
        # mknodat mkdirat unlinkat symlinkat linkat renameat truncate renameat2 fchmodat fchownat
        *(33, 34, 35, 36, 37, 38, 45, 276, 53, 54),
        # fchmod fchown utimensat fchmodat2, set and remove extended attributes
        *(52, 55, 88, 452, 5, 6, 7, 14, 15, 16),
        # unshare setns mount umount2 pivot_root chroot bpf perf_event_open userfaultfd
        *(97, 268, 40, 39, 41, 51, 280, 241, 282),
        *(217, 218, 219),
    ),
}
_LIMITS: Final = {"x86_64": 302, "aarch64": 261}  # prlimit64: of this process (0) only
_CLONE: Final = {"x86_64": 56, "aarch64": 220}
_OPENS: Final = {"x86_64": {2: 1, 257: 2}, "aarch64": {56: 2}}  # number: which argument has flags
_UNKNOWN: Final = (435, 437)  # clone3, openat2: their arguments cannot be seen, so "no such call"
_NAME: Final = {"x86_64": 0xC000003E, "aarch64": 0xC00000B7}  # AUDIT_ARCH_...

Instruction = tuple[int, int, int, int]  # code, jump if true, jump if false, value


@dataclass(frozen=True)
class ReadingGuard:
    """Whether children that read pictures are cut off from the network, and why (not)."""

    network_closed: bool
    reason: str


class Guard:
    """The filter made ready, so that shutting the door costs a child two system calls.

    Made in the process that forks children. Where the system has no such filter it does nothing.
    """

    def __init__(self) -> None:
        self._prctl: Any = None
        machine = os.uname().machine if hasattr(os, "uname") else ""
        if not sys.platform.startswith("linux") or machine not in _REFUSED:
            return
        try:
            import ctypes
        except ImportError:
            return
        code = b"".join(struct.pack("=HBBI", *step) for step in _program(machine))
        self._code = ctypes.create_string_buffer(code, len(code))
        # struct sock_fprog: how many instructions there are, and where
        head = struct.pack("@HP", len(code) // 8, ctypes.addressof(self._code))
        self._head = ctypes.create_string_buffer(head, len(head))
        word = ctypes.c_ulong
        with contextlib.suppress(OSError, AttributeError):
            prctl = ctypes.CDLL(None).prctl
            prctl.argtypes = [ctypes.c_int, word, ctypes.c_void_p, word, word]
            self._prctl = prctl

    def close(self) -> bool:
        """Shut the door for this process and its threads to come. Returns whether it is shut."""
        if self._prctl is None:
            return False
        if self._prctl(_NO_NEW_PRIVILEGES, 1, None, 0, 0) != 0:
            return False
        return bool(self._prctl(_SET_SECCOMP, _FILTER, self._head, 0, 0) == 0)


def _program(machine: str) -> list[Instruction]:
    """Return the filter as instructions: refuse what is listed, let the rest through."""
    refuse = (_RETURN, 0, 0, _REFUSE | errno.EPERM)
    unknown = (_RETURN, 0, 0, _REFUSE | errno.ENOSYS)
    steps: list[Instruction] = [
        (_LOAD, 0, 0, _ARCHITECTURE),
        (_EQUAL, 1, 0, _NAME[machine]),
        (_RETURN, 0, 0, _KILL),  # numbers of another machine's calls
        (_LOAD, 0, 0, _NUMBER),
        (_AT_LEAST, 0, 1, _OTHER_SET_OF_NUMBERS),
        refuse,
    ]
    for number in _REFUSED[machine]:
        steps += [(_EQUAL, 0, 1, number), refuse]
    for number in _UNKNOWN:
        steps += [(_EQUAL, 0, 1, number), unknown]
    # A thread may be begun, a process may not.
    flags = (_LOAD, 0, 0, _FIRST_ARGUMENT)
    allow = (_RETURN, 0, 0, _ALLOW)
    steps += [(_EQUAL, 0, 4, _CLONE[machine]), flags, (_ANY_BIT, 0, 1, _CLONE_THREAD)]
    steps += [allow, refuse]
    steps += [(_EQUAL, 0, 4, _LIMITS[machine]), flags, (_EQUAL, 0, 1, 0), allow, refuse]
    # Files are opened to be read, or (the null device) to write; none is made.
    for number, argument in _OPENS[machine].items():
        flags = (_LOAD, 0, 0, _FIRST_ARGUMENT + 8 * argument)
        steps += [(_EQUAL, 0, 4, number), flags, (_ANY_BIT, 0, 1, _WRITES), refuse, allow]
    return [*steps, allow]


def try_door() -> bool:
    """Return whether this process is refused a socket; called in a child."""
    import socket

    for family in (socket.AF_INET, socket.AF_INET6, socket.AF_UNIX):
        try:
            socket.socket(family, socket.SOCK_STREAM).close()
        except PermissionError:
            continue
        except OSError:  # the system has no such family: no way out by that one
            continue
        return False
    return True


@cache
def reading_guard() -> ReadingGuard:
    """Return whether the children that read pictures are cut off from the network.

    Asked of a child like any other, once in a process: it tries to open a socket.
    """
    import tempfile

    from .decode_child import fork_child
    from .picture import ReadLimits

    try:
        with tempfile.TemporaryFile() as nothing:
            child = fork_child(nothing.fileno(), asdict(ReadLimits()) | {"try_door": True})
            try:
                told = json.loads(child.stream.readline() or b"{}")
            finally:
                child.end()
    except (OSError, ValueError) as error:
        return ReadingGuard(False, f"No child could be asked ({type(error).__name__}).")
    if told.get("closed") is True:
        reason = "The child that reads a picture was refused a socket by the kernel (seccomp)."
        return ReadingGuard(True, reason)
    if told.get("closed") is False:
        reason = (
            f"This system ({sys.platform}) takes no seccomp filter, so "
            "the child that reads a picture is held only by its limits of memory, time and files. "
            "Run Holdfast on Linux with seccomp, or in a container without a way out."
        )
        return ReadingGuard(False, reason)
    return ReadingGuard(False, "The child that was asked did not answer.")
