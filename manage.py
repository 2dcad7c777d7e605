#!/usr/bin/env python3
"""Django's command line for this project."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit("Django is not installed here. Run `python3 run.py setup` first.")
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
