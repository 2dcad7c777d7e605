"""Words laid on a picture beside the places that they tell about, clear of each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from geometry.findings import place_words
from orders.marks import path_of

FONT_SHARE = 0.036  # of the blank's width: 13 px on a phone
LETTER_SHARE = 0.56  # of the font's size, a letter's usual width
MOST_LABELS = 8

Box = tuple[float, float, float, float]
_DIRECTIONS = ((0, -1), (0, 1), (1, -0.6), (-1, -0.6), (1, 0.6), (-1, 0.6), (1, 0), (-1, 0))


@dataclass(frozen=True)
class Label:
    """A word on the picture; all in mm of the blank. x, y: the middle of its box.

    is_shown: False where there was no room left, or too many; its outline stays.
    """

    word: str
    where: str
    at_x: float
    at_y: float
    path: str
    x: float
    y: float
    width: float
    height: float
    is_shown: bool

    @property
    def left(self) -> float:
        """Left edge of the box."""
        return self.x - self.width / 2

    @property
    def top(self) -> float:
        """Upper edge of the box."""
        return self.y - self.height / 2

    @property
    def base(self) -> float:
        """Base line of the word."""
        return self.y + 0.2 * self.height

    @property
    def font(self) -> float:
        """Size of the letters."""
        return self.height / 1.7

    @property
    def is_free(self) -> bool:
        """Whether the place hangs free, which is drawn with another outline."""
        return self.word == "hangs free"


def label_places(
    findings: Sequence[dict[str, Any]], words: Sequence[str], blank_mm: tuple[float, float]
) -> list[Label]:
    """Return a label for each finding, near its place, inside the blank, clear of the others."""
    kept_clear = [_box_of(finding) for finding in findings]
    taken: list[Box] = []
    labels: list[Label] = []
    for number, (finding, word) in enumerate(zip(findings, words, strict=True)):
        font = FONT_SHARE * blank_mm[0]
        width, height = LETTER_SHARE * font * (len(word) + 1.6), 1.7 * font
        at = (float(finding["at_mm"][0]), float(finding["at_mm"][1]))
        spot = None
        if number < MOST_LABELS:
            spot = _free_spot(at, (width, height), [*taken, *kept_clear], blank_mm)
            spot = spot or _free_spot(at, (width, height), taken, blank_mm)
        x, y = spot or at
        if spot:
            taken.append((x - width / 2, y - height / 2, x + width / 2, y + height / 2))
        numbers = (round(value, 2) for value in (*at, x, y, width, height))
        at_x, at_y, x, y, width, height = numbers
        labels.append(
            Label(
                word,
                place_words(at, blank_mm),
                at_x,
                at_y,
                path_of({**finding, "area_mm2": finding.get("area_mm2", 0)}),
                x,
                y,
                width,
                height,
                spot is not None,
            )
        )
    return labels


def _free_spot(
    at: tuple[float, float],
    size: tuple[float, float],
    taken: list[Box],
    blank_mm: tuple[float, float],
) -> tuple[float, float] | None:
    """Return the middle of the nearest free box round a place, None where there is none."""
    width, height = size
    for away in (1.1, 1.8, 2.6, 3.6, 4.8, 6.2):
        for across, down in _DIRECTIONS:
            x = at[0] + across * away * width / 1.6
            x = min(max(x, width / 2 + 1), blank_mm[0] - width / 2 - 1)
            y = min(max(at[1] + down * away * height, height), blank_mm[1] - height)
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if not any(_meet(box, other) for other in taken):
                return x, y
    return None


def _box_of(finding: dict[str, Any]) -> Box:
    """Return the box round what a finding concerns."""
    points = finding.get("outline_mm") or [finding["at_mm"]]
    xs, ys = ([float(point[axis]) for point in points] for axis in (0, 1))
    return min(xs), min(ys), max(xs), max(ys)


def _meet(one: Box, other: Box) -> bool:
    return (
        one[0] < other[2] + 0.5
        and other[0] < one[2] + 0.5
        and one[1] < other[3] + 0.5
        and other[1] < one[3] + 0.5
    )
