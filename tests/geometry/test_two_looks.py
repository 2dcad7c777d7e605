"""A sheet whose edge is held badly is taken only where a second, wider look finds the same one."""

import numpy as np
import pytest

from bench.photographs import PAPER_MM, bent_picture
from geometry import paper_edges
from geometry.paper_lines import Overview
from tests.geometry import drawings


def bent_sheet(curl_mm: float) -> np.ndarray:
    paper = drawings.paint(drawings.harbour(), 12)
    return bent_picture(paper, PAPER_MM, 0.0, curl_mm)[0].grey


@pytest.mark.parametrize("curl_mm", [2.0, 4.0])
def test_a_curled_sheet_lies_on_no_straight_line_and_is_found_all_the_same(curl_mm: float) -> None:
    assert paper_edges.find_edges(Overview(bent_sheet(curl_mm)), PAPER_MM) is not None


@pytest.mark.parametrize(("moved_px", "is_found"), [(2.0, True), (80.0, False)])
def test_two_looks_that_differ_are_no_paper(
    monkeypatch: pytest.MonkeyPatch, moved_px: float, is_found: bool
) -> None:
    grey = bent_sheet(0.0)
    settle = paper_edges._settle
    looks: list[float] = []

    def held_badly(*inputs: object) -> tuple[np.ndarray, float]:
        corners, _ = settle(*inputs)  # type: ignore[arg-type]
        looks.append(0.4)
        return corners + (moved_px if len(looks) == 2 else 0.0), 0.4

    monkeypatch.setattr(paper_edges, "_settle", held_badly)
    assert (paper_edges.find_edges(Overview(grey), PAPER_MM) is not None) is is_found
    assert len(looks) == 2
