"""The job ticket: what lies beside the laser while a job is cut, with boxes to tick by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.urls import reverse

from orders.dates import day_words
from orders.measures import measures_of, seconds_of, weight_g
from orders.models import Film, Job, Version, Workshop
from orders.outbox import absolute
from orders.prints.packing_slip import Block, picture_of
from orders.shelf_sales import sale_of
from orders.templatetags.holdfast import size_words

from .lettering import Style, break_lines
from .page import (
    FILM,
    HAIR,
    INK,
    PAINT,
    PENCIL,
    Document,
    Page,
    Paper,
    make_code,
    paper_named,
    quiet_mm,
)

PAPERS: Final = ("letter", "a4")
EDGE: Final = 14.0
PICTURE_MM: Final = 68.0
QR_MM: Final = 26.0
SMALL: Final = Style("text", 8)
TEXT: Final = Style("text", 9.5, 1.36)
BOLD: Final = Style("bold", 9.5, 1.36)
TITLE: Final = Style("bold", 13)
CODE: Final = Style("display", 34, 1.1)
HEADING: Final = Style("display", 15, 1.2)
MOST_SQUARES: Final = 60

# The machine's manual and the local rules come first; see the cautions of the site.
CAUTIONS: Final = (
    "Extraction and cooling are running, checked just now.",
    "This film’s maker allows laser cutting. No PVC or vinyl: hydrogen chloride gas.",
    "Scrap is cleared from the tray; the placement sheet is out, or flat as the manual says.",
    "Extinguisher at hand; eye protection and interlocks as the manual and local rules ask.",
    "Somebody stays with the machine until it is done: PET melts, drips and burns.",
)
RULES: Final = (
    "The machine’s manual and your local rules on lasers and fire govern (IEC 60825-1, "
    "ANSI Z136.1); these ticks do not replace them."
)
STEPS: Final = (
    "Kerf taken once: the machine’s own compensation is off",
    "Weeded: every opening free, edges clean",
    "Held beside the picture: it is this drawing, whole",
)


def render(job: Job, *, paper: str = "a4") -> bytes:
    """Return the ticket of a job as a PDF; the same rows always give the same bytes.

    Raises RefusedError for an unknown paper.
    """
    return render_all([job], paper=paper)


def render_all(jobs: Sequence[Job], *, paper: str = "a4") -> bytes:
    """Return the tickets of many jobs in one PDF, each on pages of its own, in the order given."""
    sheet = paper_named(paper, PAPERS)
    name = Workshop.current().name
    title = "Job ticket " + ", ".join(job.code for job in jobs)
    document = Document(sheet, title[:200], name or "Holdfast")
    for job in jobs:
        _draw(document, sheet, job, name)
    return document.to_bytes()


def _draw(document: Document, sheet: Paper, job: Job, name: str) -> None:
    width = sheet.width_mm - 2 * EDGE
    last = sheet.height_mm - EDGE - SMALL.line_mm - 2
    blocks = [
        _head(job, width),
        _look(job, width),
        *_findings(job.version, width),
        *_notes(job, width),
        _by_hand(job, width),
        _cautions(job, width),
    ]
    pages: list[list[Block]] = [[]]
    top = EDGE
    for block in blocks:
        if top + block.height_mm > last and pages[-1]:
            pages.append([])
            top = EDGE
        pages[-1].append(block)
        top += block.height_mm
    for number, dealt in enumerate(pages, start=1):
        page = document.new_page()
        top = EDGE
        with page.moved(EDGE):
            for block in dealt:
                block.draw(page, top)
                top += block.height_mm
            foot = f"Job {job.code}, page {number} of {len(pages)}"
            low = sheet.height_mm - EDGE - SMALL.line_mm
            page.lines(0, low, [name], SMALL, colour=PENCIL)
            page.lines(width, low, [foot], SMALL, colour=PENCIL, align="right")


def _head(job: Job, width: float) -> Block:
    """Code, title, artist, days, and the QR code that leads to the next step."""
    qr = make_code(absolute(reverse("workshop-scan-code", args=[job.code])))
    quiet = quiet_mm(qr, QR_MM)
    room = width - QR_MM - quiet - 6
    title = break_lines(job.version.design.title, TITLE, room)
    order = job.order
    days = [f"promised for {day_words(job.promise_on)}"]
    if order.rush_days is not None:
        days.append(f"RUSH, within {order.rush_days} working days")
    name = order.ship_name or str(order.artist or "")
    said = break_lines(f"Order {order.code} for {name}, {', '.join(days)}", TEXT, room)
    tall = SMALL.line_mm + CODE.line_mm + len(title) * TITLE.line_mm + len(said) * TEXT.line_mm
    height = max(tall, QR_MM + SMALL.line_mm + quiet) + 5

    def draw(page: Page, top: float) -> None:
        below = page.lines(0, top, ["Job ticket"], SMALL, colour=PENCIL)
        below = page.lines(0, below, [job.code], CODE, colour=PAINT)
        below = page.lines(0, below, title, TITLE)
        page.lines(0, below, said, TEXT)
        page.code(width - QR_MM, top, QR_MM, qr)
        words = ["Scan: the next step"]
        page.lines(width, top + QR_MM + quiet * 0.8, words, SMALL, colour=PENCIL, align="right")
        page.line((0, top + height - 2.5), (width, top + height - 2.5), stroke_mm=0.7)

    return Block(height, draw)


def _look(job: Job, width: float) -> Block:
    """The picture to scale, and the facts beside it."""
    sides = list(job.version.blank.size_mm)
    share = min(1.0, PICTURE_MM / max(sides))
    across, down = (side * share for side in sides)
    picture = picture_of(job.version, [across, down])
    column = PICTURE_MM + 7
    label_mm = 29.0
    rows = [
        (label, break_lines(value, TEXT, width - column - label_mm)) for label, value in _facts(job)
    ]
    told = sum(len(lines) * TEXT.line_mm + 0.6 for _, lines in rows)
    scale = f"drawn at {round(100 * share)} % of true size"
    height = max(down + SMALL.line_mm + 1.5, told) + 4

    def draw(page: Page, top: float) -> None:
        page.box(0, top, across, down, stroke_mm=0.3, fill=FILM)
        if picture is not None:
            page.picture(0, top, across, down, picture)
            page.box(0, top, across, down, stroke_mm=0.3)
        page.lines(0, top + down + 1, [scale], SMALL, colour=PENCIL)
        y = top
        for label, lines in rows:
            drop = TEXT.rise_mm - SMALL.rise_mm
            page.lines(column, y + drop, [label], SMALL, colour=PENCIL)
            y = page.lines(column + label_mm, y, lines, TEXT) + 0.6

    return Block(height, draw)


def _facts(job: Job) -> list[tuple[str, str]]:
    """Return (label, value) of what the cutter sets the machine and counts by."""
    version, film = job.version, job.film
    kind = "mask, all pieces belong to it" if version.mode == "mask" else "stencil"
    facts = [
        ("Pieces", f"{job.quantity} wanted" + (f", {job.cut} cut so far" if job.cut else "")),
        ("Blank", f"{size_words(version.blank)}, {kind}"),
        ("Film", film.name),
        ("Kerf", f"{film.kerf_mm:g} mm, already taken in the cut file"),
    ]
    sale = sale_of(job)
    if sale is not None:
        facts.insert(2, ("From the shelf", f"drawn by {sale.offer.shown_name or 'another artist'}"))
    stencil: dict[str, Any] = (version.report or {}).get("stencil") or {}
    if stencil:
        facts.append(
            ("Openings", f"{stencil['openings']}, {stencil['outline_mm']:.0f} mm of line to cut")
        )
        narrow = [
            f"{words} {stencil[key]:.2f} mm"
            for key, words in (("min_opening_mm", "opening"), ("min_web_mm", "film"))
            if stencil.get(key) is not None
        ]
        if narrow:
            facts.append(("Narrowest", ", ".join(narrow)))
    measure = measures_of([version.pk]).get(version.pk)
    if measure is not None:
        with_outline = film.form == Film.Form.SHEET
        seconds = seconds_of(measure, version.blank_code, with_outline=with_outline)
        facts.append(
            (
                "Laser, estimated",
                f"{_time(seconds)} a piece, {_time(seconds * job.quantity)} in all",
            )
        )
    facts.append(("Weight", f"{weight_g(version.blank_code, film)} g a piece"))
    facts.append(("Cut-outs", _cut_outs(job)))
    facts.append(("Version", f"{version.number} of the drawing"))
    return facts


def _cut_outs(job: Job) -> str:
    if not job.cut_outs_expected:
        return "none of 4 mm or more across"
    each = job.cut_outs_expected // max(1, job.quantity)
    wanted = "bag them" if job.with_cut_outs else "declined: recycle or keep, and say which"
    return f"{each} from each piece, {job.cut_outs_expected} in all; {wanted}"


def _time(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _findings(version: Version, width: float) -> list[Block]:
    """Each finding with who lets it stand and why; the heading keeps to the first."""
    overrides = {row.finding_key: row for row in version.overrides.select_related("by")}
    kept = {row.finding_key: row for row in version.kept.select_related("by")}
    words = {"reject": "must be mended", "warn": "warning", "note": "note"}
    blocks = []
    for finding in version.findings:
        said = f"{finding['id']}  {words.get(finding['severity'], '')}: {finding['message']}"
        stands = ""
        if override := overrides.get(finding["key"]):
            stands = f"Stands: {override.reason} ({override.by}, {day_words(override.at)})"
        elif finding["key"] in kept:
            stands = "The artist keeps it as it is."
        blocks.append(_entry(said, stands, width))
    if not blocks:
        return [_stack(_heading("Findings", width), _entry("Nothing was found.", "", width))]
    blocks[0] = _stack(_heading("Findings", width), blocks[0])
    return blocks


def _notes(job: Job, width: float) -> list[Block]:
    """The artist's note, where there is one."""
    if not job.order.note.strip():
        return []
    return [_stack(_heading("Their note", width), _entry(job.order.note, "", width))]


def _by_hand(job: Job, width: float) -> Block:
    """A square for each piece to tick, a line for spoiled ones, and the steps after the laser."""
    shown = min(job.quantity, MOST_SQUARES)
    side, gap = 5.2, 1.8
    label_mm = 36.0
    a_row = max(1, int((width - label_mm) // (side + gap)))
    rows = -(-shown // a_row)
    more = job.quantity - shown
    squares = rows * (side + gap)
    line = 8.2
    heading = _heading("By hand", width)
    height = heading.height_mm + squares + line * (len(STEPS) + 2) + 2

    def draw(page: Page, top: float) -> None:
        heading.draw(page, top)
        y = top + heading.height_mm
        page.lines(0, y, ["Cut well"], BOLD)
        for number in range(shown):
            row, column = divmod(number, a_row)
            page.box(
                label_mm + column * (side + gap), y + row * (side + gap), side, side, stroke_mm=0.3
            )
        if more:
            at = label_mm + (shown % a_row or a_row) * (side + gap)
            page.lines(
                at, y + (rows - 1) * (side + gap), [f"and {more} more"], SMALL, colour=PENCIL
            )
        y += squares + 1
        for label, tail in (("Spoiled, and by what", ""), ("Cut-outs counted", _expected(job))):
            page.lines(0, y, [label], BOLD)
            page.line((label_mm + 6, y + 5), (label_mm + 76, y + 5), stroke_mm=0.25, colour=HAIR)
            page.lines(label_mm + 79, y, [tail], TEXT, colour=PENCIL)
            y += line
        for step in STEPS:
            page.box(0, y, side, side, stroke_mm=0.3)
            page.lines(side + 3, y, [step], TEXT)
            y += line

    return Block(height, draw)


def _expected(job: Job) -> str:
    if not job.cut_outs_expected:
        return "none expected"
    return f"of {job.cut_outs_expected}" + ("" if job.with_cut_outs else ", declined")


def _cautions(job: Job, width: float) -> Block:
    """The cautions inside a cut line, each with a box to tick before the run."""
    inset, side = 4.0, 4.6
    room = width - 2 * inset - side - 3
    said = list(CAUTIONS)
    if job.film.data_sheet_note.strip():
        said.append(f"Maker’s data sheet on this film: {job.film.data_sheet_note.strip()}")
    broken = [break_lines(sentence, TEXT, room) for sentence in said]
    rules = break_lines(RULES, SMALL, width - 2 * inset)
    tall = HEADING.line_mm + sum(max(side + 1.2, len(b) * TEXT.line_mm + 1.2) for b in broken)
    box = tall + len(rules) * SMALL.line_mm + 2 * inset
    height = box + 4

    def draw(page: Page, top: float) -> None:
        top += 2
        page.cut_line(0, top, width, box, bridge_mm=10)
        y = page.lines(inset, top + inset, ["Before each run"], HEADING)
        for lines in broken:
            page.box(inset, y + 0.3, side, side, stroke_mm=0.35)
            page.lines(inset + side + 3, y, lines, TEXT)
            y += max(side + 1.2, len(lines) * TEXT.line_mm + 1.2)
        page.lines(inset, y, rules, SMALL, colour=PENCIL)

    return Block(height, draw)


def _heading(words: str, width: float) -> Block:
    def draw(page: Page, top: float) -> None:
        page.lines(0, top + 1.5, [words], HEADING)

    return Block(HEADING.line_mm + 2.5, draw)


def _entry(said: str, stands: str, width: float) -> Block:
    lines = [line for part in said.splitlines() or [""] for line in break_lines(part, TEXT, width)]
    told = break_lines(stands, BOLD, width - 5) if stands else []
    height = len(lines) * TEXT.line_mm + len(told) * BOLD.line_mm + 1.2

    def draw(page: Page, top: float) -> None:
        below = page.lines(0, top, lines, TEXT)
        page.lines(5, below, told, BOLD, colour=INK)

    return Block(height, draw)


def _stack(*blocks: Block) -> Block:
    """Return blocks below each other as one that stays whole."""

    def draw(page: Page, top: float) -> None:
        for block in blocks:
            block.draw(page, top)
            top += block.height_mm

    return Block(sum(block.height_mm for block in blocks), draw)
