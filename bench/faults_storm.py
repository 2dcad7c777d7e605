"""The storm of a fault run: flows side by side while things are killed, then the audit."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

from bench.faults_client import FlowError, Notes, Visitor
from bench.faults_flows import Flow
from bench.faults_post import PostOffice
from bench.faults_setups import CUTTER, PASSWORD, SETUPS, Setup
from bench.verdict import ROOT

AT_ONCE = 8
GAP_S = (2.0, 8.0)  # between two hurts
# how often each is chosen
WEIGHTS = {
    "web": 5, "worker": 5, "sweep": 3, "broker": 3, "dropped": 5, "doubled": 5, "database": 1,
}  # fmt: skip
QUIET_S = 900.0
ALL_UP_S = 45.0


def storm(name: str, flows: int, seed: int) -> dict[str, Any]:
    """Run the flows on one set-up while it is hurt; return the figures for the table."""
    with tempfile.TemporaryDirectory(prefix="holdfast-faults-", ignore_cleanup_errors=True) as at:
        post = PostOffice(seed)
        setup = SETUPS[name](Path(at), post.port)
        try:
            return _storm(setup, post, flows, seed)
        finally:
            setup.stop()
            post.close()


def _storm(setup: Setup, post: PostOffice, flows: int, seed: int) -> dict[str, Any]:
    notes, hurts, began = Notes(), Counter[str](), time.monotonic()
    cutter = sign_in(setup, notes)
    calm = threading.Event()
    chaos = threading.Thread(target=_hurt, args=(setup, seed, calm, hurts))
    chaos.start()

    def one(number: int) -> None:
        flow = Flow(number, seed, setup.addresses, cutter, notes)
        try:
            flow.run()
            notes.count("flows through")
        except FlowError as error:
            notes.fault(f"flow {number} ({flow.kind}): {error}")
            say(notes.faults[-1])
        except Exception as error:
            notes.fault(f"flow {number} ({flow.kind}): {type(error).__name__} {error}")
            say(notes.faults[-1])

    try:
        with ThreadPoolExecutor(AT_ONCE) as pool:
            for done, _ in enumerate(pool.map(one, range(flows)), start=1):
                if done % 25 == 0:
                    spent = time.monotonic() - began
                    say(f"{setup.name}: {done} flows, {spent:.0f} s, {dict(hurts)}")
    except BaseException:
        notes.stopped.set()
        raise
    finally:
        calm.set()
        chaos.join()
    stormed = time.monotonic() - began
    post.is_calm = True
    left = wait_until_quiet(setup)
    before = len(audit_of(setup, notes, post)["orphans"])
    setup.manage("orphans", "--hours", "0", "--delete")
    found = audit_of(setup, notes, post)
    return {
        "setup": setup.name, "seed": seed, "flows": flows, "hurts": dict(hurts),
        "acknowledged": len(notes.acknowledged), "counts": dict(notes.counts),
        "faults": notes.faults, "storm s": stormed, "all s": time.monotonic() - began,
        "left": left, "refused mails": post.refused, "unanswered mails": post.unanswered,
        "orphans before": before, **found,
    }  # fmt: skip


def sign_in(setup: Setup, notes: Notes) -> Visitor:
    """Return the cutter's browser, signed in."""
    cutter = Visitor(setup.addresses, notes, random.Random(0))
    page = cutter.get("/workshop/sign-in/")
    cutter.press(page, "/sign-in/", username=CUTTER, password=PASSWORD)
    if "sign-in" in cutter.get("/workshop/").path:
        raise SystemExit("The cutter could not sign in.")
    return cutter


def _hurt(setup: Setup, seed: int, calm: threading.Event, hurts: Counter[str]) -> None:
    """Do harm at random moments until it is to be calm."""
    rng = random.Random(f"{seed} hurts")
    ways = setup.hurts()
    weights = [WEIGHTS[way] for way in ways]
    while not calm.wait(rng.uniform(*GAP_S)):
        way = rng.choices(list(ways), weights=weights)[0]
        if ways[way](rng):
            hurts[way] += 1


def wait_until_quiet(setup: Setup) -> dict[str, int]:
    """Wait until nothing is under way; return what still is when patience ends."""
    last, left = time.monotonic() + QUIET_S, {"": 1}
    setup.wait_until_answered(ALL_UP_S)
    while time.monotonic() < last:
        left = {key: n for key, n in json.loads(_audit(setup, "quiet")).items() if n}
        if not left:
            break
        say(f"{setup.name}: under way {left}")
        time.sleep(10)
    return left


def audit_of(setup: Setup, notes: Notes, post: PostOffice) -> dict[str, Any]:
    letters = [asdict(letter) for letter in post.letters]
    given = json.dumps({"acknowledged": notes.acknowledged, "letters": letters})
    found: dict[str, Any] = json.loads(_audit(setup, text=given))
    return found


def _audit(setup: Setup, *words: str, text: str = "") -> str:
    done = subprocess.run(
        [sys.executable, "-m", "bench.faults_audit", *words], cwd=ROOT, env=setup.environment,
        input=text, capture_output=True, text=True,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"the audit failed: {done.stderr}")
    return done.stdout.splitlines()[-1]


def say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)
