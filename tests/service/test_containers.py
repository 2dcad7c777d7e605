"""Dockerfile and docker-compose.yml read back. No engine runs them here: docs/running.md says so.

What is checked: they parse, every file and variable they name exists, no secret has a default,
and what they start is what run.py starts.
"""

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
COMPOSE_TEXT = (ROOT / "docker-compose.yml").read_text()
DOCKERFILE = (ROOT / "Dockerfile").read_text()
SECRETS = {"HOLDFAST_SECRET_KEY", "POSTGRES_PASSWORD", "HOLDFAST_MAIL_URL"}


@pytest.fixture(scope="module")
def services() -> dict[str, Any]:
    parsed: dict[str, Any] = yaml.safe_load(COMPOSE_TEXT)
    return parsed["services"]


def test_all_five_parts_and_the_migration_are_there(services: dict[str, Any]) -> None:
    assert set(services) == {"postgres", "redis", "migrate", "web", "worker", "sweep"}


def test_every_lasting_service_has_a_health_check_and_starts_again(
    services: dict[str, Any],
) -> None:
    for name, service in services.items():
        if name != "migrate":
            assert service["healthcheck"]["test"], name
            assert service["restart"] == "unless-stopped", name


def test_no_secret_has_a_default() -> None:
    uses = re.findall(r"\$\{([A-Z_]+)(:[?-])", COMPOSE_TEXT)
    assert {name for name, _ in uses} >= SECRETS
    for name, kind in uses:
        if name in SECRETS:
            assert kind == ":?", name


def test_every_variable_handed_in_is_one_that_is_read(services: dict[str, Any]) -> None:
    code = (ROOT / "config" / "settings.py").read_text()
    for name in ("web", "worker", "sweep", "migrate"):
        environment = services[name]["environment"]
        assert {"DATABASE_URL", "REDIS_URL", "HOLDFAST_SECRET_KEY"} <= set(environment)
        for variable in set(environment) - {"HOLDFAST_CHECKS_AT_ONCE"}:
            assert f'"{variable}"' in code, variable


def test_nothing_starts_before_the_database_is_migrated(services: dict[str, Any]) -> None:
    assert services["migrate"]["depends_on"] == {"postgres": {"condition": "service_healthy"}}
    for name in ("web", "worker", "sweep"):
        waits = services[name]["depends_on"]
        assert waits["migrate"] == {"condition": "service_completed_successfully"}
        assert waits["redis"] == {"condition": "service_healthy"}


def test_named_volumes_are_declared(services: dict[str, Any]) -> None:
    declared = set(yaml.safe_load(COMPOSE_TEXT)["volumes"])
    used = {mount.split(":")[0] for part in services.values() for mount in part.get("volumes", [])}
    assert used == declared


def test_the_site_is_open_to_its_own_machine_only(services: dict[str, Any]) -> None:
    assert services["web"]["ports"] == ["127.0.0.1:8000:8000"]
    for name, service in services.items():
        assert name == "web" or "ports" not in service


def test_the_image_copies_what_exists_and_runs_as_nobody_special() -> None:
    for words in re.findall(r"^COPY (.+)$", DOCKERFILE, re.MULTILINE):
        for source in words.split()[:-1]:
            assert (ROOT / source).exists(), source
    assert re.findall(r"^USER (\w+)$", DOCKERFILE, re.MULTILINE) == ["holdfast"]
    assert "python -m geometry warm" in DOCKERFILE


def test_every_package_of_the_project_is_in_the_image() -> None:
    packages = {path.parent.name for path in ROOT.glob("*/__init__.py")} - {"tests", "bench"}
    copied = {words.split()[0] for words in re.findall(r"^COPY (.+)$", DOCKERFILE, re.MULTILINE)}
    assert packages <= copied


def test_the_worker_is_started_as_run_py_starts_it(services: dict[str, Any]) -> None:
    import run

    here = next(child for child in run.children(8000) if child.name == "worker").command
    there = shlex.split(services["worker"]["command"][-1])
    flags = [word for word in here if word.startswith("--without")]
    assert flags
    assert flags == [word for word in there if word.startswith("--without")]
