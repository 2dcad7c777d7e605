"""Real servers for the tests: PostgreSQL and Redis on free ports in a throw-away folder."""

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import redis

WAIT_SECONDS = 30


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def as_ordinary_user() -> dict[str, Any]:
    """Return what makes a process run as somebody else than root, whom PostgreSQL refuses."""
    if os.geteuid() != 0:
        return {}
    return {"user": "postgres", "group": "postgres", "extra_groups": []}


def postgresql_programs() -> Path:
    """Return the folder of the newest PostgreSQL; Debian keeps it off PATH."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: path.parent.name)
    on_path = shutil.which("initdb")
    if not folders and not on_path:
        raise RuntimeError("PostgreSQL is not installed: no initdb was found.")
    return folders[-1] if folders else Path(str(on_path)).parent


@contextlib.contextmanager
def running_postgresql() -> Iterator[str]:
    """Yield the address of an empty PostgreSQL that lives as long as the block."""
    programs, port, ordinary = postgresql_programs(), free_port(), as_ordinary_user()
    with tempfile.TemporaryDirectory(prefix="holdfast-postgresql-") as name:
        folder = Path(name)
        if ordinary:
            shutil.chown(folder, ordinary["user"], ordinary["group"])
        data = folder / "data"
        subprocess.run(
            [programs / "initdb", "-D", data, "-U", "holdfast", "-A", "trust", "-E", "UTF8",
             "--locale=C.UTF-8", "--no-sync"],
            check=True, cwd=folder, stdout=subprocess.DEVNULL, **ordinary,
        )  # fmt: skip
        settings = {
            "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "",
            "fsync": "off",  # speed: this data is thrown away
            "synchronous_commit": "off",
            "full_page_writes": "off",
            "log_min_messages": "panic",
            "log_min_error_statement": "panic",
        }
        options = [word for key, value in settings.items() for word in ("-c", f"{key}={value}")]
        server = subprocess.Popen(
            [programs / "postgres", "-D", data, "-p", str(port), *options],
            cwd=folder, **ordinary,
        )  # fmt: skip
        address = f"postgres://holdfast@127.0.0.1:{port}/postgres"
        try:
            wait_for(server, lambda: psycopg.connect(address).close(), psycopg.OperationalError)
            yield address
        finally:
            server.send_signal(2)  # a fast shutdown: open connections are cut
            server.wait(WAIT_SECONDS)


@contextlib.contextmanager
def running_redis() -> Iterator[str]:
    """Yield the address of an empty Redis that lives as long as the block."""
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="holdfast-redis-") as folder:
        server = subprocess.Popen(
            ["redis-server", "--port", str(port), "--bind", "127.0.0.1", "--dir", folder,
             "--save", "", "--appendonly", "no", "--loglevel", "warning"],
            stdout=subprocess.DEVNULL,
        )  # fmt: skip

        def ping() -> None:
            with redis.Redis(port=port) as client:
                client.ping()

        try:
            wait_for(server, ping, redis.ConnectionError)
            yield f"redis://127.0.0.1:{port}/0"
        finally:
            server.terminate()
            server.wait(WAIT_SECONDS)


def wait_for(server: Any, attempt: Any, refusal: type[Exception]) -> None:
    """Try until the server answers; raise if it ends or takes too long."""
    last = time.monotonic() + WAIT_SECONDS
    while True:
        try:
            attempt()
            return
        except refusal:
            if server.poll() is not None or time.monotonic() > last:
                raise
            time.sleep(0.1)
