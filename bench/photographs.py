"""How well the paper is found: rendered photographs whose true corners are known.

Thirty photographs of a sheet on six kinds of table and a white one, tilted up to 25 degrees, with
clutter, a soft shadow, a hand's shadow over an edge of the paper, blur, noise, JPEG and every turn
that EXIF knows. Then the same sheets through a lens with barrel distortion and slightly curled.
The truth is the projection that made the picture (vector arithmetic). Times are the processor's.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.interpolate import griddata

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from geometry.check import check_picture
from geometry.errors import UnreadableError
from geometry.limits import BLANKS
from geometry.paper import find_page
from geometry.picture import Picture, read_picture
from geometry.recipe import Recipe
from tests.geometry import drawings, drawn_sheets
from tests.geometry.photographs import Scene, photograph

Floats = NDArray[np.float64]
PAPER_MM = drawings.PAPER_MM
TABLES = ("dark", "light", "wood", "tiles", "cloth", "check", "white", "wood", "light", "dark")
COUNT, FOUND_LEAST = 30, 27
WITHIN_MM, MEDIAN, P95 = 1.0, 0.003, 0.01
# EXIF orientation -> how the displayed picture is stored (Exif 2.3, tag 0x0112)
STORED = {1: None, 3: Image.Transpose.ROTATE_180}
STORED |= {6: Image.Transpose.ROTATE_90, 8: Image.Transpose.ROTATE_270}


def main(rounds: int) -> int:
    """Print the tables; the exit code says whether the figures are reached."""
    del rounds  # the pictures are always the same
    paper = drawings.paint(drawings.harbour(), 12)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        path = Path(folder) / "photo.jpg"
        rows = [_row(path, scene, *taken) for scene, taken in _photographs(paper)]
    print(f"{'':3}{'table':8}{'tilt':>5}{'turn':>6}{'fill':>6}  corner mm   size %         ms")
    for number, (scene, corner_mm, size, seconds, note) in enumerate(rows):
        figures = (
            f"{corner_mm:9.2f} {100 * size:8.2f} {1000 * seconds:10.0f}"
            if not note
            else "  " + note
        )
        print(
            f"{number:2d} {scene.table:8}{scene.tilt_deg:5.0f}{scene.turn_deg:6.0f}"
            f"{scene.fill:6.0%}  {figures}"
        )
    found = sum(row[1] <= WITHIN_MM for row in rows)
    sizes = sorted(row[2] for row in rows if not row[4])
    middle, high = statistics.median(sizes), float(np.percentile(sizes, 95))
    print(f"all corners within {WITHIN_MM:g} mm: {found} of {len(rows)} (to be: {FOUND_LEAST})")
    print(f"size error: median {100 * middle:.2f} % (0.3), 95 of 100 within {100 * high:.2f} % (1)")
    _bent()
    return 0 if found >= FOUND_LEAST and middle <= MEDIAN and high <= P95 else 1


def scenes(count: int = COUNT) -> list[Scene]:
    """Return the scenes: the same ones every time."""
    random = np.random.default_rng(2026)
    made = []
    for number in range(count):
        upright = number % 3 == 0
        made.append(
            Scene(
                TABLES[number % len(TABLES)],
                fill=float(random.uniform(0.38, 0.72)),
                tilt_deg=float(random.uniform(0, 25)),
                tilt_towards_deg=float(random.uniform(0, 360)),
                turn_deg=float(random.uniform(-40, 40) if number % 2 else random.uniform(-5, 5)),
                size_px=(1920, 2560) if upright else (2560, 1920),
                shadow=float(random.uniform(0.2, 0.5)),
                clutter=int(random.integers(0, 9)),
                blur_px=float(random.uniform(0.6, 2.0)),
                noise=float(random.uniform(1.5, 5)),
                seed=number + 100,
            )
        )
    return made


def _photographs(paper: Any) -> Iterator[tuple[Scene, tuple[Any, Floats]]]:
    for number, planned in enumerate(scenes()):
        scene = inside_picture(planned)
        picture, corners = photograph(paper, PAPER_MM, scene)
        if number % 2:
            picture = hand_shadow(picture, corners, number)
        yield scene, (picture, corners)


def inside_picture(scene: Scene, paper_mm: tuple[float, float] = PAPER_MM) -> Scene:
    """Return the scene with less fill where a turned sheet would leave the picture."""
    from tests.geometry.photographs import _corners

    while True:
        corners = _corners(paper_mm, scene)
        if (corners > 8).all() and (corners < np.array(scene.size_px) - 9).all():
            return scene
        scene = replace(scene, fill=scene.fill * 0.94)


def hand_shadow(picture: Any, corners: Floats, seed: int) -> Any:
    """Return the picture with the shadow of a hand and its fingers over one edge of the sheet."""
    random = np.random.default_rng(seed)
    side = int(random.integers(4))
    start, end = corners[side], corners[(side + 1) % 4]
    length = float(np.linalg.norm(end - start))
    at = start + random.uniform(0.3, 0.7) * (end - start)
    inward = corners.mean(axis=0) - at
    inward /= np.linalg.norm(inward)
    along = (end - start) / length
    shade = np.zeros(picture.shape[:2], np.float32)
    arm = at - 0.5 * length * inward
    _stroke(shade, arm, at, 0.22 * length)
    for finger in range(4):
        root = at + (finger - 1.5) * 0.06 * length * along
        tip = root + (0.2 - 0.03 * abs(finger - 1)) * length * inward
        _stroke(shade, root, tip, 0.045 * length)
    soft = cv2.GaussianBlur(shade, (0, 0), float(random.uniform(5, 25)))
    return (picture * (1 - random.uniform(0.25, 0.5) * soft[..., None])).astype(np.uint8)


def _stroke(shade: Any, start: Floats, end: Floats, width: float) -> None:
    ends = [(int(p[0]), int(p[1])) for p in (start, end)]
    cv2.line(shade, *ends, 1.0, max(1, round(width)), cv2.LINE_AA)


def _row(path: Path, scene: Scene, picture: Any, true: Floats) -> tuple[Any, ...]:
    turn = (1, 6, 3, 8)[scene.seed % 4]
    stored = Image.fromarray(picture)
    how = STORED[turn]
    stored = stored.transpose(how) if how is not None else stored
    exif = Image.Exif()
    exif[0x0112] = turn
    stored.save(path, "JPEG", quality=55 + scene.seed * 7 % 38, exif=exif.tobytes())
    read = read_picture(path)
    started = time.process_time()
    try:
        page = find_page(read, Recipe())
    except UnreadableError as error:
        return scene, np.inf, np.inf, 0.0, error.code
    seconds = time.process_time() - started
    return scene, *errors(page.corners_px, true), seconds, ""


def errors(found: Floats, true: Floats, size_mm: tuple[float, float] = PAPER_MM) -> Any:
    """Return (mm by which the worst corner is off, largest error of the drawing's size)."""
    frame = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * np.array(size_mm)
    found = min((np.roll(found, k, axis=0) for k in range(4)), key=lambda c: np.abs(c - true).sum())
    to_mm = _homography(true, frame)
    corner_mm = float(np.linalg.norm(_mapped(to_mm, found) - frame, axis=1).max())
    square = size_mm[0] / 2 + 0.33 * size_mm[0] * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    square[:, 1] += (size_mm[1] - size_mm[0]) / 2
    read = _mapped(_homography(found, frame), _mapped(np.linalg.inv(to_mm), square))
    sides = np.linalg.norm(np.roll(read, -1, axis=0) - read, axis=1)
    return corner_mm, float(np.abs(sides / (0.66 * size_mm[0]) - 1).max())


def _homography(source: Floats, target: Floats) -> Floats:
    return cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))


def _mapped(matrix: Floats, points: Floats) -> Floats:
    return cv2.perspectiveTransform(points[None].astype(np.float64), matrix)[0]


def _bent() -> None:
    """Print what a lens and a curled sheet cost, on plain paper and on a drawing sheet."""
    print(
        "\nlens (barrel) and curl, size error % and the farthest a point of the drawing is off, mm"
    )
    print(f"{'':22}{'paper by its edges':>22}{'drawing sheet':>20}")
    plain = (drawings.paint(drawings.harbour(), 12), PAPER_MM, (0.0, 0.0))
    page, at_mm = drawn_sheets.sheet(BLANKS["6x6in"], 12, drawing=drawings.harbour())
    printed = (page, (215.9, 279.4), at_mm)
    for name, barrel, curl_mm in (
        ("flat, perfect lens", 0.0, 0.0),
        *((f"barrel {share} %", share / 100, 0.0) for share in (1, 2, 3)),
        ("pincushion 2 %", -0.02, 0.0),
        *((f"curl {height} mm high", 0.0, float(height)) for height in (1, 2, 4)),
    ):
        cells = [_bent_error(*which, barrel, curl_mm) for which in (plain, printed)]
        told = "".join(f"{100 * s:11.2f} %{off:6.2f} mm{n:4d}" for s, off, n in cells)
        print(f"{name:22}{told}")


def bent_picture(
    paper: Any, paper_mm: tuple[float, float], barrel: float, curl_mm: float
) -> tuple[Picture, Callable[[Floats], Floats]]:
    """Return (a picture from above, 8 degrees tilted; where it shows points (n, 2) of the paper).

    A point of the paper goes through the curl (an arch across the sheet, its sides lying on the
    table), the pinhole camera and the lens (radial, one term, `barrel` at the picture's corner).
    """
    width, height = (2400, 1800) if paper_mm[0] == paper_mm[1] else (2400, 3000)
    share = 0.75 * min(width / paper_mm[0], height / paper_mm[1])
    focal, slant = 0.78 * max(width, height), np.radians(8)

    def to_picture(points_mm: Floats) -> Floats:
        x, y = (points_mm - np.array(paper_mm) / 2).T
        lift = curl_mm * (1 - (2 * x / paper_mm[0]) ** 2)
        down, depth = y * np.cos(slant), y * np.sin(slant) - lift + focal / share
        seen = np.stack([x, down], axis=1) / depth[:, None] * focal
        radius2 = (seen**2).sum(axis=1) / ((width**2 + height**2) / 4)
        return seen * (1 - barrel * radius2)[:, None] + np.array([width, height]) / 2 - 0.5

    grid = np.stack([v.ravel() for v in np.meshgrid(*[np.arange(-60, 341, 1.5)] * 2)], axis=1)
    y_px, x_px = np.mgrid[0:height:6, 0:width:6]
    at = griddata(to_picture(grid), grid, (x_px, y_px), method="linear", fill_value=-1000.0)
    dense = cv2.resize(at.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    # resize keeps the centres of blocks of six pixels, the samples lie on their first ones
    move = np.array([[1, 0, -2.5], [0, 1, -2.5]])
    dense = cv2.warpAffine(dense, move, (width, height))
    places = (dense * (paper.shape[1] / paper_mm[0]) - 0.5).astype(np.float32)
    grey = cv2.remap(paper, places, None, cv2.INTER_LINEAR, borderValue=60)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8)
    return Picture(grey, None, "0" * 64, "JPEG", (width, height)), to_picture


def _bent_error(
    paper: Any,
    paper_mm: tuple[float, float],
    at_mm: tuple[float, float],
    barrel: float,
    curl_mm: float,
) -> tuple[float, float, int]:
    """Return (size error, mm that the worst point is off, openings) of a bent sheet."""
    picture, to_picture = bent_picture(paper, paper_mm, barrel, curl_mm)
    checked = check_picture(picture)
    if checked.page is None or checked.stencil is None:
        return float("nan"), float("nan"), 0
    frame = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * np.array(PAPER_MM)
    steps = np.linspace(15, PAPER_MM[0] - 15, 21)
    true = np.stack([v.ravel() for v in np.meshgrid(steps, steps)], axis=1)
    read = _mapped(_homography(checked.page.corners_px, frame), to_picture(true + at_mm))
    off = float(np.linalg.norm(read - true, axis=1).max())
    block = read.reshape(21, 21, 2)
    spans = [np.linalg.norm(block[:, -1] - block[:, 0], axis=1)]
    spans.append(np.linalg.norm(block[-1] - block[0], axis=1))
    size = float(np.abs(np.concatenate(spans) / (PAPER_MM[0] - 30) - 1).max())
    return size, off, len(checked.stencil.openings)
