#!/usr/bin/env python3
"""Set up Holdfast and start it: `python3 run.py`. Needs the standard library only.

Everything installed goes into .venv, everything that lives into var (HOLDFAST_VAR). One process
here watches three: site, worker and sweep. A fourth, the guardian, ends what it leaves behind.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import IO, Any, NoReturn, cast

FOLDER = Path(__file__).resolve().parent
VENV = FOLDER / ".venv"
PYTHON = VENV / "bin" / "python"
VAR = Path(os.environ.get("HOLDFAST_VAR", "").strip() or FOLDER / "var").expanduser().absolute()
OLDEST, NEWEST = (3, 11), (3, 13)
RUN_LOCK, DEV_LOCK = FOLDER / "requirements.lock", FOLDER / "requirements-dev.lock"
PACKAGES_STAMP, KERNELS_STAMP = VENV / "holdfast-packages.json", VENV / "holdfast-kernels.json"
SETUP_STAMP, SIGN_INS = VAR / "set-up.json", VAR / "demo.txt"
FIRST_PORT, PORTS_TRIED, STOP_SECONDS = 8000, 50, 10
HANDED = {  # on to manage.py with all that follows; those that need the site stopped say yes
    "backup": ("write database and files into one archive", False),
    "check-files": ("compare every stored file with its checksum", False),
    "restore": ("bring an archive back", True),
    "move": ("take everything to another database and store", False),
    "add-cutter": ("make or renew a sign-in for the workshop", False),
    "remove-cutter": ("take a sign-in of the workshop away", False),
}


def say(text: str) -> None:
    with contextlib.suppress(BrokenPipeError):  # nobody reads any more; the site goes on
        print(text, flush=True)


def stop_with(sentence: str, code: int = 1) -> NoReturn:
    """Leave with one sentence on stderr."""
    print(sentence, file=sys.stderr, flush=True)
    raise SystemExit(code)


# Python and packages


def use_fitting_python() -> None:
    """Go on with a Python that fits: this one, or another found on PATH, or leave with the way."""
    if os.name != "posix":
        stop_with("Holdfast runs on Linux; on Windows start it inside WSL.")
    if OLDEST <= sys.version_info[:2] <= NEWEST:
        return
    for minor in range(NEWEST[1], OLDEST[1] - 1, -1):
        other = shutil.which(f"python3.{minor}")
        works = other and subprocess.run([other, "-c", ""], capture_output=True).returncode == 0
        if other and works:
            os.execv(other, [other, str(FOLDER / "run.py"), *sys.argv[1:]])
    stop_with(
        f"Holdfast needs Python 3.11, 3.12 or 3.13; this is {sys.version_info[0]}."
        f"{sys.version_info[1]}. Install one of them and run it as: python3.13 run.py"
    )


def run(*command: str | Path, **keywords: Any) -> None:
    """Run a command of the project's folder; leave if it fails."""
    words = [str(word) for word in command]
    done = subprocess.run(words, cwd=FOLDER, **keywords)
    if done.returncode:
        stop_with(f"This step failed (exit code {done.returncode}): {' '.join(words)}")


def fingerprint(*patterns: str) -> str:
    """Return one hash over the names and contents of the files that match."""
    digest = hashlib.sha256()
    for pattern in patterns:
        for path in sorted(FOLDER.glob(pattern)):
            if path.is_file():
                digest.update(str(path.relative_to(FOLDER)).encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def read_stamp(path: Path) -> dict[str, str]:
    try:
        stamp = json.loads(path.read_text())
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def write_stamp(path: Path, stamp: dict[str, str]) -> None:
    beside = path.with_name(f"{path.name}.{os.getpid()}")
    beside.write_text(json.dumps(stamp, indent=1))
    beside.replace(path)


def make_venv() -> None:
    """Make .venv unless a working one is there."""
    if PYTHON.exists() and (VENV / "bin" / "pip").exists():
        return
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        stop_with(
            "This Python comes without its venv module. On Debian or Ubuntu this line brings "
            "it:\n    sudo apt-get install python3-venv"
        )
    say("Making .venv")
    run(sys.executable, "-m", "venv", "--clear", VENV)


def requirement_block(lock: Path, name: str) -> str:
    """Return the lines of one package, hashes included, from a lock file."""
    found = re.search(rf"^{name}==.*(?:\n    --hash=.*)+", lock.read_text(), re.MULTILINE)
    if not found:
        stop_with(f"{name} is missing from {lock.name}; `python3 run.py lock` writes it anew.")
    return found.group().rstrip("\\ \n") + "\n"


def install_packages(lock: Path) -> None:
    """Bring .venv to exactly what `lock` names; the longer list also serves for running."""
    make_venv()
    hashes = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (RUN_LOCK, DEV_LOCK)
    }
    stamp = read_stamp(PACKAGES_STAMP)
    for enough in {lock, DEV_LOCK}:
        if stamp.get("lock") == enough.name and stamp.get("sha256") == hashes[enough.name]:
            return
    say(f"Installing the packages of {lock.name} into .venv")
    started = time.monotonic()
    if not sync_with_uv(lock):
        say("uv is not to be had here; going on with pip, which takes longer.")
        run(PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
            "--require-hashes", "-r", lock)  # fmt: skip
    write_stamp(PACKAGES_STAMP, {"lock": lock.name, "sha256": hashes[lock.name]})
    say(f"Packages are in place ({time.monotonic() - started:.0f} s)")


def sync_with_uv(lock: Path) -> bool:
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as wanted:
        wanted.write(requirement_block(DEV_LOCK, "uv"))
        wanted.flush()
        pip = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        got = subprocess.run([*pip, "--require-hashes", "-r", wanted.name], cwd=FOLDER)
    if got.returncode:
        return False
    sync = [str(VENV / "bin" / "uv"), "pip", "sync", "--quiet", "--require-hashes"]
    return subprocess.run([*sync, "--python", PYTHON, lock], cwd=FOLDER).returncode == 0


# set-up


def child_environment(**more: str) -> dict[str, str]:
    """Return the environment of everything started here."""
    (VAR / "incoming").mkdir(parents=True, exist_ok=True)
    return {
        **os.environ,
        "HOLDFAST_VAR": str(VAR),
        "PYTHONUNBUFFERED": "1",
        # the broker of files renames messages out of it; across disks it would copy them
        "TMPDIR": str(VAR / "incoming"),
        **more,
    }


def manage(*words: str, **keywords: Any) -> None:
    run(PYTHON, FOLDER / "manage.py", *words, env=child_environment(), **keywords)


def set_up(with_demo: bool) -> None:
    """Install, migrate, gather static files, compile kernels, fill the demo: what has changed."""
    install_packages(RUN_LOCK)
    VAR.mkdir(parents=True, exist_ok=True, mode=0o700)
    stamp = {**read_stamp(SETUP_STAMP), **read_stamp(KERNELS_STAMP)}
    locks = fingerprint("requirements*.lock")
    database = hashlib.sha256(os.environ.get("DATABASE_URL", "").encode()).hexdigest()
    static = fingerprint("static/**/*", "config/settings.py")
    steps = {
        "database": locks + database + fingerprint("*/migrations/*.py"),
        "static": locks + static + os.environ.get("HOLDFAST_STATIC", ""),
        "kernels": locks + fingerprint("geometry/**/*.py", ".venv/pyvenv.cfg"),
        # settled once: what was begun without a demo, or brought back, never gets one
        "demo": stamp.get("demo") or ("made" if with_demo else "left out"),
    }
    for step, wanted in steps.items():
        if stamp.get(step) != wanted:
            set_up_step(step, wanted)
            stamp[step] = wanted
            write_stamp(SETUP_STAMP, stamp)  # after each, so that an interrupted one goes on
            write_stamp(KERNELS_STAMP, {"kernels": stamp.get("kernels", "")})


def set_up_step(step: str, wanted: str) -> None:
    if step == "database":
        say("Bringing the database up to date")
        manage("migrate", "--verbosity", "0")
    elif step == "static":
        say("Gathering static files")
        manage("collectstatic", "--noinput", "--clear", "--verbosity", "0")
    elif step == "kernels":
        say("Compiling the checks (once)")
        run(PYTHON, "-m", "geometry", "warm", env=child_environment(), stdout=subprocess.DEVNULL)
    elif wanted == "made":
        say("Making a small demo")
        with SIGN_INS.open("w") as out:
            manage("demo", stdout=out)


# running


class Child:
    """One process that is kept going: started, watched, started again with growing pauses."""

    def __init__(self, name: str, command: list[str], environment: dict[str, str]) -> None:
        self.name, self.command, self.environment = name, command, environment
        self.process: subprocess.Popen[bytes] | None = None
        self.started_at = self.start_again_at = 0.0
        self.pause = 0.5

    def start(self, guardian: IO[bytes]) -> None:
        self.process = subprocess.Popen(
            self.command, cwd=FOLDER, env=self.environment,
            stdin=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        self.started_at = time.monotonic()
        tell(guardian, f"+{self.process.pid}")

    def look(self, guardian: IO[bytes]) -> None:
        """Start again what has ended, after a pause that doubles while it does not stay up."""
        now = time.monotonic()
        if self.process is not None:
            code = self.process.poll()
            if code is None:
                return
            kill_group(self.process.pid)
            tell(guardian, f"-{self.process.pid}")
            self.process = None
            self.pause = 0.5 if now - self.started_at > 30 else min(self.pause * 2, 30)
            self.start_again_at = now + self.pause
            how = f"signal {-code}" if code < 0 else f"exit code {code}"
            say(f"The {self.name} stopped ({how}); starting it again in {self.pause:g} s.")
        elif now >= self.start_again_at:
            self.start(guardian)


def tell(guardian: IO[bytes], line: str) -> None:
    with contextlib.suppress(OSError):
        guardian.write(line.encode() + b"\n")
        guardian.flush()


def kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(leader, signal.SIGKILL)


def end_groups(leaders: list[int], still_runs: Any) -> None:
    """Ask each leader to finish, wait, then kill whatever is left of its group."""
    for leader in leaders:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.kill(leader, signal.SIGTERM)
    last = time.monotonic() + STOP_SECONDS
    while time.monotonic() < last and any(still_runs(leader) for leader in leaders):
        time.sleep(0.05)
    for leader in leaders:
        kill_group(leader)


def guard() -> None:
    """Be the guardian: learn the groups from stdin; when it closes, end those that are left."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    leaders: set[int] = set()
    for line in sys.stdin:
        (leaders.add if line[0] == "+" else leaders.discard)(int(line[1:]))

    def still_runs(leader: int) -> bool:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(leader, 0)
            return True
        return False

    end_groups(sorted(leaders), still_runs)


def free_port(wanted: int | None) -> int:
    """Return the wanted port, or the first free one from 8000 on."""
    for port in [wanted] if wanted else range(FIRST_PORT, FIRST_PORT + PORTS_TRIED):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with contextlib.suppress(OSError):
                probe.bind(("127.0.0.1", port))
                return port
    if wanted:
        stop_with(f"Port {wanted} is taken; choose another one or leave --port out.")
    stop_with(f"No port from {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1} is free.")


def take_the_only_seat() -> IO[str]:
    """Hold the lock of this installation: two workers on one database of files help nobody."""
    import fcntl

    VAR.mkdir(parents=True, exist_ok=True, mode=0o700)
    seat = (VAR / "running").open("a+")
    try:
        fcntl.flock(seat, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        seat.seek(0)
        where = seat.read().strip() or "another process that is setting up"
        stop_with(f"Holdfast is already running here: {where}. Stop it first with Ctrl-C.")
    seat.truncate(0)
    return seat


def children(port: int) -> list[Child]:
    environment = child_environment(
        # in one's own folder the worker may run as whoever started it, root included
        PYTHONWARNINGS="ignore:You're running the worker with superuser privileges",
    )
    programs = VENV / "bin"
    at_once = os.environ.get("HOLDFAST_CHECKS_AT_ONCE", "").strip() or "1"
    if not at_once.isdigit() or not 1 <= int(at_once) <= 64:
        stop_with(f"HOLDFAST_CHECKS_AT_ONCE must be a number from 1 to 64, not {at_once!r}.")
    web = [
        str(programs / "gunicorn"), "config.wsgi", "--bind", f"127.0.0.1:{port}",
        "--worker-class", "gthread", "--workers", "2", "--threads", "8", "--timeout", "60",
        "--graceful-timeout", "5", "--log-level", "warning", "--no-control-socket",
        "--logger-class", "config.logs.GunicornLogger",
    ]  # fmt: skip
    worker = [  # pages go before checks where both want the same processor
        "nice", "-n", "10", str(programs / "celery"), "--quiet", "-A", "config", "worker",
        "-c", at_once, "--without-gossip", "--without-mingle", "--without-heartbeat",
        "--loglevel", "WARNING",
    ]  # fmt: skip
    sweep = [str(PYTHON), str(FOLDER / "manage.py"), "sweep"]
    commands = {"site": web, "worker": worker, "sweep": sweep}
    return [Child(name, command, environment) for name, command in commands.items()]


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=2):  # noqa: S310 (our own address)
            return True
    except urllib.error.HTTPError as error:
        return error.code < 500
    except OSError:
        return False


def start(port_wanted: int | None, with_demo: bool) -> None:
    started = time.monotonic()
    stopping: list[int] = []
    seat = take_the_only_seat()
    shutil.rmtree(VAR / "incoming", ignore_errors=True)  # what a killed process left there
    address = f"http://127.0.0.1:{free_port(port_wanted)}"
    os.environ.setdefault("HOLDFAST_ADDRESS", address)  # the demo's letters hold links
    set_up(with_demo)
    port = int(address.rsplit(":", 1)[1])
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, frame: stopping.append(number))
    guardian = subprocess.Popen(
        [sys.executable, "-I", str(FOLDER / "run.py"), "guard"],
        stdin=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    pipe, family = cast(IO[bytes], guardian.stdin), children(port)
    for child in family:
        child.start(pipe)
    seat.write(f"{address} (process {os.getpid()})")
    seat.flush()
    greeted = False
    while not stopping:
        if not greeted and (greeted := answers(address + "/healthz")):
            greet(address, time.monotonic() - started)
        for child in family:
            child.look(pipe)
        time.sleep(0.1)
    say("\nStopping")
    leave(family, pipe)
    guardian.wait()


def greet(address: str, seconds: float) -> None:
    say(f"\nHoldfast runs at {address}  (ready after {seconds:.1f} s)")
    first = "A sign-in for the workshop: python3 run.py add-cutter you@stencils.example"
    say(f"\n{SIGN_INS.read_text().strip() if SIGN_INS.exists() else first}\n\nStop it with Ctrl-C.")


def leave(family: list[Child], guardian: IO[bytes]) -> None:
    running = {child.process.pid: child.process for child in family if child.process}
    end_groups(list(running), lambda leader: running[leader].poll() is None)
    for leader, process in running.items():
        process.wait()
        tell(guardian, f"-{leader}")
    guardian.close()


# tests, checks, locks


def test(without: set[str]) -> None:
    install_packages(DEV_LOCK)
    os.chdir(FOLDER)
    os.execv(PYTHON, [str(PYTHON), "-m", "tests.suite", *(f"--without-{p}" for p in without)])


def check() -> None:
    install_packages(DEV_LOCK)
    for words in (["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]):
        say("· " + " ".join(words))
        run(PYTHON, "-m", *words)


def lock() -> None:
    """Write both lock files anew; no address of a package index gets into them."""
    make_venv()
    uv = VENV / "bin" / "uv"
    if not uv.exists():
        run(PYTHON, "-m", "pip", "install", "--quiet", "uv")
    compile_lock = [
        str(uv), "pip", "compile", "--quiet", "--universal", "--generate-hashes",
        "--upgrade", "--python-version", "3.11", "--no-emit-index-url", "--no-emit-find-links",
        "--custom-compile-command", "python3 run.py lock", "pyproject.toml",
    ]  # fmt: skip
    run(*compile_lock, "-o", RUN_LOCK.name)
    run(*compile_lock, "-c", RUN_LOCK.name, "--group", "dev", "-o", DEV_LOCK.name)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Set up and start Holdfast.")
    parser.add_argument("--port", type=int, help="instead of the first free one from 8000 on")
    parser.add_argument("--without-demo", action="store_true", help="begin with an empty workshop")
    words = parser.add_subparsers(dest="word", metavar="")
    tests = words.add_parser("test", help="run every test")
    for part in ("browser", "postgres", "lint"):
        tests.add_argument(f"--without-{part}", action="append_const", dest="without", const=part)
    words.add_parser("setup", help="only set up")
    words.add_parser("check", help="lint, format and types")
    words.add_parser("lock", help="write the lock files anew from pyproject.toml")
    for word, (told, _) in HANDED.items():
        words.add_parser(word, help=told)
    return parser.parse_args()


def hand_on(word: str, *words: str) -> NoReturn:
    """Run a command that tells its own faults, in the caller's folder, and leave as it left."""
    command = [str(PYTHON), str(FOLDER / "manage.py"), word.replace("-", "_"), *words]
    alone = HANDED[word][1] and not {"--files-only", "--help", "-h"} & set(words)
    with take_the_only_seat() if alone else contextlib.nullcontext():
        set_up(with_demo=False) if alone else install_packages(RUN_LOCK)
        raise SystemExit(subprocess.run(command, env=child_environment()).returncode)


def main() -> None:
    if sys.argv[1:] == ["guard"]:
        guard()
        return
    use_fitting_python()
    if len(sys.argv) > 1 and sys.argv[1] in HANDED:
        hand_on(*sys.argv[1:])
    given = arguments()
    with_demo = not given.without_demo and not os.environ.get("DATABASE_URL", "").strip()
    if given.word == "setup":
        with take_the_only_seat():
            set_up(with_demo)
        say("Set up. Start it with: python3 run.py")
    elif given.word == "test":
        test(set(given.without or ()))
    elif given.word:
        {"check": check, "lock": lock}[given.word]()
    else:
        start(given.port, with_demo)


def end_quietly(number: int, frame: Any) -> NoReturn:
    raise SystemExit(128 + number)  # the step that runs is ended with it


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, end_quietly)
    try:
        main()
    except KeyboardInterrupt:
        stop_with("\nStopped.", 130)
