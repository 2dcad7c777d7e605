"""`python -m geometry lift`, `lift-sheet` and `check --lift`: contract, exit codes, sentences."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from geometry.cli import main
from tests.geometry.films import CARD_MM, ink_of, tongue

PX_PER_MM = 12.0


@pytest.fixture(scope="module")
def drawing(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a drawing of a tongue of 6 x 26 mm on a card, as a file."""
    dark = 0.5 - ink_of(tongue(6, 26, 1.2), CARD_MM, PX_PER_MM).f.astype(float) / 4096
    path = tmp_path_factory.mktemp("lift") / "tongue.png"
    grey = np.clip(np.rint(245 - 225 * dark), 0, 255).astype(np.uint8)
    Image.fromarray(grey).save(path, dpi=(25.4 * PX_PER_MM, 25.4 * PX_PER_MM))
    return str(path)


CARD = ("--paper", "63.5x88.9mm", "--blank", "63.5x88.9mm")


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    try:
        code = main(words)
    except SystemExit as left:
        code = int(left.code or 0)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_lift_says_the_worst_first_as_the_contract_has_it(
    drawing: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    picture = tmp_path / "map.png"
    code, out, err = run(
        capsys, "lift", drawing, *CARD, "--film", "0.1905", "--json", "--map", str(picture)
    )
    assert (code, err) == (0, "")
    said = json.loads(out)
    assert said["frame_mm"] == 6
    worst = said["worst"]
    assert {"at_mm", "compliance_mm_per_n", "lift_mm"} <= set(worst[0])
    assert [p["lift_mm"] for p in worst] == sorted((p["lift_mm"] for p in worst), reverse=True)
    assert worst[0]["word"] == "hangs free"
    with Image.open(picture) as image:
        assert image.format == "PNG"
        assert image.width > 63.5 * 8


def test_thicker_film_and_a_softer_dab_lift_less(
    drawing: str, capsys: pytest.CaptureFixture[str]
) -> None:
    def lift(*words: str) -> float:
        code, out, _ = run(capsys, "lift", drawing, *CARD, "--json", *words)
        assert code == 0
        return float(json.loads(out)["worst"][0]["lift_mm"])

    usual = lift()
    assert lift("--film", "0.254") < usual < lift("--film", "0.127")
    assert lift("--dab", "0.002") < usual


def test_lift_in_words_says_that_it_is_an_estimate(
    drawing: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "lift", drawing, *CARD)
    assert code == 0
    assert "1. hangs free:" in out
    assert "(estimated)" in out
    assert "never rejects" in out


def test_check_with_lift_adds_findings_and_keeps_the_verdict(
    drawing: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "check", drawing, *CARD, "--json")
    plain = json.loads(out)
    code, out, _ = run(capsys, "check", drawing, *CARD, "--json", "--lift")
    with_lift = json.loads(out)
    assert code == 0
    assert with_lift["verdict"] == plain["verdict"] == "passed"
    assert "lift" in with_lift["seconds"]
    assert "lift" not in plain["seconds"]
    (lift,) = [f for f in with_lift["findings"] if f["kind"] == "lift"]
    assert lift["severity"] == "warn"
    assert lift["lift_mm"] > 3
    assert lift["limit_mm"] == 1.0
    others = [f["key"] for f in with_lift["findings"] if f["kind"] != "lift"]
    assert others == [f["key"] for f in plain["findings"]]
    code, out, _ = run(capsys, "check", drawing, *CARD, "--json", "--lift", "--mask")
    assert [f for f in json.loads(out)["findings"] if f["kind"] == "lift"] == []


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--film", "0"), "--film takes a number from 0.01 to 2 mm."),
        (("--film", "nan"), "--film takes a number from 0.01 to 2 mm."),
        (("--dab", "-1"), "--dab takes a number from 1e-06 to 10 N."),
        (("--mask",), "A mask is cut loose on purpose, so it has no lift map."),
    ],
)
def test_a_mistake_is_one_sentence_and_an_object(
    drawing: str, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], sentence: str
) -> None:
    code, out, err = run(capsys, "lift", drawing, *CARD, "--json", *words)
    assert code == 2
    assert err.strip() == sentence
    assert json.loads(out)["error"] == {"code": "usage", "message": sentence}


def test_a_file_that_cannot_be_read_is_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, err = run(capsys, "lift", str(tmp_path / "none.png"), "--json")
    assert code == 2
    assert json.loads(out)["error"]["code"] == "missing"
    assert err.count("\n") == 1


def test_a_rejected_drawing_is_still_mapped(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    grey = np.full((1067, 762), 245, np.uint8)
    grey[400:640, 280:480] = 20
    grey[420:620, 300:460] = 245
    path = tmp_path / "island.png"
    Image.fromarray(grey).save(path, dpi=(304.8, 304.8))
    code, out, _ = run(capsys, "lift", str(path), *CARD, "--json")
    assert code == 1
    assert json.loads(out)["worst"]


def test_the_sheet_is_written_and_measured_lifts_tell_the_dab(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cut, form, lifts = (tmp_path / name for name in ("dab.dxf", "dab.pdf", "lifts.json"))
    lifts.write_text(json.dumps({"6": 3.3, "7": 5.6, "8": 9.4, "9": 15.1}))
    code, out, err = run(
        capsys,
        *("lift-sheet", "--to", str(cut), "--form", str(form), "--measured", str(lifts), "--json"),
    )
    assert (code, err) == (0, "")
    assert cut.stat().st_size > 0
    assert form.read_bytes().startswith(b"%PDF")
    # The form expects these lifts of a dab of 20 mN.
    assert json.loads(out)["dab_n"] == pytest.approx(0.020, rel=0.03)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "lift-sheet needs --to, --form or --measured. See --help."),
        (("--to", "dab.png"), "The name of a cut file ends in"),
        (("--form", "dab.txt"), "The name of the form ends in .pdf."),
        (("--measured", "none.json"), "none.json cannot be read."),
    ],
)
def test_what_the_sheet_cannot_do_is_one_sentence(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    sentence: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(capsys, "lift-sheet", *words)
    assert code == 2
    assert err.startswith(sentence)
    assert list(tmp_path.iterdir()) == []
