"""Nothing lost: web, worker, sweep, broker and database killed at random under mixed flows.

`python -m bench faults [--flows 300] [--seed N] [--setup embedded|production|both]` runs the flows
on the real programs while they are killed (kill -9), messages of the broker are dropped and
doubled, and the mail server refuses letters or breaks off after taking them. Then all is let run
until it is quiet, and what is there is compared with what the site said was done. After it come
single faults: a full disk, a locked database, no broker, no mail server, a clock that jumps
(`--part storm` and `--part single` run one of both). The exit code is 1 where anything is lost,
doubled or left lying.
"""

from __future__ import annotations

import random
import signal
import sys
from typing import Any

from bench.faults_storm import say, storm

# What has to be empty, in the table's words -> keys of the audit.
EMPTY = {
    "actions lost": "lost",
    "actions doubled": "doubled",
    "piece counts that do not add up": "counts apart",
    "drawings without a verdict": "no verdict",
    "mails twice": "mails twice",
    "mails lost without a word": "mails lost",
    "mails of no row": "mails unknown",
    "mails called failed that went": "told as failed though taken",
    "invoice numbers skipped": "invoice gaps",
    "invoice numbers doubled": "invoices doubled",
    "files missing": "files missing",
    "files altered": "files altered",
    "files orphaned": "orphans",
    "broken pages, flows that stuck": "faults",
    "left under way": "left",
}


def run(flows: int, seed: int | None, which: str, *, part: str = "all") -> int:
    """Print the tables; 1 where anything was lost."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # what was started is stopped
    seed = random.randrange(10**6) if seed is None else seed
    setups = ("embedded", "production") if which == "both" else (which,)
    good = [_told(storm(name, flows, seed)) for name in setups] if part != "single" else []
    if part != "storm":
        from bench import faults_single

        good += [faults_single.run(name) for name in setups]
    return 0 if all(good) else 1


def _told(found: dict[str, Any]) -> bool:
    """Print one set-up's table; say whether all of it is as it has to be."""
    counts, hurts = found["counts"], found["hurts"]
    print(f"\n{found['setup']}, seed {found['seed']}")
    rows = {
        "flows": f"{found['flows']}, of which went through {counts.get('flows through', 0)}",
        "actions acknowledged": found["acknowledged"],
        "kill -9": ", ".join(
            f"{name} {hurts.get(name, 0)}"
            for name in ("web", "worker", "sweep", "broker", "database")
            if name in hurts
        ),
        "messages": f"dropped {hurts.get('dropped', 0)}, doubled {hurts.get('doubled', 0)}",
        "answers": f"none {counts.get('unanswered', 0)}, told to wait "
        f"{counts.get('told to wait', 0)}, pressed twice on purpose "
        f"{counts.get('pressed twice', 0)}",
        "mails": f"{found['mails']}, sent {found['mails sent']}, in doubt and shown "
        f"{found['mails in doubt']}, failed and shown {found['mails failed']}, withdrawn by a "
        f"later step {found['mails withdrawn']}; refused for now "
        f"{found['refused mails']}, taken without a word {found['unanswered mails']}",
        "checks given up": found["given up"],
        "invoices, files": f"{found['invoices']}, {found['files']}",
        "orphans before the sweep": found["orphans before"],
        "time": f"{found['storm s']:.0f} s of storm, {found['all s']:.0f} s in all",
    }
    for name, value in rows.items():
        print(f"  {name:32} {value}")
    for name, key in EMPTY.items():
        print(f"  {name:32} {len(found[key]):4}  {'none' if not found[key] else 'FAULT'}")
    for key in EMPTY.values():
        for one in list(found[key])[:8]:
            say(f"    {key}: {one}")
    return not any(found[key] for key in EMPTY.values())
