"""The recipe: how a stored picture becomes a stencil, as small JSON; and the placement it leads to.

A design version is a file and a recipe, and neither changes once made. Unknown keys are refused,
so that a recipe never means less than its writer thought. Frames: see docs/geometry.md.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geometry.errors import RecipeError, SizeError
from geometry.limits import DEFAULT_BLANK
from geometry.units import LARGEST_SIDE_MM, SMALLEST_SIDE_MM, check_size

SCHEMA: Final = 1
MODES: Final = ("stencil", "mask")
PENS: Final = ("white", "black")
ORIGINS: Final = ("hand", "proposal")
MOST_STROKES: Final = 2000
MOST_POINTS: Final = 200_000
WIDEST_STROKE_MM: Final = 100.0
FARTHEST_MM: Final = 2000.0
LARGEST_PX: Final = 1e6
SCALES: Final = (0.05, 20.0)

PointMm = tuple[float, float]


@dataclass(frozen=True)
class Stroke:
    """A stroke of a round pen: "white" leaves film, "black" cuts. Points and width in blank mm."""

    pen: str
    points_mm: tuple[PointMm, ...]
    width_mm: float
    origin: str = "hand"

    def __post_init__(self) -> None:
        _require(self.pen in PENS, 'A stroke\'s "pen" is "white" or "black".')
        _require(self.origin in ORIGINS, 'A stroke\'s "from" is "hand" or "proposal".')
        _require(len(self.points_mm) >= 1, "A stroke needs at least one point.")
        _require(0 < self.width_mm <= WIDEST_STROKE_MM, "A stroke is up to 100 mm wide.")

    def to_json(self) -> dict[str, Any]:
        """Return the stroke as a JSON object."""
        points = [list(point) for point in self.points_mm]
        return {
            "pen": self.pen,
            "points_mm": points,
            "width_mm": self.width_mm,
            "from": self.origin,
        }

    @classmethod
    def from_json(cls, data: object) -> "Stroke":
        """Return a stroke from a JSON object. Raises RecipeError."""
        given = _object(data, "A stroke", ("pen", "points_mm", "width_mm", "from"))
        for key in ("pen", "points_mm", "width_mm"):
            _require(key in given, f'A stroke needs "{key}".')
        return cls(
            pen=_word(given["pen"], "pen"),
            points_mm=_points(given["points_mm"], "points_mm", FARTHEST_MM),
            width_mm=_number(given["width_mm"], "width_mm"),
            origin=_word(given.get("from", "hand"), "from"),
        )


@dataclass(frozen=True)
class Recipe:
    """How a picture becomes a stencil. Everything is optional; None means "find out".

    mode: "stencil", or "mask" (cut without bridges on purpose).
    paper_mm: real (width, height) of the sheet in the picture; blank_mm: that of the film.
    corners_px: the paper's corners TL TR BR BL in the displayed picture, pixel centres at integers.
    ink_level: share of the way from ink (0) to paper (1) at which ink ends.
    turn_deg: clockwise as seen; scale: 1 is true size; place_mm: where the drawing's centre lies.
    strokes: drawn over the drawing in order; accepted: keys of findings kept on purpose.
    """

    mode: str = "stencil"
    paper_mm: tuple[float, float] | None = None
    corners_px: tuple[PointMm, ...] | None = None
    ink_level: float | None = None
    turn_deg: float = 0.0
    scale: float = 1.0
    place_mm: PointMm | None = None
    blank_mm: tuple[float, float] | None = None
    strokes: tuple[Stroke, ...] = ()
    accepted: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _require(self.mode in MODES, 'The "mode" of a recipe is "stencil" or "mask".')
        for name in ("paper_mm", "blank_mm"):
            _check_side(getattr(self, name), name)
        if self.corners_px is not None:
            _require(len(self.corners_px) == 4, '"corners_px" needs four corners.')
            _require(
                _is_convex(self.corners_px), '"corners_px" must go round the paper: TL TR BR BL.'
            )
        if self.ink_level is not None:
            _require(0 < self.ink_level < 1, '"ink_level" lies between 0 and 1.')
        _require(-360 <= self.turn_deg <= 360, '"turn_deg" lies between -360 and 360.')
        _require(SCALES[0] <= self.scale <= SCALES[1], '"scale" lies between 0.05 and 20.')
        _require(len(self.strokes) <= MOST_STROKES, f"A recipe holds up to {MOST_STROKES} strokes.")
        points = sum(len(stroke.points_mm) for stroke in self.strokes)
        _require(points <= MOST_POINTS, f"The strokes of a recipe have up to {MOST_POINTS} points.")

    @property
    def paper_size_mm(self) -> tuple[float, float]:
        """The paper's (width, height) in mm, the default where none is given."""
        return self.paper_mm or DEFAULT_BLANK.size_mm

    @property
    def blank_size_mm(self) -> tuple[float, float]:
        """The blank's (width, height) in mm, the default where none is given."""
        return self.blank_mm or DEFAULT_BLANK.size_mm

    def to_json(self) -> dict[str, Any]:
        """Return the recipe as a JSON object without what was left open; from_json undoes it."""
        data: dict[str, Any] = {"schema": SCHEMA, "mode": self.mode}
        for key in ("paper_mm", "ink_level", "place_mm", "blank_mm"):
            value = getattr(self, key)
            if value is not None:
                data[key] = list(value) if isinstance(value, tuple) else value
        if self.corners_px is not None:
            data["corners_px"] = [list(corner) for corner in self.corners_px]
        if self.turn_deg:
            data["turn_deg"] = self.turn_deg
        if self.scale != 1.0:
            data["scale"] = self.scale
        if self.strokes:
            data["strokes"] = [stroke.to_json() for stroke in self.strokes]
        if self.accepted:
            data["accepted"] = list(self.accepted)
        return data

    @classmethod
    def from_json(cls, data: object) -> "Recipe":
        """Return a recipe from a JSON object (a mapping or its text). Raises RecipeError."""
        given = dict(_object(_parsed(data), "A recipe", tuple(RECIPE_SCHEMA["properties"])))
        schema = given.pop("schema", SCHEMA)
        _require(
            type(schema) is int and schema == SCHEMA, f"Only recipes of schema {SCHEMA} are read."
        )
        return cls(**{key: _READERS[key](value, key) for key, value in given.items()})


@dataclass(frozen=True)
class Placement:
    """Similarity from the paper's frame to the blank's, both mm with y down.

    A point p of the paper lies at scale * R(turn) * p + move_mm on the blank; a positive turn is
    clockwise as seen.
    """

    scale: float = 1.0
    turn_deg: float = 0.0
    move_mm: PointMm = (0.0, 0.0)

    @classmethod
    def about(
        cls, centre_mm: PointMm, lands_at_mm: PointMm, *, scale: float = 1.0, turn_deg: float = 0.0
    ) -> "Placement":
        """Return the placement that turns and scales about a point and puts it at another."""
        turned = cls(scale, turn_deg).to_blank([centre_mm])[0]
        move_mm = (float(lands_at_mm[0] - turned[0]), float(lands_at_mm[1] - turned[1]))
        return cls(scale, turn_deg, move_mm)

    @property
    def is_identity(self) -> bool:
        """True where paper and blank share one frame."""
        return self == Placement()

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The 2 x 3 matrix [scale * R | move] that takes paper mm to blank mm."""
        cos, sin = _cos_sin(self.turn_deg)
        return np.array(
            [
                [self.scale * cos, -self.scale * sin, self.move_mm[0]],
                [self.scale * sin, self.scale * cos, self.move_mm[1]],
            ]
        )

    def to_blank(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return points (n, 2) x, y of the paper's frame in the blank's frame, mm."""
        matrix = self.matrix
        return np.asarray(points_mm, float) @ matrix[:, :2].T + matrix[:, 2]

    def to_paper(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Return points (n, 2) x, y of the blank's frame in the paper's frame, mm."""
        matrix = self.matrix
        moved = np.asarray(points_mm, float) - matrix[:, 2]
        return moved @ matrix[:, :2] / self.scale**2


def _cos_sin(turn_deg: float) -> tuple[float, float]:
    """Return cosine and sine, exact at quarter turns."""
    quarters, rest = divmod(turn_deg, 90.0)
    if rest == 0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarters) % 4]
    return math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))


def _require(holds: bool, message: str) -> None:
    """Raise RecipeError with a message unless the condition holds."""
    if not holds:
        raise RecipeError(message)


def _check_side(size_mm: tuple[float, float] | None, name: str) -> None:
    """Raise RecipeError if a size has a side that cannot be used."""
    if size_mm is not None:
        try:
            check_size(size_mm)
        except SizeError as error:
            raise RecipeError(f'"{name}": {error}') from error


def _is_convex(corners: Sequence[PointMm]) -> bool:
    """Tell whether four corners go round once, clockwise as seen, and none lies on a line."""
    for index in range(4):
        (ax, ay), (bx, by), (cx, cy) = (corners[(index + step) % 4] for step in range(3))
        if (bx - ax) * (cy - by) - (by - ay) * (cx - bx) <= 0:
            return False
    return True


def _parsed(data: object) -> object:
    """Return JSON text as data; anything else unchanged."""
    if not isinstance(data, str | bytes):
        return data
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise RecipeError("The recipe is not valid JSON.") from error


def _object(data: object, what: str, known: tuple[str, ...]) -> Mapping[str, Any]:
    """Return a JSON object that has known keys only."""
    if not isinstance(data, Mapping):
        raise RecipeError(f"{what} must be a JSON object.")
    unknown = sorted(str(key) for key in data if key not in known)
    if unknown:
        raise RecipeError(
            f"{what} has an unknown key: {', '.join(unknown)[:120]}. Known are: {', '.join(known)}."
        )
    return data


def _number(value: object, key: str) -> float:
    """Return a finite JSON number as a float."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
        raise RecipeError(f'"{key}" must be a number.')
    if not math.isfinite(value):
        raise RecipeError(f'"{key}" must be a finite number.')
    return float(value)


def _optional_number(value: object, key: str) -> float | None:
    """Return a finite JSON number or null."""
    return None if value is None else _number(value, key)


def _word(value: object, key: str) -> str:
    """Return a JSON string."""
    if not isinstance(value, str):
        raise RecipeError(f'"{key}" must be a word.')
    return value


def _pair(value: object, key: str, largest: float = FARTHEST_MM) -> PointMm:
    """Return two finite numbers, neither larger than `largest` either way."""
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) != 2:
        raise RecipeError(f'"{key}" needs two numbers.')
    first, second = _number(value[0], key), _number(value[1], key)
    _require(max(abs(first), abs(second)) <= largest, f'"{key}" goes beyond {largest:g}.')
    return first, second


def _optional_pair(value: object, key: str) -> PointMm | None:
    """Return two finite numbers or None for null."""
    return None if value is None else _pair(value, key)


def _points(value: object, key: str, largest: float) -> tuple[PointMm, ...]:
    """Return a list of points."""
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) > MOST_POINTS:
        raise RecipeError(f'"{key}" must be a list of points.')
    return tuple(_pair(point, key, largest) for point in value)


def _corners(value: object, key: str) -> tuple[PointMm, ...] | None:
    """Return a list of corners or None for null."""
    return None if value is None else _points(value, key, LARGEST_PX)


def _strokes(value: object, key: str) -> tuple[Stroke, ...]:
    """Return a list of strokes."""
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) > MOST_STROKES:
        raise RecipeError(f'"{key}" must be a list of up to {MOST_STROKES} strokes.')
    return tuple(Stroke.from_json(stroke) for stroke in value)


def _words(value: object, key: str) -> tuple[str, ...]:
    """Return a list of words."""
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) > 10_000:
        raise RecipeError(f'"{key}" must be a list of words.')
    return tuple(_word(word, key) for word in value)


_READERS: Final[dict[str, Any]] = {
    "mode": _word,
    "paper_mm": _optional_pair,
    "corners_px": _corners,
    "ink_level": _optional_number,
    "turn_deg": _number,
    "scale": _number,
    "place_mm": _optional_pair,
    "blank_mm": _optional_pair,
    "strokes": _strokes,
    "accepted": _words,
}

_PAIR_SCHEMA: Final[dict[str, Any]] = {
    "type": "array",
    "items": {"type": "number"},
    "minItems": 2,
    "maxItems": 2,
}
_SIZE_SCHEMA: Final[dict[str, Any]] = {
    **_PAIR_SCHEMA,
    "type": ["array", "null"],
    "items": {"type": "number", "minimum": SMALLEST_SIDE_MM, "maximum": LARGEST_SIDE_MM},
}
STROKE_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "additionalProperties": False,
    "required": ["pen", "points_mm", "width_mm"],
    "properties": {
        "pen": {"enum": list(PENS)},
        "points_mm": {"type": "array", "items": _PAIR_SCHEMA, "minItems": 1},
        "width_mm": {"type": "number", "exclusiveMinimum": 0, "maximum": WIDEST_STROKE_MM},
        "from": {"enum": list(ORIGINS), "default": "hand"},
    },
}
RECIPE_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "How a picture becomes a stencil",
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "schema": {"const": SCHEMA},
        "mode": {"enum": list(MODES), "default": "stencil"},
        "paper_mm": _SIZE_SCHEMA,
        "corners_px": {
            "type": ["array", "null"],
            "items": _PAIR_SCHEMA,
            "minItems": 4,
            "maxItems": 4,
        },
        "ink_level": {"type": ["number", "null"], "exclusiveMinimum": 0, "exclusiveMaximum": 1},
        "turn_deg": {"type": "number", "minimum": -360, "maximum": 360, "default": 0},
        "scale": {"type": "number", "minimum": SCALES[0], "maximum": SCALES[1], "default": 1},
        "place_mm": {**_PAIR_SCHEMA, "type": ["array", "null"]},
        "blank_mm": _SIZE_SCHEMA,
        "strokes": {"type": "array", "items": STROKE_SCHEMA, "maxItems": MOST_STROKES},
        "accepted": {"type": "array", "items": {"type": "string"}},
    },
}
