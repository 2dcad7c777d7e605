"""Pictures for those who buy from the shelf: enough to see what it is, too few dots to cut it by.

A line of 1 mm is four dots wide at most. They are made once from the pictures of the drawing and
kept beside them; they go when the drawing is erased.
"""

from __future__ import annotations

from io import BytesIO

from PIL import Image

from .models import Closer, Version
from .see_pictures import kept, paint_png

MOST_PX_PER_MM = 4.0
MOST_PX = 640


def size_px(version: Version) -> tuple[int, int]:
    """Return (width, height) of a version's pictures for buyers."""
    width_mm, height_mm = version.blank.size_mm
    per_mm = min(MOST_PX_PER_MM, MOST_PX / max(width_mm, height_mm))
    return round(width_mm * per_mm), round(height_mm * per_mm)


def film_png(version: Version) -> bytes:
    """Return the film, openings dark. Raises FileNotFoundError."""
    return kept(version, "shelf-film.png", lambda: _smaller(version, _film(version)))


def painted_png(version: Version) -> bytes:
    """Return what a sponge leaves, white is paint. Raises FileNotFoundError."""
    closer = Closer.objects.filter(version=version, status=Closer.Status.DONE).first()
    kind = "shelf-paint.png" if closer else "shelf-paint-flat.png"
    return kept(version, kind, lambda: _smaller(version, paint_png(version, closer)))


PICTURES = {"film.png": film_png, "paint.png": painted_png}


def _film(version: Version) -> bytes:
    if not version.film_picture:
        raise FileNotFoundError(f"{version} has no picture")
    with version.film_picture.open("rb") as stored:
        return bytes(stored.read())


def _smaller(version: Version, data: bytes) -> bytes:
    """Return a picture with as many dots as buyers get; transparent parts are white."""
    picture: Image.Image = Image.open(BytesIO(data))
    if "transparency" in picture.info or picture.mode in ("RGBA", "LA", "PA"):
        flat = Image.new("RGBA", picture.size, "white")
        flat.alpha_composite(picture.convert("RGBA"))
        picture = flat
    picture = picture.convert("L" if picture.mode in ("1", "L") else "RGB")
    if picture.width > size_px(version)[0]:
        picture = picture.resize(size_px(version), Image.Resampling.LANCZOS)
    out = BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()
