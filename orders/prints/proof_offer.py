"""On which papers a proof is offered; known without loading what prints it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from geometry.limits import Blank

# What a paper holds whole, with corner marks and code: (width, height) in mm, rounded down. A test
# holds it against the proof's own layout.
WHOLE_MM: Final = {"letter": (203.9, 211.3), "a4": (198.0, 228.9)}
NAMES: Final = {"letter": "Letter", "a4": "A4"}


@dataclass(frozen=True)
class Offer:
    """A paper to print a proof on; in_parts where the blank does not fit whole."""

    paper: str
    name: str
    in_parts: bool


def offers(blank: Blank) -> list[Offer]:
    """Return the papers for a blank's proof."""
    return [
        Offer(
            paper, name, blank.width_mm > WHOLE_MM[paper][0] or blank.height_mm > WHOLE_MM[paper][1]
        )
        for paper, name in NAMES.items()
    ]
