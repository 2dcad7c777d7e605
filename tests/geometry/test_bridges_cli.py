"""`python -m geometry bridges`: words, JSON, the mended drawing, one sentence for bad input."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from geometry.check import check
from geometry.cli import main
from geometry.recipe import Recipe, Stroke
from tests.geometry import drawings

DPI = 200


@pytest.fixture(scope="module")
def drawing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The harbour drawing with all of its 13 islands loose."""
    picture = drawings.paint(drawings.harbour(0.0), DPI / 25.4)
    return drawings.save(tmp_path_factory.mktemp("drawings") / "harbour.png", picture, dpi=DPI)


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    try:
        code = main([str(word) for word in words])
    except SystemExit as stopped:
        code = int(stopped.code or 0)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_json_says_where_bridges_go_and_the_mended_drawing_is_whole(
    capsys: pytest.CaptureFixture[str], drawing: Path, tmp_path: Path
) -> None:
    to = tmp_path / "mended.png"
    code, out, err = run(capsys, "bridges", drawing, "--json", "--apply", to)
    assert (code, err) == (0, "")
    said = json.loads(out)
    assert said["after"] == {
        "verdict": "passed",
        "islands": 0,
        "flaps": 0,
        "worst_lift_mm": None,
        "left": [],
    }
    before = check(drawing)
    islands = {finding.id for finding in before.findings if finding.kind == "island"}
    assert {number for bridge in said["bridges"] for number in bridge["holds"]} >= islands
    for bridge in said["bridges"]:
        assert set(bridge) >= {"from_mm", "to_mm", "width_mm", "holds", "reason"}
        assert bridge["lift_before_mm"] is bridge["lift_after_mm"] is None
    film = np.array(Image.open(to).convert("L")) > 127
    areas_px = np.bincount(ndimage.label(np.pad(film, 1, constant_values=True))[0].ravel())[1:]
    assert (areas_px > 64).sum() == 1  # 8 pixels a mm: parts of more than 1 mm2
    strokes = tuple(
        Stroke("white", (tuple(b["from_mm"]), tuple(b["to_mm"])), b["width_mm"], "proposal")
        for b in said["bridges"]
    )
    assert check(drawing, Recipe(strokes=strokes)).verdict == "passed"


def test_words_name_every_bridge_and_its_reason(
    capsys: pytest.CaptureFixture[str], drawing: Path
) -> None:
    code, out, _ = run(capsys, "bridges", drawing, "--style", "fewer")
    assert code == 0
    first, *rest, last = out.splitlines()
    assert first == f"{drawing}: {len(rest)} bridges"
    assert all(", 2.4 mm wide".replace(", ", "") in line.replace(", ", "") for line in rest)
    assert last == "With them the drawing is passed."


def test_answer_of_before_can_be_locked(
    capsys: pytest.CaptureFixture[str], drawing: Path, tmp_path: Path
) -> None:
    said = json.loads(run(capsys, "bridges", drawing, "--json")[1])
    kept = tmp_path / "kept.json"
    kept.write_text(json.dumps({"bridges": said["bridges"][:3]}))
    again = json.loads(run(capsys, "bridges", drawing, "--json", "--locked", kept)[1])
    assert [b["from_mm"] for b in again["bridges"][:3]] == [
        b["from_mm"] for b in said["bridges"][:3]
    ]
    assert [bridge["locked"] for bridge in again["bridges"][:4]] == [True, True, True, False]
    assert again["after"]["islands"] == 0


def test_bad_input_gets_one_sentence(
    capsys: pytest.CaptureFixture[str], drawing: Path, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.json"
    broken.write_text('{"bridges": [{"from_mm": [1]}]}')
    for words, sentence in [
        ([drawing, "--locked", broken], "does not hold bridges such as"),
        ([drawing, "--apply", tmp_path / "nowhere" / "out.png"], "cannot be written"),
        ([tmp_path / "no.png"], "There is no such file"),
        ([drawing, "--style", "many"], "Argument --style: invalid choice"),
    ]:
        code, _, err = run(capsys, "bridges", *words)
        assert code == 2
        assert sentence in err
        assert len(err.splitlines()) == 1
