"""What artists and the cutter do in a fault run, step by step over the pages.

Five kinds of flow, mixed by the seed: an order by sheet, an order cut on its own with talk and
payment, drawings edited, steps taken back and asked about, and orders that are not wanted after
all. Each step that the site says is done is noted with what has to be there from then on.
"""

from __future__ import annotations

import hashlib
import json
import random
import re
import time
import uuid
from io import BytesIO
from typing import Any

from PIL import Image, ImageDraw

from bench.faults_client import Answer, FlowError, Notes, Visitor

KINDS = {"by sheet": 35, "alone": 25, "edited": 20, "taken back": 10, "not wanted": 10}
VERDICT_S = 420.0
DPI, SIDES_PX = 300, (750, 1050)  # 2.5 x 3.5 in


def drawing(rng: random.Random) -> tuple[bytes, int]:
    """Return a small drawing that holds, like no other, as PNG, and how many openings it has."""
    picture = Image.new("L", SIDES_PX, 255)
    pen = ImageDraw.Draw(picture)
    openings = rng.randrange(2, 5)
    for row in range(openings):
        top, left = 180 + 180 * row, rng.randrange(120, 330)
        box = (left, top, left + rng.randrange(180, 280), top + rng.randrange(70, 110))
        (pen.rectangle if rng.random() < 0.5 else pen.ellipse)(box, fill=0)
    for _ in range(4):  # single pale dots, far too light to be ink: no two files are the same
        picture.putpixel((rng.randrange(750), rng.randrange(1050)), rng.randrange(250, 255))
    out = BytesIO()
    picture.save(out, "PNG", dpi=(DPI, DPI))
    return out.getvalue(), openings


class Flow:
    """One artist with one drawing, and the cutter at work on what comes of it."""

    def __init__(
        self, number: int, seed: int, addresses: list[str], cutter: Visitor, notes: Notes
    ) -> None:
        self.rng = random.Random(f"{seed} {number}")
        self.number, self.notes = number, notes
        self.kind = self.rng.choices(list(KINDS), weights=list(KINDS.values()))[0]
        self.artist = Visitor(addresses, notes, self.rng)
        self.cutter = Visitor(addresses, notes, self.rng)
        self.cutter.cookies = dict(cutter.cookies)
        self.email = f"flow{number}@harbour.example"
        self.token = self.order = self.link = self.job = ""

    def run(self) -> None:
        self.upload()
        page = self.wait_for_verdict()
        if self.kind == "edited":
            self.edit(page)
            return
        self.place(page)
        if self.kind == "not wanted" and self.rng.random() < 0.5:
            self.refuse()
            return
        self.accept()
        if self.kind == "not wanted":
            self.call_off()
            return
        if self.kind == "taken back":
            self.ask_and_take_back()
        self.step("queue")
        if self.kind == "by sheet":
            self.cut_on_a_sheet()
        else:
            self.talk()
            self.cut_alone()
        self.pack_and_ship()
        self.invoice()

    # the artist

    def upload(self) -> None:
        data, _ = drawing(self.rng)
        page = self.artist.get("/")
        form = page.form("/upload/")
        fields = {key: value for key, value in form.form_values() if key != "drawing"}
        fields |= {"blank": "2.5x3.5in", "paper": "same"}
        by_script = self.rng.random() < 0.6
        headers = {"Accept": "application/json"} if by_script else {}
        if by_script:
            fields["sending"] = str(uuid.UUID(int=self.rng.getrandbits(128)))
        name = f"tide sign {self.number}.png"
        answer = self.artist.press_files("/upload/", fields, name, data, **headers)
        place = json.loads(answer.text).get("address", "") if by_script else answer.location
        found = re.match(r"/drawing/([\w-]+)/", place)
        if not found:
            raise FlowError(f"upload answered {answer.status}: {answer.text[:200]}")
        self.token = found[1]
        self.notes.ack("upload", token=self.token, sha256=hashlib.sha256(data).hexdigest())

    def wait_for_verdict(self, number: int = 1) -> Answer:
        last = time.monotonic() + VERDICT_S
        while time.monotonic() < last:
            page = self.artist.get(f"/drawing/{self.token}/?v={number}")
            if 'class="waiting panel"' not in page.text:
                self.notes.ack("verdict", token=self.token, number=number)
                return page
            time.sleep(self.rng.uniform(0.7, 1.3))
        raise FlowError(f"no verdict within {VERDICT_S:.0f} s")

    def edit(self, page: Answer) -> None:
        """Make further versions: meant as a mask, and placed anew by hand."""
        done = self.artist.press(page, "/mode/")
        self._refused(done, "mode")
        self.notes.ack("version", token=self.token, number=2)
        self.wait_for_verdict(2)
        page = self.artist.get(f"/drawing/{self.token}/straighten/?v=1")
        percent = f"{self.rng.randrange(70, 95)}"
        done = self.artist.press(page, "/straighten/save/", do="save", scale_percent=percent)
        self._refused(done, "straighten")
        self.notes.ack("version", token=self.token, number=3)
        self.wait_for_verdict(3)

    def place(self, page: Answer) -> None:
        self.quantity = self.rng.randrange(1, 4)
        basket = self.artist.press(page, "/basket/add/", quantity=str(self.quantity))
        self._refused(basket, "basket")
        self.notes.ack("basket", token=self.token, quantity=self.quantity)
        basket = self.artist.get("/basket/")
        self.asked = {
            "email": self.email, "delivery": "post", "ship_name": f"Wren {self.number}",
            "ship_line1": "3 Quay Steps", "ship_postcode": "TH 1", "ship_city": "Tidehaven",
            "ship_country": "Harbourland", "rights": "on",
        }  # fmt: skip
        quote = self.artist.press(basket, "/basket/place/", **self.asked)
        self._refused(quote, "place")
        found = re.search(r'Quote <span class="code">([^<]+)/\d+<', quote.text)
        if not found:
            raise FlowError(f"no quote after asking: {quote.path}")
        self.order, self.quote = found[1], quote
        self.notes.ack("place", order=self.order, email=self.email, quantity=self.quantity)

    def accept(self) -> None:
        page = self.artist.press(self.quote, "/accept/")
        self._refused(page, "accept")
        self.link = page.path
        self.notes.ack("accept", order=self.order)
        page = self.cutter.get(f"/workshop/order/{self.order}/")
        self.job = re.findall(r"/workshop/job/([\w-]+)/", page.text)[0]

    def refuse(self) -> None:
        page = self.artist.press(self.quote, "/refuse/", why="Too early in the year.")
        self._refused(page, "refuse")
        self.notes.ack("refuse", order=self.order)

    def call_off(self) -> None:
        page = self.artist.press(self.artist.get(self.link), "/cancel/", why="Not needed now.")
        self._refused(page, "cancel")
        self.notes.ack("step", job=self.job, action="cancel", times=1)

    # the cutter

    def step(self, action: str, *, times: int = 1, **values: str) -> Answer:
        """Press one button on the job's page and note it."""
        page = self.cutter.get(f"/workshop/job/{self.job}/")
        done = self.cutter.press(page, f"/step/{action}/", **values)
        self._refused(done, action)
        self.notes.ack("step", job=self.job, action=action, times=times)
        return done

    def ask_and_take_back(self) -> None:
        self.step("hold", why="The film is out.")
        self.step("resume")
        self.step("ask-changes", why="Shall the bar be wider?")
        self.step("undo")

    def talk(self) -> None:
        page = self.artist.get(self.link)
        text = f"Is it ready by the tide? ({self.number})"
        done = self.artist.press(page, "/talk/write/", text=text)
        self._refused(done, "message")
        self.notes.ack("message", order=self.order, text=text)
        page = self.cutter.get(f"/workshop/money/{self.order}/")
        done = self.cutter.press(page, "/pay/", method="transfer")
        self._refused(done, "pay")
        self.notes.ack("pay", order=self.order)

    def cut_on_a_sheet(self) -> None:
        page = self.cutter.get(f"/workshop/sheet/new/?job={self.job}")
        sheet = self.cutter.press(page, "/sheet/new/", do="make")
        if not re.fullmatch(r"/workshop/sheet/[\w-]+/", sheet.path) or sheet.error:
            # made by a press whose answer was lost: the job's page knows its sheet
            job = self.cutter.get(f"/workshop/job/{self.job}/")
            found = re.findall(r'href="(/workshop/sheet/(?!new|fill)[\w-]+/)', job.text)
            if not found:
                raise FlowError(f"no sheet was made: {sheet.error}")
            sheet = self.cutter.get(found[0])
        for ending, action in (("/step/start/", "start"), ("/all-good/", ""), ("/finish/", "")):
            sheet = self.cutter.press(self.cutter.get(sheet.path), ending)
            self._refused(sheet, ending)
            if action:
                self.notes.ack("step", job=self.job, action=action, times=1)
        self.notes.ack("sheet", job=self.job, sheet=sheet.path.split("/")[-2])
        self.notes.ack("step", job=self.job, action="count", times=1)

    def cut_alone(self) -> None:
        self.step("start")
        self.step("count", good=str(self.quantity))

    def pack_and_ship(self) -> None:
        page = self.cutter.get(f"/workshop/job/{self.job}/")
        expected = re.search(r"(\d+) cut-outs are expected", page.text)
        bagged = {"cut_outs_bagged": expected[1]} if expected else {}
        self.step("pack", **bagged)
        page = self.cutter.get(f"/workshop/order/{self.order}/")
        tracking = f"HP-{self.number}"
        done = self.cutter.press(
            page, "/ship/", how="posted", carrier="Harbour Post", tracking=tracking
        )
        self._refused(done, "ship")
        self.notes.ack("step", job=self.job, action="ship", times=1)
        self.notes.ack("shipped", order=self.order, job=self.job, quantity=self.quantity)

    def invoice(self) -> None:
        page = self.cutter.get(f"/workshop/money/{self.order}/")
        done = self.cutter.press(page, "/invoice/")
        self._refused(done, "invoice")
        self.notes.ack("invoice", order=self.order)

    def _refused(self, page: Answer, what: str) -> None:
        if page.error:
            raise FlowError(f"{what} was refused: {page.error}")
        if page.status >= 400:
            raise FlowError(f"{what} was answered {page.status}: {_words(page)}")


def _words(page: Answer) -> str:
    found: list[Any] = page.tree.xpath("//main")
    return " ".join(found[0].text_content().split())[:200] if found else page.text[:200]
