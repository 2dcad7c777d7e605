"""The order's code marked on a blank, in a corner of its margin where nothing is cut."""

import shapely

from geometry.kerf import Contour
from geometry.stencil import Stencil
from geometry.stroke_letters import strokes_of, width_mm

HEIGHT_MM = 2.5
FROM_EDGE_MM = 2.5
CLEAR_MM = 0.8
"""Film that stays between the mark and the next opening; judgement."""


def mark_contours(stencil: Stencil, text: str) -> list[Contour]:
    """Return the strokes of `text`, in blank mm, in the first corner that is free of openings.

    Tried: bottom left, bottom right, top right, top left. Empty for no text, and where every corner
    is cut into.
    """
    if not text:
        return []
    width, height = stencil.blank_mm
    wide = width_mm(text, HEIGHT_MM)
    left, right = FROM_EDGE_MM, width - FROM_EDGE_MM - wide
    bottom, top = height - FROM_EDGE_MM - HEIGHT_MM, FROM_EDGE_MM
    if right < FROM_EDGE_MM:
        return []
    for x, y in ((left, bottom), (right, bottom), (right, top), (left, top)):
        around = shapely.box(x, y, x + wide, y + HEIGHT_MM).buffer(CLEAR_MM)
        if not any(opening.intersects(around) for opening in stencil.openings):
            strokes = strokes_of(text, HEIGHT_MM, (x, y))
            return [Contour(stroke, "mark", closed=False) for stroke in strokes]
    return []
