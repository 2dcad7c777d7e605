"""A living installation for tests: `run.py` itself, with a folder of its own on a free port."""

import atexit
import functools
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
START_SECONDS = 300  # the first start migrates, gathers static files and compiles the checks


class Living:
    """One started `run.py` and what it printed."""

    def __init__(self, var: Path, *words: str, **variables: str) -> None:
        if not var.exists() or not any(var.iterdir()):
            shutil.copytree(set_up(), var, dirs_exist_ok=True)
        self.environment = environment_for(var) | variables
        self.process = subprocess.Popen(
            [sys.executable, "run.py", "--without-demo", *words],
            cwd=ROOT,
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.lines: list[str] = []
        self.arrived: queue.Queue[str] = queue.Queue()
        self.reader = threading.Thread(target=self._read)
        self.reader.start()
        self.address = ""

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            self.arrived.put(line)

    def wait_for_line(self, pattern: str, seconds: float) -> re.Match[str]:
        """Return the match in the first new line that has one."""
        last = time.monotonic() + seconds
        while True:
            try:
                line = self.arrived.get(timeout=max(0.01, last - time.monotonic()))
            except queue.Empty:
                raise AssertionError(
                    f"no line like {pattern!r} came:\n{''.join(self.lines)}"
                ) from None
            if found := re.search(pattern, line):
                return found

    def wait_until_it_runs(self) -> None:
        self.address = self.wait_for_line(r"runs at (http://\S+)", START_SECONDS).group(1)

    def children(self) -> dict[str, int]:
        """Return the process ids of site, worker and sweep, known by their command lines."""
        named = {"gunicorn": "site", "celery": "worker", "sweep": "sweep"}
        found: dict[str, int] = {}
        for pid in child_pids(self.process.pid):
            line = command_line(pid)
            found |= {name: pid for word, name in named.items() if word in line}
        return found

    def family(self) -> list[int]:
        """Return every process below this `run.py`, its own included."""
        pids = [self.process.pid]
        for pid in pids:
            pids.extend(child_pids(pid))
        return pids

    def get(self, path: str) -> tuple[int, dict[str, str], bytes]:
        with urllib.request.urlopen(self.address + path, timeout=10) as answer:
            return answer.status, dict(answer.headers), answer.read()

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Send a signal, wait for the end and for the last of its output."""
        if self.process.poll() is None:
            self.process.send_signal(number)
        code = self.process.wait(timeout=30)
        self.reader.join(timeout=30)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


@functools.cache
def set_up() -> Path:
    """Return the folder of an installation that is set up, to be copied: it takes long enough."""
    folder = Path(tempfile.mkdtemp(prefix="holdfast-set-up-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    subprocess.run(
        [sys.executable, "run.py", "--without-demo", "setup"],
        cwd=ROOT, env=environment_for(folder / "var"), check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    return folder / "var"


def environment_for(var: Path) -> dict[str, str]:
    """Return an environment for an installation in `var`, on the database under test if any."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("HOLDFAST_")}
    for name in ("DJANGO_SETTINGS_MODULE", "DJANGO_ALLOW_ASYNC_UNSAFE"):
        kept.pop(name, None)  # what the test run itself is given
    if "REDIS_URL" in kept:
        # another of Redis's numbered stores: this worker must not take the tests' own tasks
        server, store = kept["REDIS_URL"].rsplit("/", 1)
        kept["REDIS_URL"] = f"{server}/{int(store) + 1}"
    return {**kept, "HOLDFAST_VAR": str(var), "PYTHONUNBUFFERED": "1"}


def child_pids(pid: int) -> list[int]:
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def command_line(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def runs(pid: int) -> bool:
    """Say whether a process is alive; one that only waits to be collected is not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def wait_until(what: Callable[[], bool], seconds: float) -> bool:
    last = time.monotonic() + seconds
    while not what():
        if time.monotonic() > last:
            return False
        time.sleep(0.05)
    return True
