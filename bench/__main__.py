"""`python -m bench NAME`: run one benchmark and print its figures."""

from __future__ import annotations

import argparse
import sys

from bench import (
    accuracy,
    bridges,
    editor,
    fuzz,
    geometry,
    golden,
    lift,
    mends,
    nesting,
    pages,
    photographs,
    quotes,
    reading,
    roundtrip,
    service,
    verdict,
    workshop,
)
from geometry.kernel_cache import drop_stale

BENCHES = {
    "accuracy": accuracy.main,
    "bridges": bridges.main,
    "editor": editor.main,
    "geometry": geometry.main,
    "golden": golden.main,
    "lift": lift.main,
    "mends": mends.main,
    "nesting": nesting.main,
    "pages": pages.main,
    "photographs": photographs.main,
    "quotes": quotes.main,
    "reading": reading.main,
    "roundtrip": roundtrip.main,
    "service": service.main,
    "verdict": verdict.main,
    "workshop": workshop.main,
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__)
    parser.add_argument(
        "name", choices=sorted([*BENCHES, "fuzz"]), help="verdict: upload to verdict on page"
    )
    parser.add_argument("--rounds", type=int, default=9, help="how often each is measured")
    parser.add_argument("--minutes", type=float, default=10, help="how long fuzz runs")
    parser.add_argument("--seed", type=int, help="of fuzz, to meet the same again")
    options = parser.parse_args()
    drop_stale()
    if options.name == "fuzz":
        return fuzz.run(options.minutes, options.seed)
    return BENCHES[options.name](options.rounds)


if __name__ == "__main__":
    sys.exit(main())
