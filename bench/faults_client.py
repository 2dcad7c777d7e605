"""An honest client over HTTP: reads pages, fills their forms in, and presses again when unanswered.

A press that got no answer, or one that says "not now", is repeated with the very same form, as
somebody does who presses the button once more. Presses are also doubled on purpose.
"""

from __future__ import annotations

import http.client
import random
import threading
import time
import urllib.parse
import uuid
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from lxml import html

PATIENCE_S = 180.0
DOUBLED = 0.08
FORM = "application/x-www-form-urlencoded"


class FlowError(Exception):
    """A flow cannot go on; what is said is a fault of the run."""


@dataclass
class Notes:
    """What all flows note together: actions acknowledged, and answers that were none."""

    acknowledged: list[dict[str, Any]] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    stopped: threading.Event = field(default_factory=threading.Event)

    def count(self, name: str) -> None:
        with self.lock:
            self.counts[name] += 1

    def ack(self, kind: str, **what: Any) -> None:
        """Note an action that the site said is done, and what must be there from now on."""
        with self.lock:
            self.acknowledged.append({"kind": kind, **what})

    def fault(self, words: str) -> None:
        with self.lock:
            self.faults.append(words)


@dataclass(frozen=True)
class Answer:
    """One answer as it came; redirects are not followed yet."""

    status: int
    location: str
    text: str
    path: str

    @property
    def tree(self) -> Any:
        return html.fromstring(self.text)

    @property
    def error(self) -> str:
        """What the page says went wrong with the press that led to it, "" for nothing."""
        found = self.tree.xpath("//*[@id='messages']//*[contains(@class,'notice-bad')]//p")
        return found[0].text_content().strip() if found else ""

    def form(self, ending: str) -> Any:
        """Return the form whose address ends so; FlowError when the page has none."""
        for form in self.tree.forms:
            if (form.action or self.path).split("?")[0].endswith(ending):
                return form
        raise FlowError(f"{self.path} has no form {ending}")


class Visitor:
    """One browser: its cookies, and the addresses of the web processes it meets by turns."""

    def __init__(self, addresses: list[str], notes: Notes, rng: random.Random) -> None:
        self.addresses, self.notes, self.rng = addresses, notes, rng
        self.cookies: dict[str, str] = {}

    def get(self, path: str) -> Answer:
        """Return a page, redirects followed, asked for again until it is answered."""
        for _ in range(8):
            answer = self._until_answered("GET", path, b"", {})
            if answer.status not in (301, 302, 303):
                return answer
            path = answer.location
        raise FlowError(f"{path} leads round in a circle")

    def press(self, page: Answer, ending: str, **values: str) -> Answer:
        """Send a form of a page as a person does; return the page that it leads to."""
        form = page.form(ending)
        fields = [pair for pair in form.form_values() if pair[0] not in values]
        body = urllib.parse.urlencode(fields + list(values.items())).encode()
        target, kind = form.action or page.path, {"Content-Type": FORM}
        answer = self._until_answered("POST", target, body, kind)
        shown = self.get(answer.location) if answer.location else answer
        if self._is_doubled():
            again = self._until_answered("POST", target, body, kind)
            if again.location:
                self.get(again.location)
        return shown

    def press_files(
        self, path: str, fields: dict[str, str], name: str, data: bytes, **headers: str
    ) -> Answer:
        """Send a form with one file; the answer is given as it comes."""
        body, kind = self._with_file(fields, name, data)
        return self.send(path, body, {"Content-Type": kind, **headers})

    def ask_with_file(self, path: str, fields: dict[str, str], data: bytes) -> Answer:
        """Send a form with one file a single time."""
        body, kind = self._with_file(fields, "noise.png", data)
        return self._ask("POST", path, body, {"Content-Type": kind})

    def ask_form(self, path: str, fields: dict[str, str]) -> Answer:
        """Send a form a single time."""
        body = urllib.parse.urlencode(fields).encode()
        return self._ask("POST", path, body, {"Content-Type": FORM})

    def ask_page(self, path: str) -> Answer:
        """Ask for a page a single time."""
        return self._ask("GET", path, b"", {})

    def _with_file(self, fields: dict[str, str], name: str, data: bytes) -> tuple[bytes, str]:
        """Return the body of a form with one file, and what kind of body it is."""
        mark = uuid.UUID(int=self.rng.getrandbits(128)).hex
        parts = [
            f'--{mark}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
            for key, value in fields.items()
        ]
        head = f'--{mark}\r\nContent-Disposition: form-data; name="drawing"; filename="{name}"\r\n'
        parts.append(head.encode() + b"Content-Type: image/png\r\n\r\n" + data)
        body = b"".join(parts) + f"\r\n--{mark}--\r\n".encode()
        return body, f"multipart/form-data; boundary={mark}"

    def send(self, path: str, body: bytes, headers: dict[str, str]) -> Answer:
        """Post until answered; now and then once more, as a press that was doubled."""
        answer = self._until_answered("POST", path, body, headers)
        if self._is_doubled():
            self._until_answered("POST", path, body, headers)
        return answer

    def _is_doubled(self) -> bool:
        is_doubled = self.rng.random() < DOUBLED
        if is_doubled:
            self.notes.count("pressed twice")
        return is_doubled

    def _until_answered(self, method: str, path: str, body: bytes, headers: dict[str, str]) -> Any:
        last = time.monotonic() + PATIENCE_S
        while True:
            try:
                answer = self._ask(method, path, body, headers)
            except (OSError, http.client.HTTPException):
                self.notes.count("unanswered")
            else:
                if answer.status < 500:
                    return answer
                self.notes.count("told to wait" if answer.status in (503, 507) else "broken pages")
                if answer.status not in (503, 507):
                    self.notes.fault(f"{method} {path}: {answer.status}")
            if self.notes.stopped.is_set():
                raise FlowError("stopped")
            if time.monotonic() > last:
                raise FlowError(f"{method} {path} was not answered for {PATIENCE_S:.0f} s")
            time.sleep(self.rng.uniform(0.3, 1.0))

    def _ask(self, method: str, path: str, body: bytes, headers: dict[str, str]) -> Answer:
        parts = urllib.parse.urlsplit(urllib.parse.urljoin("http://site/", path))
        target = parts.path + (f"?{parts.query}" if parts.query else "")
        address = self.addresses[self.rng.randrange(len(self.addresses))]
        connection = http.client.HTTPConnection(urllib.parse.urlsplit(address).netloc, timeout=60)
        try:
            cookies = "; ".join(f"{key}={value}" for key, value in self.cookies.items())
            connection.request(method, target, body or None, {**headers, "Cookie": cookies})
            response = connection.getresponse()
            text = response.read().decode(errors="replace")
            for header in response.headers.get_all("Set-Cookie") or []:
                key, _, value = header.split(";", 1)[0].partition("=")
                self.cookies[key] = value
        finally:
            connection.close()
        return Answer(response.status, response.headers.get("Location", ""), text, target)
