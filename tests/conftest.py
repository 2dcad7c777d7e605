"""What every test may ask for: a worker beside the test, a browser, a page, the axe rules."""

import os
import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from xdist.scheduler import LoadScopeScheduling

from geometry.kernel_cache import drop_stale  # before numpy: geometry asks BLAS for one thread

PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 800}


def pytest_sessionstart() -> None:
    """Let no test run on loops compiled from sources that have changed since."""
    drop_stale()


class ByFile(LoadScopeScheduling):
    """Keep the tests of one file in one process: they share what is costly to make.

    Those of tests/service keep to one together: they start installations that look for a free port
    from the same number on, and bring one database up to date.
    """

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        return "tests/service" if file.startswith("tests/service/") else file


@pytest.hookimpl
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> ByFile:
    """Deal the tests out to several processes, whatever --dist says."""
    return ByFile(config, log)


@pytest.fixture
def media(settings: Any, tmp_path: Path) -> Path:
    """Keep the files of one test in a folder of its own."""
    folder = tmp_path / "media"
    folder.mkdir()
    settings.MEDIA_ROOT = str(folder)
    return folder


@pytest.fixture
def worker(transactional_db: None) -> Iterator[None]:
    """Do beside the test what a worker does: take each nudge from the real broker.

    It runs in a thread of this process and on the test's own database.
    """
    from celery.contrib.testing.worker import start_worker

    from config import celery_app

    celery_app.control.purge()
    with start_worker(celery_app, pool="solo", perform_ping_check=False, shutdown_timeout=120):
        yield


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Start Debian's Chromium once; Playwright's own builds are not wanted."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        pytest.fail("The browser tests need Chromium: apt-get install chromium", pytrace=False)
    # Playwright's loop runs in this thread, and Django refuses queries beside a loop
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Give a function that opens a fresh visitor's page of a width and height.

    A script error or a breach of the content security policy fails the test.
    """
    contexts: list[Any] = []
    faults: list[str] = []

    def on_console(message: Any) -> None:
        if message.type == "error" and "Content Security Policy" in message.text:
            faults.append(message.text)

    def open_one(size: dict[str, int] = DESKTOP, **options: Any) -> Any:
        context = browser.new_context(viewport=size, reduced_motion="reduce", **options)
        context.set_default_timeout(120_000)  # a busy machine is no fault
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", on_console)
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert faults == []


@pytest.fixture
def page(open_page: Callable[..., Any]) -> Any:
    """One page of a fresh visitor at 1280 x 800."""
    return open_page()


@pytest.fixture(scope="session")
def axe_source() -> str:
    """The rules of axe-core, which test WCAG 2.2 on a page."""
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


AXE_RULES = {
    "all": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "colours": ["color-contrast"],
    "room": ["target-size", "scrollable-region-focusable"],
}


@pytest.fixture
def breaches(axe_source: str) -> Callable[..., list[str]]:
    """Give a function that lists what axe-core finds against WCAG 2.2 A and AA on a page."""

    def look(page: Any, rules: str = "all") -> list[str]:
        if not page.evaluate("Boolean(window.axe)"):
            page.evaluate(axe_source + "; undefined")  # the page's policy bars script tags
        # All that passed is many times the size of what did not, and nobody reads it.
        violations = page.evaluate(
            """async (rules) => (await axe.run(document, {
                runOnly: rules, resultTypes: ["violations"], preload: false,
            })).violations""",
            AXE_RULES[rules],
        )
        return [
            f"{breach['id']}: {node['target']} {node['failureSummary']}"
            for breach in violations
            for node in breach["nodes"]
        ]

    return look


STAND_STILL = """() => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync("*, *::before, *::after { transition: none !important; }");
    document.adoptedStyleSheets.push(sheet);
}"""
"""Colours change at once: a passage of even no time would end with the next picture only."""


@pytest.fixture
def faults_everywhere(breaches: Callable[..., list[str]]) -> Callable[..., list[str]]:
    """Give a function that lists what is wrong with a page on a phone and a desk, light and dark.

    All of axe at the first width in light, its rule of contrast in the dark, its rules of room at
    the other widths, and whether the page is wider than the window.
    """

    def look(page: Any, sizes: Sequence[dict[str, int]] = (PHONE, DESKTOP)) -> list[str]:
        faults = []
        page.evaluate(STAND_STILL)
        for number, size in enumerate(sizes):
            page.set_viewport_size(size)
            looks = (("all", "light"), ("colours", "dark")) if number == 0 else (("room", "dark"),)
            for rules, scheme in looks:
                page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
                at = f"{page.url}, {size['width']} px, {scheme}"
                faults += [f"{at}: {breach}" for breach in breaches(page, rules)]
            wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            if wide > 0:
                faults.append(f"{page.url}: {wide} px wider than a window of {size['width']} px")
        return faults

    return look


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """Fail a test that leaves a thread of its own running at its end."""
    before = set(threading.enumerate())
    yield
    left = [
        thread.name
        for thread in threading.enumerate()
        if thread not in before and thread.is_alive() and not thread.daemon
    ]
    assert left == []
