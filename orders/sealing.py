"""Seal a stream of bytes behind a pass phrase, and open it again; docs/backup.md has the format.

scrypt (RFC 7914) makes two keys of the pass phrase. The contents are cut into pieces, each sealed
with ChaCha20-Poly1305 (RFC 8439) under a nonce that counts pieces and marks the last one: the
STREAM construction (Hoang, Reyhanitabar, Rogaway, Vizár, "Online Authenticated-Encryption and its
Nonce-Reuse Misuse-Resistance", 2015). So a piece that is altered, moved, doubled or left out is
noticed, and so is an end that was cut off. Any piece can be read alone.
"""

from __future__ import annotations

import hashlib
import hmac
import io
import os
import struct
import unicodedata
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

MAGIC = b"holdfast sealed\n"
FORM = 1
LOG2_N, R, P = 17, 8, 1  # 128 MiB and some tenths of a second for each guess
MOST_LOG2_N = 20  # a header that asks for more than 1 GiB is not tried
PIECE_BYTES = 1024 * 1024
MOST_PIECE_BYTES = 64 * 1024 * 1024
TAG_BYTES = 16
SALT_BYTES, PREFIX_BYTES = 16, 7
_FIELDS = struct.Struct(">16sBBHHI16s7s")  # magic, form, log2 n, r, p, piece, salt, prefix
_HEADER_BYTES = _FIELDS.size + hashlib.sha256().digest_size
LEAST_PHRASE = 10


class SealError(Exception):
    """A sealed file cannot be opened or read; the message is the end of a sentence."""


@dataclass(frozen=True)
class Seal:
    """What the header says, and the key that the pass phrase gives with it."""

    cipher: ChaCha20Poly1305
    piece_bytes: int
    prefix: bytes

    def nonce(self, number: int, is_last: bool) -> bytes:
        return self.prefix + struct.pack(">I?", number, is_last)


class SealedWriter(io.RawIOBase):
    """Write bytes sealed into `out`; close() seals the last piece and leaves `out` open."""

    def __init__(self, out: IO[bytes], phrase: str) -> None:
        self._out = out
        salt, prefix = os.urandom(SALT_BYTES), os.urandom(PREFIX_BYTES)
        fields = _FIELDS.pack(MAGIC, FORM, LOG2_N, R, P, PIECE_BYTES, salt, prefix)
        key, header_key = _keys(phrase, salt, LOG2_N, R, P)
        self._seal = Seal(ChaCha20Poly1305(key), PIECE_BYTES, prefix)
        out.write(fields + hmac.digest(header_key, fields, "sha256"))
        self._waiting = bytearray()
        self._number = 0

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        taken = memoryview(data).cast("B")  # type: ignore[arg-type]
        self._waiting += taken
        # the last piece is only known at the end, so one whole piece may wait
        while len(self._waiting) > PIECE_BYTES:
            self._put(bytes(self._waiting[:PIECE_BYTES]), is_last=False)
            del self._waiting[:PIECE_BYTES]
        return len(taken)

    def close(self) -> None:
        if not self.closed:
            self._put(bytes(self._waiting), is_last=True)
            self._waiting.clear()
        super().close()

    def _put(self, piece: bytes, *, is_last: bool) -> None:
        nonce = self._seal.nonce(self._number, is_last)
        self._out.write(self._seal.cipher.encrypt(nonce, piece, None))
        self._number += 1


class SealedReader(io.RawIOBase):
    """Read a sealed file as it was before; it can be sought in.

    Raises SealError for another pass phrase, and when a piece is not the one that was written.
    """

    def __init__(self, source: IO[bytes], phrase: str) -> None:
        self._source = source
        self._seal = _opened(source, phrase)
        sealed = source.seek(0, io.SEEK_END) - _HEADER_BYTES
        whole = self._seal.piece_bytes + TAG_BYTES
        self._pieces = max(1, -(-sealed // whole))
        self._size = sealed - self._pieces * TAG_BYTES
        if self._size < 0:
            raise SealError("is damaged: its end is missing")
        self._at = 0
        self._held: tuple[int, bytes] = (-1, b"")

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        self._at = max(0, start + offset)
        return self._at

    def readinto(self, buffer: WriteableBuffer) -> int:
        number, start = divmod(self._at, self._seal.piece_bytes)
        if self._at >= self._size:
            self._piece(self._pieces - 1)  # the end counts only if it is the true one
            return 0
        room = memoryview(buffer).cast("B")
        part = self._piece(number)[start : start + len(room)]
        room[: len(part)] = part
        self._at += len(part)
        return len(part)

    def _piece(self, number: int) -> bytes:
        if self._held[0] != number:
            whole = self._seal.piece_bytes + TAG_BYTES
            self._source.seek(_HEADER_BYTES + number * whole)
            nonce = self._seal.nonce(number, number == self._pieces - 1)
            try:
                piece = self._seal.cipher.decrypt(nonce, self._source.read(whole), None)
            except InvalidTag:
                raise SealError(
                    "is damaged: a part of it is missing or is not what was written"
                ) from None
            self._held = (number, piece)
        return self._held[1]


def is_sealed(source: IO[bytes]) -> bool:
    """Say whether a file begins as a sealed one does; the place read from goes to the start."""
    source.seek(0)
    start = source.read(len(MAGIC))
    source.seek(0)
    return start == MAGIC


def _opened(source: IO[bytes], phrase: str) -> Seal:
    source.seek(0)
    header = source.read(_HEADER_BYTES)
    if len(header) < _HEADER_BYTES:
        raise SealError("is damaged: its end is missing")
    fields, tag = header[: _FIELDS.size], header[_FIELDS.size :]
    magic, form, log2_n, r, p, piece_bytes, salt, prefix = _FIELDS.unpack(fields)
    if magic != MAGIC or form != FORM:
        raise SealError("is sealed in a form that this version does not know")
    if not (1 <= log2_n <= MOST_LOG2_N and (r, p) == (R, P)) or not (
        1 <= piece_bytes <= MOST_PIECE_BYTES
    ):
        raise SealError("is damaged: its beginning makes no sense")
    key, header_key = _keys(phrase, salt, log2_n, r, p)
    if not hmac.compare_digest(hmac.digest(header_key, fields, "sha256"), tag):
        raise SealError("does not open with this pass phrase")
    return Seal(ChaCha20Poly1305(key), piece_bytes, prefix)


def _keys(phrase: str, salt: bytes, log2_n: int, r: int, p: int) -> tuple[bytes, bytes]:
    """Return the key of the pieces and the key of the header, 32 bytes each."""
    # the same phrase typed on another machine may come in other code points
    text = unicodedata.normalize("NFC", phrase).encode()
    both = Scrypt(salt=salt, length=64, n=2**log2_n, r=r, p=p).derive(text)
    return both[:32], both[32:]
