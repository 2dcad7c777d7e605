"""A worker killed in mid-check: the check is finished after its restart, and once."""

import json
import subprocess
import sys

import pytest

from tests.service.living import ROOT, Living, wait_until

pytestmark = pytest.mark.service


def test_an_interrupted_check_is_finished_once(living: Living) -> None:
    assert wait_until(lambda: len(living.children()) == 3, 30)
    done = subprocess.run(
        [sys.executable, "-m", "tests.service.interrupted_check", str(living.children()["worker"])],
        cwd=ROOT, env=living.environment, capture_output=True, text=True, timeout=180,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["error"] is None
    assert told["interrupted"] is True
    assert told["status"] in {"passed", "rejected"}
    assert told["attempt"] == 2
    assert told["answers"] == 1
