"""Labels: one for each bag, one with the address; on 4 x 6 in label paper or on sheets of labels.

Black only, for printers without greys. The QR code leads the signed-in cutter to the next step of
what bears it; whoever else scans it is asked to sign in and learns nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from django.urls import reverse

from geometry.units import MM_PER_INCH
from orders.errors import RefusedError
from orders.models import Job, Order, Version, Workshop
from orders.outbox import absolute
from orders.templatetags.holdfast import size_short

from .lettering import Style, break_lines
from .packing_slip import picture_of
from .page import BLACK, PAPERS, Document, Page, make_code, quiet_mm

INCH: Final = MM_PER_INCH
SMALLEST_PT: Final = 5.5
PICTURE_MM: Final = 46.0  # on a label of 4 x 6 in


@dataclass(frozen=True)
class LabelSheet:
    """A paper of labels: how many lie across and down, the first one's corner, size and pitch, mm.

    Sizes of sheets of labels are common practice in the trade, no source; a ruler on the sheet at
    hand tells, and a test print on plain paper held against it.
    """

    code: str
    name: str
    paper: str
    across: int
    down: int
    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float
    pitch_x_mm: float
    pitch_y_mm: float

    @property
    def count(self) -> int:
        return self.across * self.down


LABEL_SHEETS: Final[dict[str, LabelSheet]] = {
    sheet.code: sheet
    for sheet in (
        LabelSheet("4x6", "4 × 6 in, one at a time", "4x6", 1, 1, 0, 0, 4 * INCH, 6 * INCH, 0, 0),
        LabelSheet(
            "letter-10", "Letter, 10 of 4 × 2 in", "letter", 2, 5,
            3.97, 0.5 * INCH, 4 * INCH, 2 * INCH, 106.36, 2 * INCH,
        ),
        LabelSheet(
            "letter-30", "Letter, 30 of 2 5/8 × 1 in", "letter", 3, 10,
            4.76, 0.5 * INCH, 2.625 * INCH, INCH, 69.85, INCH,
        ),
        LabelSheet(
            "a4-14", "A4, 14 of 99 × 38 mm", "a4", 2, 7, 4.65, 15.15, 99.1, 38.1, 101.6, 38.1,
        ),
        LabelSheet("a4-24", "A4, 24 of 70 × 37 mm", "a4", 3, 8, 0, 0.5, 70, 37, 70, 37),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Label:
    """What one label says: a small line above, large words, lines below, and a code beside.

    ``is_address``: the lines below the name are as large as it is sensible to read them.
    """

    above: str
    large: str
    lines: tuple[str, ...]
    foot: str
    address: str
    is_address: bool = False
    version: Version | None = None  # its picture, where a label has room for one


def render_bags(jobs: Sequence[Job], *, sheet: str = "4x6", start: int = 1) -> bytes:
    """Return a PDF with a label for the bag of each job. The same rows give the same bytes.

    ``start`` is the first label of the sheet that is still free, counted row by row from 1.
    Raises RefusedError for an unknown sheet, a place it does not have, or no job.
    """
    if not jobs:
        raise RefusedError("There is no job to print a label for.")
    workshop = Workshop.current()
    return _render([bag_label(job, workshop) for job in jobs], sheet, start, "Bag labels")


def render_address(
    order: Order, *, sheet: str = "4x6", start: int = 1, told: Sequence[str] = ()
) -> bytes:
    """Return a PDF with the address label of an order; ``told`` are further lines (customs).

    Raises RefusedError where the order is collected or has no address.
    """
    lines = order.address_lines
    if order.delivery == Order.Delivery.COLLECT or len(lines) < 2:
        raise RefusedError("This order has no address to print. Ask the artist before posting.")
    workshop = Workshop.current()
    sender = ", ".join([workshop.name, *_without_name(workshop)])
    foot = " · ".join([f"Order {order.code}", *told])
    label = Label(f"From {sender}", lines[0], tuple(lines[1:]), foot, _scan(order.code), True)
    return _render([label], sheet, start, f"Address {order.code}")


def bag_label(job: Job, workshop: Workshop) -> Label:
    """Return what stands on the bag of a job."""
    kind = "mask" if job.version.mode == "mask" else "stencil"
    pieces = "piece" if job.quantity == 1 else "pieces"
    lines = [
        job.version.design.title,
        f"{job.quantity} {pieces}, {kind}, {size_short(job.version.blank)}",
    ]
    if job.cut_outs_expected:
        lines.append(
            f"Cut-outs: {job.cut_outs_bagged} of {job.cut_outs_expected} in the bag"
            if job.cut_outs_bagged is not None
            else f"Cut-outs: ____ of {job.cut_outs_expected} in the bag"
            if job.with_cut_outs
            else "Cut-outs: declined"
        )
    foot = "Small parts, can have sharp edges: keep from small children."
    return Label(workshop.name, job.code, tuple(lines), foot, _scan(job.code), version=job.version)


def _scan(code: str) -> str:
    return absolute(reverse("workshop-scan-code", args=[code]))


def _without_name(workshop: Workshop) -> list[str]:
    """Return the lines of the workshop's address that do not say its name again."""
    lines = [line.strip() for line in workshop.address.splitlines() if line.strip()]
    return [line for line in lines if line.casefold() != workshop.name.strip().casefold()]


def _render(labels: Sequence[Label], sheet_code: str, start: int, title: str) -> bytes:
    sheet = LABEL_SHEETS.get(sheet_code)
    if sheet is None:
        names = ", ".join(LABEL_SHEETS)
        raise RefusedError(f"That sheet of labels is not known here. Choose one of: {names}.")
    if not 1 <= start <= sheet.count:
        raise RefusedError(f"That sheet has {sheet.count} labels; begin at 1 to {sheet.count}.")
    document = Document(PAPERS[sheet.paper], title, Workshop.current().name or "Holdfast")
    page = None
    for number, label in enumerate(labels, start=start - 1):
        place = number % sheet.count
        if page is None or place == 0:
            page = document.new_page()
        row, column = divmod(place, sheet.across)
        x = sheet.left_mm + column * sheet.pitch_x_mm
        y = sheet.top_mm + row * sheet.pitch_y_mm
        _draw(page, x, y, sheet, label)
    return document.to_bytes()


def _draw(page: Page, x: float, y: float, sheet: LabelSheet, label: Label) -> None:
    """Draw a label: upright ones have their code below the words, the others beside them."""
    edge = 5.0 if sheet.count == 1 else min(4.0, sheet.height_mm * 0.09)
    left, top = x + edge, y + edge
    width, height = sheet.width_mm - 2 * edge, sheet.height_mm - 2 * edge
    qr = make_code(label.address)
    if sheet.height_mm > sheet.width_mm:
        side = 30.0
        quiet = quiet_mm(qr, side)
        words = height - side - 2 * quiet - 4
        low = top + height - side - quiet
        if label.version is not None:
            words -= PICTURE_MM + 3
            _picture(page, left, low - quiet - 5 - PICTURE_MM, label.version)
        _words(page, left, top, width, words, label, 34.0 if label.is_address else 44.0)
        page.line(
            (left, low - quiet - 2), (left + width, low - quiet - 2), stroke_mm=0.6, colour=BLACK
        )
        page.code(left + quiet, low, side, qr)
        at = left + side + 2 * quiet + 3
        said = "Scan: the next step, for whoever packs. It asks for the sign-in."
        style = Style("text", 7.5)
        told = [*break_lines(label.foot, replace(style, face="bold"), left + width - at)]
        end = page.lines(at, low, told, replace(style, face="bold"), colour=BLACK)
        page.lines(at, end + 2, break_lines(said, style, left + width - at), style, colour=BLACK)
        return
    # no smaller than 15 mm: half a millimetre a square, three dots at 150 dpi
    side = max(15.0, min(height - 2, 26.0, sheet.width_mm * 0.3))
    side = min(side, height)
    quiet = quiet_mm(qr, side)
    room = width - side - 2 * quiet
    page.code(left + width - side - quiet / 2, top + (height - side) / 2, side, qr)
    foot = Style("text", SMALLEST_PT, 1.2)
    large_pt = 11.0 if label.is_address else 16.0
    # a long title on a small label takes the place of the caution, then of our own name
    for fitting in (label, replace(label, foot=""), replace(label, foot="", above="")):
        lines = break_lines(fitting.foot, foot, room)
        low = top + height - len(lines) * foot.line_mm
        if _height(_set(fitting, room, large_pt, 0.0)) <= low - top:
            break
    _words(page, left, top, room, low - top, fitting, large_pt)
    page.lines(left, low, lines, foot, colour=BLACK)


def _picture(page: Page, x: float, y: float, version: Version) -> None:
    """Draw what lies in the bag, its longer side as long as the place."""
    share = PICTURE_MM / max(version.blank.size_mm)
    across, down = (side * share for side in version.blank.size_mm)
    picture = picture_of(version, [across, down])
    if picture is not None:
        page.picture(x, y, across, down, picture)
    page.box(x, y, across, down, stroke_mm=0.3, colour=BLACK)


def _words(
    page: Page, left: float, top: float, width: float, height: float, label: Label, large_pt: float
) -> None:
    """Draw the words of a label as large as they fit, down to a size that can still be read."""
    share = 1.0
    while True:
        parts = _set(label, width, large_pt, share)
        if _height(parts) <= height or share < 0.1:
            break
        share *= 0.92
    for lines, style in parts:
        top = page.lines(left, top, lines, style, colour=BLACK)


def _height(parts: Sequence[tuple[list[str], Style]]) -> float:
    return sum(len(lines) * style.line_mm for lines, style in parts)


def _set(
    label: Label, width: float, large_pt: float, share: float
) -> list[tuple[list[str], Style]]:
    def sized(face: str, size_pt: float, spacing: float = 1.25) -> Style:
        return Style(face, max(SMALLEST_PT, size_pt * share), spacing)

    above = sized("text", large_pt * 0.32)
    large = sized("bold" if label.is_address else "display", large_pt)
    text = sized("text", large_pt * (0.85 if label.is_address else 0.45))
    setting: list[tuple[list[str], Style]] = [(list(break_lines(label.above, above, width)), above)]
    setting.append((list(break_lines(label.large, large, width)), large))
    setting += [(list(break_lines(line, text, width)), text) for line in label.lines]
    return setting
