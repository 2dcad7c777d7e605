"""`python -m bench NAME`: run one benchmark and print its figures."""

from __future__ import annotations

import argparse
import sys

from bench import photographs, verdict

BENCHES = {"photographs": photographs.main, "verdict": verdict.main}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__)
    parser.add_argument("name", choices=sorted(BENCHES), help="verdict: upload to verdict on page")
    parser.add_argument("--rounds", type=int, default=9, help="how often each is measured")
    options = parser.parse_args()
    return BENCHES[options.name](options.rounds)


if __name__ == "__main__":
    sys.exit(main())
