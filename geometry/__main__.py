"""`python -m geometry`: see cli.py."""

import sys

from geometry.cli import main

if __name__ == "__main__":
    sys.exit(main())
