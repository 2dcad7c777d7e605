"""The command line's two doors for the cutter: `cutfile` writes a cut file, `nest` fills sheets.

Both answer in words, or with --json in one JSON object on standard output. Exit code 0 done, 1 the
drawing was rejected (no file is written unless --anyway); what cannot be read or used is raised as
a GeometryError for `geometry.cli` to say.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geometry.cli_options import add_recipe_options, recipe_and_limits, shown, write_file
from geometry.errors import InvalidInputError, UnreadableError
from geometry.nesting import Nesting, NestItem, nest
from geometry.units import describe_size, parse_length, parse_size

if TYPE_CHECKING:
    from geometry.cut_file import CutFile

DONE, REJECTED = 0, 1


def add_cutfile(subparsers: Any) -> None:
    """Add `cutfile` to the subparsers of `python -m geometry`; args.run(args) is the exit code."""
    parser = subparsers.add_parser(
        "cutfile", help="write the cut file of one drawing (SVG, DXF or PDF, true to size)"
    )
    parser.add_argument("file", metavar="FILE", help="the drawing")
    parser.add_argument("--to", required=True, metavar="OUT", help="ends in .svg, .dxf or .pdf")
    add_recipe_options(parser)
    parser.add_argument(
        "--kerf", type=float, metavar="MM", help="width the beam removes; the limits' by default"
    )
    parser.add_argument(
        "--no-outline", action="store_true", help="the blank is already cut to size"
    )
    parser.add_argument("--title", default="", help="written into the file")
    parser.add_argument("--anyway", action="store_true", help="also for a rejected drawing")
    parser.set_defaults(run=run_cutfile)


def add_nest(subparsers: Any) -> None:
    """Add `nest` to the subparsers of `python -m geometry`; args.run(args) is the exit code."""
    parser = subparsers.add_parser("nest", help="lay blanks on as few sheets of film as can be")
    parser.add_argument("blanks", nargs="+", metavar="SIZE:COUNT", help="such as 6x6in:8")
    parser.add_argument("--sheet", required=True, metavar="SIZE", help="size of a sheet of film")
    parser.add_argument("--edge", default="0", metavar="MM", help="kept free round the sheet")
    parser.add_argument("--gap", default="0", metavar="MM", help="kept free between blanks")
    parser.add_argument("--no-turning", action="store_true", help="every blank stays upright")
    parser.add_argument("--json", action="store_true", help="answer in JSON")
    parser.set_defaults(run=run_nest)


def run_cutfile(args: argparse.Namespace) -> int:
    """Check the drawing, write its cut file, say what is in it. Raises GeometryError."""
    # These load the compiled kernels, which nesting does without.
    from geometry.check import check
    from geometry.cut_file import format_of, kerf_note, write_cut_file
    from geometry.cut_plan import plan_stencil

    kind = format_of(args.to)
    recipe, limits = recipe_and_limits(args)
    checked = check(args.file, recipe, limits)
    if checked.stencil is None:
        error = checked.report["error"]
        raise UnreadableError(error["code"], error["message"])
    if checked.verdict == "rejected" and not args.anyway:
        return _say_rejected(checked.report, as_json=args.json)
    kerf_mm = limits.kerf_mm if args.kerf is None else args.kerf
    plan = plan_stencil(checked.stencil, kerf_mm=kerf_mm, with_outline=not args.no_outline)
    file = write_cut_file(plan, kind, title=args.title or Path(args.file).stem)
    write_file(args.to, file.data)
    words = [*_cutfile_words(file, args.to), kerf_note(kerf_mm)]
    _say(cutfile_json(file), "\n".join(words), as_json=args.json)
    return DONE


def run_nest(args: argparse.Namespace) -> int:
    """Lay the blanks out and say where each one lies. Raises GeometryError."""
    nesting = nest(
        [_item(text) for text in args.blanks],
        parse_size(args.sheet),
        edge_mm=_millimetres(args.edge),
        gap_mm=_millimetres(args.gap),
        may_turn=not args.no_turning,
    )
    _say(nest_json(nesting), _nest_words(nesting), as_json=args.json)
    return DONE


def cutfile_json(file: "CutFile") -> dict[str, Any]:
    """Return what `cutfile --json` says; lengths in mm, time in seconds."""
    said: dict[str, Any] = {
        "contours": file.contours,
        "length_mm": round(file.length_mm, 2),
        "travel_mm": round(file.travel_mm, 2),
        "seconds": round(file.seconds, 1),
        "nodes": file.nodes,
    }
    for name, places in (("lost_at_mm", file.lost_at_mm), ("split_at_mm", file.split_at_mm)):
        if places:
            said[name] = [[round(x, 2), round(y, 2)] for x, y in places]
    return said


def nest_json(nesting: Nesting) -> dict[str, Any]:
    """Return what `nest --json` says: places on each sheet, from its top left corner, in mm."""
    return {
        "sheets": [
            [
                {
                    "blank": placed.code,
                    "x_mm": round(placed.x_mm, 4),
                    "y_mm": round(placed.y_mm, 4),
                    "turned": placed.turned,
                }
                for placed in sheet
            ]
            for sheet in nesting.sheets
        ],
        "lower_bound": nesting.lower_bound,
        "used": round(nesting.used, 4),
    }


def _item(text: str) -> NestItem:
    """ "6x6in:8" as code, width, height, count; without a count it is one."""
    code, colon, count = text.strip().rpartition(":")
    if not colon:
        code, count = text, "1"
    if not (count.isascii() and count.isdigit()):
        raise InvalidInputError(
            f"“{shown(text[:80])}” is not a size and a count; write it like 6x6in:8."
        )
    width_mm, height_mm = parse_size(code)
    return code, width_mm, height_mm, int(count[:9])


def _millimetres(text: str) -> float:
    """A length; a plain number is millimetres here."""
    try:
        return float(text)
    except ValueError:
        return parse_length(text)


def _say(said: dict[str, Any], words: str, *, as_json: bool) -> None:
    print(json.dumps(said) if as_json else words)


def _say_rejected(report: dict[str, Any], *, as_json: bool) -> int:
    """No file; the reasons, one a line."""
    reasons = [f["message"] for f in report["findings"] if f["severity"] == "reject"]
    message = (
        "The drawing is rejected, so no cut file was written; mend it, or add --anyway. "
        + " ".join(reasons[:5])
    )
    if as_json:
        print(
            json.dumps({"verdict": "rejected", "error": {"code": "rejected", "message": message}})
        )
    print(message, file=sys.stderr)
    return REJECTED


def _cutfile_words(file: "CutFile", path: str) -> list[str]:
    minutes, seconds = divmod(round(file.seconds), 60)
    figures = (
        f"{shown(Path(path).name)}: {file.contours} cuts, {file.length_mm:.0f} mm cut, "
        f"{file.travel_mm:.0f} mm moved, about {minutes} min {seconds} s."
    )
    words = [figures]
    if file.lost_at_mm:
        words.append(f"Not cut, narrower than the kerf: {_places(file.lost_at_mm)}.")
    if file.split_at_mm:
        words.append(
            f"Not cut through, a neck narrower than the kerf: {_places(file.split_at_mm)}."
        )
    return words


def _places(places: tuple[tuple[float, float], ...]) -> str:
    shown = ", ".join(f"({x:.1f}, {y:.1f})" for x, y in places[:10])
    return shown + (" and more" if len(places) > 10 else "") + " mm"


def _nest_words(nesting: Nesting) -> str:
    count = len(nesting.sheets)
    figures = (
        f"{count} sheet{'' if count == 1 else 's'} of {describe_size(nesting.sheet_mm)}; "
        f"at least {nesting.lower_bound} needed; {nesting.used:.0%} of the film used."
    )
    words = [figures]
    for number, sheet in enumerate(nesting.sheets, start=1):
        words.append(f"Sheet {number}:")
        words += [
            f"  {placed.code} at {placed.x_mm:.2f}, {placed.y_mm:.2f} mm"
            + (", turned" if placed.turned else "")
            for placed in sheet
        ]
    return "\n".join(words)
