"""The settings as a whole, each case in a process of its own."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PRODUCTION = {
    "HOLDFAST_ADDRESS": "https://stencils.example",
    "HOLDFAST_BEHIND_PROXY": "yes",
    "HOLDFAST_SECRET_KEY": "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ!",
}


def python(var: Path, *words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    kept = {key: value for key, value in os.environ.items() if not key.startswith("HOLDFAST_")}
    for name in ("DJANGO_SETTINGS_MODULE", "DJANGO_ALLOW_ASYNC_UNSAFE"):
        kept.pop(name, None)  # what the test run itself is given
    return subprocess.run(
        [sys.executable, *words], cwd=ROOT, capture_output=True, text=True,
        env={**kept, "HOLDFAST_VAR": str(var), **variables},
    )  # fmt: skip


def manage(var: Path, *words: str, **variables: str) -> subprocess.CompletedProcess[str]:
    return python(var, "manage.py", *words, **variables)


def test_a_public_address_passes_the_framework_s_own_deployment_check(tmp_path: Path) -> None:
    """Source: Django's deployment checklist, as `manage.py check --deploy` tests it."""
    told = manage(tmp_path, "check", "--deploy", "--fail-level", "WARNING", **PRODUCTION)
    assert told.returncode == 0, told.stderr


def test_the_embedded_installation_has_no_fault(tmp_path: Path) -> None:
    told = manage(tmp_path, "check", "--fail-level", "WARNING")
    assert told.returncode == 0, told.stderr


def test_no_migration_is_missing(tmp_path: Path) -> None:
    told = manage(tmp_path, "makemigrations", "--check", "--dry-run")
    assert told.returncode == 0, told.stdout


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("DATABASE_URL", "mysql://host/name"),
        ("REDIS_URL", "host:6379"),
        ("HOLDFAST_TIME_ZONE", "Nowhere"),
        ("HOLDFAST_ADDRESS", "stencils.example"),
        ("HOLDFAST_SECRET_KEY", "short"),
    ],
)
def test_a_variable_that_cannot_be_used_is_named(tmp_path: Path, name: str, text: str) -> None:
    told = python(tmp_path, "-c", "import config.settings", **{name: text})
    assert told.returncode != 0
    last = told.stderr.strip().splitlines()[-1]
    assert name in last


def test_everything_that_lives_is_in_the_one_folder_of_its_owner(tmp_path: Path) -> None:
    var = tmp_path / "var"
    code = (
        "from django.conf import settings as s;"
        "print(s.DATABASES['default']['NAME'], s.MEDIA_ROOT, s.STATIC_ROOT, s.EMAIL_FILE_PATH,"
        " s.CACHES['default']['LOCATION'], s.FILE_UPLOAD_TEMP_DIR,"
        " s.CELERY_BROKER_TRANSPORT_OPTIONS['data_folder_in'])"
    )
    told = manage(var, "shell", "--no-imports", "-c", code, DATABASE_URL="", REDIS_URL="")
    places = told.stdout.split()
    assert len(places) == 7
    assert all(place.startswith(f"{var}/") for place in places)
    assert var.stat().st_mode & 0o777 == 0o700


def test_cookies_of_a_public_address_are_bound_to_it(tmp_path: Path) -> None:
    """RFC 6265bis: names that begin with __Host- are taken with Secure, path / and no domain."""
    asked = "from config import settings as s; print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME, "
    asked += "s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SECURE_HSTS_SECONDS, s.DEBUG)"
    told = python(tmp_path, "-c", asked, **PRODUCTION)
    assert told.stdout.split() == [
        *("__Host-session", "__Host-csrf", "True", "True", "31536000", "False")
    ]
