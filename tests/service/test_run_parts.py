"""The parts of run.py and of the test command that need nothing started."""

import io
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

import run
from tests import suite

ROOT = Path(run.__file__).parent


def test_the_next_free_port_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        monkeypatch.setattr(run, "FIRST_PORT", port)
        assert port < run.free_port(None) < port + run.PORTS_TRIED


def test_a_wanted_port_that_is_taken_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(SystemExit):
            run.free_port(port)
    assert capsys.readouterr().err.startswith(f"Port {port} is taken; choose another one")


def test_a_missing_venv_module_brings_the_line_that_installs_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(run, "PYTHON", tmp_path / "nowhere")
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    with pytest.raises(SystemExit):
        run.make_venv()
    assert "sudo apt-get install python3-venv" in capsys.readouterr().err


def test_an_unfit_python_is_told_which_ones_fit(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(run.sys, "version_info", (3, 10, 2))
    monkeypatch.setattr(run.shutil, "which", lambda name: None)
    with pytest.raises(SystemExit):
        run.use_fitting_python()
    assert capsys.readouterr().err.startswith(
        "Holdfast needs Python 3.11, 3.12 or 3.13; this is 3.10."
    )


def test_uv_is_installed_by_the_hashes_of_the_lock() -> None:
    block = run.requirement_block(run.DEV_LOCK, "uv")
    assert re.match(r"uv==[\d.]+ \\\n    --hash=sha256:[0-9a-f]{64}", block)
    assert block.count("==") == 1


@pytest.mark.parametrize("lock", [run.RUN_LOCK, run.DEV_LOCK], ids=lambda lock: lock.name)
def test_locks_hold_hashes_and_no_place(lock: Path) -> None:
    text = lock.read_text()
    names = re.findall(r"^([a-z0-9-]+)==", text, re.MULTILINE)
    assert len(names) > 40
    assert len(re.findall(r"^[a-z0-9-]+==.*\\\n    --hash=sha256:", text, re.MULTILINE)) == len(
        names
    )
    assert "://" not in text
    assert "index-url" not in text
    assert "opencv-python-headless" in names
    assert "opencv-python" not in names


def test_everything_run_is_also_in_the_longer_lock() -> None:
    pins = [
        set(re.findall(r"^[a-z0-9-]+==\S+", path.read_text(), re.MULTILINE))
        for path in (run.RUN_LOCK, run.DEV_LOCK)
    ]
    assert pins[0] < pins[1]


def test_the_fingerprint_follows_names_and_contents(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "FOLDER", tmp_path)
    (tmp_path / "a.py").write_text("1")
    first = run.fingerprint("*.py")
    (tmp_path / "a.py").write_text("2")
    second = run.fingerprint("*.py")
    (tmp_path / "a.py").rename(tmp_path / "b.py")
    assert len({first, second, run.fingerprint("*.py")}) == 3


def test_the_last_line_names_what_was_left_out() -> None:
    count = suite.Count(passed=3, failed=1)
    assert suite.last_line(count, set()) == "3 passed, 1 failed"
    assert (
        suite.last_line(count, {"postgres", "browser"})
        == "without-browser+without-postgres: 3 passed, 1 failed"
    )


def test_skipped_tests_are_counted_and_shown(tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    report.write_text(
        '<testsuites><testsuite tests="7" failures="1" errors="1" skipped="2"/></testsuites>'
    )
    count = suite.read_report(report)
    assert count == suite.Count(passed=3, failed=2, skipped=2)
    assert suite.last_line(count, set()) == "3 passed, 2 failed, 2 skipped"


def test_a_person_without_a_terminal_is_told_what_is_missing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(suite, "missing_tools", lambda without: ["chromium", "redis-server"])
    monkeypatch.setattr(suite.shutil, "which", lambda name: "/usr/bin/apt-get")
    monkeypatch.setattr(suite.os, "geteuid", lambda: 1000)
    monkeypatch.setattr(suite.sys, "stdin", io.StringIO(""))
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(SystemExit) as left:
        suite.bring_tools(set())
    assert left.value.code == 1
    assert capsys.readouterr().err == (
        "The tests need programs that are missing here; bring them with: "
        "sudo apt-get install chromium redis-server\n"
    )


def test_a_flag_spares_the_programs_of_its_part(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(suite.shutil, "which", lambda name: None)
    monkeypatch.setattr(suite.Path, "glob", lambda folder, pattern: iter(()))
    assert suite.missing_tools(set()) == [
        "chromium", "poppler-utils", "postgresql", "redis-server",
    ]  # fmt: skip
    assert suite.missing_tools({"browser", "postgres"}) == ["poppler-utils"]


def test_the_suite_never_sees_a_living_installation(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgres://host/living")
    monkeypatch.setenv("HOLDFAST_VAR", "/srv/living")
    kept = suite.clean_environment()
    assert not {"DATABASE_URL", "HOLDFAST_VAR"} & set(kept)


def test_every_word_of_the_command_line_is_explained() -> None:
    told = subprocess.run(
        [sys.executable, "run.py", "--help"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for word in ("setup", "test", "check", "backup", "restore", "--port"):
        assert word in told.stdout


def test_the_continuous_check_calls_the_one_test_command() -> None:
    script = ROOT / ".ci" / "run"
    assert os.access(script, os.X_OK)
    assert script.read_text().rstrip().endswith('"$python" run.py test')
    subprocess.run(["bash", "-n", script], check=True)
