"""Findings as the artist's page shows them: numbered, with the measure in words.

The report keeps every finding; a page shows at most twenty of a kind and says how many more.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from geometry.findings import KINDS
from orders.marks import Mark, path_of, place_marks
from orders.models import Version
from orders.templatetags.holdfast import in_mm

SHOWN_OF_A_KIND = 20


@dataclass(frozen=True)
class FindingShown:
    """One line of the list and its mark."""

    id: int
    kind: str
    key: str
    severity: str
    message: str
    remedy: str
    measure: str
    mark: Mark | None


@dataclass(frozen=True)
class FindingsShown:
    """What the list shows, and sentences about those it leaves out."""

    findings: list[FindingShown]
    left_out: list[str]
    left_out_paths: list[tuple[str, str]]  # (severity, path): outlined, without a number


def findings_shown(version: Version) -> FindingsShown:
    """Return the findings of a version as its page shows them, marks placed clear of each other."""
    by_kind: dict[str, int] = defaultdict(int)
    chosen: list[dict[str, Any]] = []
    rest: list[dict[str, Any]] = []
    for finding in version.findings:
        by_kind[finding["kind"]] += 1
        (chosen if by_kind[finding["kind"]] <= SHOWN_OF_A_KIND else rest).append(finding)
    marks = place_marks(chosen, version.blank.size_mm)
    shown = [_shown(finding, mark) for finding, mark in zip(chosen, marks, strict=True)]
    left_out = [
        f"And {count - SHOWN_OF_A_KIND} more of the same, “{_title_of(kind)}”: "
        "they are outlined on the drawing."
        for kind, count in by_kind.items()
        if count > SHOWN_OF_A_KIND
    ]
    paths = [(str(finding["severity"]), path_of(finding)) for finding in rest]
    return FindingsShown(shown, left_out, paths)


def is_cropped(version: Version) -> bool:
    """Tell whether a scan was cropped to its ink, so that the drawing was centred on the blank.

    By its dpi a scan is either the paper itself or such a crop (docs/geometry.md).
    """
    page = (version.report or {}).get("page")
    if not page or page["found"] != "dpi" or version.recipe.get("place_mm"):
        return False
    (left, top), _, (right, bottom), _ = page["corners_px"]
    sides_mm = sorted(abs(side) / page["px_per_mm"] for side in (right - left, bottom - top))
    paper_mm = sorted(version.recipe.get("paper_mm") or version.blank.size_mm)
    return any(abs(side - own) > 0.03 * own for side, own in zip(sides_mm, paper_mm, strict=True))


def _title_of(kind: str) -> str:
    known = KINDS.get(kind)
    return known.title.lower() if known else kind.replace("-", " ")


def _shown(finding: dict[str, Any], mark: Mark | None) -> FindingShown:
    return FindingShown(
        id=int(finding["id"]),
        kind=str(finding["kind"]),
        key=str(finding["key"]),
        severity=str(finding["severity"]),
        message=str(finding["message"]),
        remedy=str(finding.get("remedy") or ""),
        measure=measure_of(finding),
        mark=mark,
    )


def measure_of(finding: dict[str, Any]) -> str:
    """Return the measure against its limit in words, "" where there is nothing to compare."""
    limit = finding.get("limit_mm")
    for key, name in (("width_mm", "wide"), ("distance_mm", "from the edge")):
        if finding.get(key) is not None:
            words = f"{in_mm(float(finding[key]))} {name}"
            return f"{words}; {in_mm(float(limit))} or more is wanted" if limit else words
    if finding.get("cut_mm_per_mm2") is not None:
        most = f"; {float(finding['limit_mm_per_mm2']):g} or less is wanted"
        return f"{float(finding['cut_mm_per_mm2']):.2g} mm of cut on each mm² of film{most}"
    if finding.get("kind") == "island" and finding.get("area_mm2") is not None:
        area = float(finding["area_mm2"])
        return f"{area:,.0f} mm² of film" if area >= 10 else f"{area:.1f} mm² of film"
    return ""
