"""Findings as the artist's page shows them: numbered, with measure, mend and whether it is kept.

The report keeps every finding; a page shows at most twenty of a kind and says how many more.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geometry.findings import KINDS, place_words
from orders.marks import Mark, path_of, place_marks, zoom_box
from orders.mending import KEEPABLE
from orders.models import Kept, Version
from orders.templatetags.holdfast import in_unit, lengths, svg_number

SHOWN_OF_A_KIND = 20
NEARLY_EMPTY_MM2 = 20.0  # judgement: a dot of 5 mm
SIGNS = {"reject": "must be mended", "warn": "warning", "note": "note"}


@dataclass(frozen=True)
class FindingShown:
    """One line of the list and its mark. mend: of orders.mending.offered, None if not known."""

    id: int
    kind: str
    key: str
    severity: str
    message: str
    remedy: str
    measure: str
    mark: Mark | None
    zoom: str
    mend: Mapping[str, Any] | None = None
    kept: Kept | None = None

    @property
    def may_be_kept(self) -> bool:
        """Only what does not stop the cut can be left as it is."""
        return self.severity in KEEPABLE

    @property
    def reason(self) -> str:
        """Why there is no mend, "" where there is one or it is not known."""
        return str(self.mend.get("reason", "")) if self.mend else ""


@dataclass(frozen=True)
class Group:
    """A kind of which there are more than are listed, and how many of all can be mended."""

    kind: str
    title: str
    count: int
    left_out: int
    mendable: int


@dataclass(frozen=True)
class FindingsShown:
    """What the list shows, and the kinds of which it leaves some out."""

    findings: list[FindingShown]
    groups: list[Group]
    left_out_paths: list[tuple[str, str]]  # (severity, path): outlined, without a number

    @property
    def left_out(self) -> list[str]:
        """A sentence about each kind of which some are left out."""
        return [
            f"And {group.left_out} more of the same, “{group.title}”: "
            "they are outlined on the drawing."
            for group in self.groups
        ]

    @property
    def mendable(self) -> int:
        """How many of those listed have a mend."""
        return sum(bool(one.mend and not one.reason) for one in self.findings)


def findings_shown(
    version: Version, unit: str = "mm", mends: Mapping[str, Mapping[str, Any]] | None = None
) -> FindingsShown:
    """Return the findings of a version as its page shows them, marks placed clear of each other."""
    mends = mends or {}
    by_kind: dict[str, int] = defaultdict(int)
    chosen: list[dict[str, Any]] = []
    rest: list[dict[str, Any]] = []
    for finding in version.findings:
        by_kind[finding["kind"]] += 1
        (chosen if by_kind[finding["kind"]] <= SHOWN_OF_A_KIND else rest).append(finding)
    marks = place_marks(chosen, version.blank.size_mm)
    kept = {row.finding_key: row for row in version.kept.select_related("by")} if version.pk else {}
    shown = [
        _shown(finding, mark, version, unit, mends.get(finding["key"]), kept.get(finding["key"]))
        for finding, mark in zip(chosen, marks, strict=True)
    ]
    groups = [
        Group(
            kind, _title_of(kind), count, count - SHOWN_OF_A_KIND, _mendable(version, kind, mends)
        )
        for kind, count in by_kind.items()
        if count > SHOWN_OF_A_KIND
    ]
    paths = [(str(finding["severity"]), path_of(finding)) for finding in rest]
    return FindingsShown(shown, groups, paths)


def told(version: Version) -> str:
    """Return a drawing's findings as one text to be read out, with their places in words."""
    findings = version.findings
    if not findings:
        return "Nothing was found."
    counts = [
        (sum(one["severity"] == severity for one in findings), words)
        for severity, words in (("reject", "to mend"), ("warn", "to look at"), ("note", "to know"))
    ]
    first = ", ".join(
        f"{count} {'thing' if count == 1 else 'things'} {words}" for count, words in counts if count
    )
    lines = []
    for one in findings[:SHOWN_OF_A_KIND]:
        at_mm = one.get("at_mm") or (0.0, 0.0)
        place = place_words(tuple(at_mm), version.blank.size_mm) if one.get("at_mm") else ""
        message = str(one["message"]).rstrip(".")
        where = "" if place in message else f", {place}"
        lines.append(f"{one['id']}, {SIGNS[one['severity']]}: {message}{where}.")
    more = len(findings) - len(lines)
    return " ".join([f"{first}.", *lines, *([f"And {more} more."] if more > 0 else [])])


def _mendable(version: Version, kind: str, mends: Mapping[str, Mapping[str, Any]]) -> int:
    return sum(
        one["kind"] == kind and bool(mends.get(one["key"])) and not mends[one["key"]].get("reason")
        for one in version.findings
    )


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


def is_edge_of_table(version: Version) -> bool:
    """Tell whether what runs off the film may be the table: corners found in a photograph."""
    page = (version.report or {}).get("page") or {}
    leaves = any(one["kind"] == "leaves-blank" for one in version.findings)
    return leaves and page.get("found") in ("paper-edges", "whole-image", "given")


def is_nearly_empty(version: Version) -> bool:
    """Tell whether so little would be cut that it is hardly the drawing that was meant."""
    stencil = (version.report or {}).get("stencil") or {}
    area_mm2 = stencil.get("opening_area_mm2")
    return area_mm2 is not None and float(area_mm2) < NEARLY_EMPTY_MM2


def _title_of(kind: str) -> str:
    known = KINDS.get(kind)
    return known.title.lower() if known else kind.replace("-", " ")


def _shown(
    finding: dict[str, Any],
    mark: Mark | None,
    version: Version,
    unit: str,
    mend: Mapping[str, Any] | None,
    kept: Kept | None,
) -> FindingShown:
    return FindingShown(
        id=int(finding["id"]),
        kind=str(finding["kind"]),
        key=str(finding["key"]),
        severity=str(finding["severity"]),
        message=lengths(str(finding["message"]), unit),
        remedy=lengths(str(finding.get("remedy") or ""), unit),
        measure=measure_of(finding, unit),
        mark=mark,
        zoom=" ".join(svg_number(side) for side in zoom_box(finding, version.blank.size_mm)),
        mend=mend,
        kept=kept,
    )


def measure_of(finding: dict[str, Any], unit: str = "mm") -> str:
    """Return the measure against its limit in words, "" where there is nothing to compare."""
    limit = finding.get("limit_mm")
    if (finding.get("distance_mm") or 0.0) < 0:
        return f"{in_unit(-float(finding['distance_mm']), unit)} beyond the edge"
    for key, name in (("width_mm", "wide"), ("distance_mm", "from the edge")):
        if finding.get(key) is not None:
            words = f"{in_unit(float(finding[key]), unit)} {name}"
            return f"{words}; {in_unit(float(limit), unit)} or more is wanted" if limit else words
    if finding.get("cut_mm_per_mm2") is not None:
        most = f"; {float(finding['limit_mm_per_mm2']):g} or less is wanted"
        return f"{float(finding['cut_mm_per_mm2']):.2g} mm of cut on each mm² of film{most}"
    if finding.get("kind") == "island" and finding.get("area_mm2") is not None:
        area = float(finding["area_mm2"])
        return f"{area:,.0f} mm² of film" if area >= 10 else f"{area:.1f} mm² of film"
    return ""
