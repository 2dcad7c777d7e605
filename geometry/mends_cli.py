"""The command line's `mend`: mends one finding of a drawing, or all of them.

Exit code 0: mended, the drawing passes; 1: it is rejected still; 2 (by `geometry.cli`): it cannot
be read, or was asked wrongly. A single finding that cannot be mended is answered with its reason.
"""

import argparse
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geometry.cli_options import add_recipe_options, recipe_and_limits, shown, write_file
from geometry.errors import InvalidInputError
from geometry.findings import KINDS, NOTE, REJECT

if TYPE_CHECKING:
    from geometry.check import Checked
    from geometry.mends_result import Mended
    from geometry.recipe import Recipe


def add_mend(subparsers: Any) -> None:
    """Add `mend` to the subparsers of `python -m geometry`; args.run(args) is the exit code."""
    parser = subparsers.add_parser("mend", help="mend what a check finds, by strokes or by place")
    parser.add_argument("file", metavar="FILE", help="the drawing")
    add_recipe_options(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--all", action="store_true", help="all that rejects or warns (the default)")
    what.add_argument("--notes", action="store_true", help="the notes too")
    what.add_argument("--rejects", action="store_true", help="only what rejects")
    what.add_argument("--finding", type=int, metavar="ID", help="one, by its number in the check")
    parser.add_argument("--apply", metavar="OUT.png", help="write the mended drawing")
    parser.add_argument("--recipe-out", metavar="OUT.json", help="write the recipe that mends it")
    parser.set_defaults(run=run_mend)


def run_mend(args: argparse.Namespace) -> int:
    """Mend, say what was done and what is left, write what was asked for."""
    # These load the compiled kernels.
    from geometry.mends import Mender
    from geometry.prepared import prepare

    recipe, limits = recipe_and_limits(args)
    mender = Mender(prepare(args.file, replace(recipe, strokes=()), limits), recipe.strokes)
    if args.finding is not None:
        return _mend_one(args, mender, recipe)
    kinds = [
        kind
        for kind, row in KINDS.items()
        if row.severity == REJECT or (not args.rejects and (args.notes or row.severity != NOTE))
    ]
    mended = mender.mend_all(kinds)
    _write(args, mended.after, replace(mended.recipe, accepted=recipe.accepted))
    print(json.dumps(mended.to_json()) if args.json else _in_words(args.file, mended))
    return 0 if mended.after.verdict == "passed" else 1


def _mend_one(args: argparse.Namespace, mender: Any, recipe: "Recipe") -> int:
    """Mend one finding by its number. Raises InvalidInputError where there is none of it."""
    from geometry.mends_result import Unmended
    from geometry.recheck import recheck

    finding = next((one for one in mender.before.findings if one.id == args.finding), None)
    if finding is None:
        count = len(mender.before.findings)
        raise InvalidInputError(
            f"There is no finding {args.finding}: the check of {shown(args.file)} has {count}."
        )
    found = mender.mend(finding)
    if isinstance(found, Unmended):
        said = {"mend": None, "left": found.to_json(), "verdict": mender.before.verdict}
        print(json.dumps(said) if args.json else f"{finding.message}\n  Left: {found.reason}")
        _write(args, mender.before, recipe)
        return 1
    prepared, strokes = mender.prepared, mender.base
    if found.move is not None:
        prepared, strokes = mender.placed(found.move)
    strokes = (*strokes, *found.strokes)
    after = recheck(prepared, strokes)
    _write(args, after, replace(prepared.recipe, strokes=strokes, accepted=recipe.accepted))
    said = {"mend": found.to_json(), "left": None, "verdict": after.verdict}
    words = f"{finding.message}\n  {found.words}: the drawing is {after.verdict} then."
    print(json.dumps(said) if args.json else words)
    return 0 if after.verdict == "passed" else 1


def _write(args: argparse.Namespace, after: "Checked", recipe: "Recipe") -> None:
    """Write the mended drawing and its recipe where that is asked for."""
    if args.apply and after.film_png is not None:
        write_file(args.apply, after.film_png)
    if args.recipe_out:
        write_file(args.recipe_out, json.dumps(recipe.to_json()).encode())


def _in_words(name: str, mended: "Mended") -> str:
    """Return all mends as lines for a person."""
    count = len(mended.mends)
    lines = [f"{shown(name)}: {count} {'mend' if count == 1 else 'mends'}"]
    lines += [f"  {one.finding.id}. {one.finding.message} {one.words}." for one in mended.mends]
    lines.append(
        f"White covers {mended.takes_mm2:.1f} mm² of ink, black adds {mended.adds_mm2:.1f} mm². "
        f"The drawing is {mended.after.verdict}."
    )
    lines += [f"  Left: {one.finding.message} {one.reason}" for one in mended.left]
    lines += [f"  Came with it: {one.message}" for one in mended.came]
    return "\n".join(lines)
