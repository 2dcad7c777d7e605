"""What the command line's doors share: options of a recipe, files read and written by name."""

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from geometry.errors import InvalidInputError
from geometry.limits import Limits, default_limits
from geometry.recipe import Recipe
from geometry.units import parse_size

MOST_JSON_BYTES: Final = 20_000_000


def add_recipe_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that recipe_and_limits reads, and --json."""
    parser.add_argument("--paper", metavar="SIZE", help="real size of the sheet, such as 6x6in, a4")
    parser.add_argument("--blank", metavar="SIZE", help="size of the film, such as 6x6in, 4x4in")
    parser.add_argument("--limits", metavar="FILE", help="limits as a JSON object")
    parser.add_argument("--recipe", metavar="FILE", help="recipe as a JSON object")
    parser.add_argument("--mask", action="store_true", help="cut without bridges on purpose")
    parser.add_argument("--json", action="store_true", help="answer in JSON, one object a line")


def recipe_and_limits(given: argparse.Namespace) -> tuple[Recipe, Limits]:
    """Return what the options --recipe, --paper, --blank, --mask and --limits ask for."""
    recipe = Recipe.from_json(read_json(given.recipe)) if given.recipe else Recipe()
    changes: dict[str, Any] = {}
    if given.paper:
        changes["paper_mm"] = parse_size(given.paper)
    if given.blank:
        changes["blank_mm"] = parse_size(given.blank)
    if given.mask:
        changes["mode"] = "mask"
    recipe = replace(recipe, **changes)
    limits = default_limits(recipe.blank_size_mm)
    if given.limits:
        limits = Limits.from_json(read_json(given.limits), base=limits)
    return recipe, limits


def read_json(path: str) -> bytes:
    """Return the bytes of a small JSON file. Raises InvalidInputError with a sentence."""
    try:
        with Path(path).open("rb") as file:
            data = file.read(MOST_JSON_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InvalidInputError(f"{shown(path)} cannot be read. Look at its name.") from error
    if len(data) > MOST_JSON_BYTES:
        raise InvalidInputError(f"{shown(path)} is too large for a recipe or limits.")
    return data


def write_file(path: str, data: bytes) -> None:
    """Write a file where asked. Raises InvalidInputError with a sentence if that cannot be done."""
    try:
        Path(path).write_bytes(data)
    except (OSError, ValueError) as error:
        raise InvalidInputError(
            f"{shown(path)} cannot be written. Choose another place."
        ) from error


def shown(name: str) -> str:
    """Return a file's name fit for a terminal."""
    return "".join(c if c.isprintable() else "?" for c in name)
