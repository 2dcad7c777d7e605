"""The whole service at work for three minutes: open pages, uploads, a cutter; then two workers.

Starts Holdfast by `run.py` with its demo. A hundred readers have order pages open, which ask for
news as often as the pages' own script does; twenty drawings a minute come in, each waited for until
its verdict stands on its page; a cutter goes round and takes jobs a step on. Printed: the times of
each kind of request, errors, the wait for a verdict. Then twenty drawings at once, with one worker
and with two, give the checks a minute and the factor.
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
from pathlib import Path
from typing import Any

from lxml import html

from bench import drawn
from bench.editor import Browser, send_drawing
from bench.verdict import ROOT, running

MINUTES = 3.0
READERS, UPLOADS_A_MINUTE, BURST = 100, 20, 20
ORDER_EVERY_S, TALK_EVERY_S = 4.0, 6.0
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
    began = time.monotonic()
    for thread in threads:
        thread.start()
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
    time.sleep(random.uniform(0, ORDER_EVERY_S))
    browser = Browser(address)
    opened = record.timed("page: order", lambda: browser.open(f"/order/{token}/"))
    asked = re.findall(rb'hx-get="([^"]+)" hx-trigger="every (\d+)s"', opened[1]) if opened else []
    due = {path.decode().replace("&amp;", "&"): (float(every), 0.0) for path, every in asked}
    while not stop.wait(0.2):
        for path, (every, at) in due.items():
            if time.monotonic() >= at:
                record.timed("poll", lambda path=path: browser.open(path))
                due[path] = (every, time.monotonic() + every)


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
    while path:
        got = record.timed("page: drawing", lambda: browser.open(path))
        if got is None or b'class="verdict' in got[1]:
            break
        time.sleep(0.5)
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
        is_page = kind.startswith("page") or kind == "poll"
        verdict = ("reached" if p95 < MOST_P95_MS else "NOT REACHED") if is_page else ""
        good = good and verdict != "NOT REACHED"
        figures = f"{statistics.median(ms):8.0f} {p95:8.0f} {max(ms):8.0f}"
        print(f"{kind:20} {len(ms):7} {figures}  {verdict}")
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
        self.environment = {**os.environ, "HOLDFAST_VAR": str(var)}

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
