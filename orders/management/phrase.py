"""The pass phrase of a sealed backup: from a file, the environment, or asked for. Never a word of
the command line, which every process of the machine can read."""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path

from django.core.management.base import CommandError, CommandParser

VARIABLE = "HOLDFAST_BACKUP_PASSPHRASE"


def add_argument(parser: CommandParser) -> None:
    parser.add_argument(
        "--passphrase-file",
        type=Path,
        metavar="FILE",
        help=f"its first line is the pass phrase ({VARIABLE} holds it otherwise, or it is asked)",
    )


def given(file: Path | None) -> str:
    """Return the pass phrase from the file or the environment, "" where there is none."""
    if file is None:
        return os.environ.get(VARIABLE, "").strip()
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(f"{file} could not be read for the pass phrase.") from error
    if not lines or not lines[0].strip():
        raise CommandError(f"The first line of {file} is empty; the pass phrase goes there.")
    return lines[0].strip()


def asked(*, twice: bool) -> str:
    """Ask at the terminal. Raises CommandError where there is none, or for two different ones."""
    if not sys.stdin.isatty():
        raise CommandError(
            f"There is no terminal to ask for the pass phrase; put it into {VARIABLE}, or into a "
            "file named by --passphrase-file."
        )
    phrase = getpass.getpass("Pass phrase: ").strip()
    if twice and getpass.getpass("The same again: ").strip() != phrase:
        raise CommandError("The two are not the same; nothing was done.")
    if not phrase:
        raise CommandError("The pass phrase is empty; nothing was done.")
    return phrase
