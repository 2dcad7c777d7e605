"""The lines of docs/owner, run as they stand in a fresh copy with a plain environment.

A block after `<!-- walk: page -->` is run by a shell; one after `<!-- read: name -->` is handed to
the program that reads it (nginx, systemd), as far as that is installed.
"""

import os
import re
import shutil
import subprocess
import textwrap
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OWNER = ROOT / "docs" / "owner"
BLOCK = re.compile(r"^<!-- (walk|read): ([\w.-]+) -->\n((?:    .*\n|\n)+)", re.MULTILINE)
PASSWORD = "low tide at nine"


def blocks(kind: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for page in sorted(OWNER.glob("*.md")):
        for this, name, text in BLOCK.findall(page.read_text()):
            if this == kind:
                found.setdefault(name, []).append(textwrap.dedent(text))
    return found


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the files under version control, in a home of its own.

    Packages and compiled loops are those of here: bringing them takes minutes and is what
    `run.py` does in each run of the tests on a new machine.
    """
    home = tmp_path_factory.mktemp("home")
    copy = home / "holdfast"
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, check=True, capture_output=True, text=True,
    ).stdout.splitlines()  # fmt: skip
    for name in listed:
        if (ROOT / name).is_file():
            target = copy / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, target)
    shutil.copytree(ROOT / "geometry/__pycache__", copy / "geometry/__pycache__")
    (copy / ".venv").symlink_to(ROOT / ".venv")
    return copy


def walk(copy: Path, page: str, typed: str = "") -> str:
    """Run a page's lines one block after the other; return what they print."""
    told = ""
    for block in blocks("walk")[page]:
        done = subprocess.run(
            ["bash", "-e", "-c", block], cwd=copy, text=True, input=typed, capture_output=True,
            env={"PATH": os.environ["PATH"], "HOME": str(copy.parent)},
        )  # fmt: skip
        assert done.returncode == 0, f"{block}\n{done.stdout}\n{done.stderr}"
        told += done.stdout
    return told


def test_the_pages_can_be_walked_from_a_fresh_machine(fresh: Path) -> None:
    told = walk(fresh, "at-home", f"{PASSWORD}\n")
    assert "Set up. Start it with: python3 run.py" in told
    assert "you@stencils.example can sign in at /workshop/." in told
    assert (fresh / "var").stat().st_mode & 0o777 == 0o700

    told = walk(fresh, "keep-it")
    assert re.search(r"holdfast-\d{4}-\d\d-\d\d-\d{6}\.tar holds \d+ rows and 0 files\.", told)
    assert "sealed with the pass phrase." in told
    assert "rows came back as they were written" in told
    assert "Brought back" in told
    assert told.count("0 missing, 0 altered, 0 that no row names.") == 2
    assert "Put back 0 files." in told
    (dated,) = (fresh.parent / "holdfast-backups").iterdir()
    assert dated.stat().st_mode & 0o777 == 0o600
    assert (fresh.parent / "sealed.tar.sealed").read_bytes()[:16] == b"holdfast sealed\n"

    told = walk(fresh, "a-helper", f"{PASSWORD}\n")
    assert "helper@stencils.example can sign in at /workshop/." in told
    assert "helper@stencils.example can no longer sign in to the workshop." in told


def test_every_page_of_the_owner_is_reached_from_the_first() -> None:
    first = (OWNER / "README.md").read_text()
    for page in OWNER.glob("*.md"):
        assert page.name == "README.md" or f"({page.name})" in first, page.name
        for link in re.findall(r"\]\(([^)#]+\.md)", page.read_text()):
            assert (page.parent / link).exists(), f"{page.name}: {link}"


def test_every_word_that_the_pages_give_run_py_is_one_it_has() -> None:
    import run

    words = {"setup", *run.HANDED}
    for page in OWNER.glob("*.md"):
        text = page.read_text()
        for given in re.findall(r"python3 run\.py(?: --[\w-]+)*(?: ([a-z][\w-]*))?", text):
            assert not given or given in words, f"{page.name}: {given}"


def test_every_setting_that_the_pages_name_is_read() -> None:
    code = "".join(
        (ROOT / name).read_text()
        for name in ("config/settings.py", "run.py", "orders/management/commands/move.py",
                     "orders/management/phrase.py", "docker-compose.yml")
    )  # fmt: skip
    for page in (*OWNER.glob("*.md"), ROOT / "docs/running.md"):
        for name in set(
            re.findall(r"\b(?:HOLDFAST_[A-Z_]+[A-Z]|DATABASE_URL|REDIS_URL)\b", page.read_text())
        ):
            assert name in code, f"{page.name}: {name}"


def test_the_proxy_s_file_says_what_holdfast_trusts() -> None:
    (text,) = blocks("read")["nginx"]
    assert "proxy_set_header X-Forwarded-For $remote_addr;" in text  # put anew, never added to
    assert "proxy_set_header X-Forwarded-Proto $scheme;" in text
    assert "proxy_pass http://127.0.0.1:8000;" in text
    size = int(re.findall(r"client_max_body_size (\d+)m;", text)[0])
    from orders.drawings import LARGEST_UPLOAD_BYTES

    assert size * 1024 * 1024 > LARGEST_UPLOAD_BYTES + 1_000_000


def test_nginx_reads_the_proxy_s_file(tmp_path: Path) -> None:
    """With nginx itself where it is installed; the lines' form by hand where it is not."""
    (text,) = blocks("read")["nginx"]
    assert text.count("{") == text.count("}")
    for line in text.splitlines():
        assert not line.strip() or line.rstrip().endswith((";", "{", "}"))
    nginx = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
    if nginx:
        whole = tmp_path / "nginx.conf"
        whole.write_text(
            f"pid {tmp_path}/pid;\nerror_log {tmp_path}/errors;\nevents {{}}\n"
            f"http {{\naccess_log off;\nclient_body_temp_path {tmp_path}/a;\n"
            f"proxy_temp_path {tmp_path}/b;\nfastcgi_temp_path {tmp_path}/c;\n"
            f"uwsgi_temp_path {tmp_path}/d;\nscgi_temp_path {tmp_path}/e;\n{text}}}\n"
        )
        done = subprocess.run([nginx, "-t", "-c", str(whole)], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr


def test_systemd_reads_the_service_s_file(tmp_path: Path) -> None:
    """With systemd's own reader where it is installed; its words by hand in any case."""
    (text,) = blocks("read")["holdfast.service"]
    assert re.findall(r"^\[(\w+)\]$", text, re.MULTILINE) == ["Unit", "Service", "Install"]
    assert "ExecStart=/usr/bin/python3 run.py --without-demo --port 8000" in text
    reader = shutil.which("systemd-analyze")
    if reader:
        unit = tmp_path / "holdfast.service"
        # user and folder are made by the page; here they would be missing
        unit.write_text(
            re.sub(r"^(User|WorkingDirectory|EnvironmentFile)=.*\n", "", text, flags=re.M)
        )
        done = subprocess.run(
            [reader, "verify", "--man=no", str(unit)], capture_output=True, text=True
        )
        assert "holdfast.service" not in done.stderr, done.stderr
