"""The two set-ups that fault runs kill: the real programs, on free ports, in a throw-away folder.

Embedded is `run.py` as it is: SQLite, the broker of files, two web processes, worker and sweep,
which it starts again itself. Production is PostgreSQL and Redis, two web servers that the client
takes by turns, three workers and a sweep, started again by a keeper here as containers would be.
PostgreSQL commits as it does by default, but does not wait for the disk (fsync off): processes
are killed here, not machines.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import redis

from bench.verdict import ROOT
from tests.service.living import child_pids, command_line
from tests.services import as_ordinary_user, free_port, postgresql_programs

PASSWORD, CUTTER = "tide-table-at-noon", "cutter@harbour.example"
START_S = 300.0
CALM_S = 33.0  # run.py starts at once again what ran for half a minute


class Kept:
    """A process that is started again when it ends."""

    def __init__(self, command: list[Any], env: dict[str, str], log: Path, **more: Any) -> None:
        self.command = [str(word) for word in command]
        self.options: dict[str, Any] = {"env": env, "cwd": ROOT, "start_new_session": True, **more}
        self.log, self.wanted = log, True
        self.process = self._started()
        self.keeper = threading.Thread(target=self._keep, daemon=True)
        self.keeper.start()

    def _started(self) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as out:
            return subprocess.Popen(self.command, stdout=out, stderr=out, **self.options)

    def _keep(self) -> None:
        while self.wanted:
            if self.process.poll() is not None:
                _kill_group(self.process.pid)
                time.sleep(0.5)
                if self.wanted:
                    self.process = self._started()
            time.sleep(0.1)

    def stop(self) -> None:
        self.wanted = False
        self.keeper.join(5)
        with contextlib.suppress(ProcessLookupError):
            self.process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(15)
        _kill_group(self.process.pid)
        self.process.wait(15)


class Setup:
    """What both have: a folder, addresses, an environment, and ways to hurt them."""

    name = ""

    def __init__(self, folder: Path, mail_port: int, **more: str) -> None:
        self.folder = folder
        self.log = folder / "log"
        kept = {
            key: value
            for key, value in os.environ.items()
            if not key.startswith(("HOLDFAST_", "DJANGO_")) and key not in _OTHERS
        }
        self.environment = {
            **kept,
            "HOLDFAST_VAR": str(folder / "var"),
            "HOLDFAST_MAIL_URL": f"smtp://127.0.0.1:{mail_port}",
            "PYTHONUNBUFFERED": "1",
            "HOLDFAST_LIMITS": "off",  # all the artists of a run share one address
            **more,
        }
        self.addresses: list[str] = []
        self.seen: list[Any] = []  # messages met, to be doubled later

    def manage(self, *words: str, text: str = "") -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *words], cwd=ROOT, env=self.environment,
            input=text, capture_output=True, text=True,
        )  # fmt: skip
        if done.returncode:
            raise SystemExit(f"manage.py {' '.join(words)}: {done.stderr}")
        return done.stdout

    def first_rows(self) -> None:
        self.manage("add_cutter", CUTTER, text=PASSWORD + "\n")
        script = "from orders.models import Workshop as W; W.objects.update(name='Slipway', "
        self.manage("shell", "-v", "0", "-c", script + "email='shed@harbour.example')")

    def wait_until_answered(self, seconds: float = START_S) -> None:
        last = time.monotonic() + seconds
        for address in self.addresses:
            while not _answers(address + "/healthz"):
                if time.monotonic() > last:
                    raise SystemExit(f"{address} does not answer; see {self.log}")
                time.sleep(0.2)

    def hurts(self) -> dict[str, Callable[[random.Random], bool]]:
        """Return name -> what does it; each says whether there was something to hurt."""
        raise NotImplementedError

    def stop(self) -> None:
        raise NotImplementedError


_OTHERS = {"DATABASE_URL", "REDIS_URL", "TMPDIR", "PYTHONDONTWRITEBYTECODE"}


class Embedded(Setup):
    """`python3 run.py` on an empty folder."""

    name = "embedded"

    def __init__(self, folder: Path, mail_port: int, **more: str) -> None:
        super().__init__(folder, mail_port, **more)
        self.port = free_port()
        self.addresses = [f"http://127.0.0.1:{self.port}"]
        self.queue = folder / "var" / "broker" / "queue"
        self.start()
        self.wait_until_answered()
        self.first_rows()
        self.killed_at: dict[str, float] = {}

    def start(self) -> None:
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "run.py", "--without-demo", "--port", str(self.port)],
                cwd=ROOT, env=self.environment, stdout=out, stderr=out,
            )  # fmt: skip

    def hurts(self) -> dict[str, Callable[[random.Random], bool]]:
        return {
            "web": lambda rng: self._kill("gunicorn", rng),
            "worker": lambda rng: self._kill("celery", rng),
            "sweep": lambda rng: self._kill("sweep", rng),
            "broker": lambda _: self._lose_all(),
            "dropped": lambda rng: self._lose_one(rng),
            "doubled": lambda rng: self._double(rng),
        }

    def leader(self, word: str) -> int:
        for pid in child_pids(self.process.pid):
            if word in command_line(pid):
                return pid
        return 0

    def _kill(self, word: str, rng: random.Random) -> bool:
        """Kill a child of the program, or it itself where it has run for long enough."""
        leader = self.leader(word)
        if not leader:
            return False
        below, since = child_pids(leader), time.monotonic() - self.killed_at.get(word, 0)
        if since > CALM_S and (not below or rng.random() < 0.5):
            self.killed_at[word] = time.monotonic()
            victim = leader
        elif below:
            victim = rng.choice(below)
        else:
            return False
        return _kill_9(victim)

    def messages(self) -> list[Path]:
        return sorted(self.queue.glob("*.msg"))

    def _lose_all(self) -> bool:
        """Take every message away, as a broker that dies does."""
        for path in self.messages():
            path.unlink(missing_ok=True)
        return True

    def _lose_one(self, rng: random.Random) -> bool:
        for _ in range(200):
            for path in self.messages():
                with contextlib.suppress(FileNotFoundError):
                    self.seen.append(path.read_bytes())
                    path.unlink()
                    return True
            time.sleep(0.02)
        return False

    def _double(self, rng: random.Random) -> bool:
        for path in self.messages()[:20]:
            with contextlib.suppress(FileNotFoundError):
                self.seen.append(path.read_bytes())
        if not self.seen:
            return self._lose_one(rng) and self._double(rng)
        name = f"{time.time_ns()}_{uuid.uuid4()}.celery.msg"
        beside = self.queue / f".{name}"
        beside.write_bytes(rng.choice(self.seen))
        beside.rename(self.queue / name)
        return True

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(40)


class Production(Setup):
    """PostgreSQL, Redis, two web servers, three workers, one sweep."""

    name = "production"
    WEB, WORKERS = 2, 3

    def __init__(self, folder: Path, mail_port: int, **more: str) -> None:
        pg_port, redis_port = free_port(), free_port()
        ports = [free_port() for _ in range(self.WEB)]
        super().__init__(
            folder,
            mail_port,
            DATABASE_URL=f"postgres://holdfast@127.0.0.1:{pg_port}/postgres",
            REDIS_URL=f"redis://127.0.0.1:{redis_port}/0",
            HOLDFAST_ADDRESS=f"http://127.0.0.1:{ports[0]}",
            **more,
        )
        self.addresses = [f"http://127.0.0.1:{port}" for port in ports]
        self.redis = redis.Redis(port=redis_port, socket_timeout=3)
        self.postgresql = self._postgresql(pg_port)
        self.kept = {"broker": [self._redis(redis_port)]}
        self._until_there()
        self.manage("migrate", "-v", "0")
        self.manage("collectstatic", "--noinput", "-v", "0")
        subprocess.run(
            [sys.executable, "-m", "geometry", "warm"],
            check=True, cwd=ROOT, env=self.environment, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        programs = Path(sys.executable).parent
        web = [programs / "gunicorn", "config.wsgi", "--worker-class", "gthread", "--workers", "1"]
        web += ["--threads", "8", "--timeout", "60", "--log-level", "warning"]
        web += ["--no-control-socket", "--graceful-timeout", "5", "--bind"]
        worker = [programs / "celery", "--quiet", "-A", "config", "worker", "-c", "1"]
        worker += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
        worker += ["--loglevel", "WARNING", "-n"]
        sweep = [sys.executable, ROOT / "manage.py", "sweep"]
        self.kept["web"] = [self._keep(*web, f"127.0.0.1:{port}") for port in ports]
        self.kept["worker"] = [self._keep(*worker, f"w{n}@%h") for n in range(self.WORKERS)]
        self.kept["sweep"] = [self._keep(*sweep)]
        self.wait_until_answered()
        self.first_rows()

    def _keep(self, *words: Any) -> Kept:
        return Kept(list(words), self.environment, self.log)

    def _redis(self, port: int) -> Kept:
        words = ["redis-server", "--port", port, "--bind", "127.0.0.1", "--dir", self.folder]
        words += ["--save", "", "--appendonly", "no", "--loglevel", "warning"]
        return self._keep(*words)

    def _postgresql(self, port: int) -> Kept:
        programs, ordinary = postgresql_programs(), as_ordinary_user()
        self.folder.chmod(0o755)
        home = self.folder / "postgresql"
        home.mkdir()
        if ordinary:
            shutil.chown(home, ordinary["user"], ordinary["group"])
        subprocess.run(
            [programs / "initdb", "-D", home / "data", "-U", "holdfast", "-A", "trust",
             "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"],
            check=True, cwd=home, stdout=subprocess.DEVNULL, **ordinary,
        )  # fmt: skip
        words = [programs / "postgres", "-D", home / "data", "-p", port]
        words += ["-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories="]
        words += ["-c", "fsync=off", "-c", "log_min_messages=panic"]
        ordinary.setdefault("cwd", home)
        return Kept(words, self.environment, self.log, **ordinary)

    def _until_there(self) -> None:
        import psycopg

        for _ in range(300):
            try:
                psycopg.connect(self.environment["DATABASE_URL"]).close()
                self.redis.ping()
                return
            except (psycopg.OperationalError, redis.RedisError):
                time.sleep(0.1)
        raise SystemExit("PostgreSQL or Redis did not start.")

    def hurts(self) -> dict[str, Callable[[random.Random], bool]]:
        return {
            "web": lambda rng: self._kill("web", rng),
            "worker": lambda rng: self._kill("worker", rng),
            "sweep": lambda rng: self._kill("sweep", rng),
            "broker": lambda rng: self._kill("broker", rng),
            "dropped": self._lose_one,
            "doubled": self._double,
            "database": lambda _: self._restart_database(),
        }

    def _kill(self, kind: str, rng: random.Random) -> bool:
        pid = rng.choice(self.kept[kind]).process.pid
        below = child_pids(pid)
        return _kill_9(rng.choice(below) if below and rng.random() < 0.5 else pid)

    def _restart_database(self) -> bool:
        """Stop PostgreSQL as a power cut would: SIGQUIT, connections and all; it is kept up."""
        self.postgresql.process.send_signal(signal.SIGQUIT)
        return True

    def _lose_one(self, rng: random.Random) -> bool:
        for _ in range(200):
            with contextlib.suppress(redis.RedisError):
                taken: Any = self.redis.rpop("celery")
                if taken is not None:
                    self.seen.append(taken)
                    return True
            time.sleep(0.02)
        return False

    def _double(self, rng: random.Random) -> bool:
        with contextlib.suppress(redis.RedisError):
            found: Any = self.redis.lrange("celery", 0, 19)
            self.seen += found
            if not self.seen:
                return self._lose_one(rng) and self._double(rng)
            self.redis.lpush("celery", rng.choice(self.seen))
            return True
        return False

    def stop(self) -> None:
        for kind in ("sweep", "worker", "web", "broker"):
            for kept in self.kept[kind]:
                kept.stop()
        self.postgresql.stop()


SETUPS: dict[str, type[Setup]] = {"embedded": Embedded, "production": Production}


def _kill_9(pid: int) -> bool:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True


def _kill_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(leader, signal.SIGKILL)


def _answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=3) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False
