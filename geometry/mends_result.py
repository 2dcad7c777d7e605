"""Mends as they are told: what mends a finding, or why nothing does, in words and in JSON."""

from dataclasses import dataclass, field
from typing import Any, Final

from geometry.check import Checked
from geometry.findings import Finding
from geometry.mends_judge import severity_of
from geometry.mends_place import Move
from geometry.recipe import Recipe, Stroke

BRIDGED: Final = ("island", "flap")
PLACED: Final = ("leaves-blank", "margin")
WORDS: Final = {
    "line-below-kerf": "Thicken this line",
    "thin-line": "Thicken this line",
    "thin-web": "Widen this gap",
    "thin-bridge": "Widen this bridge",
    "half-covered": "Cover it with white",
    "spur": "Remove this spur",
    "uneven-line": "Even out this line",
}
NO_MEND: Final = {
    "low-resolution": "No pen can mend a coarse picture. Scan the drawing at 300 dpi, or "
    "photograph it closer, and put it in again.",
    "crowding": "Draw the lines here farther apart, or fewer of them; cut slowly it may also do.",
    "lift": "Put in a bridge beside it, or take stiffer film; it may also do as it is.",
}
"""Kinds for which nothing is tried, and what to do instead."""
FAILED: Final = {
    "island": "No place was found where a bridge would hold it. Draw the gap on paper.",
    "flap": "No place was found for a bridge at its far side that leaves lines and film wide "
    "enough. Draw the gap on paper, or let it hang.",
    "line-below-kerf": "There is no room to thicken it: the film beside it would be too narrow. "
    "Draw it again, farther from its neighbours.",
    "thin-line": "There is no room to thicken it: the film beside it would be too narrow. Draw it "
    "again, farther from its neighbours, or let it be as fine as it is.",
    "thin-web": "There is no room to widen it: a line beside it would be too thin. Draw the two "
    "lines farther apart.",
    "thin-bridge": "There is no room to widen it where it is. Draw the gap at another place.",
    "leaves-blank": "The drawing cannot be brought inside by moving it, or by a little less than "
    "half of its size. Take larger film, or leave out what runs off.",
    "margin": "The drawing cannot be brought inside by moving it, or by a little less than half of "
    "its size. Take larger film, or leave out what comes too near.",
}


@dataclass(frozen=True)
class Mend:
    """What mends one finding. strokes: for the recipe, after those there are already.

    move: a change of place in their stead. takes_mm2, adds_mm2: ink that becomes film, and film
    that becomes ink, within the box around its strokes. stands_alone: False where its strokes lie
    so near to those of another mend that only both together were proved.
    """

    finding: Finding
    strokes: tuple[Stroke, ...] = ()
    move: Move | None = None
    takes_mm2: float = 0.0
    adds_mm2: float = 0.0
    stands_alone: bool = True

    @property
    def words(self) -> str:
        """What it does, as a button says it."""
        if self.move is not None:
            return self.move.words
        kind = self.finding.kind
        if kind in BRIDGED:
            count = len(self.strokes)
            return "Put in a bridge" if count == 1 else f"Put in {count} bridges"
        if kind == "speck":
            if self.finding.detail != "film":
                return "Remove this speck"
            return "Fill these white dots" if self.finding.count else "Fill this white dot"
        return WORDS[kind]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "finding": self.finding.id,
            "key": self.finding.key,
            "kind": self.finding.kind,
            "words": self.words,
            "strokes": [stroke.to_json() for stroke in self.strokes],
            "place_mm": list(self.move.place_mm) if self.move else None,
            "scale": self.move.scale if self.move else None,
            "shrinks_to": self.move.shrinks_to if self.move else None,
            "shift_mm": [round(value, 4) for value in self.move.shift_mm] if self.move else None,
            "takes_mm2": round(self.takes_mm2, 3),
            "adds_mm2": round(self.adds_mm2, 3),
            "alone": self.stands_alone,
        }


@dataclass(frozen=True)
class Unmended:
    """A finding without a mend, and why."""

    finding: Finding
    reason: str

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "finding": self.finding.id,
            "key": self.finding.key,
            "kind": self.finding.kind,
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Mended:
    """A drawing with all its mends. strokes: all of the recipe's, the artist's first.

    recipe: that of the prepared picture, moved where a mend moves it, with the strokes. left: the
    findings of `before` without a mend. came: what `after` finds that `before` did not.
    """

    mends: tuple[Mend, ...]
    left: tuple[Unmended, ...]
    recipe: Recipe
    before: Checked = field(repr=False)
    after: Checked = field(repr=False)
    came: tuple[Finding, ...] = ()
    takes_mm2: float = 0.0
    adds_mm2: float = 0.0

    @property
    def strokes(self) -> tuple[Stroke, ...]:
        """All strokes, the artist's and those of the mends."""
        return self.recipe.strokes

    def to_json(self) -> dict[str, Any]:
        """Return it as the JSON object of the command `mend`."""
        return {
            "mends": [mend.to_json() for mend in self.mends],
            "left": [one.to_json() for one in self.left],
            "takes_mm2": round(self.takes_mm2, 3),
            "adds_mm2": round(self.adds_mm2, 3),
            "recipe": self.recipe.to_json(),
            "before": _counts(self.before),
            "after": _counts(self.after)
            | {
                "came": [
                    {"id": one.id, "kind": one.kind, "message": one.message} for one in self.came
                ]
            },
        }


def _counts(checked: Checked) -> dict[str, Any]:
    counts = [severity_of(finding) for finding in checked.findings]
    words = ("rejects", "warnings", "notes")
    return {"verdict": checked.verdict} | {word: counts.count(n) for n, word in enumerate(words)}


def why_not(finding: Finding) -> str:
    """Return why a finding has no mend, and what to do on paper."""
    said = NO_MEND.get(finding.kind) or FAILED.get(finding.kind)
    return said or f"No stroke mends it without harm beside it. {finding.remedy}"
