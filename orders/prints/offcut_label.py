"""The label of an offcut: its number large, its film and its sides, 90 x 40 mm."""

from __future__ import annotations

import io

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from orders.models import Offcut

SIZE_MM = (90, 40)


def render(offcut: Offcut) -> bytes:
    """Return the label as a PDF of one page of its own size."""
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(SIZE_MM[0] * mm, SIZE_MM[1] * mm), invariant=1)
    canvas.setTitle(f"Offcut {offcut.number}")
    canvas.setCreator("Holdfast")
    canvas.setFont("Helvetica-Bold", 40)
    canvas.drawString(5 * mm, 20 * mm, str(offcut.number))
    canvas.setFont("Helvetica-Bold", 15)
    size = f"{offcut.width_mm:g} x {offcut.height_mm:g} mm"
    canvas.drawRightString(85 * mm, 27 * mm, size)
    canvas.setFont("Helvetica", 9)
    canvas.drawRightString(85 * mm, 20 * mm, f"offcut of sheet {offcut.came_from.code}")
    canvas.drawString(5 * mm, 11 * mm, offcut.film.name[:48])
    canvas.drawString(5 * mm, 5 * mm, f"kept {offcut.at:%Y-%m-%d}")
    canvas.showPage()
    canvas.save()
    return stream.getvalue()
