"""Sealed backups: a reader written from docs/backup.md opens them, and no change goes unnoticed."""

import hashlib
import hmac
import io
import os
import random
import struct
from collections.abc import Callable

import pytest
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from orders import sealing
from orders.sealing import SealedReader, SealedWriter, SealError, is_sealed

PHRASE = "seven herons on a groyne"
HEADER = 81
PIECE = 1000
WHOLE = PIECE + 16


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small pieces and a cheap key, so that many cases are tried; one test has the true ones."""
    monkeypatch.setattr(sealing, "PIECE_BYTES", PIECE)
    monkeypatch.setattr(sealing, "LOG2_N", 4)


def sealed(plain: bytes, phrase: str = PHRASE) -> bytes:
    out = io.BytesIO()
    writer = SealedWriter(out, phrase)
    for first in range(0, len(plain), 777):
        writer.write(plain[first : first + 777])
    writer.close()
    return out.getvalue()


def unsealed(data: bytes, phrase: str = PHRASE) -> bytes:
    return io.BufferedReader(SealedReader(io.BytesIO(data), phrase)).read()


def read_as_documented(data: bytes, phrase: str) -> bytes:
    """Open a sealed file with nothing of ours, step by step as docs/backup.md tells.

    scrypt and HMAC by Python's own hashlib and hmac, another code than what wrote it.
    """
    assert data[:16] == b"holdfast sealed\n"
    assert data[16] == 1
    n = 2 ** data[17]
    r, p, piece = struct.unpack(">HHI", data[18:26])
    salt, prefix = data[26:42], data[42:49]
    keys = hashlib.scrypt(phrase.encode(), salt=salt, n=n, r=r, p=p, maxmem=2**30, dklen=64)
    assert hmac.new(keys[32:], data[:49], "sha256").digest() == data[49:81]
    rest, plain, number = data[81:], b"", 0
    while True:
        part, rest = rest[: piece + 16], rest[piece + 16 :]
        nonce = prefix + number.to_bytes(4, "big") + (b"\x00" if rest else b"\x01")
        plain += ChaCha20Poly1305(keys[:32]).decrypt(nonce, part, None)
        number += 1
        if not rest:
            return plain


@pytest.mark.parametrize("size", [0, 1, PIECE - 1, PIECE, PIECE + 1, 2 * PIECE, 5 * PIECE + 3])
def test_what_was_sealed_opens_again_here_and_by_the_documented_steps(size: int) -> None:
    plain = random.Random(size).randbytes(size)
    data = sealed(plain)
    assert unsealed(data) == plain
    assert read_as_documented(data, PHRASE) == plain
    pieces = max(1, -(-size // PIECE))
    assert len(data) == HEADER + size + 16 * pieces


def test_the_true_strength_is_what_the_document_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    plain = os.urandom(3 * 1024 * 1024 + 5)
    data = sealed(plain)
    assert (data[17], *struct.unpack(">HHI", data[18:26])) == (17, 8, 1, 1024 * 1024)
    assert read_as_documented(data, PHRASE) == plain


def test_a_reader_goes_to_any_place(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = random.Random(1).randbytes(4 * PIECE + 10)
    reader = io.BufferedReader(SealedReader(io.BytesIO(sealed(plain)), PHRASE))
    for at in (3 * PIECE + 5, 0, PIECE - 1, 4 * PIECE, 17):
        reader.seek(at)
        assert reader.read(PIECE + 3) == plain[at : at + PIECE + 3]
    assert reader.seek(-4, io.SEEK_END) == len(plain) - 4
    assert reader.read() == plain[-4:]


def test_another_phrase_does_not_open_it_and_is_told_from_damage() -> None:
    with pytest.raises(SealError, match="does not open with this pass phrase"):
        unsealed(sealed(b"x" * 2500), "six herons on a groyne")


def test_one_phrase_in_two_spellings_of_unicode_is_the_same() -> None:
    """é as one code point, and as e with a mark: Unicode Standard Annex 15."""
    assert unsealed(sealed(b"x", "caf\u00e9 on the pier"), "cafe\u0301 on the pier") == b"x"


def without_piece(data: bytes, number: int) -> bytes:
    at = HEADER + number * WHOLE
    return data[:at] + data[at + WHOLE :]


def swapped(data: bytes) -> bytes:
    first, second = data[HEADER : HEADER + WHOLE], data[HEADER + WHOLE : HEADER + 2 * WHOLE]
    return data[:HEADER] + second + first + data[HEADER + 2 * WHOLE :]


CHANGES: dict[str, Callable[[bytes], bytes]] = {
    "the last byte gone": lambda data: data[:-1],
    "the last piece gone": lambda data: data[: HEADER + 3 * WHOLE],
    "all but one piece gone": lambda data: data[: HEADER + WHOLE],
    "no piece left": lambda data: data[:HEADER],
    "the header cut": lambda data: data[:40],
    "a piece left out": lambda data: without_piece(data, 1),
    "two pieces in the wrong order": swapped,
    "a piece twice": lambda data: data[: HEADER + WHOLE] + data[HEADER:],
    "something added": lambda data: data + b"x" * 40,
    "a whole piece added": lambda data: data + data[HEADER : HEADER + WHOLE],
    "a bit in a piece": lambda data: data[:1500] + bytes([data[1500] ^ 1]) + data[1501:],
    "a bit in the last tag": lambda data: data[:-1] + bytes([data[-1] ^ 128]),
    "a bit in the salt": lambda data: data[:30] + bytes([data[30] ^ 1]) + data[31:],
    "a bit in the nonce's beginning": lambda data: data[:45] + bytes([data[45] ^ 1]) + data[46:],
    "another size of pieces": lambda data: data[:22] + struct.pack(">I", PIECE // 2) + data[26:],
    "more work than is ever asked": lambda data: data[:17] + b"\x28" + data[18:],
}


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_is_noticed(change: str) -> None:
    data = sealed(random.Random(2).randbytes(3 * PIECE + 400))
    with pytest.raises(SealError):
        unsealed(CHANGES[change](data))


def test_no_two_files_are_sealed_alike() -> None:
    assert sealed(b"the same")[HEADER:] != sealed(b"the same")[HEADER:]


def test_a_sealed_file_is_known_by_its_beginning() -> None:
    assert is_sealed(io.BytesIO(sealed(b"")))
    assert not is_sealed(io.BytesIO(b"rows/"))
    assert not is_sealed(io.BytesIO(b""))


@pytest.mark.parametrize(
    ("phrase", "salt", "n", "r", "p", "wanted"),
    [
        (b"", b"", 16, 1, 1,
         ("77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"
          "fcd0069ded0948f8326a753a0fc81f17e8d3e0fb2e0d3628cf35e20c38d18906")),
        (b"password", b"NaCl", 1024, 8, 16,
         ("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"
          "2eaf30d92e22a3886ff109279d9830dac727afb94a83ee6d8360cbdfa2cc0640")),
        (b"pleaseletmein", b"SodiumChloride", 16384, 8, 1,
         ("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
          "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887")),
    ],
)  # fmt: skip
def test_scrypt_gives_the_published_values(
    phrase: bytes, salt: bytes, n: int, r: int, p: int, wanted: str
) -> None:
    """Source: RFC 7914, section 12 (values from memory; the library agrees with them)."""
    assert Scrypt(salt=salt, length=64, n=n, r=r, p=p).derive(phrase).hex() == wanted


def test_the_cipher_gives_the_published_values() -> None:
    """Source: RFC 8439, section 2.8.2 (values from memory; the library agrees with them)."""
    plain = (
        b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the "
        b"future, sunscreen would be it."
    )
    key = bytes(range(0x80, 0xA0))
    nonce = bytes.fromhex("070000004041424344454647")
    given = bytes.fromhex("50515253c0c1c2c3c4c5c6c7")
    made = ChaCha20Poly1305(key).encrypt(nonce, plain, given)
    assert made[:16].hex() == "d31a8d34648e60db7b86afbc53ef7ec2"
    assert made[-16:].hex() == "1ae10b594f09e26a7e902ecbd0600691"
