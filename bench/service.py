"""The whole service at work for three minutes: open pages, uploads, a cutter; then two workers.

Starts Holdfast by `run.py` with its demo. A hundred readers open order pages within half a minute
and leave them open; the pages ask for news at the pace of their own script (static/js/fill.js).
Then, for three minutes, twenty drawings a minute come in, each waited for as its page does it, and
a cutter goes round and takes jobs a step on. Printed: the times of each kind of request, errors,
the wait for a verdict. Then twenty drawings at once, with one worker and with two, give the checks
a minute and the factor. The one who measures takes his share of the same processors: it is printed.
"""

from __future__ import annotations

import os
import random
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from lxml import html

from bench import drawn
from bench.editor import Browser, send_drawing, wait_for_kernels
from bench.verdict import ROOT, running

MINUTES = 3.0
READERS, UPLOADS_A_MINUTE, BURST = 100, 20, 20
OPENED_WITHIN_S = 30.0
SLOWER, SLOWEST = 1.1, 4.0  # the pace of fill.js
ASKS = re.compile(rb'hx-get="([^"]+)" hx-trigger="every (\d+)(ms|s)"')
MOST_P95_MS = 150.0
ROUND = ("", "queue/", "sheets/", "post/", "films/", "money/")


class Record:
    """Milliseconds of requests by kind, and what went wrong; many threads write."""

    def __init__(self) -> None:
        self.ms: dict[str, list[float]] = defaultdict(list)
        self.errors: list[str] = []
        self._lock = threading.Lock()

    def timed(self, kind: str, work: Callable[[], Any]) -> Any:
        """Return what the work returns, None where it failed."""
        began = time.perf_counter()
        try:
            return work()
        except (urllib.error.HTTPError, OSError) as error:
            with self._lock:
                self.errors.append(f"{kind}: {error}")
            return None
        finally:
            with self._lock:
                self.ms[kind].append(1000 * (time.perf_counter() - began))

    def note(self, kind: str, ms: float) -> None:
        with self._lock:
            self.ms[kind].append(ms)


def main(rounds: int) -> int:
    """Print the table; the exit code says whether pages kept to their time and nothing failed."""
    del rounds
    with (
        tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder,
        running(Path(folder) / "var") as address,
    ):
        var = Path(folder) / "var"
        wait_for_kernels(address)
        record = _three_minutes(address, var)
        good = _told(record)
        one = _burst(address, 100)
        with SecondWorker(var):
            two = _burst(address, 200)
    print(
        f"{BURST} drawings at once: {one:.0f} checks a minute with one worker, {two:.0f} with two;"
    )
    print(f"factor {two / one:.2f} on {os.cpu_count()} cores, which serve the pages as well")
    return 0 if good else 1


def _three_minutes(address: str, var: Path) -> Record:
    record, stop = Record(), threading.Event()
    with sqlite3.connect(f"file:{var / 'holdfast.sqlite3'}?mode=ro", uri=True) as rows:
        found = rows.execute("select link_token from orders_order where placed_at is not null")
        tokens = [str(token) for (token,) in found]
    pictures = [drawn.jpeg(drawn.scan(6, 300, seed=seed), 300) for seed in range(6)]
    threads = [
        threading.Thread(target=_reader, args=(address, tokens[n % len(tokens)], record, stop))
        for n in range(READERS)
    ]
    threads.append(threading.Thread(target=_cutter, args=(address, var, record, stop)))
    for thread in threads:
        thread.start()
    time.sleep(OPENED_WITHIN_S)
    began = time.monotonic()
    with ThreadPoolExecutor(16) as uploads:
        for number in range(round(MINUTES * UPLOADS_A_MINUTE)):
            wait = began + number * 60 / UPLOADS_A_MINUTE - time.monotonic()
            time.sleep(max(wait, 0))
            picture = pictures[number % len(pictures)]
            # A byte more behind the picture: no drawing is the same as one before.
            uploads.submit(_put_in, address, picture + bytes([number]), record)
    stop.set()
    for thread in threads:
        thread.join()
    return record


def _reader(address: str, token: str, record: Record, stop: threading.Event) -> None:
    """Open an order's page and ask for news as its script does."""
    time.sleep(random.uniform(0, OPENED_WITHIN_S))
    browser = Browser(address)
    opened = record.timed("page: order", lambda: browser.open(f"/order/{token}/"))
    places = _places(opened[1]) if opened else []
    while places and not stop.wait(max(min(place.at for place in places) - time.monotonic(), 0)):
        place = min(places, key=lambda one: one.at)
        got = record.timed("poll: order", lambda place=place: browser.open(place.path))
        come = _places(got[1]) if got and got[0].status == 200 else [place.later()]
        places = [one for one in places if one is not place] + come


@dataclass(frozen=True)
class Place:
    """A place of a page that asks for itself: where, every how many seconds, when it is next."""

    path: str
    every_s: float
    at: float
    pace: float = 1.0

    def later(self) -> Place:
        """Return it as it is after an answer that brought nothing new."""
        pace = min(self.pace * SLOWER, SLOWEST)
        return replace(self, pace=pace, at=time.monotonic() + pace * self.every_s)


def _places(page: bytes) -> list[Place]:
    found = []
    for path, number, unit in ASKS.findall(page):
        every_s = float(number) / (1000 if unit == b"ms" else 1)
        at = time.monotonic() + every_s
        found.append(Place(path.decode().replace("&amp;", "&"), every_s, at))
    return found


def _cutter(address: str, var: Path, record: Record, stop: threading.Event) -> None:
    """Sign in, go round the pages, and press the main button of the jobs that wait."""
    browser = Browser(address)
    signs = (var / "demo.txt").read_text()
    email, password = re.findall(r"cutter: (\S+)\s+password: (\S+)", signs)[0]
    _, page = browser.open("/workshop/sign-in/")
    form = html.fromstring(page).forms[-1]
    browser.send(
        form.action or "/workshop/sign-in/", _fields(form, username=email, password=password)
    )
    while not stop.is_set():
        for path in ROUND:
            record.timed("page: workshop", lambda path=path: browser.open(f"/workshop/{path}"))
            if stop.wait(1.0):
                return
        _, queue = browser.open("/workshop/queue/")
        jobs = re.findall(rb'href="(/workshop/job/[^"/]+/)"', queue)
        for job in dict.fromkeys(jobs[:3]):
            got = record.timed("page: workshop", lambda job=job: browser.open(job.decode()))
            steps = (
                [
                    form
                    for form in html.fromstring(got[1]).forms
                    if form.method == "POST" and form.xpath(".//*[contains(@class,'button-main')]")
                ]
                if got
                else []
            )
            for form in steps[:1]:
                send = lambda form=form: browser.send(form.action, _fields(form))  # noqa: E731
                record.timed("step of a job", send)
            if stop.wait(1.0):
                return


def _fields(form: Any, **values: str) -> dict[str, str]:
    """Return what a form would send with its main button."""
    return dict(form.form_values()) | values


def _put_in(address: str, picture: bytes, record: Record) -> None:
    browser = Browser(address)
    record.timed("page: landing", lambda: browser.open("/"))
    began = time.perf_counter()
    path = record.timed("upload", lambda: send_drawing(browser, picture, "6x6in"))
    got = record.timed("page: drawing", lambda: browser.open(path)) if path else None
    places = _places(got[1]) if got else []
    while got is not None and places and b'class="verdict' not in got[1]:
        place = next(one for one in places if "/state/" in one.path)
        time.sleep(max(place.at - time.monotonic(), 0))
        got = record.timed("poll: drawing", lambda place=place: browser.open(place.path))
        places = _places(got[1]) if got and got[0].status == 200 else [place.later()]
    record.note("wait for a verdict", 1000 * (time.perf_counter() - began))


def _told(record: Record) -> bool:
    print(
        f"{MINUTES:g} minutes: {READERS} order pages open, {UPLOADS_A_MINUTE} uploads a minute, "
        "a cutter at work"
    )
    print(f"{'':20} {'number':>7} {'median':>8} {'p95':>8} {'worst':>8}  ms")
    good = not record.errors
    for kind, ms in sorted(record.ms.items()):
        p95 = statistics.quantiles(ms, n=20)[-1] if len(ms) > 1 else ms[0]
        is_page = kind.startswith(("page", "poll"))
        verdict = ("reached" if p95 < MOST_P95_MS else "NOT REACHED") if is_page else ""
        good = good and verdict != "NOT REACHED"
        figures = f"{statistics.median(ms):8.0f} {p95:8.0f} {max(ms):8.0f}"
        print(f"{kind:20} {len(ms):7} {figures}  {verdict}")
    own = 100 * time.process_time() / (60 * MINUTES + OPENED_WITHIN_S)
    print(f"the measuring itself took {own:.0f} % of one processor")
    print(f"errors: {len(record.errors)}{''.join(f'; {one}' for one in record.errors[:5])}")
    return good


def _burst(address: str, seed: int) -> float:
    """Return the checks a minute of drawings that come at once."""
    pictures = [drawn.jpeg(drawn.scan(6, 300, seed=seed + n), 300) for n in range(BURST)]
    record = Record()
    began = time.monotonic()
    with ThreadPoolExecutor(BURST) as pool:
        list(pool.map(lambda picture: _put_in(address, picture, record), pictures))
    return 60 * BURST / (time.monotonic() - began)


class SecondWorker:
    """One more worker on the same folder, as `docker compose up --scale worker=2` has it."""

    def __init__(self, var: Path) -> None:
        # as run.py has it: in a folder of one's own the worker may run as root
        warnings = "ignore:You're running the worker with superuser privileges"
        self.environment = {**os.environ, "HOLDFAST_VAR": str(var), "PYTHONWARNINGS": warnings}

    def __enter__(self) -> None:
        words = ["--quiet", "-A", "config", "worker", "-c", "1", "-n", "second@%h"]
        words += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "celery", *words], cwd=ROOT, env=self.environment
        )
        time.sleep(20)  # it loads its kernels first

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(timeout=60)
