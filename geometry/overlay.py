"""Pictures of the result: the film as it will be cut, and the findings numbered on it.

Severity shows by shape and word as well as by weight: an eight-sided sign must be mended, a
diamond may give trouble, a small square is good to know. The numbers are those of the list.
"""

import io
import math
from collections.abc import Sequence
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageChops, ImageDraw, ImageFont

from geometry.findings import NOTE, REJECT, WARN, Finding
from geometry.ink import Ink
from geometry.outlines import trace
from geometry.recipe import Placement

FILM: Final = (255, 253, 248)
INK: Final = (35, 31, 25)
PAPER: Final = (245, 239, 226)
MARK: Final = (243, 176, 46)
MARK_DEEP: Final = (122, 78, 0)
MOST_MARKS: Final = {REJECT: 60, WARN: 20, NOTE: 12}
"""Marks with a number per kind; further ones of the kind get a dot."""
WORDS: Final = {REJECT: "must be mended", WARN: "may give trouble", NOTE: "good to know"}
_SIDES: Final = {REJECT: (8, math.pi / 8), WARN: (4, 0.0), NOTE: (4, math.pi / 4)}
_SIZE_MM: Final = {REJECT: 3.1, WARN: 3.1, NOTE: 2.5}
_FINE: Final = 2  # drawn this many times larger, then reduced

Box = tuple[float, float, float, float]


def film_png(
    ink: Ink, placement: Placement, blank_mm: tuple[float, float], px_per_mm: float = 8
) -> bytes:
    """Return the film as it will be cut, in the blank's frame: PNG, film white, openings black."""
    mask = _film_mask(ink, placement, blank_mm, px_per_mm)
    return _png(Image.fromarray(mask))


def draw_overlay(
    ink: Ink,
    placement: Placement,
    findings: Sequence[Finding],
    blank_mm: tuple[float, float],
    px_per_mm: float = 8,
) -> bytes:
    """Return the film with numbered findings on it as PNG, with the words for the shapes below.

    A number stands beside its place, on clear film where there is room, with a line to it. All
    findings that are numbered (id > 0) are shown.
    """
    scale = px_per_mm * _FINE
    mask = _film_mask(ink, placement, blank_mm, scale)
    share = mask[..., None].astype(np.float32) / 255
    colours = share * np.array(FILM, np.float32) + (1 - share) * np.array(INK, np.float32)
    picture = Image.fromarray(colours.astype(np.uint8))
    shown = sorted((f for f in findings if f.id > 0), key=lambda finding: -finding.id)
    picture = _with_places(picture, shown, mask, scale)
    draw = ImageDraw.Draw(picture)
    _draw_marks(draw, shown, mask, scale)
    framed = _with_legend(picture, shown, scale)
    size = (framed.width // _FINE, framed.height // _FINE)
    return _png(framed.resize(size, Image.Resampling.LANCZOS))


def _film_mask(
    ink: Ink, placement: Placement, blank_mm: tuple[float, float], px_per_mm: float
) -> NDArray[np.uint8]:
    """Return the blank (h, w): 255 film, 0 opening, edges anti-aliased."""
    width, height = (max(round(side * px_per_mm), 1) for side in blank_mm)
    fine = min(max(round(5000 / max(width, height)), 2), 8)  # a filled edge is half a pixel wide
    mask = np.full((height * fine, width * fine), 255, np.uint8)
    lines = [
        np.rint((outline.points_mm * px_per_mm * fine - 0.5) * 16).astype(np.int32)
        for outline in trace(ink, placement)
        if len(outline.points_mm) >= 3
    ]
    if lines:
        cv2.fillPoly(mask, lines, 0, cv2.LINE_8, 4)
    return cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA).astype(np.uint8)


def _with_places(
    picture: Image.Image, shown: Sequence[Finding], mask: NDArray[np.uint8], scale: float
) -> Image.Image:
    """Return the picture with what each finding concerns: areas tinted, lines traced beside."""
    tint = Image.new("RGBA", picture.size, (0, 0, 0, 0))
    draw = ImageDraw.Draw(tint)
    for finding in shown:
        for line in (finding.outline_mm, *finding.others_mm):
            points = [(x * scale, y * scale) for x, y in line]
            if len(points) < 2:
                continue
            if finding.kind == "island":
                draw.polygon(points, fill=(*MARK, 130))
                draw.line([*points, points[0]], fill=(*MARK_DEEP, 255), width=round(0.4 * scale))
            elif finding.kind in ("flap", "lift"):
                is_neck = line is not finding.outline_mm
                if not is_neck:
                    draw.polygon(points, fill=(*MARK, 60))
                draw.line(
                    points if is_neck else [*points, points[0]],
                    fill=(*MARK_DEEP, 255 if is_neck else 120),
                    width=round((0.9 if is_neck else 0.3) * scale),
                )
            elif finding.kind == "crowding":
                draw.polygon(points, fill=(*MARK, 60))
                draw.line([*points, points[0]], fill=(*MARK_DEEP, 160), width=round(0.3 * scale))
            elif finding.area_mm2 is None:
                wide = max((finding.width_mm or 0) + 0.9, 1.2) * scale
                draw.line(points, fill=(*MARK, 150), width=round(wide), joint="curve")
    uncut = Image.fromarray(np.where(mask > 128, np.uint8(255), np.uint8(70)))
    tint.putalpha(ImageChops.multiply(tint.getchannel("A"), uncut))
    picture = picture.convert("RGBA")
    picture.alpha_composite(tint)
    return picture.convert("RGB")


def _draw_marks(
    draw: ImageDraw.ImageDraw, shown: Sequence[Finding], mask: NDArray[np.uint8], scale: float
) -> None:
    """Draw a numbered sign beside each place, the first of the list placed first."""
    height, width = mask.shape
    per_kind: dict[str, int] = {}
    taken: list[Box] = []
    dots = []
    marks = []
    places = [(f.at_mm[0] * scale, f.at_mm[1] * scale) for f in shown]
    coarse = max(round(scale / 2), 1)
    crowd = min(max((30 / max(len(shown), 1)) ** 0.5, 0.72), 1.0)
    clear = cv2.resize(mask, (width // coarse + 1, height // coarse + 1), None, 0, 0, 3)
    for finding in reversed(shown):
        per_kind[finding.kind] = per_kind.get(finding.kind, 0) + 1
        at = (
            min(max(finding.at_mm[0] * scale, 0), width - 1),
            min(max(finding.at_mm[1] * scale, 0), height - 1),
        )
        if per_kind[finding.kind] > MOST_MARKS[finding.severity]:
            dots.append(at)
            continue
        radius = _SIZE_MM[finding.severity] * scale * crowd
        centre = _room(at, radius, taken, places, clear, coarse, (width, height))
        taken.append(_box(centre, radius))
        marks.append((finding, at, centre, radius))
    for at in dots:
        _dot(draw, at, 0.7 * scale)
    for _, at, centre, radius in marks:
        if math.dist(at, centre) > radius:
            draw.line([at, centre], fill=FILM, width=round(0.75 * scale))
            draw.line([at, centre], fill=MARK_DEEP, width=round(0.35 * scale))
        _dot(draw, at, 0.55 * scale)
    for finding, _, centre, radius in marks:
        _sign(draw, finding.severity, str(finding.id), centre, radius, scale)


def _room(
    at: tuple[float, float],
    radius: float,
    taken: Sequence[Box],
    places: Sequence[tuple[float, float]],
    clear: NDArray[Any],
    coarse: int,
    size: tuple[int, int],
) -> tuple[float, float]:
    """Return where a sign goes: near its place, off all others and their places, on clear film."""
    best, least = at, math.inf
    for ring in (1.9, 2.4, 3.0, 3.8, 5.0, 7.0):
        for step in range(16):
            angle = (step + 0.5) * math.pi / 8 - math.pi / 2
            centre = (
                at[0] + ring * radius * math.cos(angle),
                at[1] + ring * radius * math.sin(angle),
            )
            x0, y0, x1, y1 = box = _box(centre, radius)
            if x0 < 0 or y0 < 0 or x1 > size[0] or y1 > size[1]:
                continue
            under = clear[
                int(y0 / coarse) : int(y1 / coarse) + 1, int(x0 / coarse) : int(x1 / coarse) + 1
            ]
            dark = 1 - float(under.mean()) / 255 if under.size else 1.0
            hit = sum(_overlap(box, other) for other in taken) / (4 * radius * radius)
            covered = sum(x0 < x < x1 and y0 < y < y1 for x, y in places)
            cost = 1.0 * ring + 4 * dark + 40 * hit + 6 * covered
            if cost < least:
                best, least = centre, cost
    return best


def _box(centre: tuple[float, float], radius: float) -> Box:
    """Return the box around a sign."""
    x, y = centre
    return x - radius, y - radius, x + radius, y + radius


def _overlap(one: Box, other: Box) -> float:
    """Return the area that two boxes share."""
    across = min(one[2], other[2]) - max(one[0], other[0])
    down = min(one[3], other[3]) - max(one[1], other[1])
    return max(across, 0.0) * max(down, 0.0)


def _dot(draw: ImageDraw.ImageDraw, at: tuple[float, float], radius: float) -> None:
    """Draw the place itself: a small ring, open in the middle."""
    for grow, colour in ((0.5, FILM), (0.0, MARK_DEEP)):
        reach = radius * (1 + grow)
        draw.ellipse(_box(at, reach), outline=colour, width=max(round(radius * 0.5), 1))


def _sign(
    draw: ImageDraw.ImageDraw,
    severity: str,
    text: str,
    centre: tuple[float, float],
    radius: float,
    scale: float,
) -> None:
    """Draw a sign in the shape of its severity with a number or nothing in it."""
    sides, turn = _SIDES[severity]
    reach = radius * (1.0 if sides == 8 else 1.12 if severity == WARN else 1.2)
    corners = [
        (
            centre[0] + reach * math.cos(turn + 2 * math.pi * k / sides),
            centre[1] + reach * math.sin(turn + 2 * math.pi * k / sides),
        )
        for k in range(sides)
    ]
    fill, write = (INK, MARK) if severity == REJECT else (MARK, INK)
    if severity == NOTE:
        fill, write = FILM, INK
    edge = MARK if severity == REJECT else INK
    draw.polygon(corners, fill=fill)
    draw.line(
        [*corners, corners[0], corners[1]], fill=edge, width=round(0.4 * scale), joint="curve"
    )
    if text:
        share = {1: 1.15, 2: 1.0, 3: 0.72}.get(len(text), 0.56)
        share *= 0.82 if severity == WARN else 1.0
        font = ImageFont.load_default(size=radius * share)
        draw.text(
            centre,
            text,
            fill=write,
            font=font,
            anchor="mm",
            stroke_width=scale / 22,
            stroke_fill=write,
        )


def _with_legend(picture: Image.Image, shown: Sequence[Finding], scale: float) -> Image.Image:
    """Return the picture in a frame of paper with a line that names the shapes it uses."""
    edge = round(2 * scale)
    used = [severity for severity in WORDS if any(f.severity == severity for f in shown)]
    foot = round(8 * scale) if used else edge
    framed = Image.new("RGB", (picture.width + 2 * edge, picture.height + edge + foot), PAPER)
    framed.paste(picture, (edge, edge))
    draw = ImageDraw.Draw(framed)
    draw.rectangle(
        (edge - 1, edge - 1, edge + picture.width, edge + picture.height), outline=MARK_DEEP
    )
    font = ImageFont.load_default(size=3.2 * scale)
    x, y = edge + 2.5 * scale, edge + picture.height + foot / 2
    for severity in used:
        _sign(draw, severity, "", (x, y), 1.8 * scale, scale * 0.7)
        draw.text((x + 3.2 * scale, y), WORDS[severity], fill=INK, font=font, anchor="lm")
        x += 3.2 * scale + font.getlength(WORDS[severity]) + 6 * scale
    return framed


def _png(picture: Image.Image) -> bytes:
    """Return a picture as PNG bytes, without any tag of time or maker."""
    out = io.BytesIO()
    picture.save(out, "PNG", compress_level=6)
    return out.getvalue()
