"""The command line: options, exit codes, JSON lines, and one sentence for each mistake."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from geometry.cli import main
from tests.geometry import drawings

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A drawing that passes, one that is rejected and a file that is empty."""
    folder = tmp_path_factory.mktemp("drawings")
    passed = drawings.save(folder / "passed.png", drawings.paint(drawings.harbour(1.0), 8))
    rejected = drawings.save(folder / "rejected.png", drawings.paint(drawings.harbour(), 8))
    empty = folder / "empty.png"
    empty.touch()
    return {"passed": str(passed), "rejected": str(rejected), "empty": str(empty)}


def run(
    capsys: pytest.CaptureFixture[str], *arguments: str
) -> tuple[int, list[dict[str, Any]], str]:
    """Run one command in this process; return its exit code, its JSON lines and its errors."""
    try:
        code = main(arguments)
    except SystemExit as left:
        code = int(left.code or 0)
    said = capsys.readouterr()
    return code, [json.loads(line) for line in said.out.splitlines()], said.err


@pytest.mark.parametrize(("name", "code"), [("passed", 0), ("rejected", 1), ("empty", 2)])
def test_the_exit_code_is_the_verdict(
    capsys: pytest.CaptureFixture[str], files: dict[str, str], name: str, code: int
) -> None:
    left, reports, errors = run(capsys, "check", files[name], "--json")
    assert left == code
    assert len(reports) == 1
    assert reports[0]["file"] == f"{name}.png"
    assert len(errors.splitlines()) == (1 if code == 2 else 0)
    assert set(reports[0]["seconds"]) >= {"picture", "total"}


def test_several_files_are_json_lines_in_order_and_the_worst_code_wins(
    capsys: pytest.CaptureFixture[str], files: dict[str, str]
) -> None:
    order = ["rejected", "empty", "passed"]
    code, reports, _ = run(capsys, "check", *(files[name] for name in order), "--json")
    assert code == 2
    assert [report["file"] for report in reports] == [f"{name}.png" for name in order]
    assert run(capsys, "check", files["passed"], files["rejected"], "--json")[0] == 1


def test_several_at_once_give_the_same_reports(
    capsys: pytest.CaptureFixture[str], files: dict[str, str]
) -> None:
    names = [files["rejected"], files["passed"]]
    one = run(capsys, "check", *names, "--json")
    two = run(capsys, "check", *names, "--json", "--jobs", "2")
    for report in (*one[1], *two[1]):
        del report["seconds"]
    assert one == two


def test_the_options_change_the_check(
    capsys: pytest.CaptureFixture[str], files: dict[str, str], tmp_path: Path
) -> None:
    assert run(capsys, "check", files["rejected"], "--mask", "--json")[0] == 0
    limits = tmp_path / "limits.json"
    limits.write_text('{"opening_mm": 5}')
    options = ("--paper", "8x8in", "--blank", "8x8in", "--limits", str(limits), "--json")
    report = run(capsys, "check", files["passed"], *options)[1][0]
    assert report["stencil"]["blank_mm"] == [203.2, 203.2]
    assert report["limits"]["opening_mm"] == 5
    assert report["limits"]["margin_mm"] == 12
    assert report["page"]["px_per_mm"] == pytest.approx(6, rel=0.01)


def test_a_recipe_file_is_followed_and_options_come_on_top(
    capsys: pytest.CaptureFixture[str], files: dict[str, str], tmp_path: Path
) -> None:
    recipe = tmp_path / "recipe.json"
    recipe.write_text('{"mode": "mask", "blank_mm": [203.2, 203.2]}')
    options = ("--recipe", str(recipe), "--blank", "6x6in", "--json")
    code, reports, _ = run(capsys, "check", files["rejected"], *options)
    assert code == 0
    assert reports[0]["stencil"]["blank_mm"] == [152.4, 152.4]


def test_the_overlay_is_written_where_asked_and_nowhere_else(
    capsys: pytest.CaptureFixture[str], files: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out.png"
    before = sorted(os.listdir(Path(files["rejected"]).parent))
    assert run(capsys, "check", files["rejected"], "--overlay", str(out), "--json")[0] == 1
    assert out.read_bytes().startswith(b"\x89PNG")
    assert sorted(os.listdir(Path(files["rejected"]).parent)) == before
    assert os.listdir(tmp_path) == ["out.png"]


@pytest.mark.parametrize(
    "options",
    [
        ("--paper", "6y"),
        ("--blank", "1x1mm"),
        ("--limits", "/no/such/limits.json"),
        ("--recipe", "{file}"),
        ("--overlay", "/no/such/folder/out.png"),
        ("--jobs", "0"),
        ("--jobs", "many"),
        ("--no-such-option",),
        ("--pap", "6x6in"),
    ],
)
def test_a_mistake_in_the_options_is_one_sentence_and_an_object(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    files: dict[str, str],
    options: tuple[str, ...],
) -> None:
    arguments = ["check", files["passed"], *(o.format(file=files["passed"]) for o in options)]
    monkeypatch.setattr(sys, "argv", ["geometry", *arguments, "--json"])
    code, said, errors = run(capsys, *arguments, "--json")
    assert code == 2
    assert said[-1]["error"]["code"] == "usage"
    assert errors == said[-1]["error"]["message"] + "\n"


def test_with_an_overlay_one_file_is_checked_at_a_time(
    capsys: pytest.CaptureFixture[str], files: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out.png"
    code, _, errors = run(capsys, "check", files["passed"], files["passed"], "--overlay", str(out))
    assert (code, errors) == (2, "With --overlay one file is checked at a time.\n")
    assert not out.exists()


def test_without_json_a_person_can_read_it(
    capsys: pytest.CaptureFixture[str], files: dict[str, str]
) -> None:
    assert main(["check", files["rejected"]]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "rejected.png: rejected"
    assert "18 openings on 152.4 x 152.4 mm film" in lines[1]
    assert lines[2].startswith("  1. reject: ")


def test_a_hostile_name_cannot_write_on_the_terminal(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "a\x1b]0;owned\x07\n.png"
    path.touch()
    assert main(["check", str(path)]) == 2
    said = capsys.readouterr()
    assert not {"\x1b", "\x07"} & set(said.out + said.err)
    assert len(said.err.splitlines()) == 1


def test_the_module_runs_as_a_command(files: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "geometry", "check", "--json", files["rejected"], files["empty"]],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    reports = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 2
    assert [report["verdict"] for report in reports] == ["rejected", "unreadable"]
    assert done.stderr == "empty.png: This file is empty. Save the picture and send it again.\n"


def test_warming_says_how_long_it_took(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["warm"]) == 0
    assert capsys.readouterr().out.startswith("Ready in ")
