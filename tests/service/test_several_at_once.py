"""Two drawings at once on SQLite and the broker of files: each is looked at once, none is lost."""

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.service.living import ROOT, Living, child_pids

SCRIPT = ROOT / "tests" / "service" / "several_checks.py"


def test_two_checks_at_once_share_the_work_and_nothing_is_done_twice(tmp_path: Path) -> None:
    living = Living(tmp_path / "var", HOLDFAST_CHECKS_AT_ONCE="2")
    try:
        living.wait_until_it_runs()
        worker = living.children()["worker"]
        done = subprocess.run(
            [sys.executable, str(SCRIPT)], capture_output=True, text=True,
            env=living.environment | {"DJANGO_SETTINGS_MODULE": "config.settings"},
        )  # fmt: skip
        processes = len(child_pids(worker))
    finally:
        living.stop()
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert processes == 2
    assert told["most_at_once"] == 2
    assert len(told["verdicts"]) >= 6
    for status, attempt in told["verdicts"]:
        assert status in {"passed", "rejected"}
        assert attempt == 1
    settled = Counter(
        version for version, status in told["events"] if status in {"passed", "rejected"}
    )
    assert set(settled.values()) == {1}


@pytest.mark.parametrize("text", ["0", "two", "65", "-1", "1.5"])
def test_another_number_of_checks_is_refused(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import run

    monkeypatch.setenv("HOLDFAST_CHECKS_AT_ONCE", text)
    with pytest.raises(SystemExit):
        run.children(8000)
    monkeypatch.setenv("HOLDFAST_CHECKS_AT_ONCE", "")
    assert "1" in next(child for child in run.children(8000) if child.name == "worker").command
