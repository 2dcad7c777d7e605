"""`python -m geometry cutfile` and `nest`: words, JSON, exit codes, one sentence for bad input."""

import json
from pathlib import Path

import numpy as np
import pytest

from geometry.cli import main
from tests.geometry import drawings
from tests.geometry.cut_reading import dxf_lines, pdf_lines, svg_lines, svg_size_mm

DPI = 300


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The harbour drawing bridged (passes) and without bridges (is rejected), scanned."""
    path = tmp_path_factory.mktemp("drawings")
    for name, bridged in (("bridged.png", 1.0), ("loose.png", 0.0)):
        picture = drawings.paint(drawings.harbour(bridged), DPI / 25.4)
        drawings.save(path / name, picture, dpi=DPI)
    return path


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    try:
        code = main([str(word) for word in words])
    except SystemExit as stopped:
        code = int(stopped.code or 0)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_nest_says_where_every_blank_lies(capsys: pytest.CaptureFixture[str]) -> None:
    """The documented example and its JSON."""
    code, out, _ = run(
        capsys,
        *[
            "nest",
            "--sheet",
            "12x24in",
            "--edge",
            "5",
            "--gap",
            "3",
            "6x6in:8",
            "4x4in:5",
            "--json",
        ],
    )
    said = json.loads(out)
    assert code == 0
    assert set(said) == {"sheets", "lower_bound", "used"}
    assert (len(said["sheets"]), said["lower_bound"]) == (3, 3)
    assert said["sheets"][0][0] == {"blank": "6x6in", "x_mm": 5.0, "y_mm": 5.0, "turned": False}
    assert sorted(p["blank"] for sheet in said["sheets"] for p in sheet) == sorted(
        ["6x6in"] * 8 + ["4x4in"] * 5
    )
    # 8 x 152.4 x 152.4 and 5 x 101.6 x 101.6 of 3 x 304.8 x 609.6
    assert said["used"] == pytest.approx(0.4259, abs=1e-4)


def test_nest_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    """Sheets, bound, share, places."""
    code, out, _ = run(capsys, *["nest", "--sheet", "12x24in", "6x6in:2"])
    assert code == 0
    assert out.splitlines() == [
        "1 sheet of 12 x 24 in; at least 1 needed; 25% of the film used.",
        "Sheet 1:",
        "  6x6in at 0.00, 0.00 mm",
        "  6x6in at 152.40, 0.00 mm",
    ]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("--sheet 4x4in 6x6in:1", "A blank 6x6in (152.4 x 152.4 mm) does not fit on a sheet of"),
        ("--sheet 12x24in 6x6in:-1", "“6x6in:-1” is not a size and a count; write it like"),
        ("--sheet 12x24in 6x6in:", "“6x6in:” is not a size and a count; write it like"),
        ("--sheet 12x24in limpet:1", "is not a size. Write it like 6x6in"),
        ("--sheet 12x24in --gap wide 6x6in:1", "is not a length. Write it like 5mm"),
        ("--sheet 12x24in --gap -3 6x6in:1", "Edge and gap are lengths from 0 to 1000 mm"),
        ("--sheet 12x24in 6x6in:99999", "That is more than 2000 blanks at once"),
    ],
)
def test_nest_refuses_with_one_sentence(
    capsys: pytest.CaptureFixture[str], words: str, sentence: str
) -> None:
    """On standard error, and as an object with --json; exit code 2."""
    code, out, err = run(capsys, "nest", *words.split(), "--json")
    assert code == 2
    assert sentence in err
    assert len(err.splitlines()) == 1
    assert json.loads(out)["error"]["message"] == err.strip()


@pytest.mark.parametrize("kind", ["svg", "dxf", "pdf"])
def test_cutfile_writes_what_it_says(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path, kind: str
) -> None:
    """As many contours in the file, by an independent reader, as in the answer."""
    to = tmp_path / f"harbour.{kind}"
    code, out, err = run(capsys, "cutfile", folder / "bridged.png", "--to", to, "--json")
    assert (code, err) == (0, "")
    said = json.loads(out)
    assert set(said) == {"contours", "length_mm", "travel_mm", "seconds", "nodes"}
    data = to.read_bytes()
    if kind == "pdf":
        lines = pdf_lines(data)[1]
    else:
        groups = (svg_lines if kind == "svg" else dxf_lines)(data)
        assert set(groups) == {"inside", "outline"}
        lines = [points for group in groups.values() for points in group]
    assert len(lines) == said["contours"]
    closed = [np.vstack([points, points[:1]]) for points in lines]
    read_mm = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points in closed)
    assert said["length_mm"] == pytest.approx(read_mm, rel=2e-3)


def test_cutfile_in_words_says_the_kerf(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path
) -> None:
    """So that nobody takes it twice."""
    to = tmp_path / "out.svg"
    code, out, _ = run(capsys, "cutfile", folder / "bridged.png", "--to", to)
    assert code == 0
    assert out.startswith("out.svg: ")
    assert "The kerf of 0.15 mm is already taken" in out


def test_cutfile_takes_kerf_and_blank_without_outline(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path
) -> None:
    """Kerf 0 and a larger blank that is cut to size already."""
    to = tmp_path / "out.svg"
    options = ["--kerf", 0, "--blank", "8x8in", "--no-outline"]
    code, _, _ = run(capsys, "cutfile", folder / "bridged.png", "--to", to, *options)
    assert code == 0
    assert svg_size_mm(to.read_bytes()) == pytest.approx((203.2, 203.2), abs=0.001)
    assert set(svg_lines(to.read_bytes())) == {"inside"}


def test_a_rejected_drawing_is_not_cut_unless_anyway(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path
) -> None:
    """Exit code 1 and no file; with --anyway the file is there; as a mask it passes."""
    to = tmp_path / "out.svg"
    words = ["cutfile", folder / "loose.png", "--to", to]
    code, out, err = run(capsys, *words, "--json")
    assert code == 1
    assert json.loads(out)["verdict"] == "rejected"
    assert err.startswith("The drawing is rejected, so no cut file was written; mend it, or add")
    assert not to.exists()
    assert run(capsys, *words, "--anyway")[0] == 0
    assert to.exists()
    assert run(capsys, *words, "--mask")[0] == 0


def test_cutfile_refuses_with_one_sentence(
    capsys: pytest.CaptureFixture[str], folder: Path, tmp_path: Path
) -> None:
    """A wrong ending, a missing drawing, an impossible kerf, a place that is not there."""
    drawing = folder / "bridged.png"
    for words, sentence in [
        ([drawing, "--to", tmp_path / "out.png"], "The name of a cut file ends in .svg"),
        ([tmp_path / "no.png", "--to", tmp_path / "out.svg"], ""),
        ([drawing, "--to", tmp_path / "out.svg", "--kerf", 9], "The kerf is the width"),
        ([drawing, "--to", tmp_path / "nowhere" / "out.svg"], "cannot be written"),
    ]:
        code, _, err = run(capsys, "cutfile", *words)
        assert code == 2
        assert sentence in err
        assert len(err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
