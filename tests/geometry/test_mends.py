"""Mends do away with their finding, do no harm, and are proved by a fresh check of the file.

Widths of mended places against shapely's negative buffer of the drawn shapes, islands against
scipy.ndimage.label on the pixels of the fresh check.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import ndimage
from shapely.geometry import LineString, Point

from geometry.check import Checked, check_picture
from geometry.cli import main
from geometry.findings import KINDS
from geometry.mends import Mended, Mender, mend_all
from geometry.mends_judge import changed_mm2, drawn, is_gone, severity_of
from geometry.mends_plan import plan_mends
from geometry.mends_result import Mend, Unmended
from geometry.mends_strokes import fill
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from geometry.recheck import recheck
from geometry.recipe import Recipe, Stroke
from tests.geometry.golden.kinds import KINDS as GOLDEN
from tests.geometry.golden.truth import golden, scan_of
from tests.geometry.scans import scan

SIDE_MM = 101.6
SMALL = Recipe(paper_mm=(SIDE_MM, SIDE_MM), blank_mm=(SIDE_MM, SIDE_MM))
EVERY = tuple(KINDS)


def picture_of(black: shapely.Geometry, dpi: float = 300) -> Picture:
    grey = scan(black, (SIDE_MM, SIDE_MM), dpi)[0]
    return Picture(grey, None, "e" * 64, "PNG", grey.shape[::-1])


def line(x0: float, y0: float, x1: float, y1: float, width: float) -> shapely.Geometry:
    return LineString([(x0, y0), (x1, y1)]).buffer(width / 2)


def ring(x: float, y: float, radius: float, width: float = 2.0) -> shapely.Geometry:
    return Point(x, y).buffer(radius, 64).exterior.buffer(width / 2)


def rank(checked: Checked) -> tuple[int, int]:
    found = [severity_of(one) for one in checked.findings]
    return found.count(0), found.count(1)


def fresh(picture: Picture, mended: Mended) -> Checked:
    """Check the file anew by the recipe that mends it, and find that nothing was said too well."""
    checked = check_picture(picture, mended.recipe)
    assert checked.verdict == mended.after.verdict
    assert [one.key for one in checked.findings] == [one.key for one in mended.after.findings]
    return checked


def assert_honest(picture: Picture, mended: Mended) -> Checked:
    """After all mends: gone or told why, never worse, and no more ink covered than said."""
    checked = fresh(picture, mended)
    assert rank(checked) <= rank(mended.before)
    told = [one.finding for one in mended.left]
    if not any(one.move for one in mended.mends):
        for one in mended.before.findings:
            assert is_gone(one, checked) or one in told or one in [m.finding for m in mended.mends]
    for one in mended.left:
        assert one.reason
    for one in mended.mends:
        assert one.move is not None or one.strokes
        assert any(m.move for m in mended.mends) or is_gone(one.finding, checked)
    white = [s for s in mended.strokes if s.pen == "white"]
    if white and not any(one.move for one in mended.mends):
        takes, _ = changed_mm2(mended.before, checked)
        assert takes <= mended.takes_mm2 + 1e-9
        assert takes <= drawn(white).area + 1e-6
    assert checked.ink is not None
    if "island" not in [one.kind for one in checked.findings]:
        labels, _ = ndimage.label(np.pad(checked.ink.f >= 0, 1, constant_values=True))
        areas = np.bincount(labels.ravel())[1:]
        assert (areas >= checked.ink.px_per_mm**2).sum() == 1
    return checked


@pytest.mark.parametrize("width", [0.1, 0.3, 0.7])
def test_a_thin_line_is_thickened_to_the_limit_by_shapely(width: float) -> None:
    black = line(20, 50, 80, 52, width).union(line(20, 20, 80, 20, 2))
    picture = picture_of(black, 600)
    prepared = prepare_picture(picture, SMALL)
    finding = recheck(prepared, ()).findings[0]
    assert finding.kind in ("thin-line", "line-below-kerf")
    found = Mender(prepared).mend(finding)
    assert isinstance(found, Mend), found
    assert found.words == "Thicken this line"
    mended = black.union(drawn(found.strokes)).intersection(shapely.box(24, 40, 76, 60))
    # What is narrower than 1 mm does not outlive a negative buffer of half of it.
    assert mended.buffer(-0.5).area > 0
    assert shapely.get_num_geometries(mended.buffer(-0.49)) == 1
    assert not check_picture(picture, replace(SMALL, strokes=found.strokes)).findings


def test_thin_film_is_widened_and_its_lines_grow_on_their_far_side() -> None:
    black = line(20, 50, 80, 50, 1.3).union(line(30, 51.7, 70, 51.7, 1.3))
    picture = picture_of(black)
    prepared = prepare_picture(picture, SMALL)
    mended = mend_all(prepared)
    assert [one.kind for one in mended.before.findings] == ["thin-web"]
    checked = assert_honest(picture, mended)
    assert checked.findings == ()
    cut = black.union(drawn([s for s in mended.strokes if s.pen == "black"]))
    cut = cut.difference(drawn([s for s in mended.strokes if s.pen == "white"]))
    film = shapely.box(33, 49, 67, 53).difference(cut)
    web = next(part for part in shapely.get_parts(film) if part.contains(Point(50, 50.85)))
    assert not web.buffer(-0.49).is_empty


def test_film_between_lines_that_cannot_grow_is_told_as_such() -> None:
    black = shapely.union_all([line(20, 40 + 1.45 * n, 80, 40 + 1.45 * n, 1.05) for n in range(6)])
    prepared = prepare_picture(picture_of(black), SMALL)
    webs = [one for one in recheck(prepared, ()).findings if one.kind == "thin-web"]
    assert len(webs) == 5
    found = Mender(prepared).mend(webs[2])
    assert isinstance(found, Unmended)
    assert "farther apart" in found.reason


def test_an_island_within_an_island_gets_the_bridges_of_both() -> None:
    black = ring(50, 50, 30).union(ring(50, 50, 12))
    picture = picture_of(black, 200)
    prepared = prepare_picture(picture, SMALL)
    inner = max(recheck(prepared, ()).findings, key=lambda one: -(one.area_mm2 or 0))
    found = Mender(prepared).mend(inner)
    assert isinstance(found, Mend)
    after = check_picture(picture, replace(SMALL, strokes=found.strokes))
    assert is_gone(inner, after)
    assert_honest(picture, mend_all(prepared))


def test_a_drawing_too_near_the_edge_moves_by_the_least_and_keeps_its_size() -> None:
    picture = picture_of(line(30, 3, 70, 3, 2).union(line(50, 3, 50, 40, 2)))
    mended = mend_all(prepare_picture(picture, SMALL))
    assert mended.recipe.scale == 1.0
    checked = assert_honest(picture, mended)
    assert checked.findings == ()
    top = min(one.box_mm[1] for one in checked.outlines)
    assert top == pytest.approx(8.05, abs=0.03)  # the margin of 4 x 4 in is 8 mm
    left = min(one.box_mm[0] for one in checked.outlines)
    assert left == pytest.approx(29, abs=0.05)


def test_a_drawing_too_large_for_its_blank_shrinks_to_the_most_that_fits() -> None:
    picture = picture_of(line(3, 50, 98.6, 50, 3))
    mended = mend_all(prepare_picture(picture, SMALL))
    assert mended.recipe.scale == pytest.approx((SIDE_MM - 16.1) / 98.6, abs=0.002)
    assert "of its size" in mended.mends[0].words
    assert assert_honest(picture, mended).verdict == "passed"


def test_strokes_move_with_the_drawing() -> None:
    picture = picture_of(line(30, 3, 70, 3, 2).union(ring(50, 30, 12)))
    gap = Stroke("white", ((50.0, 16.0), (50.0, 20.0)), 2.0)
    mended = mend_all(prepare_picture(picture, SMALL), (gap,))
    (_, y0), (_, y1) = mended.strokes[0].points_mm
    assert y1 - y0 == pytest.approx(4.0, abs=0.01)
    assert y0 == pytest.approx(16 + 6.05, abs=0.06)
    assert assert_honest(picture, mended).verdict == "passed"


def test_what_no_stroke_mends_says_what_to_do() -> None:
    picture = picture_of(line(20, 50, 80, 50, 3), dpi=120)
    prepared = prepare_picture(picture, SMALL)
    coarse = next(one for one in recheck(prepared, ()).findings if one.kind == "low-resolution")
    found = Mender(prepared).mend(coarse)
    assert isinstance(found, Unmended)
    assert "300 dpi" in found.reason


def test_dust_under_a_stroke_is_no_longer_told() -> None:
    picture = picture_of(line(20, 50, 80, 50, 3).union(Point(40, 30).buffer(0.2)))
    prepared = prepare_picture(picture, SMALL)
    mended = mend_all(prepared, kinds=EVERY)
    assert [one.kind for one in mended.before.findings] == ["speck"]
    assert assert_honest(picture, mended).findings == ()


def test_crumbs_of_film_and_spurs_are_mended_too() -> None:
    black = line(20, 30, 80, 30, 4).difference(Point(50, 30).buffer(0.3))
    black = black.union(line(20, 60, 80, 60, 3)).union(line(50, 58.6, 50, 57.8, 0.2))
    picture = picture_of(black, 600)
    mended = mend_all(prepare_picture(picture, SMALL), kinds=EVERY)
    assert "speck" in [one.kind for one in mended.before.findings]
    assert assert_honest(picture, mended).findings == ()


def test_filling_covers_an_area_and_nothing_beyond() -> None:
    area = Point(0, 0).buffer(2).union(line(0, 0, 6, 0, 0.8))
    covered = drawn(fill(area, "white"))
    assert covered.difference(area.buffer(0.03)).area < 1e-6
    assert area.difference(covered).area < 0.02 * area.area


@pytest.mark.parametrize("kind", GOLDEN)
@pytest.mark.parametrize("variant", [4, 6])
def test_golden_drawings_pass_once_all_is_mended(kind: str, variant: int) -> None:
    grey, _ = scan_of(golden(kind, variant), 300)
    picture = Picture(grey, None, "d" * 64, "PNG", grey.shape[::-1])
    mended = mend_all(prepare_picture(picture))
    assert assert_honest(picture, mended).verdict == "passed"


strokes_of_pen = st.lists(
    st.tuples(
        *(st.floats(12, 89) for _ in range(4)), st.sampled_from([0.12, 0.4, 0.8, 1.1, 1.8, 3.0])
    ),
    min_size=2,
    max_size=9,
)


@settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(lines=strokes_of_pen, circle=st.tuples(st.floats(25, 75), st.floats(25, 75)))
def test_random_drawings_are_never_worse_and_all_is_accounted_for(
    lines: list[tuple[float, ...]], circle: tuple[float, float]
) -> None:
    black = shapely.union_all([line(*one) for one in lines] + [ring(*circle, 9.0, 1.4)])
    picture = picture_of(black, 200)
    mended = mend_all(prepare_picture(picture, SMALL), kinds=EVERY)
    assert_honest(picture, mended)


def test_each_mend_of_a_plan_does_away_with_its_finding_alone() -> None:
    grey, _ = scan_of(golden("creatures", 4), 300)
    picture = Picture(grey, None, "d" * 64, "PNG", grey.shape[::-1])
    prepared = prepare_picture(picture)
    plan = plan_mends(prepared)
    before = Mender(prepared).before
    assert [one.finding.id for one in plan.each] == [one.id for one in before.findings]
    for one in plan.each:
        assert isinstance(one, Mend)
        assert is_gone(one.finding, recheck(prepared, one.strokes)), one.finding.kind
    json.dumps(plan.to_json())


def test_the_command_mends_and_writes_a_recipe_that_passes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    grey = picture_of(ring(50, 50, 20)).grey
    file, out, recipe = (str(tmp_path / name) for name in ("d.png", "o.png", "r.json"))
    Image.fromarray(grey).save(file, dpi=(300, 300))
    size = ["--paper", "4x4in", "--blank", "4x4in"]
    assert main(["check", file, *size]) == 1
    capsys.readouterr()
    given = ["mend", file, *size, "--all", "--json", "--apply", out, "--recipe-out", recipe]
    assert main(given) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["after"]["verdict"] == "passed"
    assert said["mends"][0]["words"] == "Put in 2 bridges"
    with Image.open(out) as film:
        assert film.size[0] > 500
    assert main(["check", file, "--recipe", recipe]) == 0
    assert main(["mend", file, *size, "--finding", "1"]) == 0
    assert main(["mend", file, *size, "--finding", "7"]) == 2
    assert "There is no finding 7" in capsys.readouterr().err
