"""The lift map as a picture: paper, ink and film, and the more a place lifts the more paint.

Three flat tones, as the words are three, with the tone growing within each; thin lines part them,
so that the picture also reads without colour. The worst places are numbered.
"""

import io
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from geometry.ink import Ink
from geometry.lift import FLAT, HANGS_FREE, MAY_LIFT, LiftMap, LiftPlace
from geometry.limits import Limits
from geometry.overlay import film_png
from geometry.recipe import Placement

FILM: Final = (238, 243, 246)
PAPER: Final = (245, 239, 226)
INK: Final = (35, 31, 25)
PALE: Final = (176, 190, 222)
PAINT: Final = (96, 116, 186)
DEEP: Final = (34, 40, 110)
MOST_MARKS: Final = 12
PX_PER_MM: Final = 8.0
_FOOT_MM: Final = 15.0
_EDGE_MM: Final = 3.0


def draw_lift_map(found: LiftMap, film: NDArray[np.uint8], limits: Limits) -> bytes:
    """Return the map as PNG in the blank's frame, with a legend and the worst places numbered.

    film: (h, w) the blank at PX_PER_MM, 255 film, 0 opening, as `overlay.film_png` has it.
    """
    size = (film.shape[1], film.shape[0])
    colours, is_loose = _tinted(found, film, limits)
    picture = Image.fromarray(colours)
    edge, foot = round(_EDGE_MM * PX_PER_MM), round(_FOOT_MM * PX_PER_MM)
    framed = Image.new("RGB", (size[0] + 2 * edge, size[1] + edge + foot), PAPER)
    framed.paste(picture, (edge, edge))
    draw = ImageDraw.Draw(framed)
    draw.rectangle((edge - 1, edge - 1, edge + size[0], edge + size[1]), outline=INK)
    shown = [p for p in found.worst if p.lift_mm > limits.lift_flat_mm] or list(found.worst[:1])
    for number, place in reversed(list(enumerate(shown[:MOST_MARKS], start=1))):
        _mark(draw, number, place, edge)
    _legend(draw, found, limits, (edge, edge + size[1]), size[0], is_loose=is_loose)
    out = io.BytesIO()
    framed.save(out, "PNG", compress_level=6)
    return out.getvalue()


def heat_png(
    found: LiftMap,
    ink: Ink,
    placement: Placement,
    blank_mm: tuple[float, float],
    limits: Limits,
) -> bytes:
    """Return the map of a check's film as PNG."""
    png = film_png(ink, placement, blank_mm, PX_PER_MM)
    film = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_GRAYSCALE)
    return draw_lift_map(found, np.asarray(film, np.uint8), limits)


def _tinted(
    found: LiftMap, film: NDArray[np.uint8], limits: Limits
) -> tuple[NDArray[np.uint8], bool]:
    """Return (h, w, 3): openings ink, film by its lift, loose film paper; and if any is loose."""
    height, width = film.shape
    step = np.array(found.step_mm) * PX_PER_MM
    corner = np.array(found.origin_mm) * PX_PER_MM + step / 2 - 0.5
    to_map = np.array([[step[0], 0, corner[0]], [0, step[1], corner[1]]])
    is_film = np.isfinite(found.lift)
    # Film beside an opening lends it its lift, so that no pale rim is drawn along the cut.
    filled = np.where(is_film, found.lift, 0).astype(np.float32)
    around = cv2.dilate(filled, np.ones((5, 5), np.uint8))
    lift = np.asarray(
        cv2.warpAffine(np.where(is_film, filled, around), to_map, (width, height)), np.float32
    )
    near = cv2.dilate(is_film.astype(np.uint8), np.ones((5, 5), np.uint8))
    joined = cv2.warpAffine(
        near,
        to_map,
        (width, height),
        flags=cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=1,
    )
    tone = _tone(lift, limits)
    loose = (joined == 0) & (film > 128)
    tone[loose] = PAPER
    share = film[..., None].astype(np.float32) / 255
    colours = np.rint(share * tone + (1 - share) * np.array(INK, np.float32))
    return np.asarray(colours, np.uint8), bool(loose.any())


def _tone(lift: NDArray[np.float32], limits: Limits) -> NDArray[np.float32]:
    """Return the colour of each lift, with a fine line where the word changes."""
    flat, free = limits.lift_flat_mm, limits.lift_free_mm
    at = np.array([0, flat, flat * 1.0001, free, free * 1.0001, 4 * free], np.float32)
    start = tuple((2 * a + b) / 3 for a, b in zip(PALE, PAINT, strict=True))
    shades = np.array([FILM, PALE, start, PAINT, _between(PAINT, DEEP), DEEP], np.float32)
    tone = np.stack([np.interp(lift, at, shades[:, c]) for c in range(3)], axis=2)
    for limit in (flat, free):
        above = (lift > limit).astype(np.uint8)
        line = cv2.morphologyEx(above, cv2.MORPH_GRADIENT, np.ones((2, 2), np.uint8)) > 0
        tone[line] = INK
    return np.asarray(tone, np.float32)


def _between(one: tuple[int, ...], other: tuple[int, ...]) -> tuple[float, ...]:
    return tuple((a + b) / 2 for a, b in zip(one, other, strict=True))


def _mark(draw: ImageDraw.ImageDraw, number: int, place: LiftPlace, edge: int) -> None:
    """Draw a numbered tag of paper beside a place, and the place itself as a ring."""
    x, y = (value * PX_PER_MM + edge for value in place.at_mm)
    ring, radius = 0.8 * PX_PER_MM, 2.5 * PX_PER_MM
    tag = (x + 3.6 * PX_PER_MM, y - 3.2 * PX_PER_MM)
    draw.line([(x, y), tag], fill=PAPER, width=5)
    draw.line([(x, y), tag], fill=INK, width=2)
    draw.ellipse((x - ring, y - ring, x + ring, y + ring), fill=PAPER, outline=INK, width=2)
    box = (tag[0] - radius, tag[1] - radius, tag[0] + radius, tag[1] + radius)
    draw.rounded_rectangle(box, radius / 3, fill=PAPER, outline=INK, width=2)
    font = ImageFont.load_default(size=3.2 * PX_PER_MM)
    draw.text(tag, str(number), fill=INK, font=font, anchor="mm")


def _legend(
    draw: ImageDraw.ImageDraw,
    found: LiftMap,
    limits: Limits,
    corner: tuple[int, int],
    width: int,
    *,
    is_loose: bool,
) -> None:
    """Draw the three tones with their words, and what the estimate is for."""
    flat, free = limits.lift_flat_mm, limits.lift_free_mm
    lifts = np.array([[0.3 * flat, (flat + free) / 2, 3 * free]], np.float32)
    words = [f"{FLAT}: up to {flat:g} mm", f"{MAY_LIFT}: up to {free:g} mm", HANGS_FREE]
    tones = [tuple(round(float(value)) for value in tone) for tone in _tone(lifts, limits)[0]]
    if is_loose:
        words.append("falls out")
        tones.append(PAPER)
    scale = min(1.0, width / PX_PER_MM / 130)
    font = ImageFont.load_default(size=3.2 * PX_PER_MM * scale)
    x, y = corner[0] + 2.0, corner[1] + 4.8 * PX_PER_MM
    side = 2.0 * PX_PER_MM * scale
    for tone, word in zip(tones, words, strict=True):
        draw.rectangle((x, y - side, x + 2 * side, y + side), fill=tone, outline=INK)
        draw.text((x + 3 * side, y), word, fill=INK, font=font, anchor="lm")
        x += 3 * side + font.getlength(word) + 5 * PX_PER_MM * scale
    text = (
        f"Estimated for film of {found.film_mm:g} mm and a dab of {1000 * found.dab_n:g} mN; "
        f"{found.frame_mm:g} mm of frame held flat."
    )
    draw.text((corner[0] + 2, corner[1] + 11 * PX_PER_MM), text, fill=INK, font=font, anchor="lm")
