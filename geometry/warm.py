"""Run every compiled part once on a drawing made up here, so that the first real one is quick."""

import cv2
import numpy as np
import shapely

from geometry.bridges import propose_bridges
from geometry.check import Checked, check_picture
from geometry.cut_plan import plan_stencil
from geometry.lift import find_lift
from geometry.limits import default_limits
from geometry.nesting import nest
from geometry.paper_edges import find_edges
from geometry.paper_lines import Overview
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from geometry.recipe import Placement, Recipe, Stroke
from geometry.stencil import Stencil

PX_PER_MM = 8.0
BLANK_MM = (152.4, 152.4)


def warm() -> Checked:
    """Return the check of a made-up drawing that has something of each kind on it."""
    checked = warm_checks()
    find_edges(_table(), BLANK_MM)
    limits = default_limits()
    if checked.ink is not None:
        find_lift(checked.ink, checked.placement, checked.blank_mm, limits)
    if checked.stencil is not None:
        plan_stencil(checked.stencil, kerf_mm=limits.kerf_mm)
    return checked


def warm_beside() -> None:
    """Run what needs no check first, for a second process to compile meanwhile."""
    find_edges(_table(), BLANK_MM)
    limits = default_limits()
    rings = [
        shapely.Point(at).buffer(14, 16).difference(shapely.Point(at).buffer(12, 16))
        for at in ((50, 50), (100, 50), (75, 100))
    ]
    cuts = [ring.difference(shapely.box(70, 0, 78, 152)) for ring in rings]
    openings = tuple(piece for cut in cuts for piece in getattr(cut, "geoms", [cut]))
    stencil = Stencil(BLANK_MM, "stencil", openings)
    nest([("card", 63.5, 88.9, 3)], BLANK_MM)
    plan_stencil(stencil, kerf_mm=limits.kerf_mm)
    find_lift(stencil, Placement(), BLANK_MM, limits)


def warm_checks() -> Checked:
    """Check a made-up drawing and propose bridges for it; return the check."""
    side = round(152.4 * PX_PER_MM)
    grey = np.full((side, side), 245, np.uint8)
    for centre, radius, width in (
        ((300, 300), 150, 16),
        ((330, 800), 120, 4),
        ((800, 800), 90, 40),
    ):
        cv2.circle(grey, centre, radius, 20, width, cv2.LINE_AA)
    for x in (200, 279):
        cv2.circle(grey, (x, 1100), 40, 20, -1, cv2.LINE_AA)
    cv2.line(grey, (500, 200), (1000, 210), 20, 7, cv2.LINE_AA)
    cv2.line(grey, (500, 212), (1000, 222), 20, 7, cv2.LINE_AA)
    cv2.line(grey, (500, 400), (1000, 410), 120, 1, cv2.LINE_AA)
    cv2.line(grey, (600, 1000), (side, 1180), 20, 9, cv2.LINE_AA)
    for x in range(1040, 1140, 16):
        cv2.line(grey, (x, 450), (x, 600), 20, 8, cv2.LINE_AA)
    grey[500:503, 700:703] = 20
    picture = Picture(grey, None, "0" * 64, "PNG", (side, side))
    strokes = (
        Stroke("white", ((40.0, 20.0), (40.0, 45.0)), 1.5),
        Stroke("black", ((110.0, 60.0), (120.0, 65.0)), 1.2),
    )
    checked = check_picture(picture, Recipe(strokes=strokes))
    propose_bridges(prepare_picture(picture))
    _ = checked.overlay_png, checked.film_png, checked.drawing_jpg
    return checked


def _table() -> Overview:
    """Return a sheet of paper on a table."""
    table = np.full((600, 800), 90, np.uint8)
    table[60:540, 160:640] = 245
    return Overview(table)
