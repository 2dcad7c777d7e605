"""Outlines: sub-pixel, nested, in the blank's frame; and the stencil made of them."""

import numpy as np
import pytest
import shapely

from geometry.ink import find_ink
from geometry.outlines import trace
from geometry.recipe import Placement
from geometry.stencil import Stencil, across_mm, build_stencil
from tests.geometry.innocent import INNOCENT
from tests.geometry.scans import disc, scan, stroke

BLANK = (40.0, 40.0)
RINGS = shapely.union_all(
    [
        disc(20, 20, 18).difference(disc(20, 20, 15)),
        disc(20, 20, 11).difference(disc(20, 20, 8)),
        disc(20, 20, 4),
    ]
)


def traced_stencil(shape: shapely.Geometry, dpi: float = 300) -> Stencil:
    grey, px_per_mm = scan(shape, dpi=dpi)
    return build_stencil(trace(find_ink(grey, px_per_mm), Placement()), BLANK)


@pytest.mark.parametrize(("dpi", "mean_mm", "p95_mm"), [(300, 0.010, 0.025), (600, 0.006, 0.016)])
def test_outline_lies_within_hundredths_of_a_mm_of_the_drawn_edge(
    dpi: float, mean_mm: float, p95_mm: float
) -> None:
    """Against shapely's exact shape."""
    shape = stroke([(6, 10), (16, 30), (22, 12), (34, 32)], 1.8)
    grey, px_per_mm = scan(shape, dpi=dpi)
    (outline,) = trace(find_ink(grey, px_per_mm), Placement())
    away = shapely.distance(shapely.points(outline.points_mm), shape.exterior)
    assert away.mean() < mean_mm
    assert np.percentile(away, 95) < p95_mm
    assert len(outline.points_mm) < len(outline.dense_mm) / 4


@pytest.mark.parametrize("name", INNOCENT)
def test_area_and_length_agree_with_shapely(name: str) -> None:
    shape = INNOCENT[name]
    stencil = traced_stencil(shape)
    assert all(polygon.is_valid for polygon in stencil.openings)
    assert abs(stencil.opening_area_mm2 - shape.area) < 0.01 * shape.length  # 0.01 mm all round
    assert stencil.outline_mm == pytest.approx(shape.length, rel=0.04)  # acute tips are cut short


def test_nested_edges_know_what_they_lie_in() -> None:
    grey, px_per_mm = scan(RINGS)
    outlines = trace(find_ink(grey, px_per_mm), Placement())
    depth = []
    for outline in outlines:
        steps, above = 0, outline.parent
        while above is not None:
            steps, above = steps + 1, outlines[above].parent
        assert outline.is_hole == (steps % 2 == 1)
        depth.append(steps)
    assert sorted(depth) == [0, 1, 2, 3, 4]


def test_placement_turns_scales_and_moves() -> None:
    grey, px_per_mm = scan(stroke([(10, 20), (30, 20)], 2))
    ink = find_ink(grey, px_per_mm)
    placement = Placement.about((20, 20), (50, 60), scale=2, turn_deg=90)
    (plain,) = trace(ink, Placement())
    (moved,) = trace(ink, placement)
    assert moved.area_mm2 == pytest.approx(4 * plain.area_mm2)
    assert moved.points_mm.min(axis=0) == pytest.approx((48, 38), abs=0.05)
    assert moved.points_mm.max(axis=0) == pytest.approx((52, 82), abs=0.05)


def test_line_that_runs_off_the_paper_ends_exactly_on_its_edge() -> None:
    grey, px_per_mm = scan(shapely.box(-1, 10, 20, 12))
    (outline,) = trace(find_ink(grey, px_per_mm), Placement())
    assert outline.points_mm[:, 0].min() == pytest.approx(0, abs=1e-9)
    assert outline.reaches_paper_edge


def test_stencil_counts_its_openings_and_cut_outs() -> None:
    stencil = traced_stencil(
        shapely.union_all([RINGS, disc(3, 3, 1.9), stroke([(35, 36), (39, 36)], 0.9)])
    )
    assert len(stencil.openings) == 5
    assert stencil.cut_outs == 4  # the disc of 3.8 mm is too small, the line of 4.9 mm is not
    assert stencil.hole_count == 2
    areas = [piece.area for piece in stencil.film()]
    frame = 1600 - np.pi * (18**2 + 1.9**2) - 4.24
    assert areas == pytest.approx([frame, np.pi * 104, np.pi * 48], rel=0.003)


def test_a_masks_loose_pieces_are_its_openings_and_the_film_inside_them() -> None:
    rings = traced_stencil(RINGS)
    mask = Stencil(rings.blank_mm, "mask", rings.openings)
    assert (rings.cut_outs, mask.cut_outs) == (3, 5)  # two rings of film lie in the openings
    assert mask.loose_pieces(1000.0) == 0


def test_across_is_the_longest_way_whatever_the_turn() -> None:
    bar = shapely.affinity.rotate(shapely.box(0, 0, 7, 2), 33)
    assert across_mm(bar) == pytest.approx(7)


def test_stored_stencil_equals_its_source() -> None:
    stencil = traced_stencil(RINGS)
    data = stencil.to_bytes()
    assert Stencil.from_bytes(data) == stencil
    assert len(data) < 6000


def test_empty_stencil_can_be_stored() -> None:
    stencil = Stencil((152.4, 152.4), "mask", ())
    assert Stencil.from_bytes(stencil.to_bytes()) == stencil
    assert stencil.opening_area_mm2 == 0
    assert stencil.cut_outs == 0


@pytest.mark.parametrize("data", [b"", b"HFS1", b"HFS1abc", b"PNG\x00", b"HFS1" + b"\x00" * 40])
def test_damaged_stencil_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="stored stencil"):
        Stencil.from_bytes(data)


def test_cut_short_stencil_is_refused() -> None:
    data = traced_stencil(disc(20, 20, 5)).to_bytes()
    with pytest.raises(ValueError, match="damaged"):
        Stencil.from_bytes(data[:-9])
