"""Small pictures of one place of a drawing, before a mend and after it."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

from PIL import Image, ImageDraw

from orders.models import Version

WIDTH_PX = 280
FINER = 3
FILM, CUT = 255, 26

Box = tuple[float, float, float, float]


def place_png(version: Version, box_mm: Box, mend: Mapping[str, Any] | None = None) -> bytes:
    """Return a PNG of a part (x, y, width, height, mm) of a version's film, with a mend or without.

    The strokes are drawn on the stored picture of the film; a mend that moves the drawing moves the
    picture. Edges are those of that picture, so this shows and does not measure.
    """
    width_mm = version.blank.width_mm
    with version.film_picture.open("rb") as stored, Image.open(stored) as film:
        picture = film.convert("L")
    scale = picture.width / width_mm
    if mend and mend.get("place_mm"):
        picture = _moved(picture, mend, scale)
    x, y, across, down = box_mm
    size = WIDTH_PX * FINER, round(WIDTH_PX * FINER * down / across)
    corners = (x * scale, y * scale, (x + across) * scale, (y + down) * scale)
    part = picture.resize(size, Image.Resampling.BICUBIC, box=_within(corners, picture.size))
    if mend:
        _draw(part, mend["strokes"], (x, y), size[0] / across)
    part = part.resize((WIDTH_PX, size[1] // FINER), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    part.save(out, "PNG")
    return out.getvalue()


def _within(corners: Box, size: tuple[int, int]) -> Box:
    """Return a box that does not stick out of the picture by a rounding."""
    left, top, right, low = corners
    return max(left, 0.0), max(top, 0.0), min(right, size[0]), min(low, size[1])


def _moved(picture: Image.Image, mend: Mapping[str, Any], scale: float) -> Image.Image:
    """Return the film with the drawing where a mend moves it."""
    share, (right, down) = float(mend["shrinks_to"]), mend["shift_mm"]
    back = (1 / share, 0.0, -right * scale / share, 0.0, 1 / share, -down * scale / share)
    return picture.transform(
        picture.size, Image.Transform.AFFINE, back, Image.Resampling.BICUBIC, fillcolor=FILM
    )


def _draw(
    part: Image.Image,
    strokes: Iterable[Mapping[str, Any]],
    corner: tuple[float, float],
    scale: float,
) -> None:
    """Draw strokes of a round pen, black first, on a part of the film."""
    pen = ImageDraw.Draw(part)
    for stroke in sorted(strokes, key=lambda one: one["pen"] != "black"):
        tone = CUT if stroke["pen"] == "black" else FILM
        radius = stroke["width_mm"] * scale / 2
        points = [
            ((x - corner[0]) * scale, (y - corner[1]) * scale) for x, y in stroke["points_mm"]
        ]
        for (x0, y0), (x1, y1) in pairwise(points):
            length = math.hypot(x1 - x0, y1 - y0)
            if length:
                off_x, off_y = (y0 - y1) / length * radius, (x1 - x0) / length * radius
                pen.polygon(
                    [
                        (x0 + off_x, y0 + off_y),
                        (x1 + off_x, y1 + off_y),
                        (x1 - off_x, y1 - off_y),
                        (x0 - off_x, y0 - off_y),
                    ],
                    fill=tone,
                )
        for x, y in points:
            pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=tone)
