"""The prepared picture: all of a check that no stroke can change, kept as bytes by content hash.

Any process can load it, so a re-check needs neither the file nor the process that read it.
"""

import hashlib
import io
import json
import os
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final

import numpy as np

from geometry.check import (
    MOST_SHAPES,
    Before,
    Checked,
    find_bare_ink,
    place,
    refuse_coarse,
)
from geometry.hairlines import Hairline
from geometry.ink import Ink, Speck
from geometry.limits import Blank, Limits, default_limits
from geometry.outlines import trace
from geometry.paper import Page, find_page, straighten
from geometry.picture import Picture, ReadLimits, read_picture
from geometry.recipe import Recipe, Stroke
from geometry.widths import measure_widths

_FORM: Final = 1
_MOST_KEPT: Final = 2
"""Checks with strokes whose ink is kept in memory, 26 MB each at 600 dpi on 6 x 6 in."""


@dataclass(frozen=True)
class Prepared:
    """A drawing's ink as it is on paper, and what it was found by. recipe has no strokes.

    What the latest re-checks found is kept with it while it is in memory, so that the next one only
    has to look at what one more stroke changes.
    """

    sha256: str
    recipe: Recipe
    limits: Limits
    page: Page
    ink: Ink
    _kept: dict[tuple[Stroke, ...], Before] = field(default_factory=dict, repr=False, compare=False)

    def before(self, strokes: tuple[Stroke, ...]) -> Before | None:
        """Return what is kept of the most of these strokes from the first on, at least of none.

        None for a drawing of too many shapes to look at.
        """
        if len(self.ink.loops) > MOST_SHAPES:
            return None
        if () not in self._kept:
            placement = place(self.ink, self.page, self.recipe)
            outlines = trace(self.ink, placement)
            widths = measure_widths(self.ink, placement, self.limits, mode=self.recipe.mode)
            self._kept[()] = Before(0, self.ink, outlines, widths)
        # From one look: another thread may drop the oldest meanwhile.
        kept = [one for done, one in tuple(self._kept.items()) if strokes[: len(done)] == done]
        return max(kept, key=lambda one: one.strokes)

    def keep(self, strokes: tuple[Stroke, ...], checked: Checked) -> None:
        """Keep what the check of these strokes found for the next one."""
        if checked.ink is None or checked.widths is None or strokes in self._kept:
            return
        drawn = [done for done in tuple(self._kept) if done]
        for oldest in drawn[: max(len(drawn) + 1 - _MOST_KEPT, 0)]:
            self._kept.pop(oldest, None)
        outlines = list(checked.outlines)
        self._kept[strokes] = Before(len(strokes), checked.ink, outlines, checked.widths)

    @property
    def key(self) -> str:
        """The hash that `prepared_key` gives for the file, recipe and limits."""
        return prepared_key(self.sha256, self.recipe, self.limits)

    def to_bytes(self) -> bytes:
        """Return it as the bytes of an npz file without any pickle in it."""
        about = {
            "form": _FORM,
            "sha256": self.sha256,
            "recipe": self.recipe.to_json(),
            "limits": self.limits.to_json(),
            "page": _page_json(self.page),
            "px_per_mm": self.ink.px_per_mm,
            "level": self.ink.level,
            "contrast": self.ink.contrast,
            "origin_px": self.ink.origin_px,
            "half_covered": self.ink.half_covered,
            "specks": [(speck.x_mm, speck.y_mm, speck.area_mm2) for speck in self.ink.specks],
            "hairlines": [
                (len(hairline.widths_px), hairline.length_px) for hairline in self.ink.hairlines
            ],
        }
        lines = [np.column_stack([h.points_px, h.widths_px]) for h in self.ink.hairlines]
        out = io.BytesIO()
        np.savez(
            out,
            about=np.frombuffer(json.dumps(about).encode(), np.uint8),
            f=self.ink.f,
            hairlines=np.concatenate(lines) if lines else np.empty((0, 3)),
        )
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> "Prepared":
        """Return what to_bytes wrote. Raises ValueError for anything else."""
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as kept:
                about = json.loads(kept["about"].tobytes())
                f, lines = kept["f"], kept["hairlines"]
            if about["form"] != _FORM or f.dtype != np.int16 or f.ndim != 2:
                raise ValueError("another form")
            return cls(
                sha256=about["sha256"],
                recipe=Recipe.from_json(about["recipe"]),
                limits=Limits.from_json(about["limits"]),
                page=_page(about["page"]),
                ink=_ink(about, f, lines),
            )
        except Exception as error:
            raise ValueError("this prepared picture is damaged, or of another form") from error


def prepare(
    path: str | os.PathLike[str],
    recipe: Recipe | None = None,
    limits: Limits | None = None,
    *,
    read_limits: ReadLimits | None = None,
) -> Prepared:
    """Return a file prepared for re-checks; the recipe's strokes are left out.

    Raises UnreadableError where a check would say "unreadable".
    """
    return prepare_picture(read_picture(path, limits=read_limits), recipe, limits)


def prepare_picture(
    picture: Picture, recipe: Recipe | None = None, limits: Limits | None = None
) -> Prepared:
    """Return a picture that has been read already prepared for re-checks; otherwise as prepare."""
    recipe = _bare(recipe or Recipe())
    limits = limits or default_limits(recipe.blank_size_mm)
    page = find_page(picture, recipe)
    refuse_coarse(page, limits)
    ink = find_bare_ink(straighten(picture, page), recipe, limits)
    return Prepared(picture.sha256, recipe, limits, page, ink)


def prepared_from(checked: Checked, recipe: Recipe, limits: Limits) -> Prepared | None:
    """Return what a full check has found on its way, or None where strokes lie over its ink."""
    if recipe.strokes or checked.ink is None or checked.page is None:
        return None
    return Prepared(str(checked.report["sha256"]), _bare(recipe), limits, checked.page, checked.ink)


def prepared_key(sha256: str, recipe: Recipe, limits: Limits) -> str:
    """Return the hash (hex) under which a prepared picture is kept; strokes do not count."""
    about = [_FORM, sha256, _bare(recipe).to_json(), limits.to_json()]
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


def _bare(recipe: Recipe) -> Recipe:
    """Return the recipe without what is drawn or accepted on top."""
    return replace(recipe, strokes=(), accepted=())


def _ink(about: dict[str, Any], f: Any, lines: Any) -> Ink:
    """Return the ink from its stored parts."""
    hairlines, at = [], 0
    for count, length_px in about["hairlines"]:
        part = lines[at : at + count]
        hairlines.append(Hairline(part[:, :2].copy(), part[:, 2].copy(), length_px))
        at += count
    return Ink(
        f,
        about["px_per_mm"],
        about["level"],
        about["contrast"],
        tuple(about["origin_px"]),
        tuple(Speck(*values) for values in about["specks"]),
        tuple(hairlines),
        tuple((x, y, area) for x, y, area in about["half_covered"]),
    )


def _page_json(page: Page) -> dict[str, Any]:
    """Return all fields of a page as JSON."""
    data = {one.name: getattr(page, one.name) for one in fields(page)}
    return {
        name: value.tolist()
        if isinstance(value, np.ndarray)
        else {"blank": asdict(value)}
        if isinstance(value, Blank)
        else value
        for name, value in data.items()
    }


def _page(data: dict[str, Any]) -> Page:
    """Return the page from its JSON."""
    read: dict[str, Any] = {
        name: Blank(**value["blank"])
        if isinstance(value, dict)
        else np.array(value)
        if name == "corners_px"
        else tuple(value)
        if isinstance(value, list)
        else value
        for name, value in data.items()
    }
    return Page(**read)
