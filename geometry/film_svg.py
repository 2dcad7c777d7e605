"""The film as it will be cut, as SVG: sharp at every zoom."""

from collections.abc import Sequence

import numpy as np

from geometry.outlines import Outline

STEPS_PER_MM = 100
INK = "#231f19"
FILM = "#ffffff"


def film_svg(outlines: Sequence[Outline], blank_mm: tuple[float, float]) -> bytes:
    """Return an SVG picture in the blank's frame, y down: film white, openings dark.

    Points are rounded to 0.01 mm. The viewBox is in hundredths of a millimetre, so that the path
    holds whole numbers only, each point told from the one before.
    """
    width, height = (round(side * STEPS_PER_MM) for side in blank_mm)
    lines = []
    for outline in outlines:
        points = np.rint(outline.points_mm * STEPS_PER_MM).astype(int)
        if len(points) < 3:
            continue
        moves = np.diff(points, axis=0)
        moves = moves[(moves != 0).any(axis=1)]
        along = " ".join(f"{x} {y}" for x, y in moves.tolist()).replace(" -", "-")
        lines.append(f"M{points[0][0]} {points[0][1]}l{along}z")
    text = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{blank_mm[0]:g}mm" height="{blank_mm[1]:g}mm">'
        f'<path fill="{FILM}" d="M0 0h{width}v{height}H0z"/>'
        f'<path fill="{INK}" fill-rule="evenodd" d="{"".join(lines)}"/></svg>'
    )
    return text.encode()
