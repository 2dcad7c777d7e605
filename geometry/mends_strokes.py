"""Strokes that would mend one narrow place, speck, spur, half-covered mark or uneven line.

Each answer is a list of ideas, the best first; whether one does any harm is for a re-check to say.
"""

from collections.abc import Callable, Sequence
from typing import Any, Final

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

from geometry.caliper import measure
from geometry.check import Checked
from geometry.findings import Finding
from geometry.ink import Ink
from geometry.kernels import UNIT
from geometry.limits import Limits
from geometry.mends_judge import fuses
from geometry.recipe import PointMm, Stroke

Points = NDArray[np.float64]
Idea = tuple[Stroke, ...]

A_LITTLE_MM: Final = (0.06, 0.18)
"""Over the limit at first, and at the next try: what the caliper may err, and three times that."""
STEP_MM: Final = 0.02
"""Strokes are simplified to this."""
FILL_WIDTHS_MM: Final = (1.5, 0.8, 0.4, 0.2, 0.1)
FILLED: Final = 0.985
SPUR_PEN_MM: Final = 0.5
HALF_COVERED_MM: Final = 8.0
"""A half-covered mark is looked for so far from its middle."""


def stroke_ideas(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return lists of strokes, each of which may mend a finding; none for other kinds."""
    makers: dict[str, Callable[[Finding, Checked, Limits], list[Idea]]] = {
        "line-below-kerf": _thicker,
        "thin-line": _thicker,
        "thin-web": _wider,
        "thin-bridge": _wider,
        "speck": _filled_speck,
        "spur": _without_spur,
        "half-covered": _covered,
        "uneven-line": _evened,
    }
    maker = makers.get(finding.kind)
    return [idea for idea in maker(finding, checked, limits) if idea] if maker else []


def _thicker(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return black strokes along a line, centred and then to one side of it."""
    ideas = _along(finding, "black", (limits.opening_mm,))
    return [idea for idea in ideas if not fuses(idea, checked)]


def _wider(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return white strokes along film, centred and then to one side of it."""
    del checked
    if finding.kind == "thin-bridge":
        return _along(finding, "white", (limits.bridge_proposed_mm, limits.bridge_mm))
    return _along(finding, "white", (limits.web_mm,))


def _along(finding: Finding, pen: str, widths_mm: Sequence[float]) -> list[Idea]:
    """Return strokes of a pen along the stretch that was measured, a little over each width."""
    lines = [_path(line) for line in (finding.outline_mm, *finding.others_mm) if len(line) > 1]
    across = _is_across(finding)
    if not lines:
        lines = [np.array([finding.at_mm, finding.at_mm], float)]
    ideas = []
    for width_mm in widths_mm:
        if across:
            lines = [_square_to(np.array(finding.outline_mm, float), width_mm / 2)]
        centred = width_mm + A_LITTLE_MM[0]
        off_mm = max(centred - (finding.width_mm or 0.0), 0.0) / 2
        ideas.append(_strokes(lines, pen, centred))
        ideas += [
            _strokes([_beside(line, side * off_mm) for line in lines], pen, centred)
            for side in (1, -1)
        ]
        ideas.append(_strokes(lines, pen, width_mm + A_LITTLE_MM[1]))
    return ideas


def _is_across(finding: Finding) -> bool:
    """Tell whether the outline goes across the neck, from tip to tip, and not along it."""
    if len(finding.outline_mm) != 2 or finding.length_mm != finding.width_mm:
        return False
    reach_mm = float(np.hypot(*np.subtract(*finding.outline_mm)))
    return reach_mm < 1.3 * (finding.width_mm or 0.0) + 0.1


def _square_to(chord: Points, half_mm: float) -> Points:
    """Return a short line square to a chord (2, 2) through its middle."""
    middle, along = chord.mean(axis=0), chord[1] - chord[0]
    length = float(np.hypot(*along)) or 1.0
    way = np.array([-along[1], along[0]]) / length
    return np.stack([middle - half_mm * way, middle + half_mm * way])


def _beside(line: Points, off_mm: float) -> Points:
    """Return a line moved sideways."""
    ways = np.gradient(line, axis=0)
    lengths = np.maximum(np.hypot(*ways.T), 1e-9)[:, None]
    return np.asarray(line + off_mm * np.stack([-ways[:, 1], ways[:, 0]], axis=1) / lengths)


def _path(line: Sequence[PointMm]) -> Points:
    """Return a line evened and simplified: a finding's runs from pixel to pixel."""
    points = np.array(line, float)
    if len(points) > 8:
        padded = np.concatenate([points[:1], points, points[-1:]])
        evened = (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
        points = np.concatenate([points[:1], evened[1:-1], points[-1:]])
    return np.array(LineString(points).simplify(STEP_MM).coords)


def _strokes(lines: Sequence[Points], pen: str, width_mm: float) -> Idea:
    """Return one stroke a line."""
    return tuple(
        Stroke(pen, tuple((round(x, 3), round(y, 3)) for x, y in line.tolist()), width, "proposal")
        for line in lines
        if (width := round(float(width_mm), 3)) > 0
    )


def fill(area: shapely.Geometry, pen: str) -> Idea:
    """Return strokes that fill an area in mm, going round it inwards; none beyond its edge."""
    best: Idea = ()
    most = 0.0
    for width_mm in FILL_WIDTHS_MM:
        lines: list[Points] = []
        inset = width_mm / 2
        while not (rest := area.buffer(-inset)).is_empty:
            for part in shapely.get_parts(rest):
                for edge in (part.exterior, *part.interiors):
                    lines.append(np.array(edge.simplify(STEP_MM).coords))
            inset += width_mm / 2
        if not lines:
            continue
        drawn = shapely.union_all([LineString(line).buffer(width_mm / 2) for line in lines])
        share = drawn.intersection(area).area / max(area.area, 1e-9)
        if share > most:
            best, most = _strokes(lines, pen, width_mm), share
        if share >= FILLED:
            break
    return best


def _filled_speck(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return black over crumbs of film, white over a dot of ink."""
    del checked, limits
    if finding.detail != "film":
        across_mm = 2 * float(np.sqrt((finding.area_mm2 or 0.1) / np.pi)) * 1.4 + 0.2
        return [_strokes([np.array([finding.at_mm], float)], "white", across_mm)]
    over: list[Stroke] = []
    for outline in (finding.outline_mm, *finding.others_mm):
        if len(outline) > 2:
            crumb = shapely.make_valid(Polygon(outline))
            over += fill(crumb.buffer(0.12), "black")
    return [tuple(over)]


def _without_spur(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return white from a spur's tip to the line that it sticks out of."""
    del limits
    ink, placement = checked.ink, checked.placement
    length_mm = finding.length_mm or 0.0
    if ink is None or length_mm <= 0:
        return []
    tip = np.array(finding.at_mm, float)
    angles = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    on = [
        _is_ink(ink, placement.to_paper(tip + share * length_mm * ring))
        for share in (0.4, 0.6, 0.8)
    ]
    weights = np.sum(on, axis=0).astype(float)
    way = (ring * weights[:, None]).sum(axis=0)
    if np.hypot(*way) < 1e-6:
        return []
    way /= np.hypot(*way)
    ideas = []
    for short_mm in (0.05, -0.1):
        inner = max(length_mm - SPUR_PEN_MM / 2 - short_mm, 0.0)
        line = np.stack([tip - 0.15 * way, tip + inner * way])
        ideas.append(_strokes([line], "white", SPUR_PEN_MM))
    return ideas


def _is_ink(ink: Ink, paper_mm: Points) -> NDArray[np.bool_]:
    """Return which points of the paper are ink."""
    pixels = np.rint(ink.to_px(paper_mm)).astype(int)
    rows = np.clip(pixels[:, 1], 0, ink.f.shape[0] - 1)
    columns = np.clip(pixels[:, 0], 0, ink.f.shape[1] - 1)
    return np.asarray(ink.f[rows, columns] < 0)


def _covered(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return white over all of a grey mark."""
    del limits
    ink, placement = checked.ink, checked.placement
    if ink is None:
        return []
    at = ink.to_px(placement.to_paper([finding.at_mm]))[0]
    reach = HALF_COVERED_MM / placement.scale * ink.px_per_mm
    left, top = (max(int(value - reach), 0) for value in at)
    window = ink.f[top : int(at[1] + reach), left : int(at[0] + reach)]
    low, high = ((1 - ink.level - dark) * UNIT for dark in (0.78, 0.2))
    grey = ((window > low) & (window < high)).astype(np.uint8)
    grey = np.asarray(cv2.morphologyEx(grey, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    _, labels = cv2.connectedComponents(grey, connectivity=4)
    middle = np.rint(at - (left, top)).astype(int)
    if not (0 <= middle[1] < labels.shape[0] and 0 <= middle[0] < labels.shape[1]):
        return []
    label = int(labels[middle[1], middle[0]])
    if label == 0:
        return []
    mark = cv2.dilate((labels == label).astype(np.uint8), np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(mark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    area = shapely.union_all(
        [_area_mm(contour[:, 0, :] + (left, top), ink, placement) for contour in contours]
    )
    return [fill(area.buffer(grow), "white") for grow in (0.05, 0.2)]


def _area_mm(pixels: NDArray[Any], ink: Ink, placement: Any) -> shapely.Geometry:
    """Return the area that a contour of pixels goes round, blank mm."""
    points = placement.to_blank(ink.to_mm(pixels))
    return shapely.make_valid(Polygon(points)) if len(points) > 2 else Point(points[0]).buffer(0.1)


def _evened(finding: Finding, checked: Checked, limits: Limits) -> list[Idea]:
    """Return black along a starved line to its usual width, or white along both sides of a blob."""
    del limits
    usual, width = finding.usual_mm or 0.0, finding.width_mm or 0.0
    line = _middle_line(finding, checked)
    if len(line) < 2:
        return []
    if width < usual:
        return [_strokes([line], "black", share * usual) for share in (1.0, 0.9)]
    ideas = []
    for share in (1.0, 1.12):
        pen_mm = (width - share * usual) / 2 + 0.2
        off_mm = (share * usual + pen_mm) / 2
        sides = [_beside(line, side * off_mm) for side in (1, -1)]
        ideas.append(_strokes(sides, "white", pen_mm))
    return ideas


def _middle_line(finding: Finding, checked: Checked) -> Points:
    """Return the middle of an uneven line from one even place to the other, by caliper."""
    ink, placement = checked.ink, checked.placement
    if ink is None or len(finding.outline_mm) < 2:
        return np.empty((0, 2))
    chain = LineString(finding.outline_mm)
    places = np.linspace(0, chain.length, max(int(chain.length / 0.4), 3))
    points = np.array([chain.interpolate(place).coords[0] for place in places])
    pixels = ink.to_px(placement.to_paper(points))
    longest = 1.5 * max(finding.width_mm or 0, finding.usual_mm or 0) + 0.5
    longest_px = longest / placement.scale * ink.px_per_mm
    slack = max(round(0.3 * ink.px_per_mm), 1)
    calipers = measure(ink.f, pixels, -1, longest_px, slack, np.zeros(len(pixels)))
    kept = calipers[:, 0] > 0
    middles = np.where(kept[:, None], calipers[:, 1:3], pixels)
    near = np.hypot(*(middles - pixels).T) < 0.6 * longest_px
    middles = np.where(near[:, None], middles, pixels)
    return np.asarray(placement.to_blank(ink.to_mm(middles)))
