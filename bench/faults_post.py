"""A post office for fault runs: an SMTP server (RFC 5321) that keeps every letter and misbehaves.

It keeps to the few commands a sender needs. By chance it refuses a letter for now (451), or takes
the whole of it and then breaks the line without a word, which is the case in which no sender can
know whether a letter has gone.
"""

from __future__ import annotations

import contextlib
import random
import socketserver
import threading
import time
from dataclasses import dataclass
from email import message_from_bytes
from typing import Any

REFUSED_FOR_NOW, TAKEN_UNANSWERED, SLOW = 0.04, 0.03, 0.05


@dataclass(frozen=True)
class Letter:
    """One letter taken; ``answered`` says whether its sender was told so."""

    message_id: str
    to: str
    subject: str
    answered: bool


class PostOffice:
    """Listens on a port of its own until it is closed; may be opened again on the same one."""

    def __init__(self, seed: int, *, is_calm: bool = False) -> None:
        self.rng = random.Random(seed)
        self.is_calm = is_calm
        self.always = "take"  # while it is calm
        self.letters: list[Letter] = []
        self.refused = self.unanswered = 0
        self.lock = threading.Lock()
        self.server: _Server | None = None
        self.port = 0
        self.open()

    def open(self) -> None:
        self.server = _Server(("127.0.0.1", self.port), _Conversation)
        self.server.office = self
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()

    def close(self) -> None:
        """Stop listening, as a mail server that is down does."""
        if self.server is not None:
            self.server.shutdown()
            self.server.server_close()
            self.server = None

    def mood(self) -> str:
        """Return what becomes of the next letter."""
        if self.is_calm:
            return self.always
        with self.lock:
            chance = self.rng.random()
        for name, share in (("refuse", REFUSED_FOR_NOW), ("break", TAKEN_UNANSWERED)):
            if chance < share:
                return name
            chance -= share
        return "slow" if chance < SLOW else "take"

    def keep(self, data: bytes, to: str, *, answered: bool) -> None:
        head = message_from_bytes(data)
        letter = Letter(str(head["Message-ID"]), to, str(head["Subject"]), answered)
        with self.lock:
            self.letters.append(letter)
            self.unanswered += not answered


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True
    office: PostOffice


class _Conversation(socketserver.StreamRequestHandler):
    """One sender's conversation."""

    server: Any
    timeout = 60

    def handle(self) -> None:
        with contextlib.suppress(OSError):  # the sender was killed in the middle
            self._talk(self.server.office)

    def say(self, line: str) -> None:
        self.wfile.write(line.encode() + b"\r\n")

    def _talk(self, office: PostOffice) -> None:
        self.say("220 harbour.example post office")
        to = ""
        while line := self.rfile.readline(2000):
            word = line[:4].upper().strip()
            if word in (b"EHLO", b"HELO"):
                self.say("250 harbour.example")
            elif word == b"RCPT":
                to = line.decode().split("<", 1)[-1].split(">", 1)[0]
                self.say("250 known")
            elif word == b"DATA":
                if not self._take(office, to):
                    return
            elif word == b"QUIT":
                self.say("221 good day")
                return
            else:
                self.say("250 well")

    def _take(self, office: PostOffice, to: str) -> bool:
        """Take one letter; False when the line is to be broken."""
        mood = office.mood()
        if mood in ("refuse", "never"):
            with office.lock:
                office.refused += 1
            self.say("451 not now, try later" if mood == "refuse" else "554 not to this box")
            return True
        self.say("354 go on")
        lines: list[bytes] = []
        while (line := self.rfile.readline(100_000)) != b".\r\n":
            if not line:
                return False  # the sender died before the end: this letter was never taken
            lines.append(line[1:] if line.startswith(b"..") else line)
        if mood == "slow":
            time.sleep(1.0)
        office.keep(b"".join(lines), to, answered=mood != "break")
        if mood == "break":
            return False
        self.say("250 taken")
        return True
