"""The numbers a drawing is judged by, each with its effect and its origin beside it.

Exactly at a limit passes. All are editable per film and machine; the same keys are used in a
limits file and in the report.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from geometry.errors import LimitsError
from geometry.units import MM_PER_INCH, NAMED_SIZES_MM, same_size

# PET film as it is sold: 5, 7.5 and 10 mil (trade sizes).
FILM_THICKNESS_MM: Final[tuple[float, ...]] = (0.127, 0.1905, 0.254)
DEFAULT_FILM_MM: Final = 0.1905

_PRACTICE: Final = "common practice, no source"
_DATA_SHEETS: Final = "published data sheets of PET film (ASTM D882), from memory"
_JUDGEMENT: Final = "judgement"


@dataclass(frozen=True)
class Blank:
    """A size of film that one stencil is cut from. Sides and margin in mm."""

    code: str
    name: str
    width_mm: float
    height_mm: float
    margin_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """(width, height) in mm."""
        return self.width_mm, self.height_mm


def _inch_blank(width: float, height: float, margin_mm: float) -> Blank:
    """Return a blank of a size in inches."""
    name = f"{width:g} x {height:g} in"
    width_mm, height_mm = round(width * MM_PER_INCH, 6), round(height * MM_PER_INCH, 6)
    return Blank(f"{width:g}x{height:g}in", name, width_mm, height_mm, margin_mm)


# Margins: clear film for handling and placement; 6x6, 4x4 and 2.5x3.5 are common practice (no
# source), the rest follow them by judgement.
BLANKS: Final[dict[str, Blank]] = {
    blank.code: blank
    for blank in (
        _inch_blank(6, 6, 10.0),
        _inch_blank(4, 4, 8.0),
        _inch_blank(2.5, 3.5, 5.0),
        _inch_blank(8, 8, 12.0),
        _inch_blank(12, 12, 12.0),
        _inch_blank(5, 7, 10.0),
        Blank("a5", "A5", *NAMED_SIZES_MM["a5"], 10.0),
        Blank("a4", "A4", *NAMED_SIZES_MM["a4"], 12.0),
    )
}
DEFAULT_BLANK: Final = BLANKS["6x6in"]


def _limit(default: float, largest: float, effect: str, origin: str) -> Any:
    """Return a dataclass field for one limit: 0 to `largest`, both inclusive."""
    notes = {"largest": largest, "effect": effect, "origin": origin}
    return field(default=default, metadata=notes)


@dataclass(frozen=True)
class Limits:
    """All limits of one check. Lengths in mm, areas in mm2, resolutions in px per mm.

    Every value is a finite number from 0 to the largest that its field names. Raises LimitsError.
    """

    kerf_mm: float = _limit(
        0.15,
        2.0,
        "an opening narrower than this is rejected; narrower than twice this warns, "
        "as both passes of the beam heat the same film",
        f"CO2 laser on thin film 0.1-0.3 mm; {_PRACTICE}",
    )
    opening_mm: float = _limit(
        1.0,
        50.0,
        "a line narrower than this warns",
        f"narrow openings take paint poorly; {_PRACTICE}",
    )
    web_mm: float = _limit(
        1.0,
        50.0,
        "film between two openings narrower than this warns",
        f"heat from neighbouring cuts fuses narrow film; {_PRACTICE}",
    )
    bridge_mm: float = _limit(
        1.0, 50.0, "a bridge narrower than this warns", f"as for a web; {_PRACTICE}"
    )
    bridge_proposed_mm: float = _limit(
        1.5, 50.0, "width of a bridge put in for the artist", _JUDGEMENT
    )
    crowding_mm_per_mm2: float = _limit(
        1.6,
        100.0,
        "more mm of cut than this for each mm2 of film in a window of crowding_window_mm warns; "
        "1.6 is met by lines side by side with 1.25 mm of film between them",
        f"heat of cuts close together fuses and warps film; {_PRACTICE}; the number is judgement",
    )
    crowding_window_mm: float = _limit(
        10.0,
        100.0,
        "how wide the round window is in which cut and film are compared; 0 leaves crowding out",
        f"{_JUDGEMENT}: what is cut within the seconds that film takes to cool",
    )
    flap_reach_mm: float = _limit(
        12.0,
        1000.0,
        "film held on one side only that reaches farther than this, and farther than flap_necks "
        "times its neck, warns",
        _JUDGEMENT,
    )
    flap_necks: float = _limit(
        2.0, 100.0, "a flap's reach counts from this many times its neck on", _JUDGEMENT
    )
    margin_mm: float = _limit(
        10.0,
        100.0,
        "less clear film than this at the blank's edge warns; depends on the blank",
        f"clear film for handling and placement; {_PRACTICE}",
    )
    island_mm2: float = _limit(
        1.0, 100.0, "cut film of this area or more is an island; smaller is noted", _JUDGEMENT
    )
    speck_mm2: float = _limit(
        0.2, 10.0, "ink of less than this area is cleaned away and noted", _JUDGEMENT
    )
    speck_length_mm: float = _limit(
        1.0, 10.0, "a speck, spur or hairline longer than this is never cleaned away", _JUDGEMENT
    )
    cut_out_mm: float = _limit(
        4.0, 100.0, "an opening this far across or more gives a cut-out to keep", _JUDGEMENT
    )
    frame_mm: float = _limit(
        6.0, 100.0, "film this near to the blank's edge is held flat; for lift only", _JUDGEMENT
    )
    film_mm: float = _limit(
        DEFAULT_FILM_MM, 2.0, "thickness of the film; for lift only", "trade sizes 5, 7.5, 10 mil"
    )
    film_modulus_gpa: float = _limit(
        4.9, 400.0, "elastic modulus of the film; for lift only", f"3.8-5.1, {_DATA_SHEETS}"
    )
    film_poisson: float = _limit(
        0.38, 0.49, "Poisson's ratio of the film; for lift only", _DATA_SHEETS
    )
    dab_n: float = _limit(
        0.02,
        10.0,
        "force of a sponge's dab that lifts the film, for lift only",
        f"{_JUDGEMENT}: about 50 Pa of paint tack over a 20 mm sponge; to be measured on a test "
        "sheet",
    )
    lift_flat_mm: float = _limit(
        1.0, 100.0, "film that lifts more than this warns: it may lift", _JUDGEMENT
    )
    lift_free_mm: float = _limit(
        3.0, 100.0, "film that lifts more than this is told to hang free", _JUDGEMENT
    )
    resolution_px_per_mm: float = _limit(
        6.0, 100.0, "a picture with fewer pixels than this warns", _JUDGEMENT
    )
    unreadable_px_per_mm: float = _limit(
        3.0, 100.0, "a picture with fewer pixels than this is not read", _JUDGEMENT
    )

    def __post_init__(self) -> None:
        for limit in fields(self):
            value = getattr(self, limit.name)
            largest = limit.metadata["largest"]
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise LimitsError(f"The limit {limit.name} must be a number.")
            if not (math.isfinite(value) and 0 <= value <= largest):
                raise LimitsError(f"The limit {limit.name} must lie between 0 and {largest:g}.")

    def to_json(self) -> dict[str, float]:
        """Return the limits as a JSON object; from_json gives back an equal set."""
        return {limit.name: getattr(self, limit.name) for limit in fields(self)}

    @classmethod
    def from_json(cls, data: object, *, base: "Limits | None" = None) -> "Limits":
        """Return limits from a JSON object (a mapping or its text); keys left out keep `base`.

        Raises LimitsError on an unknown key or a value out of range.
        """
        given = _object(data)
        known = {limit.name for limit in fields(cls)}
        unknown = sorted(str(key) for key in given if key not in known)
        if unknown:
            raise LimitsError(
                f"Unknown limit: {', '.join(unknown)[:120]}. Known are: {', '.join(sorted(known))}."
            )
        return replace(base or cls(), **given)


def default_limits(blank_mm: tuple[float, float] = DEFAULT_BLANK.size_mm) -> Limits:
    """Return the default limits with the margin of a blank of that size (mm), either way round."""
    return Limits(margin_mm=margin_for(blank_mm))


def margin_for(blank_mm: tuple[float, float]) -> float:
    """Return the margin (mm) of a blank: that of the table, else of the next smaller one in it."""
    turned_mm = (blank_mm[1], blank_mm[0])
    for blank in BLANKS.values():
        if same_size(blank.size_mm, blank_mm) or same_size(blank.size_mm, turned_mm):
            return blank.margin_mm
    shorter_mm = min(blank_mm)
    smaller = [b for b in BLANKS.values() if min(b.size_mm) <= shorter_mm]
    return max((b.margin_mm for b in smaller), default=min(b.margin_mm for b in BLANKS.values()))


def describe_limits() -> list[dict[str, object]]:
    """Return one row per limit (key, default, largest, effect, origin) for pages and docs."""
    return [
        {"key": limit.name, "default": limit.default, **dict(limit.metadata)}
        for limit in fields(Limits)
    ]


LIMITS_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "Limits of a check, in mm, mm2, mm per mm2 and px per mm",
    "type": "object",
    "additionalProperties": False,
    "properties": {
        limit.name: {
            "type": "number",
            "minimum": 0,
            "maximum": limit.metadata["largest"],
            "default": limit.default,
            "description": limit.metadata["effect"],
        }
        for limit in fields(Limits)
    },
}


def _object(data: object) -> Mapping[str, Any]:
    """Return a JSON object given as a mapping or as its text."""
    if isinstance(data, str | bytes):
        try:
            data = json.loads(data)
        except (ValueError, RecursionError) as error:
            raise LimitsError("The limits are not valid JSON.") from error
    if not isinstance(data, Mapping):
        raise LimitsError('The limits must be a JSON object such as {"kerf_mm": 0.15}.')
    return data
