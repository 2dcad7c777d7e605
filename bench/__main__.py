"""`python -m bench NAME`: run one benchmark and print its figures."""

from __future__ import annotations

import argparse
import sys

from bench import (
    accuracy,
    bridges,
    editor,
    faults,
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
        "name",
        choices=sorted([*BENCHES, "faults", "fuzz"]),
        help="verdict: upload to verdict on page",
    )
    parser.add_argument("--rounds", type=int, default=9, help="how often each is measured")
    parser.add_argument("--minutes", type=float, default=10, help="how long fuzz runs")
    parser.add_argument("--seed", type=int, help="of fuzz and faults, to meet the same again")
    parser.add_argument("--flows", type=int, default=300, help="how many flows faults runs")
    parser.add_argument("--setup", choices=["embedded", "production", "both"], default="both")
    parser.add_argument(
        "--part", choices=["storm", "single", "all"], default="all", help="of faults"
    )
    options = parser.parse_args()
    drop_stale()
    if options.name == "fuzz":
        return fuzz.run(options.minutes, options.seed)
    if options.name == "faults":
        return faults.run(options.flows, options.seed, options.setup, part=options.part)
    return BENCHES[options.name](options.rounds)


if __name__ == "__main__":
    sys.exit(main())
