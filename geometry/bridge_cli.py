"""The command line's `bridges`: says where bridges go, and draws the mended drawing.

Exit code 0: with the bridges the drawing passes; 1: it is rejected still. What cannot be read or
used is raised as a GeometryError for `geometry.cli` to say.
"""

import argparse
import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from geometry.cli_options import add_recipe_options, read_json, recipe_and_limits, shown, write_file
from geometry.errors import InvalidInputError

if TYPE_CHECKING:
    from geometry.bridges import Proposal, Site
    from geometry.limits import Limits

STYLE_WORDS: Final = {
    "usual": "as few as hold, of the usual width",
    "fewer": "wider, and no more than must be",
    "more": "narrower, and more of them",
}


def add_bridges(subparsers: Any) -> None:
    """Add `bridges` to the subparsers of `python -m geometry`; args.run(args) is the exit code."""
    parser = subparsers.add_parser("bridges", help="say where bridges hold what would fall out")
    parser.add_argument("file", metavar="FILE", help="the drawing")
    add_recipe_options(parser)
    parser.add_argument("--apply", metavar="OUT.png", help="write the mended drawing")
    words = "; ".join(f"{name}: {said}" for name, said in STYLE_WORDS.items())
    parser.add_argument("--style", choices=list(STYLE_WORDS), default="usual", help=words)
    parser.add_argument(
        "--locked", metavar="FILE", help="bridges to keep: what an earlier answer says, as JSON"
    )
    parser.add_argument(
        "--lift", action="store_true", help="also hold what would hang free, and say the lift"
    )
    parser.add_argument("--film", type=float, metavar="MM", help="thickness for --lift, 0.1905")
    parser.set_defaults(run=run_bridges)


def run_bridges(args: argparse.Namespace) -> int:
    """Propose bridges for the drawing, say them, draw it mended where asked."""
    # These load the compiled kernels.
    from geometry.bridges import propose_bridges
    from geometry.prepared import prepare

    recipe, limits = recipe_and_limits(args)
    film_mm = _film(args, limits)
    prepared = prepare(args.file, replace(recipe, strokes=()), limits)
    locked = _locked(args.locked, limits) if args.locked else ()
    proposal = propose_bridges(
        prepared,
        recipe.strokes,
        locked=locked,
        style=args.style,
        lift=args.lift,
        film_mm=film_mm,
    )
    if args.apply and proposal.after.film_png is not None:
        write_file(args.apply, proposal.after.film_png)
    if args.json:
        print(json.dumps(proposal.to_json()))
    else:
        print(_in_words(args.file, proposal))
    return 0 if proposal.after.verdict == "passed" else 1


def _film(args: argparse.Namespace, limits: "Limits") -> float:
    """Return the thickness of the film in mm. Raises InvalidInputError."""
    if args.film is None:
        return limits.film_mm
    if not args.lift:
        raise InvalidInputError("--film says what --lift is worked out for: give both.")
    if not 0.01 <= args.film <= 2.0:
        raise InvalidInputError("--film takes a number from 0.01 to 2 mm.")
    return float(args.film)


def _locked(path: str, limits: "Limits") -> tuple["Site", ...]:
    """Return the bridges of an answer of this command. Raises InvalidInputError."""
    from geometry.bridges import Site

    try:
        said = json.loads(read_json(path))["bridges"]
        return tuple(
            Site(
                _point(bridge["from_mm"]),
                _point(bridge["to_mm"]),
                float(bridge.get("width_mm", limits.bridge_proposed_mm)),
            )
            for bridge in said
        )
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise InvalidInputError(
            f'{shown(path)} does not hold bridges such as {{"bridges": [{{"from_mm": [1, 2], '
            '"to_mm": [1, 5]}]}.'
        ) from error


def _point(value: Any) -> tuple[float, float]:
    """Return a point."""
    x, y = value
    return float(x), float(y)


def _in_words(name: str, proposal: "Proposal") -> str:
    """Return a proposal as lines for a person."""
    count = len(proposal.bridges)
    lines = [f"{shown(name)}: {count} {'bridge' if count == 1 else 'bridges'}"]
    for number, bridge in enumerate(proposal.bridges, start=1):
        (x0, y0), (x1, y1) = bridge.site.from_mm, bridge.site.to_mm
        lines.append(
            f"  {number}. from {x0:.1f}, {y0:.1f} to {x1:.1f}, {y1:.1f} mm, "
            f"{bridge.site.width_mm:g} mm wide: {bridge.reason}"
            + (f"; {bridge.lift_words}" if bridge.lift_words else "")
        )
    lines.append(f"With them the drawing is {proposal.after.verdict}.")
    if proposal.worst_lift_mm is not None:
        lines.append(f"What lifts most then lifts {proposal.worst_lift_mm:.1f} mm (estimated).")
    lines += [f"  Left: {finding.message}" for finding in proposal.left]
    return "\n".join(lines)
