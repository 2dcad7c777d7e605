"""`python3 run.py`: starts, answers, keeps its children going, and leaves nothing behind."""

import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.service.living import ROOT, Living, environment_for, runs, wait_until

pytestmark = pytest.mark.service


def test_the_first_page_comes_with_strict_headers(living: Living) -> None:
    status, headers, body = living.get("/")
    assert status == 200
    assert b"<html" in body
    policy = headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["X-Frame-Options"] == "DENY"


def test_static_files_are_named_by_their_contents_and_kept(living: Living) -> None:
    page = living.get("/")[2].decode()
    names = re.findall(r'"(/static/[^"]+\.[0-9a-f]{12}\.(?:css|js))"', page)
    assert names
    for name in names:
        status, headers, _ = living.get(name)
        assert status == 200
        assert "immutable" in headers["Cache-Control"]


def test_it_listens_on_this_machine_only(living: Living) -> None:
    assert living.address.startswith("http://127.0.0.1:")
    port = int(living.address.rsplit(":", 1)[1])
    with socket.socket() as other:
        # every 127.x address is this machine, and only one of them is listened on
        assert other.connect_ex(("127.0.0.2", port)) != 0


def test_pages_go_before_checks(living: Living) -> None:
    assert wait_until(lambda: len(living.children()) == 3, 30)
    nice = {name: os.getpriority(os.PRIO_PROCESS, pid) for name, pid in living.children().items()}
    assert nice["worker"] - nice["site"] == 10
    assert nice["sweep"] == nice["site"]


@pytest.mark.parametrize("name", ["worker", "site", "sweep"])
def test_a_killed_child_is_started_again(living: Living, name: str) -> None:
    assert wait_until(lambda: len(living.children()) == 3, 30)
    killed = living.children()[name]
    os.kill(killed, signal.SIGKILL)
    living.wait_for_line(rf"The {name} stopped \(signal 9\); starting it again", 10)
    assert wait_until(lambda: living.children().get(name, killed) != killed, 30)
    assert living.process.poll() is None


def test_a_second_start_is_refused_with_the_address(living: Living, var: Path) -> None:
    second = subprocess.run(
        [sys.executable, "run.py"], cwd=ROOT, env=environment_for(var), capture_output=True,
        text=True, timeout=60,
    )  # fmt: skip
    assert second.returncode == 1
    assert second.stderr == (
        f"Holdfast is already running here: {living.address} "
        f"(process {living.process.pid}). Stop it first with Ctrl-C.\n"
    )


@pytest.fixture(scope="module")
def other_var(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A second folder for the starts and stops, set up by the first of them."""
    return tmp_path_factory.mktemp("other")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGKILL])
def test_no_process_is_left(other_var: Path, number: int) -> None:
    """However it ends: asked, by Ctrl-C, or killed so that it can do nothing any more."""
    started = Living(other_var)
    try:
        started.wait_until_it_runs()
        assert wait_until(lambda: len(started.children()) == 3, 30)
        # itself, guardian, site and its workers, worker, sweep: some are still being started
        assert wait_until(lambda: len(started.family()) >= 6, 30)
        family = started.family()
    finally:
        code = started.stop(number)
    assert code == (-9 if number == signal.SIGKILL else 0)
    assert wait_until(lambda: not any(runs(pid) for pid in family), 20)
