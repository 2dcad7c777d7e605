"""Ink as it comes on a desk: coloured pens, correction fluid, streaky markers, pencil that stayed.

Truth is the shapes' own arithmetic; what pens and fluids look like is common practice, no source.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from PIL import Image

from geometry.check import check
from geometry.ink import Ink, find_ink
from geometry.limits import Limits
from geometry.recipe import Placement, Recipe
from geometry.widths import find_thin
from tests.geometry.scans import coverage, disc, scan, stroke

SIDE_MM = (40.0, 40.0)
PAPER = np.array([240.0, 238, 232])
RED, BLUE, BLACK = (196.0, 30, 40), (28.0, 52, 150), (30.0, 28, 30)
RING = disc(20, 20, 12).difference(disc(20, 20, 10))


def saved(path: Path, picture: NDArray[np.float64], dpi: float = 300) -> Path:
    noisy = cv2.GaussianBlur(picture, (0, 0), 0.7)
    noisy += np.random.default_rng(1).normal(0, 2.5, noisy.shape)
    rgb = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    Image.fromarray(rgb).save(path, dpi=(dpi, dpi))
    return path


def drawn(
    strokes: list[tuple[shapely.Geometry, tuple[float, float, float]]], dpi: float = 300
) -> NDArray[np.float64]:
    """Strokes of a colour on paper, one over the other, as (h, w, 3)."""
    px_per_mm = dpi / 25.4
    side = round(40 * px_per_mm)
    picture = np.tile(PAPER, (side, side, 1))
    for shape, colour in strokes:
        share = coverage(shape, SIDE_MM, px_per_mm)[..., None].astype(np.float64)
        picture = picture * (1 - share) + np.array(colour) * share
    return picture


@pytest.mark.parametrize("pen", [RED, BLUE], ids=["red", "blue"])
@pytest.mark.parametrize("beside_black", [False, True])
def test_red_and_blue_pens_are_cut_like_black(
    tmp_path: Path, pen: tuple[float, float, float], beside_black: bool
) -> None:
    shapes = [(stroke([(8, 10), (32, 14)], 2), pen), (disc(20, 28, 5), pen)]
    if beside_black:
        shapes.append((stroke([(6, 36), (34, 36)], 1.5), BLACK))
    path = saved(tmp_path / "pens.png", drawn(shapes))
    checked = check(path, Recipe(paper_mm=SIDE_MM, blank_mm=SIDE_MM))
    stencil = checked.report["stencil"]
    assert stencil["openings"] == len(shapes)
    truth = sum(shape.area for shape, _ in shapes)
    assert stencil["opening_area_mm2"] == pytest.approx(truth, rel=0.03)
    assert "half-covered" not in {finding.kind for finding in checked.findings}


@pytest.mark.parametrize("white", [(246.0, 247, 248), (222.0, 222, 220)], ids=["bright", "dull"])
def test_correction_pen_over_black_is_a_bridge(
    tmp_path: Path, white: tuple[float, float, float]
) -> None:
    gap = stroke([(20, 6), (20, 13)], 2)
    recipe = Recipe(paper_mm=SIDE_MM, blank_mm=SIDE_MM)
    closed = check(saved(tmp_path / "ring.png", drawn([(RING, BLACK)])), recipe)
    opened = check(saved(tmp_path / "gap.png", drawn([(RING, BLACK), (gap, white)])), recipe)
    assert closed.verdict == "rejected"
    assert opened.verdict == "passed"
    assert {finding.kind for finding in opened.findings} <= {"flap", "margin"}
    truth = RING.difference(gap).area
    assert opened.report["stencil"]["opening_area_mm2"] == pytest.approx(truth, rel=0.02)


@pytest.mark.parametrize("dpi", [300, 600])
def test_streaky_marker_is_whole_and_not_half_covered(dpi: float) -> None:
    """Ink between 70 and 100 % along strokes of a felt tip 1 mm apart, and a grain."""
    shape = shapely.union_all([disc(14, 14, 9), stroke([(6, 34), (34, 28)], 3)])
    px_per_mm = dpi / 25.4
    dark = coverage(shape, SIDE_MM, px_per_mm)
    random = np.random.default_rng(4)
    streaks = random.uniform(0.7, 1.0, (40, 8)).astype(np.float32)
    dark *= cv2.resize(streaks, dark.shape[::-1], interpolation=cv2.INTER_CUBIC)
    dark = cv2.GaussianBlur(dark, (0, 0), 0.7)
    grey = 236 - 200 * dark * random.normal(1, 0.03, dark.shape)
    ink = find_ink(np.clip(np.rint(grey), 0, 255).astype(np.uint8), px_per_mm)
    assert len(ink.loops) == 2
    assert not ink.specks
    assert not ink.half_covered
    assert black_mm2(ink) == pytest.approx(shape.area, rel=0.01)


def black_mm2(ink: Ink) -> float:
    return float(np.count_nonzero(ink.f < 0)) / ink.px_per_mm**2


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("contrast", [0.55, 0.65])
def test_darker_pencil_is_dropped_by_a_lower_ink_level(dpi: float, contrast: float) -> None:
    """Above 45 % it counts as ink; with the edge at a quarter of the way to paper it is gone."""
    pencil = shapely.union_all([stroke([(4, y), (36, y + 2)], 0.8) for y in (6, 24, 33)])
    line = stroke([(6, 15), (34, 17)], 2)
    grey, px_per_mm = scan(line, dpi=dpi, pencil=pencil, pencil_contrast=contrast)
    assert black_mm2(find_ink(grey, px_per_mm)) > line.area + 0.5 * pencil.area
    lower = find_ink(grey, px_per_mm, ink_level=0.25)
    assert len(lower.loops) == 1
    assert not lower.hairlines
    # The edge moves in by 0.67 of the blur of 0.6 px: 0.034 mm at 300 dpi.
    assert black_mm2(lower) == pytest.approx(line.area - 0.4 / px_per_mm * line.length, rel=0.01)


@pytest.mark.parametrize(
    ("dpi", "blur_px", "contrast"),
    [(300, 0.5, 0.35), (300, 0.5, 0.45), (600, 1.0, 0.25), (600, 1.0, 0.35), (600, 1.0, 0.45)],
)
def test_pencil_of_0_2_mm_is_no_hairline(dpi: float, blur_px: float, contrast: float) -> None:
    """Softer than that at 300 dpi, its spread is a hairline's within the noise."""
    for angle in range(0, 180, 30):
        pencil = shapely.affinity.rotate(stroke([(14, 25), (36, 25)], 0.2), angle, origin=(25, 25))
        grey, px_per_mm = scan(
            disc(8, 8, 5),
            dpi=dpi,
            pencil=pencil,
            pencil_contrast=contrast,
            blur_px=blur_px,
            seed=angle,
        )
        ink = find_ink(grey, px_per_mm)
        assert len(ink.loops) == 1, angle
        assert find_thin(ink, Placement(), Limits()) == []


@pytest.mark.parametrize("dpi", [300, 600])
def test_hand_shadow_over_lines_changes_no_width(dpi: float) -> None:
    """A shadow of 35 % with an edge 4 mm soft, on light that slopes by a quarter."""
    shape = shapely.union_all([stroke([(4, y), (36, y + 3)], 0.8) for y in (6, 16, 26, 33)])
    grey, px_per_mm = scan(shape, dpi=dpi)
    y, x = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]] / px_per_mm
    light = (0.75 + 0.25 * y / 40) * (1 - 0.35 / (1 + np.exp(-(x - 0.4 * y - 14) / 1.0)))
    shaded = np.rint(grey * light).astype(np.uint8)
    found = find_thin(find_ink(shaded, px_per_mm), Placement(), Limits())
    assert [finding.kind for finding in found] == ["thin-line"] * 4
    assert [f.width_mm for f in found] == pytest.approx([0.8] * 4, abs=0.03)
