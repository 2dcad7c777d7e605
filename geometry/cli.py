"""The command line: `python -m geometry check|bridges|...`; docs/geometry.md is its contract.

Exit codes: 0 passed, 1 rejected by a finding, 2 could not be read or was asked wrongly. The text of
an error is one sentence on standard error.
"""

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from typing import Any, Final, NoReturn

from geometry.bridge_cli import add_bridges
from geometry.cli_options import add_recipe_options, recipe_and_limits, shown, write_file
from geometry.cut_cli import add_cutfile, add_nest
from geometry.errors import GeometryError, InvalidInputError, UnreadableError
from geometry.lift_cli import add_lift, add_lift_sheet
from geometry.limits import Limits
from geometry.mends_cli import add_mend
from geometry.recipe import Recipe

FOUND_WORDS: Final = {
    "given": "the corners given",
    "markers": "the marks of the drawing sheet",
    "paper-edges": "its edges",
    "dpi": "the dpi of the scan",
    "whole-image": "the shape of the picture",
}
EXIT_CODES: Final = {"passed": 0, "rejected": 1, "unreadable": 2}


class StageTimer:
    """Adds up the seconds of each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        started = time.perf_counter()
        try:
            yield
        finally:
            spent = time.perf_counter() - started
            self.seconds[stage] = self.seconds.get(stage, 0.0) + spent


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one sentence, and an object where JSON was asked for."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**{"allow_abbrev": False, **settings})

    def error(self, message: str) -> NoReturn:
        text = message[:1].upper() + message[1:].rstrip(".") + f". See {self.prog} --help."
        if "--json" in sys.argv[1:]:
            print(json.dumps({"error": {"code": "usage", "message": text}}))
        print(text, file=sys.stderr)
        raise SystemExit(2)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    parser = _Parser(prog="python -m geometry", description="Check and cut drawings for stencils.")
    commands = parser.add_subparsers(dest="command", required=True, parser_class=_Parser)
    _add_check(commands)
    add_bridges(commands)
    add_mend(commands)
    add_cutfile(commands)
    add_nest(commands)
    add_lift(commands)
    add_lift_sheet(commands)
    warm = commands.add_parser("warm", help="compile what is compiled, once, and say how long")
    warm.add_argument("--beside", action="store_true", help=argparse.SUPPRESS)
    warm.set_defaults(run=_run_warm)
    given = parser.parse_args(arguments)
    try:
        return int(given.run(given))
    except GeometryError as error:
        return _say_error(error, as_json=getattr(given, "json", False))
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader went away, as `head` does: nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2


def _add_check(commands: Any) -> None:
    """Add the command `check`."""
    parser = commands.add_parser("check", help="check drawings and say what will go wrong")
    parser.add_argument("files", nargs="+", metavar="FILE")
    add_recipe_options(parser)
    parser.add_argument("--lift", action="store_true", help="also estimate where film lifts")
    parser.add_argument("--overlay", metavar="OUT.png", help="write the drawing, findings numbered")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="files checked at once")
    parser.set_defaults(run=_run_check)


def _run_check(given: argparse.Namespace) -> int:
    """Check the files in order and return the worst exit code."""
    if given.overlay and len(given.files) > 1:
        raise InvalidInputError("With --overlay one file is checked at a time.")
    if not 1 <= given.jobs <= 64:
        raise InvalidInputError("--jobs takes a number from 1 to 64.")
    recipe, limits = recipe_and_limits(given)
    worst = 0
    for report in _reports(given, recipe, limits):
        if given.json:
            print(json.dumps(report), flush=True)
        else:
            print(_in_words(report), flush=True)
        if report["error"]:
            print(f"{shown(report['file'])}: {report['error']['message']}", file=sys.stderr)
        worst = max(worst, EXIT_CODES[report["verdict"]])
    return worst


def _reports(given: argparse.Namespace, recipe: Recipe, limits: Limits) -> Iterator[dict[str, Any]]:
    """Yield the report of each file, in order."""
    one = partial(_report_of, recipe=recipe, limits=limits, overlay=given.overlay, lift=given.lift)
    jobs = min(given.jobs, len(given.files))
    if jobs == 1:
        yield from map(one, given.files)
        return
    # Fresh processes: a copy of one that has run OpenCV's threads can hang.
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        yield from pool.map(one, given.files)


def _report_of(
    path: str, *, recipe: Recipe, limits: Limits, overlay: str | None, lift: bool
) -> dict[str, Any]:
    """Return the report of one file and write its overlay where that is asked for."""
    from geometry.check import check  # loads the compiled kernels: not needed to say a usage error

    checked = check(path, recipe, limits, timer=StageTimer(), lift=lift)
    if overlay and checked.overlay_png is not None:
        write_file(overlay, checked.overlay_png)
    return checked.report


def _in_words(report: dict[str, Any]) -> str:
    """Return a report as lines for a person."""
    lines = [f"{shown(report['file'])}: {report['verdict']}"]
    stencil, page = report["stencil"], report["page"]
    if stencil:
        width, height = stencil["blank_mm"]
        lines.append(
            f"  {stencil['openings']} openings on {width:g} x {height:g} mm film, "
            f"{stencil['outline_mm']:.0f} mm of outline; "
            f"paper found by {FOUND_WORDS[page['found']]} at {page['px_per_mm']:.1f} dots per mm"
        )
    for finding in report["findings"]:
        lines.append(
            f"  {finding['id']}. {finding['severity']}: {finding['message']} {finding['remedy']}"
        )
    return "\n".join(lines)


def _say_error(error: GeometryError, *, as_json: bool) -> int:
    """Say what is wrong on standard error, and as JSON where asked; return the exit code."""
    code = error.code if isinstance(error, UnreadableError) else "usage"
    if as_json:
        print(json.dumps({"error": {"code": code, "message": str(error)}}))
    print(error, file=sys.stderr)
    return 2


def _run_warm(given: argparse.Namespace) -> int:
    """Compile and load everything once, half of it in a second process, and print the seconds."""
    from geometry.kernel_cache import drop_stale

    if given.beside:
        from geometry.warm import warm_beside

        warm_beside()
        return 0
    drop_stale()
    started = time.perf_counter()
    # What the compiler makes is kept on disk, where the other process finds it.
    beside = subprocess.Popen([sys.executable, "-m", "geometry", "warm", "--beside"])
    from geometry.warm import warm, warm_checks

    warm_checks()
    failed = beside.wait()
    warm()
    first = time.perf_counter() - started
    started = time.perf_counter()
    warm()
    print(f"Ready in {first:.1f} s; the same again takes {time.perf_counter() - started:.2f} s.")
    return int(failed != 0)
