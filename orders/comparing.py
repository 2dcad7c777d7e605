"""Two versions of a drawing beside each other: what was cut away, added, and what came of it."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models.fields.files import FieldFile
from numpy.typing import NDArray
from PIL import Image

from .models import Version

# As in static/css/ink.css, in light: the picture is the same on a dark page, on its own ground.
FILM, BOTH_CUT = (255, 253, 248), (205, 199, 187)
CUT_NOW, FILM_NOW = (42, 56, 156), (152, 33, 28)
STRIPE_PX, DOT_PX = 8, 6  # at the 8 px per mm of a film picture
Pixels = NDArray[np.bool_]


@dataclass(frozen=True)
class Measure:
    """One measure of both versions: a size, a length in mm or a count; None where there is none."""

    name: str
    one: Any
    other: Any
    is_length: bool = False
    is_size: bool = False

    @property
    def differs(self) -> bool:
        """Whether the two are not the same."""
        return bool(self.one != self.other)


@dataclass(frozen=True)
class Findings:
    """Findings of two versions: those that went, that came, and that are in both."""

    gone: list[dict[str, Any]]
    new: list[dict[str, Any]]
    both: list[dict[str, Any]]


def findings_of_both(one: Version, other: Version) -> Findings:
    """Sort the findings of two versions by their keys, which stay the same across checks."""
    before = {finding["key"]: finding for finding in one.findings}
    after = {finding["key"]: finding for finding in other.findings}
    return Findings(
        gone=[finding for key, finding in before.items() if key not in after],
        new=[finding for key, finding in after.items() if key not in before],
        both=[finding for key, finding in after.items() if key in before],
    )


def measures_of_both(one: Version, other: Version) -> list[Measure]:
    """Return the measures of two versions: mm where the name says so, else counts."""
    reports = [(version.report or {}).get("stencil") or {} for version in (one, other)]
    rows = [Measure("Size", one.blank, other.blank, is_size=True)]
    for key, name in MEASURES.items():
        first, second = (report.get(key) for report in reports)
        if first is not None or second is not None:
            rows.append(Measure(name, first, second, is_length=key.endswith("_mm")))
    return rows


MEASURES = {
    "openings": "Openings",
    "cut_outs": "Cut-outs to keep",
    "min_opening_mm": "Finest line",
    "min_web_mm": "Narrowest film",
    "outline_mm": "Length of all cuts",
}


def difference_png(one: Version, other: Version) -> bytes | None:
    """Return what differs between two film pictures, PNG at 8 px per mm; None without pictures.

    Both blanks lie centred on each other. Pale grey is cut in both; stripes are cut only in the
    other, dots are film only in the other.
    """
    if not one.film_picture or not other.film_picture:
        return None
    before, after = (_cut(version.film_picture) for version in (one, other))
    height = max(before.shape[0], after.shape[0])
    width = max(before.shape[1], after.shape[1])
    before, after = (_centred(cut, height, width) for cut in (before, after))
    rows, columns = np.ogrid[:height, :width]
    stripe = (rows + columns) % STRIPE_PX < STRIPE_PX // 2
    dot = (rows % DOT_PX < DOT_PX // 2) & (columns % DOT_PX < DOT_PX // 2)
    picture = np.full((height, width, 3), FILM, np.uint8)
    picture[before & after] = BOTH_CUT
    picture[~before & after & stripe] = CUT_NOW
    picture[before & ~after & dot] = FILM_NOW
    out = io.BytesIO()
    Image.fromarray(picture).quantize(8).save(out, "PNG")
    return out.getvalue()


def _cut(file: FieldFile) -> Pixels:
    """Return (h, w) where a film picture is cut."""
    with file.open("rb") as stored:
        return np.asarray(Image.open(stored).convert("L")) < 128


def _centred(cut: Pixels, height: int, width: int) -> Pixels:
    out = np.zeros((height, width), bool)
    top, left = (height - cut.shape[0]) // 2, (width - cut.shape[1]) // 2
    out[top : top + cut.shape[0], left : left + cut.shape[1]] = cut
    return out
