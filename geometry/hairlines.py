"""Hairlines: black lines too fine for the picture to show them dark, found by summed darkness."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Hairline:
    """A black line finer than the beam. points_px (n, 2) x, y along it; width_mm; length_mm."""

    points_px: NDArray[np.float64]
    width_mm: float
    length_mm: float


def restore_hairlines(
    field: NDArray[np.int16], px_per_mm: float, level: float
) -> tuple[Hairline, ...]:
    return ()
