"""Run every test: lint, then all on SQLite and the broker of files, then what works with the
database or the broker again on a real PostgreSQL and a real Redis; several processes beside each
other. Called by `python3 run.py test`.

The last line counts: "120 passed, 0 failed". What was left out by a flag stands before it.
"""

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

FOLDER = Path(__file__).resolve().parent.parent
ONCE = (
    "tests/geometry",
    "tests/prints",
    "tests/pricing/test_money.py",
    "tests/pricing/test_quote_examples.py",
    "tests/pricing/test_quote_rules.py",
    "tests/test_imports.py",
    "tests/**/test_*browser.py",
    "tests/artist/test_compare.py",
    "tests/artist/test_endless_upload.py",
    "tests/artist/test_look.py",
    "tests/artist/test_mends.py",
    "tests/artist/test_pens.py",
    "tests/artist/test_pictures.py",
    "tests/artist/test_see.py",
    "tests/artist/test_straighten.py",
    "tests/journey/test_artist_journey.py",
    "tests/journey/test_bench_by_clicks.py",
    "tests/journey/test_money_by_clicks.py",
    "tests/journey/test_shelf_by_clicks.py",
    "tests/orders/test_page_methods.py",
    "tests/orders/test_swapped_ids.py",
    "tests/test_security_doc.py",
    "tests/workshop/test_dab.py",
    "tests/workshop/test_hold.py",
    "tests/workshop/test_job_files.py",
    "tests/workshop/test_kerf_page.py",
    "tests/workshop/test_photos.py",
    "tests/workshop/test_sheet_files.py",
    "tests/service/test_client_address.py",
    "tests/service/test_containers.py",
    "tests/service/test_environment.py",
    "tests/service/test_file_store.py",
    "tests/service/test_folder_broker.py",
    "tests/service/test_living.py",
    "tests/service/test_logs.py",
    "tests/service/test_move.py",
    "tests/service/test_owner_walk.py",
    "tests/service/test_run_parts.py",
    "tests/service/test_sealing.py",
    "tests/service/test_several_at_once.py",
)
"""What knows no database, or only reads rows to make a page, a picture or a file of them; all else
runs on both. tests/journey/test_whole_path.py clicks through the pages of both."""
PARTS = ("browser", "lint", "postgres")
LINT = (["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"])
# what a test needs beyond Python: Debian's package, its program, where it may be off PATH
TOOLS = {
    "chromium": ("chromium", "usr/bin/chromium"),
    "poppler-utils": ("pdftoppm", "usr/bin/pdftoppm"),
    "postgresql": ("initdb", "usr/lib/postgresql/*/bin/initdb"),
    "redis-server": ("redis-server", "usr/bin/redis-server"),
}
NEEDED_BY = {"chromium": "browser", "postgresql": "postgres", "redis-server": "postgres"}


@dataclass
class Count:
    """What came of the tests so far."""

    passed: int = 0
    failed: int = 0
    skipped: int = 0

    def add(self, other: "Count") -> None:
        self.passed += other.passed
        self.failed += other.failed
        self.skipped += other.skipped


def stop_with(sentence: str) -> NoReturn:
    print(sentence, file=sys.stderr, flush=True)
    raise SystemExit(1)


def missing_tools(without: set[str]) -> list[str]:
    return [
        package
        for package, (program, place) in TOOLS.items()
        if NEEDED_BY.get(package) not in without
        and not shutil.which(program)
        and not any(Path("/").glob(place))
    ]


def bring_tools(without: set[str]) -> None:
    """Install what the machine lacks, or say in one sentence what is missing and leave."""
    missing = missing_tools(without)
    if not missing:
        return
    line = "apt-get install " + " ".join(missing)
    sentence = f"The tests need programs that are missing here; bring them with: sudo {line}"
    if not shutil.which("apt-get"):
        stop_with(f"The tests need programs that are missing here: {', '.join(missing)}.")
    root = os.geteuid() == 0
    if not root and os.environ.get("CI") != "true":
        if not sys.stdin.isatty():
            stop_with(sentence)
        print(f"The tests need {', '.join(missing)}.")
        if input(f"Run `sudo {line}` now? [y/N] ").strip().lower() not in {"y", "yes"}:
            stop_with(sentence)
    # run level 1 keeps the packages from starting services of their own
    apt = [*([] if root else ["sudo"]), "env", "DEBIAN_FRONTEND=noninteractive", "RUNLEVEL=1"]
    print(f"Installing {', '.join(missing)}", flush=True)
    for words in (["update"], ["install", "-y", "--no-install-recommends", *missing]):
        if subprocess.run([*apt, "apt-get", "-qq", *words], stdout=subprocess.DEVNULL).returncode:
            stop_with(f"apt-get {words[0]} failed. {sentence}")


def lint() -> Count:
    """Run each linter; one counts as one test."""
    count = Count()
    for words in LINT:
        print("· " + " ".join(words), flush=True)
        good = subprocess.run([sys.executable, "-m", *words], cwd=FOLDER).returncode == 0
        count.add(Count(passed=int(good), failed=int(not good)))
    return count


def run_pytest(title: str, environment: dict[str, str], *words: str) -> Count:
    """Run pytest in processes of its own and count from the report it writes."""
    print(f"\n== {title}", flush=True)
    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="holdfast-suite-") as folder:
        report = Path(folder) / "report.xml"
        beside = ["-n", str(processes()), "--no-loadscope-reorder"]
        command = [sys.executable, "-m", "pytest", "-q", *beside, "--durations=25"]
        code = subprocess.run(
            [*command, f"--junitxml={report}", *words], cwd=FOLDER, env=environment
        ).returncode
        count = read_report(report)
    if code and not count.failed:
        count.failed += 1  # it broke before or beside its tests
    print(f"== {title}: {time.monotonic() - started:.0f} s", flush=True)
    return count


def processes() -> int:
    """Return how many tests run at once: one more than processors, as many only wait for a page
    or for another process; more than four would want more than 4 GB of memory."""
    return min((os.cpu_count() or 2) + 1, 4)


def read_report(report: Path) -> Count:
    count = Count()
    if not report.exists():
        return count
    for suite in ElementTree.parse(report).getroot().iter("testsuite"):
        failed = int(suite.get("failures", 0)) + int(suite.get("errors", 0))
        skipped = int(suite.get("skipped", 0))
        passed = int(suite.get("tests", 0)) - failed - skipped
        count.add(Count(passed=passed, failed=failed, skipped=skipped))
    return count


def clean_environment(**more: str) -> dict[str, str]:
    """Return this environment without what would point the tests at a living installation."""
    kept = {
        key: value
        for key, value in os.environ.items()
        if not key.startswith("HOLDFAST_") and key not in {"DATABASE_URL", "REDIS_URL"}
    }
    return {**kept, **more}


def last_line(count: Count, without: set[str]) -> str:
    left_out = "+".join(f"without-{part}" for part in sorted(without))
    before = f"{left_out}: " if left_out else ""
    skipped = f", {count.skipped} skipped" if count.skipped else ""
    return f"{before}{count.passed} passed, {count.failed} failed{skipped}"


def main(words: list[str]) -> int:
    without = {word.removeprefix("--without-") for word in words}
    if unknown := without - set(PARTS):
        stop_with(f"There is no part named {', '.join(sorted(unknown))}.")
    bring_tools(without)
    count = Count()
    # Before tests that wait for an answer: compiling takes a minute or more.
    warming = subprocess.Popen([sys.executable, "-m", "geometry", "warm"], cwd=FOLDER)
    if "lint" not in without:
        count.add(lint())
    if warming.wait():
        stop_with("The compiled loops of the geometry could not be made; see above.")
    marks = {"browser": "browser", "postgres": "postgresql"}
    left = [f"not {mark}" for part, mark in marks.items() if part in without]
    chosen = ["-m", " and ".join(left)] if left else []
    count.add(run_pytest("SQLite and a broker of files", clean_environment(), *chosen))
    if "postgres" not in without:
        from tests import services  # its imports are wanted only here

        with contextlib.ExitStack() as stack:
            urls = {
                "DATABASE_URL": stack.enter_context(services.running_postgresql()),
                "REDIS_URL": stack.enter_context(services.running_redis()),
            }
            count.add(
                run_pytest(
                    "PostgreSQL and Redis, all but what only reads rows",
                    clean_environment(**urls),
                    *(f"--ignore-glob={place}" for place in ONCE),
                    *chosen,
                )
            )
        print(f"Only on SQLite, as it knows no database or only reads it: {', '.join(ONCE)}.")
    if count.skipped:
        print("A skipped test proves nothing, so it counts against the run.")
    print(last_line(count, without), flush=True)
    return int(bool(count.failed or count.skipped or not count.passed))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
