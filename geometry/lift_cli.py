"""The command line's doors for lift: `lift` maps one drawing, `lift-sheet` measures the dab.

Exit codes as for `check`: 0 done, 1 the drawing was rejected (its map is still told), 2 could not
be read or was asked wrongly, raised as a GeometryError for `geometry.cli` to say.
"""

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geometry.cli_options import (
    add_recipe_options,
    read_json,
    recipe_and_limits,
    shown,
    write_file,
)
from geometry.errors import InvalidInputError, UnreadableError

if TYPE_CHECKING:
    from geometry.dab_sheet import DabFit
    from geometry.lift import LiftMap
    from geometry.limits import Limits

DONE, REJECTED = 0, 1
ESTIMATE = "An estimate: it warns and never rejects. Measure your dab with lift-sheet."


def add_lift(subparsers: Any) -> None:
    """Add `lift` to the subparsers of `python -m geometry`; args.run(args) is the exit code."""
    parser = subparsers.add_parser("lift", help="say where film may lift under the sponge")
    parser.add_argument("file", metavar="FILE", help="the drawing")
    add_recipe_options(parser)
    _add_film(parser)
    parser.add_argument("--dab", type=float, metavar="N", help="force of a dab, 0.02 by default")
    parser.add_argument("--map", metavar="OUT.png", help="write the lift map as a picture")
    parser.set_defaults(run=run_lift)


def add_lift_sheet(subparsers: Any) -> None:
    """Add `lift-sheet` to the subparsers; args.run(args) is the exit code."""
    parser = subparsers.add_parser(
        "lift-sheet", help="a sheet of tongues to cut and dab, and the dab's force from their lifts"
    )
    parser.add_argument("--to", metavar="OUT", help="write its cut file: .svg, .dxf or .pdf")
    parser.add_argument("--form", metavar="OUT.pdf", help="write the form to fill in")
    parser.add_argument(
        "--measured", metavar="FILE", help='lifts in mm by tongue, as JSON: {"1": 0.5, "2": 0.8}'
    )
    parser.add_argument("--kerf", type=float, metavar="MM", help="width the beam removes")
    parser.add_argument("--limits", metavar="FILE", help="limits as a JSON object")
    _add_film(parser)
    parser.add_argument("--json", action="store_true", help="answer in JSON")
    parser.set_defaults(run=run_lift_sheet)


def _add_film(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--film", type=float, metavar="MM", help="thickness, 0.1905 by default")


def run_lift(args: argparse.Namespace) -> int:
    """Check the drawing, map its lift, say the worst places. Raises GeometryError."""
    # These load the compiled kernels.
    from geometry.check import check
    from geometry.lift import LiftModel

    recipe, limits = recipe_and_limits(args)
    film_mm = _within(args.film, 0.01, 2.0, limits.film_mm, "--film", "mm")
    dab_n = _within(args.dab, 1e-6, 10.0, limits.dab_n, "--dab", "N")
    if recipe.mode == "mask":
        raise InvalidInputError("A mask is cut loose on purpose, so it has no lift map.")
    checked = check(args.file, recipe, limits)
    if checked.ink is None:
        error = checked.report["error"]
        raise UnreadableError(error["code"], error["message"])
    try:
        model = LiftModel(checked.ink, checked.placement, checked.blank_mm, limits)
    except ValueError as error:
        raise InvalidInputError(
            "No film inside the held frame is joined to it, so nothing can lift."
        ) from error
    found = model.map(film_mm, dab_n)
    if args.map:
        from geometry.lift_picture import heat_png

        picture = heat_png(found, checked.ink, checked.placement, checked.blank_mm, limits)
        write_file(args.map, picture)
    if args.json:
        print(json.dumps(lift_json(found, limits)))
    else:
        print("\n".join(_lift_words(found, limits, args.file)))
    return REJECTED if checked.verdict == "rejected" else DONE


def lift_json(found: "LiftMap", limits: "Limits") -> dict[str, Any]:
    """Return what `lift --json` says: the worst first, one per flap or span."""
    from geometry.lift import lift_word

    return {
        "worst": [
            {
                "at_mm": [round(value, 3) for value in place.at_mm],
                "compliance_mm_per_n": round(place.compliance_mm_per_n, 4),
                "lift_mm": round(place.lift_mm, 4),
                "word": lift_word(place.lift_mm, limits),
            }
            for place in found.worst
        ],
        "frame_mm": found.frame_mm,
        "film_mm": found.film_mm,
        "dab_n": found.dab_n,
        "estimated": True,
    }


def run_lift_sheet(args: argparse.Namespace) -> int:
    """Write the sheet and its form, or say the dab's force from measured lifts."""
    from geometry.cut_file import format_of, write_cut_file
    from geometry.cut_plan import plan_stencil
    from geometry.dab_sheet import dab_form, dab_stencil, fit_dab, read_measured
    from geometry.limits import Limits

    limits = Limits.from_json(read_json(args.limits)) if args.limits else Limits()
    film_mm = _within(args.film, 0.01, 2.0, limits.film_mm, "--film", "mm")
    kerf_mm = _within(args.kerf, 0.0, 0.8, min(limits.kerf_mm, 0.8), "--kerf", "mm")
    if not (args.to or args.form or args.measured):
        raise InvalidInputError("lift-sheet needs --to, --form or --measured. See --help.")
    written = {}
    if args.to:
        plan = plan_stencil(dab_stencil(), kerf_mm=kerf_mm, with_outline=True)
        file = write_cut_file(plan, format_of(args.to), title="Dab test sheet")
        write_file(args.to, file.data)
        written["to"] = args.to
    if args.form:
        if not args.form.lower().endswith(".pdf"):
            raise InvalidInputError("The name of the form ends in .pdf.")
        write_file(args.form, dab_form(film_mm, limits))
        written["form"] = args.form
    fit = (
        fit_dab(read_measured(read_json(args.measured)), film_mm, limits) if args.measured else None
    )
    _say_sheet(written, fit, as_json=args.json)
    return DONE


def _say_sheet(written: dict[str, str], fit: "DabFit | None", *, as_json: bool) -> None:
    if as_json:
        said: dict[str, Any] = dict(written)
        if fit:
            said |= {
                "dab_n": round(fit.dab_n, 6),
                "spread_n": round(fit.spread_n, 6),
                "tongues": fit.tongues,
                "residual_mm": round(fit.residual_mm, 4),
            }
        print(json.dumps(said))
        return
    for path in written.values():
        print(f"{shown(Path(path).name)} written.")
    if fit:
        print(
            f"The dab is {1000 * fit.dab_n:.1f} mN, give or take {1000 * fit.spread_n:.1f} mN, "
            f'from {fit.tongues} tongues. Put {{"dab_n": {fit.dab_n:.4f}}} into the limits file.'
        )


def _within(
    value: float | None, least: float, most: float, default: float, option: str, unit: str
) -> float:
    """Return an option's value. Raises InvalidInputError where it is none that can be used."""
    if value is None:
        return default
    if not (math.isfinite(value) and least <= value <= most):
        raise InvalidInputError(f"{option} takes a number from {least:g} to {most:g} {unit}.")
    return value


def _lift_words(found: "LiftMap", limits: "Limits", path: str) -> list[str]:
    """Return the map as lines for a person."""
    from geometry.lift import lift_word

    head = (
        f"{shown(Path(path).name)}: film {found.film_mm:g} mm, dab {1000 * found.dab_n:g} mN, "
        f"{found.frame_mm:g} mm of frame held"
    )
    words = [head]
    for number, place in enumerate(found.worst, start=1):
        x, y = place.at_mm
        words.append(
            f"  {number}. {lift_word(place.lift_mm, limits)}: {place.lift_mm:.2f} mm (estimated) "
            f"at ({x:.1f}, {y:.1f}) mm; gives {place.compliance_mm_per_n:.0f} mm/N"
        )
    return [*words, ESTIMATE]
