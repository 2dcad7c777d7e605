"""The re-check of strokes on a prepared picture equals the full check, in any process."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from geometry.check import Checked, check, check_picture
from geometry.errors import UnreadableError
from geometry.limits import Limits
from geometry.picture import Picture
from geometry.prepared import Prepared, prepare, prepare_picture, prepared_key
from geometry.recheck import recheck
from geometry.recipe import Recipe, Stroke
from tests.geometry import drawings

ROOT = Path(__file__).resolve().parents[2]


def harbour(px_per_mm: float = 11.81) -> Picture:
    grey = drawings.paint(drawings.harbour(0.4), px_per_mm, fine=1)
    noise = np.random.default_rng(3).normal(0, 3, grey.shape)
    grey = np.clip(grey + noise, 0, 255).astype(np.uint8)
    return Picture(grey, None, "a" * 64, "PNG", grey.shape[::-1])


def said(checked: Checked) -> dict[str, Any]:
    return {**checked.report, "seconds": None, "file": None}


def edit(random: np.random.Generator) -> Stroke:
    """A stroke as an artist or the cutter may draw it: a bridge, a wipe, a line, a dot."""
    pen = "white" if random.random() < 0.6 else "black"
    at = random.uniform(-3, 155, 2)
    points = [at]
    for _ in range(int(random.integers(0, 4))):
        points.append(points[-1] + random.normal(0, float(random.choice([2, 6, 30])), 2))
    line = tuple((round(float(x), 3), round(float(y), 3)) for x, y in points)
    return Stroke(pen, line, round(float(random.choice([0.2, 0.8, 1.5, 4, 12])), 2))


PICTURE = harbour()
RECIPES = {
    "plain": Recipe(),
    "turned": Recipe(turn_deg=12, scale=0.9, place_mm=(70.0, 80.0)),
    "mask": Recipe(mode="mask"),
}


@pytest.mark.parametrize("name", RECIPES)
def test_recheck_after_each_of_many_random_edits_equals_the_full_check(name: str) -> None:
    recipe = RECIPES[name]
    prepared = prepare_picture(PICTURE, recipe)
    random = np.random.default_rng(len(name))
    strokes: tuple[Stroke, ...] = ()
    for turn in range(8):
        strokes = (*strokes, edit(random))
        quick = recheck(prepared, strokes)
        full = check_picture(PICTURE, replace(recipe, strokes=strokes))
        assert said(quick) == said(full), turn
        assert quick.stencil == full.stencil
        assert quick.findings == full.findings


def test_taking_strokes_back_gives_the_first_answer_again() -> None:
    prepared = prepare_picture(PICTURE)
    before = recheck(prepared, ())
    recheck(prepared, (Stroke("white", ((20.0, 20.0), (90.0, 90.0)), 8.0),))
    assert said(recheck(prepared, ())) == said(before) == said(check_picture(PICTURE))


def test_flaps_may_follow_later() -> None:
    prepared = prepare_picture(PICTURE)
    stroke = (Stroke("white", ((46.0, 66.0), (46.0, 74.0)), 2.4),)
    first, whole = recheck(prepared, stroke, flaps=False), recheck(prepared, stroke)
    assert "flap" not in {finding.kind for finding in first.findings}
    assert "flap" in {finding.kind for finding in whole.findings}
    keys = [finding.key for finding in whole.findings if finding.kind != "flap"]
    assert [finding.key for finding in first.findings] == keys


def test_bytes_give_back_an_equal_picture() -> None:
    picture = harbour(24)
    picture.grey[1500:1502, 200:700] = 120  # a hairline, kept with its widths
    prepared = prepare_picture(picture, Recipe(strokes=(edit(np.random.default_rng(1)),)))
    again = Prepared.from_bytes(prepared.to_bytes())
    assert again.key == prepared.key == prepared_key("a" * 64, Recipe(), prepared.limits)
    assert said(recheck(again, ())) == said(recheck(prepared, ()))
    assert len(again.ink.hairlines) == len(prepared.ink.hairlines)


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 and no more", b"\x80\x04N."])
def test_other_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="prepared picture"):
        Prepared.from_bytes(data)


def test_key_tells_file_recipe_and_limits_apart_but_not_strokes() -> None:
    limits = Limits()
    keys = {
        prepared_key("a" * 64, Recipe(), limits),
        prepared_key("b" * 64, Recipe(), limits),
        prepared_key("a" * 64, Recipe(scale=1.1), limits),
        prepared_key("a" * 64, Recipe(), Limits(web_mm=0.9)),
    }
    assert len(keys) == 4
    drawn = Recipe(strokes=(edit(np.random.default_rng(1)),), accepted=("island-1.0-1.0",))
    assert prepared_key("a" * 64, drawn, limits) in keys


def test_another_process_answers_from_the_bytes_alone(tmp_path: Path) -> None:
    scan = drawings.save(tmp_path / "harbour.png", PICTURE.grey, dpi=300)
    (tmp_path / "kept").write_bytes(prepare(scan).to_bytes())
    program = (
        "import sys, json; from geometry.prepared import Prepared;"
        "from geometry.recheck import recheck; from geometry.recipe import Stroke;"
        "kept = Prepared.from_bytes(open(sys.argv[1], 'rb').read());"
        "stroke = Stroke('white', ((46.0, 66.0), (46.0, 74.0)), 2.4);"
        "print(json.dumps(recheck(kept, [stroke]).report))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "kept")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    stroke = Stroke("white", ((46.0, 66.0), (46.0, 74.0)), 2.4)
    full = check(scan, Recipe(strokes=(stroke,)))
    wanted = json.loads(json.dumps(said(full)))
    assert {**json.loads(done.stdout), "seconds": None, "file": None} == wanted


def test_white_over_everything_is_told_as_the_full_check_tells_it() -> None:
    wipe = tuple(
        Stroke("white", ((-5.0, float(y)), (160.0, float(y))), 20.0) for y in range(0, 160, 10)
    )
    quick = recheck(prepare_picture(PICTURE), wipe)
    assert quick.verdict == "unreadable"
    assert said(quick) == said(check_picture(PICTURE, Recipe(strokes=wipe)))


def test_a_blank_page_cannot_be_prepared() -> None:
    blank = np.full((1800, 1800), 240, np.uint8)
    with pytest.raises(UnreadableError):
        prepare_picture(Picture(blank, None, "0" * 64, "PNG", (1800, 1800)))


def test_without_the_notes_of_uneven_lines_all_else_is_the_same() -> None:
    """A line of 1.5 mm with a blob of 2.8 mm on it, as in the tests of uneven lines."""
    line = drawings.Line(np.array([(40.0, 76.0), (70.0, 78.0)]), 1.5)
    blob = drawings.Line(np.array([(55.0, 77.0), (55.01, 77.0)]), 2.8)
    grey = drawings.paint(drawings.Drawing(drawings.PAPER_MM, (line, blob)), 11.811)
    prepared = prepare_picture(Picture(grey, None, "b" * 64, "PNG", grey.shape[::-1]))
    strokes = [Stroke("white", ((44.0, 70.0), (44.0, 82.0)), 1.5)]
    whole = recheck(prepared, strokes)
    quick = recheck(prepared, strokes, uneven=False)
    assert any(one.kind == "uneven-line" for one in whole.findings)
    left = [(one.key, one.message) for one in whole.findings if one.kind != "uneven-line"]
    assert [(one.key, one.message) for one in quick.findings] == left
    assert quick.verdict == whole.verdict
