"""Fuzzing of picture reading and of the whole check: only a report or a clean error may come.

Small files of every kind that is read are broken (bytes turned, cut out, doubled, swapped between
files, lengths made huge) and read; small pictures are drawn at random (noise, blobs, lines, ramps,
odd sizes) and checked to the end. A fall is written to a folder with its number, so that it can be
read again.
"""

from __future__ import annotations

import io
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from geometry.check import Checked, check, check_picture
from geometry.errors import ERROR_CODES, UnreadableError
from geometry.picture import Picture, read_picture
from geometry.recipe import Recipe, Stroke

SLOWEST_S = 60.0
Grey = NDArray[np.uint8]


def run(minutes: float, seed: int | None = None) -> int:
    """Fuzz for that long and print what came; the exit code says whether all was clean."""
    seed = int(time.time()) if seed is None else seed
    random = np.random.default_rng(seed)
    print(f"seed {seed}, {minutes:g} minutes")
    falls = Path(tempfile.mkdtemp(prefix="fuzz-falls-"))
    came: Counter[str] = Counter()
    worst = {"read": 0.0, "check": 0.0, "file": 0.0}
    fallen = 0
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        seeds = _good_files()
        until = time.monotonic() + 60 * minutes
        while time.monotonic() < until:
            way = str(random.choice(["read", "read", "check", "check", "file"]))
            kept: list[bytes] = []
            started = time.monotonic()
            try:
                came[f"{way}: {_once(way, random, seeds, Path(folder), kept)}"] += 1
            except Exception:  # whatever comes is what is sought
                fallen += 1
                place = falls / f"{fallen}-{way}"
                place.write_bytes(kept[0] if kept else b"")
                print(f"FALL {place}\n{traceback.format_exc()}", flush=True)
            spent = time.monotonic() - started
            worst[way] = max(worst[way], spent)
            if spent > SLOWEST_S:
                fallen += 1
                place = falls / f"{fallen}-slow-{way}"
                place.write_bytes(kept[0] if kept else b"")
                print(f"SLOW {place}: {spent:.1f} s", flush=True)
    for key, count in sorted(came.items()):
        print(f"{count:7} {key}")
    print("longest: " + ", ".join(f"{way} {seconds:.1f} s" for way, seconds in worst.items()))
    print(f"{sum(came.values()) + fallen} tries, {fallen} falls" + (f" in {falls}" * bool(fallen)))
    return 1 if fallen else 0


def _once(
    way: str,
    random: np.random.Generator,
    seeds: dict[str, bytes],
    folder: Path,
    kept: list[bytes],
) -> str:
    """Try once and return what came. Raises AssertionError on what is not clean."""
    if way == "check":
        grey, px_per_mm = _any_picture(random)
        kept.append(cv2.imencode(".png", grey)[1].tobytes())
        height, width = grey.shape
        paper_mm = (max(width / px_per_mm, 10.0), max(height / px_per_mm, 10.0))
        picture = Picture(
            grey=grey,
            dpi=(px_per_mm * 25.4,) * 2 if random.random() < 0.5 else None,
            sha256="0" * 64,
            format="png",
            size_px=(width, height),
        )
        return _outcome(check_picture(picture, _any_recipe(random, paper_mm)))
    ending = str(random.choice(list(seeds)))
    data = _broken(seeds, ending, random)
    kept.append(data)
    path = folder / f"a.{ending}"
    path.write_bytes(data)
    if way == "file":
        return _outcome(check(path, Recipe(paper_mm=(40.0, 40.0), blank_mm=(50.8, 50.8))))
    try:
        read = read_picture(path)
    except UnreadableError as error:
        _assert_clean(error.code, error.message)
        return error.code
    assert read.grey.dtype == np.uint8
    assert read.grey.ndim == 2
    assert read.grey.size
    return "read"


def _outcome(checked: Checked) -> str:
    """Return verdict or code of a check after asking for all that it offers."""
    error = checked.report["error"]
    if error:
        _assert_clean(error["code"], error["message"])
        return str(error["code"])
    assert checked.stencil is not None
    assert all(opening.is_valid for opening in checked.stencil.openings)
    assert all(np.isfinite(finding.at_mm).all() for finding in checked.findings)
    assert all([checked.film_png, checked.overlay_png, checked.drawing_jpg])
    return checked.verdict


def _assert_clean(code: str, message: str) -> None:
    """An error has a known code and one or two plain sentences."""
    assert code in ERROR_CODES, code
    assert message.endswith("."), message
    assert len(message) < 300, message
    assert not any(word in message for word in ("Traceback", "Error", "/tmp")), message


def _good_files() -> dict[str, bytes]:
    """Return a small good file of every kind that is read."""
    canvas = np.full((320, 320), 245, np.uint8)
    cv2.circle(canvas, (160, 160), 100, 20, 14)
    cv2.line(canvas, (60, 60), (250, 90), 20, 9)
    picture = Image.fromarray(canvas)
    files = {}
    ways: dict[str, dict[str, Any]] = {
        "png": {"format": "PNG"},
        "jpg": {"format": "JPEG", "dpi": (203, 203)},
        "webp": {"format": "WEBP"},
        "tif": {"format": "TIFF", "compression": "tiff_lzw"},
        "gif": {"format": "GIF"},
        "pdf": {"format": "PDF"},
    }
    for ending, how in ways.items():
        out = io.BytesIO()
        picture.convert("RGB").save(out, **how)
        files[ending] = out.getvalue()
    from pillow_heif import from_pillow

    out = io.BytesIO()
    from_pillow(picture.convert("RGB")).save(out)
    files["heic"] = out.getvalue()
    files["svg"] = (
        b'<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="40mm" viewBox="0 0 40 40">'
        b'<path d="M5 5h30v30h-30z M9 9v20h20v-20z" fill-rule="evenodd"/><circle cx="20" cy="20" '
        b'r="5" fill="none" stroke="#000" stroke-width="1.5" transform="rotate(20)"/></svg>'
    )
    return files


def _broken(seeds: dict[str, bytes], ending: str, random: np.random.Generator) -> bytes:
    """Return a good file after one to six accidents."""
    data = bytearray(seeds[ending])
    for _ in range(int(random.integers(1, 7))):
        if len(data) < 8:
            break
        at = int(random.integers(len(data)) if random.random() < 0.6 else random.integers(64))
        at = min(at, len(data) - 1)
        span = int(random.integers(1, 33))
        match int(random.integers(7)):
            case 0:
                data[at] = int(random.integers(256))
            case 1:
                del data[at : at + span]
            case 2:
                data[at:at] = data[at : at + span]
            case 3:
                data[at : at + 4] = random.choice(
                    [b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff"]
                )
            case 4:
                other = seeds[str(random.choice(list(seeds)))]
                start = int(random.integers(len(other)))
                data[at : at + span] = other[start : start + span]
            case 5:
                data = data[: max(at, 8)]
            case _:
                data[at : at + span] = random.bytes(span)
    return bytes(data)


def _any_picture(random: np.random.Generator) -> tuple[Grey, float]:
    """Return a random picture (grey, px per mm) of up to 900 pixels a side."""
    px_per_mm = float(random.choice([3.0, 4.0, 6.0, 11.81, 23.62]))
    height, width = (int(side) for side in random.integers(1, 900, 2))
    if random.random() < 0.5:
        height = width
    makers: list[Callable[[int, int, np.random.Generator], Grey]] = [_noise, _blobs, _lines, _flat]
    grey = makers[int(random.integers(len(makers)))](height, width, random)
    if random.random() < 0.3:
        grey = cv2.GaussianBlur(grey, (0, 0), float(random.uniform(0.3, 6))).astype(np.uint8)
    if random.random() < 0.3:
        grey = np.rint(grey * np.linspace(random.uniform(0, 1), 1, width)).astype(np.uint8)
    return np.ascontiguousarray(grey), px_per_mm


def _noise(height: int, width: int, random: np.random.Generator) -> Grey:
    middle, spread = random.uniform(0, 255), random.uniform(1, 120)
    return np.clip(random.normal(middle, spread, (height, width)), 0, 255).astype(np.uint8)


def _blobs(height: int, width: int, random: np.random.Generator) -> Grey:
    rough = random.normal(size=(height, width)).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), float(random.uniform(1, 20)))
    bound = np.quantile(smooth, random.uniform(0.02, 0.98))
    return np.where(smooth < bound, int(random.integers(120)), 240).astype(np.uint8)


def _lines(height: int, width: int, random: np.random.Generator) -> Grey:
    canvas = np.full((height, width), int(random.integers(150, 256)), np.uint8)
    for _ in range(int(random.integers(1, 60))):
        x0, y0, x1, y1 = (int(v) for v in random.integers(-50, 950, 4))
        grey, thick = int(random.integers(256)), int(random.integers(1, 30))
        match int(random.integers(3)):
            case 0:
                cv2.line(canvas, (x0, y0), (x1, y1), grey, thick, cv2.LINE_AA)
            case 1:
                cv2.circle(canvas, (x0, y0), abs(x1) // 4 + 1, grey, thick, cv2.LINE_AA)
            case _:
                cv2.rectangle(canvas, (x0, y0), (x1, y1), grey, random.choice([-1, thick]))
    return canvas


def _flat(height: int, width: int, random: np.random.Generator) -> Grey:
    low, high = sorted(random.uniform(0, 255, 2))
    ramp = np.linspace(low, high, height * width).reshape(height, width)
    ramp[:: int(random.integers(1, 40))] *= random.uniform(0, 1)
    return ramp.astype(np.uint8)


def _any_recipe(random: np.random.Generator, paper_mm: tuple[float, float]) -> Recipe:
    """Return a random recipe for paper of that size, mm."""

    def far(count: int) -> tuple[tuple[float, float], ...]:
        return tuple((float(x), float(y)) for x, y in random.uniform(-20, 180, (count, 2)))

    paper_mm = (min(paper_mm[0], 1000.0), min(paper_mm[1], 1000.0))
    strokes = tuple(
        Stroke(
            str(random.choice(["white", "black"])),
            far(int(random.integers(1, 5))),
            float(random.uniform(0.01, 20)),
        )
        for _ in range(int(random.integers(0, 4)))
    )
    return Recipe(
        mode=str(random.choice(["stencil", "mask"])),
        paper_mm=paper_mm,
        blank_mm=paper_mm if random.random() < 0.5 else (152.4, 152.4),
        ink_level=None if random.random() < 0.6 else float(random.uniform(0.01, 0.99)),
        turn_deg=0.0 if random.random() < 0.6 else float(random.uniform(-360, 360)),
        scale=1.0 if random.random() < 0.6 else float(random.uniform(0.05, 4)),
        strokes=strokes,
    )
