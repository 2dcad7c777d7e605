"""A still picture of a cut plan with every contour numbered in the order of cutting.

For the eye, not for the machine. A picture of its own takes no colours from the page around it, so
its few colours are in it, on white film by day and by night.
"""

from html import escape

import numpy as np

from geometry.cut_file import number_text as _n
from geometry.cut_file import svg_path
from geometry.cut_plan import CutPlan

STROKES = {"mark": "#8a5a00", "inside": "#231f19", "outline": "#2a389c"}


def order_picture(plan: CutPlan, film_mm: tuple[float, float], title: str) -> bytes:
    """Return an SVG of the film with the cuts numbered at their starts, and the ways between.

    Numbers shrink with their number: 40 are as large as a finger, 2,000 are read on a large screen.
    """
    width, height = film_mm
    count = len(plan.path.contours)
    size = float(np.clip(0.55 * np.sqrt(width * height / max(count, 1)) / 2, 1.6, 7.0))
    border = size
    box = " ".join(_n(v) for v in (-border, -border, width + 2 * border, height + 2 * border))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}">',
        f"<title>{escape(title)}</title>",
    ]
    parts.append(
        f'<rect fill="#ffffff" stroke="#5d564b" width="{_n(width)}" height="{_n(height)}" '
        f'stroke-width="{_n(size / 12)}"/>'
    )
    here = np.array(plan.path.start_mm)
    ways, tags = [], []
    for number, contour in enumerate(plan.path.contours, start=1):
        start = contour.points_mm[0]
        ways.append(f"M{_n(here[0])} {_n(here[1])}L{_n(start[0])} {_n(start[1])}")
        here = contour.points_mm[0 if contour.closed else -1]
        wide = size * (0.55 + 0.6 * len(str(number)))
        x, y = start[0] - wide / 2, start[1] - size / 2
        tags.append(
            f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(wide)}" '
            f'height="{_n(size)}" rx="{_n(size / 4)}"/><text '
            f'x="{_n(start[0])}" y="{_n(start[1] + 0.31 * size)}" '
            f'font-size="{_n(0.86 * size)}" text-anchor="middle" fill="#ffffff">{number}</text>'
        )
    parts.append(
        f'<path d="{"".join(ways)}" fill="none" stroke="#b4530a" stroke-dasharray="2 1.5" '
        f'stroke-width="{_n(size / 14)}"/>'
    )
    for contour, curve in zip(plan.path.contours, plan.curves, strict=True):
        stroke = _n(size / (6 if contour.role == "outline" else 9))
        parts.append(
            f'<path fill="none" stroke="{STROKES[contour.role]}" stroke-width="{stroke}" '
            f'd="{svg_path(curve)}"/>'
        )
    # the first lie uppermost, so that the beginning is always to be read
    parts += ['<g fill="#231f19" font-family="sans-serif" font-weight="700">', *reversed(tags)]
    parts.append("</g></svg>\n")
    return "\n".join(parts).encode()
