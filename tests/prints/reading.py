"""PDFs read back by pypdfium2, a reader that had no part in writing them."""

from __future__ import annotations

import unicodedata

import numpy as np
import pypdfium2 as pdfium

POINTS_PER_MM = 72 / 25.4  # a PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3)


def page_sizes_mm(data: bytes) -> list[tuple[float, float]]:
    """Return (width, height) in mm of every page."""
    with pdfium.PdfDocument(data) as document:
        return [
            tuple(side / POINTS_PER_MM for side in document[number].get_size())
            for number in range(len(document))
        ]


def texts(data: bytes) -> list[str]:
    """Return the text of every page, spaces and line ends as single spaces."""
    found = []
    with pdfium.PdfDocument(data) as document:
        for number in range(len(document)):
            page = document[number]
            words = page.get_textpage()
            found.append(" ".join(words.get_text_range().split()))
            words.close()
            page.close()
    return found


def letters(text: str) -> str:
    """Return a text without its spaces, so that the place of a line end does not matter.

    pdfium gives a hyphen at a line's end as U+FFFE.
    """
    return "".join(unicodedata.normalize("NFC", text).replace("\ufffe", "-").split())


def text_boxes_mm(data: bytes) -> list[list[tuple[float, float, float, float]]]:
    """Return for every page the boxes of its text objects: left, top, right, bottom, y down."""
    pages = []
    with pdfium.PdfDocument(data) as document:
        for number in range(len(document)):
            page = document[number]
            height = page.get_size()[1]
            boxes = []
            for item in page.get_objects(filter=(pdfium.raw.FPDF_PAGEOBJ_TEXT,)):
                left, bottom, right, top = item.get_bounds()
                box = (left, height - top, right, height - bottom)
                boxes.append(tuple(side / POINTS_PER_MM for side in box))
            pages.append(boxes)
            page.close()
    return pages


def pictures(data: bytes, dpi: int) -> list[np.ndarray]:
    """Return every page as a grey picture, shape (rows, columns), uint8."""
    found = []
    with pdfium.PdfDocument(data) as document:
        for number in range(len(document)):
            page = document[number]
            bitmap = page.render(scale=dpi / 72, grayscale=True)
            found.append(np.array(bitmap.to_numpy(), copy=True).squeeze())
            page.close()
    return found


def overlaps(boxes: list[tuple[float, float, float, float]]) -> list[tuple[int, int]]:
    """Return the pairs of boxes that share more than a third of a millimetre both ways."""
    return [
        (first, second)
        for first in range(len(boxes))
        for second in range(first)
        if min(boxes[first][2], boxes[second][2]) - max(boxes[first][0], boxes[second][0]) > 0.33
        and min(boxes[first][3], boxes[second][3]) - max(boxes[first][1], boxes[second][1]) > 0.33
    ]
