"""Straighten, place and size a drawing: what is asked for, what it would give, the next version.

Previews are worked out from the kept picture by the same steps as the check, so that they agree
with it; the check of the version that is saved is the one that counts.
"""

from __future__ import annotations

import hashlib
import json
import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from django.core.cache import cache

from geometry.errors import RecipeError, UnreadableError
from geometry.limits import BLANKS, default_limits
from geometry.recipe import Placement, PointMm, Recipe
from geometry.units import same_size

from .drawings import read_anew
from .errors import RefusedError
from .kept_pictures import picture_of
from .models import Person, Version

if TYPE_CHECKING:
    from geometry.placing import Lie

KEPT_SECONDS = 24 * 3600
SOURCE_PX = 1600  # longest side of the picture that corners are set on
PREVIEW_PX_PER_MM = 8.0
PREVIEW_PX = 1100  # longest side of the straightened picture
STROKES_MOVED = "Your strokes went along with the drawing."
STROKES_STAYED = "Your strokes stayed where they lie on the stencil; see that they still fit."


@dataclass(frozen=True)
class Wanted:
    """What an artist asks for; None leaves a thing to be found, or as it comes by itself."""

    blank_code: str
    paper_mm: tuple[float, float]
    corners_px: tuple[PointMm, ...] | None = None
    ink_level: float | None = None
    scale: float = 1.0
    turn_deg: float = 0.0
    place_mm: PointMm | None = None

    @property
    def blank_mm(self) -> tuple[float, float]:
        """(width, height) of the blank in mm."""
        size_mm: tuple[float, float] = BLANKS[self.blank_code].size_mm
        return size_mm

    def over(self, recipe: Recipe) -> Recipe:
        """Return the recipe with this in it. Raises RefusedError with what is wrong."""
        try:
            return replace(
                recipe,
                paper_mm=self.paper_mm,
                blank_mm=self.blank_mm,
                corners_px=self.corners_px,
                ink_level=self.ink_level,
                scale=self.scale,
                turn_deg=self.turn_deg,
                place_mm=self.place_mm,
            )
        except RecipeError as error:
            if "go round the paper" in str(error):
                raise RefusedError(
                    "Those four corners do not go round the paper. Set them in order: top left, "
                    "top right, bottom right, bottom left."
                ) from error
            raise RefusedError(str(error)) from error


def load_soon() -> None:
    """Load the geometry beside the page, so that the first preview does not wait for it."""
    from importlib import import_module

    threading.Thread(
        target=import_module, args=("geometry.placing",), name="load geometry", daemon=True
    ).start()


def save(version: Version, wanted: Wanted, *, by: Person | None) -> tuple[Version, str]:
    """Make the next version as wanted; return it and a sentence about the strokes, if any.

    Raises RefusedError where nothing would differ, or where the drawing cannot be read so.
    """
    before = Recipe.from_json(version.recipe)
    after = wanted.over(before)
    if _settled(after) == _settled(before) and wanted.blank_code == version.blank_code:
        raise RefusedError("Nothing was changed, so there is no new version.")
    words = ""
    if before.strokes:
        after, words = _with_strokes(version, before, after)
    if replace(after, ink_level=None) != replace(before, ink_level=None):
        after = replace(after, accepted=())  # they are known by their places, which moved
    return read_anew(version, after, wanted.blank_code, by=by), words


def measure(version: Version, wanted: Wanted) -> dict[str, Any]:
    """Return where paper and ink would lie, and the largest size, as JSON; `error` if not readable.

    Lengths are mm; `page` is null where the paper is not found, `lie` where no ink is.
    """
    recipe, blank_mm = _for_measuring(version, wanted), wanted.blank_mm
    found = _measured(version, recipe, blank_mm)
    blank = BLANKS[wanted.blank_code]
    answer = {**found, "blank_mm": list(blank.size_mm), "margin_mm": blank.margin_mm}
    if found["lie"]:
        from geometry.placing import largest

        lie = found["lie"]
        scale, place_mm = largest(
            lie["hull_mm"], lie["centre_mm"], wanted.turn_deg, blank.size_mm, blank.margin_mm
        )
        answer["largest"] = {"scale": scale, "place_mm": list(place_mm)}
    return answer


def source_jpg(version: Version) -> bytes:
    """Return the displayed picture, at most SOURCE_PX long, to set corners on. JPEG, grey."""
    import cv2

    grey = picture_of(version).grey
    smaller = min(1.0, SOURCE_PX / max(grey.shape))
    size = (max(round(grey.shape[1] * smaller), 1), max(round(grey.shape[0] * smaller), 1))
    shown = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if smaller < 1 else grey
    return bytes(cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes())


def paper_png(version: Version, wanted: Wanted) -> bytes:
    """Return the paper straightened and evened out (geometry.ink.paleness), as grey PNG.

    Raises UnreadableError where the paper is not found or nothing is drawn on it.
    """
    import cv2

    from geometry.ink import paleness
    from geometry.paper import find_page, straighten

    picture = picture_of(version)
    straight = straighten(picture, find_page(picture, _for_measuring(version, wanted)))
    evened = paleness(straight.grey, straight.px_per_mm)
    px_per_mm = min(PREVIEW_PX_PER_MM, PREVIEW_PX / max(straight.size_mm), straight.px_per_mm)
    size = tuple(max(round(side * px_per_mm), 1) for side in straight.size_mm)
    shown = cv2.resize(evened, size, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".png", shown, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes())


def _settled(recipe: Recipe) -> Recipe:
    """Return the recipe with its default sizes written out, to compare."""
    return replace(recipe, paper_mm=recipe.paper_size_mm, blank_mm=recipe.blank_size_mm)


def _is_same_paper(one: Recipe, other: Recipe) -> bool:
    same = same_size(one.paper_size_mm, other.paper_size_mm)
    return one.corners_px == other.corners_px and same


def _for_measuring(version: Version, wanted: Wanted) -> Recipe:
    """Return the recipe that extent and previews are found by, placed on the blank as before.

    The strokes count for the extent as long as they go along with the drawing.
    """
    saved = Recipe.from_json(version.recipe)
    asked = wanted.over(saved)
    kept = replace(
        asked,
        blank_mm=saved.blank_mm,
        scale=saved.scale,
        turn_deg=saved.turn_deg,
        place_mm=saved.place_mm,
    )
    return replace(kept, strokes=saved.strokes if _is_same_paper(saved, asked) else ())


def _measured(version: Version, recipe: Recipe, blank_mm: tuple[float, float]) -> dict[str, Any]:
    """Return what was measured before of this very file, recipe and blank, or measure it."""
    about = json.dumps([1, version.upload.sha256, recipe.to_json(), blank_mm], sort_keys=True)
    key = f"measured-{hashlib.sha256(about.encode()).hexdigest()}"
    kept: dict[str, Any] | None = cache.get(key)
    if kept is None:
        kept = _measure(version, recipe, blank_mm)
        cache.set(key, kept, KEPT_SECONDS)
    return kept


def _measure(version: Version, recipe: Recipe, blank_mm: tuple[float, float]) -> dict[str, Any]:
    from geometry.paper import find_page, straighten
    from geometry.placing import find_lie, usual_place

    answer: dict[str, Any] = {"size_px": None, "page": None, "lie": None, "error": None}
    try:
        picture = picture_of(version)
        answer["size_px"] = list(picture.size_px)
        page = find_page(picture, recipe)
        answer["page"] = {
            "corners_px": [[round(float(v), 2) for v in corner] for corner in page.corners_px],
            "size_mm": list(page.size_mm),
            "px_per_mm": page.px_per_mm,
            "found": page.found,
        }
        limits = default_limits(recipe.blank_size_mm)
        lie = find_lie(straighten(picture, page), page, recipe, limits)
        answer["lie"] = _lie_json(lie) | {"usual_mm": usual_place(page, lie.centre_mm, blank_mm)}
    except UnreadableError as error:
        answer["error"] = error.message
    return answer


def _lie_json(lie: Lie) -> dict[str, Any]:
    placement = lie.placement
    return {
        "centre_mm": list(lie.centre_mm),
        "hull_mm": [[round(x, 4), round(y, 4)] for x, y in lie.hull_mm.tolist()],
        "placement": [placement.scale, placement.turn_deg, *placement.move_mm],
    }


def _with_strokes(version: Version, before: Recipe, after: Recipe) -> tuple[Recipe, str]:
    """Return the new recipe with its strokes where they belong, and what became of them."""
    if not _is_same_paper(before, after):
        return after, STROKES_STAYED
    from geometry.placing import moved_strokes

    bare = [replace(recipe, strokes=()) for recipe in (before, after)]
    placements = []
    for recipe in bare:
        measured = _measured(version, recipe, recipe.blank_size_mm)
        if not measured["lie"]:
            raise RefusedError(measured["error"])
        scale, turn_deg, x, y = measured["lie"]["placement"]
        placements.append(Placement(scale, turn_deg, (x, y)))
    if placements[0] == placements[1]:
        return after, ""
    return replace(after, strokes=moved_strokes(before.strokes, *placements)), STROKES_MOVED
