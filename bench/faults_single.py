"""Single faults, each on the real programs: what the page says, whether anything is lost, recovery.

A full disk is a small tmpfs filled to the last byte (needs root), a locked database a second
connection that holds it, a broker or mail server that is down one that was stopped, and a clock
that jumps a few lines of C below every process (faults_clock.c; needs a C compiler), for the time
of day only. No process is started again by hand: what comes back comes back by itself.
"""

from __future__ import annotations

import contextlib
import json
import random
import re
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bench.faults_client import Answer, Notes, Visitor
from bench.faults_flows import Flow
from bench.faults_post import PostOffice
from bench.faults_setups import SETUPS, Embedded, Kept, Production, Setup
from bench.faults_storm import audit_of, say, sign_in, wait_until_quiet

CLOCK_SOURCE = Path(__file__).with_name("faults_clock.c")
DISK_MB, HELD_S, DAYS_ON = 96, 30.0, 60
VERDICT_S, POST_S = 180.0, 420.0


@dataclass
class Row:
    """One fault: what the page said meanwhile, and how long recovery took."""

    name: str
    said: str
    recovered: str
    good: bool


class Bench:
    """One running set-up with an artist and the cutter."""

    def __init__(self, setup: Setup, post: PostOffice) -> None:
        self.setup, self.post, self.notes = setup, post, Notes()
        self.cutter = sign_in(setup, self.notes)
        self.number = 0

    def flow(self) -> Flow:
        self.number += 1
        return Flow(self.number, 7, self.setup.addresses, self.cutter, self.notes)

    def ordered(self) -> Flow:
        """Return a flow that has got as far as its quote."""
        flow = self.flow()
        flow.upload()
        flow.place(flow.wait_for_verdict())
        return flow

    def seconds_to_verdict(self) -> float:
        """Upload as a person does, and wait for the verdict."""
        began, flow = time.monotonic(), self.flow()
        flow.upload()
        flow.wait_for_verdict()
        return time.monotonic() - began


def run(name: str) -> bool:
    """Print the table of single faults of one set-up."""
    disk = {"size_mb": DISK_MB}
    rows = _rows(name, (full_disk, locked_database, no_broker, no_mail_server), **disk)
    rows += _rows(name, (clock_jumps,), clock=True)
    print(f"\n{name}, single faults")
    for row in rows:
        print(f"  {row.name:24} {row.said}; {row.recovered}  {'good' if row.good else 'FAULT'}")
    return all(row.good for row in rows)


def _rows(name: str, faults: Iterable[Callable[[Bench], Row]], **given: Any) -> list[Row]:
    """Run some faults, one after the other, on one set-up, and look whether anything is lost."""
    rows: list[Row] = []
    try:
        with _running(name, **given) as bench:
            for fault in (*faults, _nothing_lost):
                rows.append(_safely(fault, bench))
                say(f"{name}: {rows[-1]}")
    except SystemExit as error:
        rows.append(Row("set-up", str(error), "not started", False))
    return rows


def full_disk(bench: Bench) -> Row:
    """Fill the disk to the last byte, send a drawing, press a button, free it again."""
    flow = bench.ordered()
    late = bench.flow()
    form = late.artist.get("/")
    with _filled(bench.setup.folder / "var" / "filler"):
        first = once(late.artist, *_upload(form), noise(400_000))
        page = once(flow.artist, *_press(flow.quote, "/accept/"))
        shown = once(flow.artist, flow.quote.path, {})
    flow.accept()
    after = bench.seconds_to_verdict()
    told = f"upload {_told(first)}, a press {_told(page)}, pages read {shown.status}"
    is_clear = all(one.status in (302, 503, 507) for one in (first, page))
    good = is_clear and first.status == 507 and shown.status == 200
    return Row("disk full", told, f"verdict {after:.0f} s after there was room", good)


def locked_database(bench: Bench) -> Row:
    """Hold the database for half a minute from outside, and press a button meanwhile."""
    flow = bench.ordered()
    let_go = threading.Event()
    holder = threading.Thread(target=_hold, args=(bench.setup, let_go))
    holder.start()
    time.sleep(1)
    began = time.monotonic()
    page = once(flow.artist, *_press(flow.quote, "/accept/"))
    waited = time.monotonic() - began
    let_go.set()
    holder.join()
    flow.accept()
    after = bench.seconds_to_verdict()
    said = f"a press {_told(page)} after {waited:.0f} s"
    return Row("database locked", said, f"verdict {after:.0f} s later", page.status == 503)


def no_broker(bench: Bench) -> Row:
    """Take the broker away, send a drawing, and bring it back."""
    began, flow = time.monotonic(), bench.flow()
    with _broker_away(bench.setup):
        flow.upload()
        took = time.monotonic() - began
        shown = flow.artist.get("/")
        bench.cutter.get("/workshop/queue/")
        time.sleep(15)
    began = time.monotonic()
    flow.wait_for_verdict()
    after = time.monotonic() - began
    said = f"upload taken in {took:.1f} s, pages {shown.status}"
    return Row("broker down", said, f"its verdict {after:.0f} s after", after < VERDICT_S)


def no_mail_server(bench: Bench) -> Row:
    """Stop the mail server, order, ask for a sign-in code, and start it again."""
    bench.post.close()
    flow = bench.ordered()
    flow.accept()
    page = flow.artist.get("/sign-in/")
    once(flow.artist, *_press(page, "/sign-in/", email=flow.email))
    time.sleep(2)
    told = "No letters leave here" in flow.artist.get("/sign-in/code/").text
    time.sleep(15)
    bench.post.open()
    began = time.monotonic()
    while time.monotonic() - began < POST_S:
        if sum(letter.to == flow.email for letter in bench.post.letters) >= 2:
            break
        time.sleep(2)
    after = time.monotonic() - began
    said = f"ordering goes on, the code's page says {'so' if told else 'nothing'}"
    good = after < POST_S and told
    return Row("mail server down", said, f"both letters {after:.0f} s after", good)


def clock_jumps(bench: Bench) -> Row:
    """Put the clock forward by weeks and back, with a check, letters and a quote under way."""
    flow = bench.ordered()
    _set_clock(bench.setup, DAYS_ON * 86400)
    time.sleep(20)
    ahead = bench.ordered()  # written with the wrong time
    other = bench.flow()
    other.upload()
    _set_clock(bench.setup, 0)
    began = time.monotonic()
    other.wait_for_verdict()
    after = time.monotonic() - began
    flow.accept()  # its quote was not closed by a sweep that believed the clock
    ahead.accept()
    while time.monotonic() - began < POST_S and not bench.post.letters:
        time.sleep(2)
    letters = sum(letter.to == ahead.email for letter in bench.post.letters)
    said = f"{DAYS_ON} days on and back: offered quotes stayed open and were accepted"
    return Row("clock jumps", said, f"verdict {after:.0f} s after", letters > 0)


def _nothing_lost(bench: Bench) -> Row:
    """Wait until all is quiet and compare with what was acknowledged."""
    left = wait_until_quiet(bench.setup)
    bench.setup.manage("orphans", "--hours", "0", "--delete")
    found = audit_of(bench.setup, bench.notes, bench.post)
    keys = ("lost", "doubled", "mails twice", "mails lost", "invoice gaps", "orphans")
    keys += ("files missing", "files altered", "no verdict")
    wrong = {key: found[key] for key in keys if found[key]}
    if left:
        wrong["under way"] = left
    if bench.notes.faults:
        wrong["pages"] = bench.notes.faults
    said = f"{len(bench.notes.acknowledged)} actions acknowledged, all there once"
    return Row("after them", said if not wrong else json.dumps(wrong)[:600], "", not wrong)


def _safely(fault: Callable[[Bench], Row], bench: Bench) -> Row:
    try:
        return fault(bench)
    except Exception as error:
        return Row(fault.__name__, f"{type(error).__name__}: {error}", "not recovered", False)


@contextlib.contextmanager
def _running(name: str, *, size_mb: int = 0, clock: bool = False) -> Iterator[Bench]:
    with tempfile.TemporaryDirectory(prefix="holdfast-faults-", ignore_cleanup_errors=True) as at:
        folder, post = Path(at), PostOffice(1, is_calm=True)
        more: dict[str, str] = {}
        if clock:
            (folder / "clock").write_text("0\n")
            library = folder / "clock.so"
            words = ["cc", "-shared", "-fPIC", "-O1", "-o", str(library), str(CLOCK_SOURCE), "-ldl"]
            subprocess.run(words, check=True)
            more = {"LD_PRELOAD": str(library), "FAULTS_CLOCK": str(folder / "clock")}
        with _small_disk(folder / "var", size_mb):
            setup = SETUPS[name](folder, post.port, **more)
            try:
                yield Bench(setup, post)
            finally:
                setup.stop()
                post.close()


@contextlib.contextmanager
def _small_disk(folder: Path, size_mb: int) -> Iterator[None]:
    """Put a disk of that size under a folder; 0 for none."""
    if not size_mb:
        yield
        return
    folder.mkdir(mode=0o700)
    words = ["mount", "-t", "tmpfs", "-o", f"size={size_mb}m,mode=0700", "none", str(folder)]
    subprocess.run(words, check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@contextlib.contextmanager
def _filled(path: Path) -> Iterator[None]:
    """Fill the disk to the last byte with one file."""
    try:
        with path.open("wb", buffering=0) as filler:
            size = 1 << 20
            while size >= 512:
                try:
                    filler.write(bytes(size))
                except OSError:
                    size //= 2
        yield
    finally:
        path.unlink()


def _hold(setup: Setup, let_go: threading.Event) -> None:
    """Hold the database until the event, half a minute at most."""
    if isinstance(setup, Embedded):
        rows = sqlite3.connect(setup.folder / "var" / "holdfast.sqlite3", isolation_level=None)
        rows.execute("BEGIN IMMEDIATE")
        let_go.wait(HELD_S)
        rows.rollback()
        rows.close()
        return
    import psycopg

    with psycopg.connect(setup.environment["DATABASE_URL"]) as held:
        held.execute("LOCK TABLE orders_quote IN ACCESS EXCLUSIVE MODE")
        let_go.wait(HELD_S)
        held.rollback()


@contextlib.contextmanager
def _broker_away(setup: Setup) -> Iterator[None]:
    if isinstance(setup, Embedded):
        away = setup.queue.with_name("away")
        setup.queue.rename(away)
        setup.queue.write_text("no folder any more")
        yield
        setup.queue.unlink()
        away.rename(setup.queue)
        return
    assert isinstance(setup, Production)
    broker = setup.kept["broker"][0]
    broker.stop()
    yield
    setup.kept["broker"][0] = Kept(broker.command, setup.environment, setup.log)


def _set_clock(setup: Setup, forward_s: int) -> None:
    beside = setup.folder / "clock.new"
    beside.write_text(f"{forward_s}\n")
    beside.replace(setup.folder / "clock")


def once(who: Visitor, path: str, fields: dict[str, str], data: bytes = b"") -> Answer:
    """Press once, without patience; an answer that never came has status 0."""
    try:
        if data:
            return who.ask_with_file(path, fields, data)
        return who.ask_form(path, fields) if fields else who.ask_page(path)
    except OSError:
        return Answer(0, "", "", path)


def noise(size: int) -> bytes:
    return random.Random(size).randbytes(size)


def _press(page: Answer, ending: str, **values: str) -> tuple[str, dict[str, str]]:
    form = page.form(ending)
    return form.action or page.path, dict(form.form_values()) | values


def _upload(page: Answer) -> tuple[str, dict[str, str]]:
    fields = {k: v for k, v in page.form("/upload/").form_values() if k != "drawing"}
    return "/upload/", fields | {"blank": "2.5x3.5in", "paper": "same"}


def _told(answer: Answer) -> str:
    """Return the status and the heading of an answer."""
    found: Any = re.search(r"<h1[^>]*>(.*?)</h1>", answer.text, re.S)
    words = " ".join(re.sub(r"<[^>]+>", "", found[1]).split()) if found else ""
    return f"{answer.status} “{words}”" if words else str(answer.status)
