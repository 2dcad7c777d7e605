"""Reading a stored file as a grey picture, safely: unpacked in a child process that can be killed.

The file is opened here and handed over as an open descriptor, so that its name never reaches a
decoder. A child that takes too long, too much memory or dies becomes an UnreadableError.
"""

import contextlib
import hashlib
import json
import operator
import os
import select
import signal
import stat
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from geometry.decode_child import fork_child, start_child
from geometry.errors import UnreadableError

_HASHED_BYTES: Final = 1 << 20
_HEADER_BYTES: Final = 65536
# What comes of a header that decode.py did not write.
_NONSENSE: Final = (ArithmeticError, LookupError, TypeError, ValueError)


@dataclass(frozen=True)
class ReadLimits:
    """What reading one picture may take.

    most_pixels: of the file as displayed. kept_pixels: above it the picture is reduced by halves.
    drawn_pixels: of a drawn SVG or PDF page. The rest: bytes and seconds of the child process.
    """

    most_bytes: int = 60_000_000
    most_svg_bytes: int = 2_000_000
    most_pixels: int = 110_000_000
    kept_pixels: int = 40_000_000
    drawn_pixels: int = 25_000_000
    memory_bytes: int = 2_000_000_000
    processor_seconds: int = 15
    wall_seconds: float = 25.0


@dataclass(frozen=True)
class Picture:
    """One picture, upright as displayed.

    grey: (h, w) uint8, 255 is white; any pen is dark. dpi: (x, y) of `grey`, or None where the
    file gives none (a camera's tag does not count). sha256: of the file's bytes. format: "PNG"...
    size_px: (w, h) of the displayed picture; `grey` is smaller by `reduction`, a whole power of 2,
    where the file is very large. drawn: the dpi comes from a page description and is exact.
    """

    grey: NDArray[np.uint8]
    dpi: tuple[float, float] | None
    sha256: str
    format: str
    size_px: tuple[int, int]
    drawn: bool = False

    @property
    def reduction(self) -> int:
        """How many displayed pixels one pixel of `grey` spans each way."""
        return max(1, round(self.size_px[0] / self.grey.shape[1]))

    def to_displayed(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points (..., 2) x, y of `grey` as points of the displayed picture."""
        return (points_px + 0.5) * self.reduction - 0.5

    def from_displayed(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points (..., 2) x, y of the displayed picture as points of `grey`."""
        return (points_px + 0.5) / self.reduction - 0.5


def read_picture(path: str | os.PathLike[str], *, limits: ReadLimits | None = None) -> Picture:
    """Return the picture in a file: PNG, JPEG, WebP, TIFF, GIF, HEIC, SVG or a PDF's first page.

    Raises UnreadableError with one of the codes missing, empty, too-large, unsupported, damaged,
    bomb, encrypted, unsafe. Returns or raises within limits.wall_seconds and a little.
    """
    limits = limits or ReadLimits()
    with _opened(path, limits) as descriptor:
        header, grey, digest = _run_child(descriptor, limits)
    try:
        dpi = header["dpi"]
        return Picture(
            grey=grey,
            dpi=(float(dpi[0]), float(dpi[1])) if dpi else None,
            sha256=digest,
            format=str(header["kind"]),
            size_px=(int(header["full_size"][0]), int(header["full_size"][1])),
            drawn=bool(header["drawn"]),
        )
    except _NONSENSE:
        raise _death(1) from None


@contextlib.contextmanager
def _opened(path: str | os.PathLike[str], limits: ReadLimits) -> Iterator[int]:
    """Yield a descriptor of a plain file of a size that is taken; never waits on a pipe."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        raise UnreadableError(
            "missing", "There is no such file, or it may not be read. Look at its name and place."
        ) from error
    try:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise UnreadableError("missing", "This is no plain file. Give the file of a picture.")
        if found.st_size == 0:
            raise UnreadableError(
                "empty", "This file is empty. Save the picture and send it again."
            )
        if found.st_size > limits.most_bytes:
            raise UnreadableError(
                "too-large",
                f"This file has more than {limits.most_bytes / 1e6:g} MB. "
                "Save the picture smaller; 300 dots per inch are plenty.",
            )
        yield descriptor
    finally:
        os.close(descriptor)


def _run_child(descriptor: int, limits: ReadLimits) -> tuple[dict[str, Any], Any, str]:
    """Return (header, grey (h, w) uint8, sha256) of an open file, unpacked in a child process."""
    deadline = time.monotonic() + limits.wall_seconds
    start, digest = fork_child, ""
    while True:
        child = start(descriptor, asdict(limits))
        try:
            digest = digest or _sha256(descriptor)  # while the child decodes
            try:
                return *_read_answer(child.stream, limits, deadline), digest
            except _ChildGoneError:
                code = child.exit_code(deadline - time.monotonic())
        except TimeoutError:
            raise _too_long() from None
        finally:
            child.end()
        if code is not None:
            raise _death(code)
        start = start_child  # the nursery fell: this picture does without


class _ChildGoneError(Exception):
    """The child closed its end before the picture was whole."""


def _sha256(descriptor: int) -> str:
    """Return the hash of a file without moving the position that the child reads from."""
    digest, at = hashlib.sha256(), 0
    while block := os.pread(descriptor, _HASHED_BYTES, at):
        digest.update(block)
        at += len(block)
    return digest.hexdigest()


def _read_answer(
    stream: IO[bytes], limits: ReadLimits, deadline: float
) -> tuple[dict[str, Any], NDArray[np.uint8]]:
    """Return (the JSON line, the picture (h, w) uint8) of a child; raise the error that it tells.

    Raises _ChildGoneError where the answer ends too soon, TimeoutError at the deadline.
    """
    head = b""
    while b"\n" not in head and len(head) < _HEADER_BYTES:
        head += _more(stream, deadline)
    line, _, rest = head.partition(b"\n")
    header = _header(line, max(limits.most_pixels, limits.drawn_pixels))
    width, height = header["size"]
    pgm = b"P5\n%d %d\n255\n" % (width, height)
    while len(rest) < len(pgm):
        rest += _more(stream, deadline)
    grey = np.empty(width * height, np.uint8)
    room, filled = grey.data, len(rest) - len(pgm)
    room[:filled] = rest[len(pgm) :]
    while filled < len(room):
        _wait(stream, deadline)
        count = stream.readinto(room[filled:])  # type: ignore[attr-defined]
        if not count:
            raise _ChildGoneError
        filled += count
    return header, grey.reshape(height, width)


def _header(line: bytes, most_pixels: int) -> dict[str, Any]:
    """Return what a child says of its picture, or raise the error that it tells.

    A child that says anything else was taken over by its file, which is then damaged.
    """
    try:
        header: dict[str, Any] = json.loads(line)
        if "error" in header:
            code, message = header["error"]
            raise UnreadableError(code, message)
        width, height = map(operator.index, header["size"])
        if 0 < width <= most_pixels and 0 < height <= most_pixels // width:
            return header
    except _NONSENSE:
        pass
    raise _death(1)


def _more(stream: IO[bytes], deadline: float) -> bytes:
    """Return what has come, one byte or more."""
    _wait(stream, deadline)
    block = stream.read(_HEADER_BYTES)
    if not block:
        raise _ChildGoneError
    return block


def _wait(stream: IO[bytes], deadline: float) -> None:
    """Return when bytes or the end can be read. Raises TimeoutError at the deadline."""
    poll = select.poll()
    poll.register(stream, select.POLLIN)
    if not poll.poll(max(0.0, 1000 * (deadline - time.monotonic()))):
        raise TimeoutError


def _too_long() -> UnreadableError:
    """Return the error for a file that takes too long to unpack."""
    return UnreadableError(
        "bomb", "This file takes too long to unpack. Save it as a plain PNG or JPEG and try again."
    )


def _death(code: int) -> UnreadableError:
    """Return the error for a child that died: by time, by memory or by a broken file."""
    if code in (-signal.SIGXCPU, -signal.SIGALRM):
        return _too_long()
    if code == -signal.SIGKILL:
        return UnreadableError(
            "bomb", "This picture takes too much memory to unpack. Save it smaller."
        )
    return UnreadableError(
        "damaged", "This file is broken in a way that cannot be read. Save or send it again."
    )
