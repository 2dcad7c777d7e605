"""What the pens' page is told, as JSON: findings with their marks and words, bridges proposed."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from django.template.loader import render_to_string

from orders.models import Version

from .showing import FindingShown, findings_shown

if TYPE_CHECKING:
    from geometry.bridges import Proposal
    from geometry.check import Checked


LEAST_VIEW_MM = 30.0


def looked_shown(version: Version, checked: Checked) -> dict[str, Any]:
    """Return verdict, findings as a list in HTML and as marks, and the sentence that is said."""
    looked = Version(blank_code=version.blank_code, report=checked.report, recipe=version.recipe)
    shown = findings_shown(looked)
    context = {
        "rejects": [_row(one) for one in shown.findings if one.severity == "reject"],
        "remarks": [_row(one) for one in shown.findings if one.severity != "reject"],
        "left_out": shown.left_out,
    }
    return {
        "verdict": checked.verdict,
        "said": said(checked.report),
        "html": render_to_string("artist/pens_found.html", context),
        "left_out_paths": shown.left_out_paths,
        "marks": [
            {
                "id": one.id,
                "severity": one.severity,
                "x": one.mark.x,
                "y": one.mark.y,
                "size": one.mark.size,
                "at": [one.mark.at_x, one.mark.at_y],
                "path": one.mark.path,
            }
            for one in shown.findings
            if one.mark
        ],
    }


def nothing_shown(sentence: str) -> dict[str, Any]:
    """Return the same where nothing is left of the drawing."""
    return {
        "verdict": "unreadable",
        "said": sentence,
        "html": "",
        "left_out_paths": [],
        "marks": [],
    }


def _row(finding: FindingShown) -> str:
    """Return the finding's line of the list as HTML."""
    words = (finding.message, finding.remedy, finding.measure)
    return _rendered(finding.id, finding.severity, finding.key, _view_of(finding), *words)


@lru_cache(maxsize=4096)
def _rendered(number: int, severity: str, key: str, view: str, *words: str) -> str:
    """Return a line; after a stroke nearly all are as they were, and 100 take 40 ms to render."""
    finding = {"id": number, "severity": severity, "key": key}
    finding |= dict(zip(("message", "remedy", "measure"), words, strict=True))
    return render_to_string("artist/pens_finding.html", {"finding": finding, "view": view})


def _view_of(finding: FindingShown) -> str:
    """Return where the board goes to see a finding: x, y of its middle and how much of it, mm."""
    mark = finding.mark
    if mark is None:
        return ""
    numbers = [float(value) for value in re.findall(r"-?[\d.]+", mark.path)]
    away = [abs(x - mark.at_x) for x in numbers[::2]] + [abs(y - mark.at_y) for y in numbers[1::2]]
    return f"{mark.at_x} {mark.at_y} {max(3 * max(away, default=0.0), LEAST_VIEW_MM):.1f}"


def said(report: dict[str, Any]) -> str:
    """Return what there is to mend as one sentence: "2 things to mend; 1: ..."."""
    if report.get("error"):
        return str(report["error"]["message"])
    rejects = [one for one in report["findings"] if one["severity"] == "reject"]
    warnings = sum(one["severity"] == "warn" for one in report["findings"])
    more = f" {_count(warnings, 'warning')}." if warnings else ""
    if not rejects:
        return f"Nothing has to be mended: it will hold.{more}"
    first = rejects[0]
    return f"{_count(len(rejects), 'thing')} to mend; {first['id']}: {first['message']}{more}"


def bridges_shown(proposal: Proposal) -> dict[str, Any]:
    """Return the bridges proposed, and a sentence on what comes of all of them."""
    data = proposal.to_json()
    count = len(data["bridges"])
    verdict = data["after"]["verdict"]
    if not count:
        words = "No bridge is wanted: nothing falls out that one could hold."
    elif verdict == "passed":
        words = f"{_count(count, 'bridge')} proposed. With all of them it will hold."
    else:
        words = f"{_count(count, 'bridge')} proposed. Even with all of them something is left."
    return {"bridges": data["bridges"], "said": words, "left": data["after"]["left"]}


def _count(number: int, name: str) -> str:
    return f"{number} {name}" if number == 1 else f"{number} {name}s"
