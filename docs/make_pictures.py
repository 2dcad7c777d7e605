"""Make the pictures of README and docs from the running app, by docs/make_pictures.py.

Starts Holdfast by its own command on an empty folder (with the demo), walks to each page in
Chromium, and writes small PNGs into docs/pictures/.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from bench.verdict import running  # noqa: E402
from orders.demo import drawings  # noqa: E402

PICTURES = ROOT / "docs" / "pictures"
COLOURS = 48


def main() -> None:
    program = shutil.which("chromium")
    if program is None:
        raise SystemExit("The pictures need Chromium: apt-get install chromium")
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="holdfast-pictures-") as folder:
        sign = Path(folder) / "Open sign.png"
        sign.write_bytes(drawings.sign())
        var = Path(folder) / "var"
        with running(var) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
            artists_side(browser, address, sign)
            workshops_side(browser, address, password_in(var))
            browser.close()


def artists_side(browser: Any, address: str, sign: Path) -> None:
    phone = browser.new_context(viewport={"width": 390, "height": 780}).new_page()
    phone.goto(address)
    save(phone, "landing-phone.png", width=300)
    page = browser.new_context(viewport={"width": 1100, "height": 640}).new_page()
    page.goto(address)
    page.set_input_files("#drawing-file", str(sign))
    page.wait_for_selector(".verdict")
    page.locator(".mends-awaited").wait_for(state="detached")
    save(page, "drawing.png", width=880)
    phone.set_input_files("#drawing-file", str(sign))
    phone.wait_for_selector(".verdict")
    phone.locator("#mend-all").wait_for()
    drawing = phone.url.split("?")[0]
    phone.goto(f"{drawing}pens/")
    phone.locator("#pens-found li").first.wait_for()
    save(phone, "pens-phone.png", width=240)
    phone.goto(f"{drawing}mend-all/")
    phone.locator(".mend-ticks").wait_for()
    save(phone, "mend-all-phone.png", width=240)
    phone.goto(f"{drawing}?view=film")
    phone.wait_for_timeout(2500)  # what falls has fallen
    save(phone, "film-phone.png", width=240)


def workshops_side(browser: Any, address: str, password: str) -> None:
    page = browser.new_context(viewport={"width": 1000, "height": 860}).new_page()
    page.goto(f"{address}/workshop/")
    page.fill("input[name=username]", "cutter@harbour.example")
    page.fill("input[name=password]", password)
    page.click("main button:has-text('Sign in')")
    page.goto(f"{address}/workshop/queue/")
    for box in page.locator("main input[name=job]").all():
        box.check()
    page.click("button:has-text('Lay on a sheet')")
    page.click("button:has-text('Make th')")
    page.wait_for_load_state()
    if "/sheet/" not in page.url:
        page.locator("main a.sheetlink").first.click()
    page.wait_for_selector("button:has-text('Start the sheet')")
    save(page, "sheet.png", width=560)


def save(page: Any, name: str, *, width: int) -> None:
    """Write what the window shows, reduced to a width and few colours."""
    page.wait_for_timeout(300)
    picture = Image.open(BytesIO(page.screenshot())).convert("RGB")
    height = round(picture.height * width / picture.width)
    small = picture.resize((width, height), Image.Resampling.LANCZOS)
    small.quantize(COLOURS).save(PICTURES / name, optimize=True)
    print(f"{name}: {(PICTURES / name).stat().st_size / 1000:.0f} kB")


def password_in(var: Path) -> str:
    found = re.search(r"password: (\S+)", (var / "demo.txt").read_text(encoding="utf-8"))
    if found is None:
        raise SystemExit("The demo told no password.")
    return found.group(1)


if __name__ == "__main__":
    main()
