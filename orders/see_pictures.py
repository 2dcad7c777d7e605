"""Pictures to see a stencil by before it is cut: film, what falls out, openings, paint.

They are made from what the check stored, once, and kept in the folder of prepared pictures, as
they can always be made again. Film and openings are SVG in millimetres, so that they are crisp on
any screen and at any size; paint is a grey picture that a page colours.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.conf import settings

from .models import Closer, Version

if TYPE_CHECKING:
    from shapely import Polygon

    from geometry.stencil import Stencil

FORM = 1  # of the kept pictures; another number makes them anew
FILM = "#f4f8f9"
FILM_EDGE = "#8fa0a8"
INK = "#231f19"
STEPS_PER_MM = 100
LEAST_PIECE_MM2 = 0.05

PAINT_PX_PER_MM = 6
DAB_SOFT_MM = 0.10  # how soft an edge is that lies flat; judgement
LIFT_SOFT = 0.30  # mm softer for each mm that the film lifts; judgement
MOST_SOFT_MM = 1.3
_SOFT_STEPS_MM = (DAB_SOFT_MM, 0.3, 0.7, MOST_SOFT_MM)


def film_svg(version: Version) -> bytes:
    """Return the film that stays, as SVG in mm of the blank. Raises FileNotFoundError."""
    return kept(version, "film.svg", lambda: _svg_of(version, lambda parts: parts[0]))


def fallen_svg(version: Version) -> bytes:
    """Return the film that falls out, in its place, as SVG. Raises FileNotFoundError."""
    return kept(version, "fallen.svg", lambda: _svg_of(version, lambda parts: parts[1]))


def openings_svg(version: Version) -> bytes:
    """Return the openings in black as SVG in mm of the blank. Raises FileNotFoundError."""
    return kept(version, "openings.svg", lambda: _openings(version))


def paint_png(version: Version, closer: Closer | None) -> bytes:
    """Return what a sponge leaves: white is paint, black is none. Raises FileNotFoundError.

    An edge is soft where film lies flat, softer where it may lift, and there some paint creeps
    under it. Film that falls out keeps nothing clean: its place is painted over.
    """
    field = closer.lift_field if closer else None
    stem = Path(field.name).stem if field and field.name else "flat"
    return kept(version, f"paint-{stem}.png", lambda: _paint(version, field))


def parts_of(stencil: Stencil) -> tuple[list[Polygon], list[Polygon]]:
    """Return (film that stays, film that falls out).

    What hangs together with most of the blank's edge stays; a mask's pieces are the product, so
    none of them falls.
    """
    from shapely import box

    film = [piece for piece in stencil.film() if piece.area >= LEAST_PIECE_MM2]
    if stencil.mode == "mask" or len(film) < 2:
        return film, []
    edge = box(0, 0, *stencil.blank_mm).exterior
    stays = max(film, key=lambda piece: (edge.intersection(piece.boundary).length, piece.area))
    return [stays], [piece for piece in film if piece is not stays]


def lowest_and_highest_mm(version: Version) -> tuple[float, float] | None:
    """Return the least and largest y of what falls out, from the findings; None for nothing."""
    rows = [
        float(point[1])
        for finding in version.findings
        if finding["kind"] == "island" and version.mode != "mask"
        for point in finding.get("outline_mm") or [finding["at_mm"]]
    ]
    return (min(rows), max(rows)) if rows else None


def _svg_of(version: Version, choose: Callable[[Any], list[Polygon]]) -> bytes:
    stencil = _stencil(version)
    look = f'fill="{FILM}" stroke="{FILM_EDGE}" stroke-width="12" stroke-linejoin="round"'
    return _svg(stencil.blank_mm, choose(parts_of(stencil)), look)


def _openings(version: Version) -> bytes:
    stencil = _stencil(version)
    return _svg(stencil.blank_mm, stencil.openings, f'fill="{INK}"')


def _svg(blank_mm: tuple[float, float], shapes: Iterable[Polygon], look: str) -> bytes:
    """Return shapes as one path in hundredths of a mm, each ring by steps from its start."""
    import numpy as np

    data: list[str] = []
    for shape in shapes:
        for ring in (shape.exterior, *shape.interiors):
            points = np.rint(np.asarray(ring.coords)[:-1, :2] * STEPS_PER_MM).astype(int)
            steps = np.diff(points, axis=0)
            steps = steps[np.any(steps != 0, axis=1)]
            start = " ".join(map(str, points[0].tolist()))
            data.append(f"M{start}l{' '.join(map(str, steps.ravel().tolist()))}z")
    width, height = (round(side * STEPS_PER_MM) for side in blank_mm)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{blank_mm[0]:g}mm" '
        f'height="{blank_mm[1]:g}mm" viewBox="0 0 {width} {height}">'
        f'<path {look} fill-rule="evenodd" d="{"".join(data)}"/></svg>'
    ).encode()


def _paint(version: Version, field: Any) -> bytes:
    import cv2
    import numpy as np
    from PIL import Image

    stencil = _stencil(version)
    fine = 2 * PAINT_PX_PER_MM
    width, height = (round(side * PAINT_PX_PER_MM) for side in stencil.blank_mm)
    bare: Any = np.full((2 * height, 2 * width), 255, np.uint8)
    for piece in parts_of(stencil)[0]:
        rings = [
            np.rint((np.asarray(ring.coords)[:, :2] * fine - 0.5) * 16).astype(np.int32)
            for ring in (piece.exterior, *piece.interiors)
        ]
        cv2.fillPoly(bare, rings, 0, cv2.LINE_8, 4)
    bare = cv2.resize(bare, (width, height), interpolation=cv2.INTER_AREA)
    soft: Any = np.full((height, width), DAB_SOFT_MM, np.float32)
    lift = _lift_mm(field)
    if lift is not None:
        lift = cv2.resize(lift, (width, height), interpolation=cv2.INTER_LINEAR)
        soft = np.minimum(soft + LIFT_SOFT * cv2.GaussianBlur(lift, (0, 0), 4), MOST_SOFT_MM)
    looks = [
        cv2.GaussianBlur(bare, (0, 0), step * PAINT_PX_PER_MM).astype(np.float32)
        for step in _SOFT_STEPS_MM
    ]
    paint = looks[0]
    for low, high, fainter, softer in zip(
        _SOFT_STEPS_MM, _SOFT_STEPS_MM[1:], looks, looks[1:], strict=False
    ):
        share = np.clip((soft - low) / (high - low), 0, 1)
        paint = np.where(soft > low, fainter + share * (softer - fainter), paint)
    paint *= _sponge(height, width)
    out = BytesIO()
    Image.fromarray(np.clip(np.rint(paint), 0, 255).astype(np.uint8)).save(out, "PNG")
    return out.getvalue()


def _lift_mm(field: Any) -> Any:
    """Return a stored lift field in mm, see Closer; None where there is none."""
    import numpy as np
    from PIL import Image

    if not field or not field.name:
        return None
    try:
        with field.open("rb") as stored:
            return np.asarray(Image.open(stored).convert("L"), np.float32) / 50
    except FileNotFoundError:
        return None


def _sponge(height: int, width: int) -> Any:
    """Return how much paint a dabbed sponge leaves, 0.84 to 1: fine pores and broad dabs."""
    import cv2
    import numpy as np

    random = np.random.default_rng(7)
    pores: Any = random.random((height // 3 + 1, width // 3 + 1)).astype(np.float32)
    dabs: Any = random.random((height // 60 + 2, width // 60 + 2)).astype(np.float32)
    size = (width, height)
    pores = cv2.GaussianBlur(cv2.resize(pores, size, interpolation=cv2.INTER_CUBIC), (0, 0), 1.0)
    dabs = cv2.resize(dabs, size, interpolation=cv2.INTER_CUBIC)
    holes = np.clip((0.42 - pores) * 3, 0, 0.35)
    return np.clip(1 - holes * (0.4 + 0.6 * dabs), 0.6, 1)


def _stencil(version: Version) -> Stencil:
    from geometry.stencil import Stencil

    if not version.stencil:
        raise FileNotFoundError(f"{version} has no stencil")
    with version.stencil.open("rb") as stored:
        return Stencil.from_bytes(stored.read())


def forget_views(version: Version) -> None:
    """Delete the pictures that were made of a version, as its drawing is erased."""
    if version.stencil:
        for path in Path(settings.PREPARED_FOLDER).glob(f"{_stem(version)}-*"):
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def _stem(version: Version) -> str:
    return Path(str(version.stencil.name)).stem


def kept(version: Version, name: str, make: Callable[[], bytes]) -> bytes:
    """Return a picture that is kept under the stored stencil's random name, or make it."""
    if not version.stencil:
        raise FileNotFoundError(f"{version} has no stencil")
    folder = Path(settings.PREPARED_FOLDER)
    path = folder / f"{_stem(version)}-{FORM}-{name}"
    with contextlib.suppress(OSError):
        return path.read_bytes()
    data = make()
    # a full disk loses nothing: the picture is made again when it is wanted
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(dir=folder, suffix=".partial")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.replace(partial, path)
    return data
