"""The golden drawings, right and wrong per kind, at 300 and 600 dpi.

Truth is that of vector arithmetic and shapely (tests/geometry/golden); a drawing is right when its
islands (count, area, centroid) and its narrow places (kind, place, width) are, and nothing more.
"""

from __future__ import annotations

from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import VARIANTS, golden, mistakes

DPI = (300, 600)


def main(rounds: int) -> int:
    """Print the table; `rounds` is of no use here. The exit code says whether all are right."""
    del rounds
    print(f"{'kind':14}" + "".join(f"{dpi:>8} dpi right wrong" for dpi in DPI))
    told, right_in_all, every = [], 0, 0
    for kind in KINDS:
        row = f"{kind:14}"
        for dpi in DPI:
            wrong = {v: found for v in range(VARIANTS) if (found := mistakes(golden(kind, v), dpi))}
            row += f"{VARIANTS - len(wrong):>18} {len(wrong):>5}"
            told += [f"{kind} {v}, {dpi} dpi: {'; '.join(found)}" for v, found in wrong.items()]
            right_in_all += VARIANTS - len(wrong)
            every += VARIANTS
        print(row, flush=True)
    print(f"{right_in_all} of {every} right")
    print("\n".join(told))
    return 0 if right_in_all == every else 1
