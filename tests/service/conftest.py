"""One living installation is shared by the tests that only look at it or hurt its children."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.living import Living


@pytest.fixture(scope="module")
def var(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("var")


@pytest.fixture(scope="module")
def living(var: Path) -> Iterator[Living]:
    started = Living(var)
    try:
        started.wait_until_it_runs()
        yield started
    finally:
        started.stop()
