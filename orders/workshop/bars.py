"""A plot of bars as plain SVG, made by the server: places and lengths, the template draws them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, HEIGHT = 640.0, 200.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 26.0, 14.0, 26.0
GRID = 4
STEPS = (1, 2, 2.5, 5, 10)


@dataclass(frozen=True)
class Bar:
    """One stretch of a bar; ``css`` tells its kind, ``tip`` what it says when pointed at."""

    x: float
    y: float
    width: float
    height: float
    css: str
    tip: str


@dataclass(frozen=True)
class Chart:
    """A plot: bars in stacks, lines across with their numbers, words below."""

    title: str
    unit: str
    kinds: list[tuple[str, str]]
    bars: list[Bar]
    grid: list[tuple[float, str]]
    words: list[tuple[float, str]]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    base: float = HEIGHT - BOTTOM

    @property
    def is_empty(self) -> bool:
        return not self.bars


def chart(
    title: str,
    unit: str,
    kinds: Sequence[tuple[str, str]],
    rows: Sequence[tuple[str, Sequence[float]]],
) -> Chart:
    """Return a plot of rows (word, one value a kind), values stacked from the base up.

    kinds are (css, word). Values below nothing (corrections) are drawn as nothing.
    """
    stacks = [[max(0.0, value) for value in values] for _, values in rows]
    top = _round_up(max((sum(stack) for stack in stacks), default=0.0))
    base = HEIGHT - BOTTOM
    scale = (base - TOP) / top
    each = (WIDTH - LEFT - RIGHT) / max(1, len(rows))
    bars, words = [], []
    for number, ((word, values), stack) in enumerate(zip(rows, stacks, strict=True)):
        x, y = LEFT + number * each + each * 0.14, base
        for (css, kind), value, height in zip(
            kinds, values, (v * scale for v in stack), strict=True
        ):
            if height > 0:
                y -= height
                tip = f"{word}: {_plain(value)} {unit} {kind}"
                bars.append(Bar(x, y, each * 0.72, height, css, tip))
        # fewer words where they would touch; the last one always stands
        if (len(rows) - 1 - number) % (1 + (len(rows) > 8) + (len(rows) > 12)) == 0:
            words.append((LEFT + (number + 0.5) * each, word))
    grid = [(base - top * n / GRID * scale, _plain(top * n / GRID)) for n in range(GRID + 1)]
    return Chart(title, unit, list(kinds), bars, grid, words)


def _round_up(value: float) -> float:
    """Return a round number at or above a value: 1, 2, 2.5, 5 times a power of ten, times four."""
    power = 1.0
    least = value / GRID
    if least <= 0:
        return float(GRID)
    while power > least:
        power /= 10
    while power * 10 <= least:
        power *= 10
    return GRID * next(step * power for step in STEPS if step * power >= least * 0.999999)


def _plain(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
