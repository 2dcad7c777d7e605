"""Bridges proposed hold every island and flap, and lie where they are least seen.

Truth is shapely's on the drawn shapes: the film that is left once the strips of the bridges are
taken out of the ink, and scipy's labels on the pixels of a fresh check.
"""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely import LineString, Point, affinity

from geometry.bridges import Proposal, Site, bridge_width_mm, propose_bridges
from geometry.check import Checked, check_picture
from geometry.errors import InvalidInputError, UnreadableError
from geometry.limits import Limits
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from geometry.recipe import Recipe, Stroke
from tests.geometry.golden.kinds import KINDS
from tests.geometry.golden.truth import BLANK_MM, golden, scan_of
from tests.geometry.scans import scan

SIDE_MM = 101.6
SMALL = Recipe(paper_mm=(SIDE_MM, SIDE_MM), blank_mm=(SIDE_MM, SIDE_MM))
THIN = ("line-below-kerf", "thin-line", "thin-web", "thin-bridge")


def picture_of(grey: NDArray[np.uint8]) -> Picture:
    return Picture(grey, None, "b" * 64, "PNG", grey.shape[::-1])


def small(black: shapely.Geometry, dpi: float = 200, **more: float) -> Picture:
    return picture_of(scan(black, (SIDE_MM, SIDE_MM), dpi, **more)[0])


def proposed(black: shapely.Geometry, **more: object) -> Proposal:
    return propose_bridges(prepare_picture(small(black), SMALL), **more)


def ring(x: float, y: float, radius: float, width: float = 2.0) -> shapely.Geometry:
    return Point(x, y).buffer(radius, 64).exterior.buffer(width / 2)


def strip(site: Site) -> shapely.Geometry:
    return LineString([site.from_mm, site.to_mm]).buffer(site.width_mm / 2, cap_style="flat")


def loose_parts(black: shapely.Geometry, side_mm: tuple[float, float]) -> list[shapely.Geometry]:
    """What falls out of the blank: all film of 1 mm2 or more but the largest part."""
    film = shapely.get_parts(shapely.box(0, 0, *side_mm).difference(black))
    parts = sorted((part for part in film if part.area >= 1.0), key=lambda part: -part.area)
    return parts[1:]


def off_line(site: Site, towards_mm: tuple[float, float]) -> float:
    """Degrees between a bridge and the line from its middle to a point."""
    x, y = np.subtract(towards_mm, site.at_mm)
    off = (np.degrees(np.arctan2(y, x)) - site.angle_deg) % 180
    return float(min(off, 180 - off))


def assert_holds(proposal: Proposal, fresh: Checked) -> None:
    """A fresh check of the file with the bridges is as was said, and nothing hangs loose."""
    kinds = [finding.kind for finding in fresh.findings]
    assert "island" not in kinds
    assert "flap" not in kinds
    assert fresh.ink is not None
    labels, count = ndimage.label(np.pad(fresh.ink.f >= 0, 1, constant_values=True))
    areas_px = np.bincount(labels.ravel())[1:]
    assert (areas_px >= fresh.ink.px_per_mm**2).sum() == 1, count
    before = [finding.kind for finding in proposal.before.findings]
    for kind in THIN:
        assert kinds.count(kind) <= before.count(kind)
    said = {**proposal.after.report, "file": None, "seconds": None}
    assert said == {**fresh.report, "file": None, "seconds": None}


@pytest.mark.parametrize(("number", "kind"), list(enumerate(KINDS)))
def test_golden_drawings_hang_together_with_the_bridges(number: int, kind: str) -> None:
    """One of each kind here; `python -m bench bridges` walks all fifty."""
    drawing = golden(kind, number % 5)
    picture = picture_of(scan_of(drawing, 200)[0])
    proposal = propose_bridges(prepare_picture(picture))
    assert_holds(proposal, check_picture(picture, Recipe(strokes=proposal.strokes)))
    fatal = {f.kind for f in proposal.before.findings if f.severity == "reject"} - {"island"}
    assert proposal.after.verdict == ("rejected" if fatal else "passed")
    strips = [strip(bridge.site) for bridge in proposal.bridges]
    left = drawing.black.difference(shapely.union_all(strips))
    corner = shapely.box(-1, -1, 14, 14)  # in some a line cuts it off the blank
    assert [part for part in loose_parts(left, BLANK_MM) if not corner.contains(part)] == []


def random_drawing(seed: int) -> shapely.Geometry:
    """Rings, lumps, polygons and strokes at random, over and into each other."""
    random = np.random.default_rng(seed)
    black: shapely.Geometry = shapely.Polygon()
    for _ in range(int(random.integers(3, 16))):
        x, y = random.uniform(18, SIDE_MM - 18, 2)
        size = float(random.uniform(3, 16))
        width = float(random.uniform(1.2, 3.0))
        match int(random.integers(5)):
            case 0:
                shape = ring(x, y, size, width)
            case 1:
                shape = Point(x, y).buffer(size).difference(Point(x + 1, y).buffer(size / 3))
            case 2:
                corners = np.array([x, y]) + random.uniform(-size, size, (4, 2))
                shape = LineString([*corners, corners[0]]).buffer(width / 2)
            case 3:
                square = affinity.rotate(shapely.box(x - size, y - 2, x + size, y + 6), size * 9)
                shape = square.exterior.buffer(width / 2)
            case _:
                turn = np.linspace(0, 2 * np.pi * random.uniform(0.5, 2.5), 120)
                reach = np.linspace(size, size / 4, 120)
                line = np.stack([x + reach * np.cos(turn), y + reach * np.sin(turn)], axis=1)
                shape = LineString(line).buffer(width / 2)
        white = random.random() < 0.25
        black = black.difference(shape) if white else black.union(shape)
    return black.union(ring(SIDE_MM / 2, SIDE_MM / 2, 37, 1.6))


# 1024: a hair of film in a spiral, where every bridge leaves the line thin; 1062: an island whose
# area by its outline is just above 1 mm2 and by its pixels just below.
@pytest.mark.parametrize(
    ("seed", "dpi"), [*((seed, 180.0) for seed in range(12)), (1024, 200.0), (1062, 300.0)]
)
def test_random_drawings_pass_with_the_bridges(seed: int, dpi: float) -> None:
    picture = small(random_drawing(seed), dpi=dpi)
    proposal = propose_bridges(prepare_picture(picture, SMALL))
    fresh = check_picture(picture, replace(SMALL, strokes=proposal.strokes))
    kinds = [finding.kind for finding in fresh.findings]
    assert kinds.count("island") == 0
    assert kinds.count("flap") == 0
    rejects = [kind for kind in kinds if kind == "line-below-kerf"]
    assert len(rejects) <= [f.kind for f in proposal.before.findings].count("line-below-kerf")
    labels, _ = ndimage.label(np.pad(fresh.ink.f >= 0, 1, constant_values=True))
    assert (np.bincount(labels.ravel())[1:] >= fresh.ink.px_per_mm**2).sum() == 1


def test_small_ring_gets_one_bridge_straight_across_its_line() -> None:
    proposal = proposed(ring(50, 50, 5))
    (bridge,) = proposal.bridges
    assert off_line(bridge.site, (50, 50)) < 3
    assert np.hypot(*np.subtract(bridge.site.at_mm, (50, 50))) == pytest.approx(5, abs=0.15)
    length_mm = np.hypot(*np.subtract(bridge.site.to_mm, bridge.site.from_mm))
    assert 2.0 < length_mm < 3.2
    assert bridge.site.width_mm == 1.5
    assert (bridge.holds, bridge.reason) == ((1,), "holds island 1")


def test_long_island_gets_a_second_bridge_on_its_other_side() -> None:
    """20 mm across on one bridge of 1.5 mm is a hinge by the limits of a flap."""
    proposal = proposed(ring(50, 50, 11))
    assert len(proposal.bridges) == 2
    one, other = (np.array(bridge.site.at_mm) for bridge in proposal.bridges)
    assert np.hypot(*(one - other)) > 20
    assert [bridge.holds for bridge in proposal.bridges] == [(1,), (1,)]
    assert "cannot swing" in proposal.bridges[1].reason


def test_heavy_island_gets_a_third_bridge() -> None:
    """64 mm across is 3200 mm2, above the 2500 of the usual style."""
    proposal = proposed(ring(50.8, 50.8, 33))
    assert len(proposal.bridges) == 3
    places = np.array([bridge.site.at_mm for bridge in proposal.bridges])
    away = [np.hypot(*(places[k] - places[k - 1])) for k in range(3)]
    assert min(away) > 33


def test_bridge_keeps_off_corners_ends_and_junctions() -> None:
    frame = shapely.box(40, 40, 49, 49).exterior.buffer(1, join_style="mitre")
    tails = [LineString([(49, 44.5), (60, 44.5)]), LineString([(44.5, 49), (44.5, 60)])]
    proposal = proposed(shapely.union_all([frame, *[tail.buffer(1) for tail in tails]]))
    (bridge,) = proposal.bridges
    x, y = bridge.site.at_mm
    assert min(abs(x - 40), abs(y - 40)) < 0.3, "on one of the two sides without a tail"
    along = y if abs(x - 40) < 0.3 else x
    assert 42 < along < 47
    assert min(bridge.site.angle_deg % 90, 90 - bridge.site.angle_deg % 90) < 2


def test_gap_of_the_artist_is_respected() -> None:
    """What hangs on it already gets nothing, or its far side only."""
    held = ring(30, 30, 5).difference(shapely.box(33, 28.5, 37, 31.5))
    swings = ring(65, 65, 11).difference(shapely.box(74, 63.8, 78, 66.2))
    proposal = proposed(shapely.union_all([held, swings]))
    (bridge,) = proposal.bridges
    assert bridge.reason == "holds the far side of flap 1"
    assert np.hypot(*np.subtract(bridge.site.at_mm, (54, 65))) < 6


def test_nested_rings_hang_each_on_the_next() -> None:
    black = shapely.union_all([ring(50, 50, radius) for radius in (6, 14, 22, 30)])
    proposal = proposed(black)
    strips = shapely.union_all([strip(bridge.site) for bridge in proposal.bridges])
    assert loose_parts(black.difference(strips), (SIDE_MM, SIDE_MM)) == []
    radii = [round(float(np.hypot(*np.subtract(b.site.at_mm, (50, 50))))) for b in proposal.bridges]
    assert {6, 14, 22, 30} == set(radii)
    assert len(radii) <= 9


def test_spiral_is_held_turn_by_turn() -> None:
    """Each bridge between two turns holds one turn: five turns of film need some five."""
    turn = np.linspace(0, 2 * np.pi * 6, 700)
    reach = np.linspace(34, 4, 700)
    line = np.stack([50.8 + reach * np.cos(turn), 50.8 + reach * np.sin(turn)], axis=1)
    proposal = proposed(LineString(line).buffer(0.9))
    assert proposal.after.verdict == "passed"
    assert not [finding for finding in proposal.after.findings if finding.kind == "flap"]
    assert 4 <= len(proposal.bridges) <= 8


def test_islands_far_inside_a_solid_shape_are_held() -> None:
    """The nearest film is 20 mm of ink away."""
    black = Point(50.8, 50.8).buffer(30).difference(Point(50.8, 50.8).buffer(8))
    proposal = proposed(black)
    strips = shapely.union_all([strip(bridge.site) for bridge in proposal.bridges])
    assert loose_parts(black.difference(strips), (SIDE_MM, SIDE_MM)) == []
    assert proposal.left == ()


def test_symmetric_drawing_gets_symmetric_bridges() -> None:
    middle = SIDE_MM / 2
    shapes = [ring(middle, 40, 4), ring(middle, 70, 9)]
    for side in (-1, 1):
        shapes += [ring(middle + 22 * side, 30, 4), ring(middle + 25 * side, 62, 8)]
    proposal = proposed(shapely.union_all(shapes))
    places = np.array([bridge.site.at_mm for bridge in proposal.bridges])
    images = np.stack([2 * middle - places[:, 0], places[:, 1]], axis=1)
    away = [np.hypot(*(places - image).T).min() for image in images]
    assert max(away) < 0.2
    assert len(places) == 9


def test_alternatives_hold_as_well_and_lie_apart() -> None:
    black = shapely.union_all([ring(30, 30, 5), ring(65, 60, 11)])
    proposal = proposed(black)
    assert len(proposal.bridges) == 3
    for number, bridge in enumerate(proposal.bridges):
        assert len(bridge.alternatives) == 2
        for site in bridge.alternatives:
            assert np.hypot(*np.subtract(site.at_mm, bridge.site.at_mm)) > 2.5
            others = [b.site for k, b in enumerate(proposal.bridges) if k != number]
            strips = shapely.union_all([strip(one) for one in (*others, site)])
            assert loose_parts(black.difference(strips), (SIDE_MM, SIDE_MM)) == []


def test_locked_bridges_stay_and_the_rest_is_proposed_around_them() -> None:
    black = shapely.union_all([ring(30, 30, 5), ring(65, 60, 11)])
    site = proposed(black).bridges[0].alternatives[1]
    proposal = proposed(black, locked=[site])
    assert proposal.bridges[0].site == site
    assert proposal.bridges[0].is_locked
    assert len(proposal.bridges[0].holds) == 1
    assert len(proposal.bridges) == 3
    assert proposal.after.verdict == "passed"
    again = proposed(black, locked=[bridge.site for bridge in proposal.bridges])
    assert [bridge.site for bridge in again.bridges] == [b.site for b in proposal.bridges]


def test_styles_are_fewer_and_wider_or_more_and_narrower() -> None:
    black = shapely.union_all([ring(30, 30, 6), ring(62, 60, 24)])
    by_style = {style: proposed(black, style=style) for style in ("fewer", "usual", "more")}
    counts = [len(proposal.bridges) for proposal in by_style.values()]
    widths = [proposal.bridges[0].site.width_mm for proposal in by_style.values()]
    assert counts == sorted(counts)
    assert counts[2] > counts[0]
    assert widths == [2.4, 1.5, 1.125]
    assert all(proposal.after.verdict == "passed" for proposal in by_style.values())
    assert bridge_width_mm(Limits(bridge_mm=2.0)) == 2.1
    with pytest.raises(InvalidInputError, match="fewer"):
        proposed(black, style="many")


def test_a_mask_and_a_drawing_that_holds_get_none() -> None:
    picture = small(ring(50, 50, 8))
    mask = propose_bridges(prepare_picture(picture, replace(SMALL, mode="mask")))
    assert mask.bridges == ()
    assert proposed(LineString([(20, 20), (70, 60)]).buffer(1)).bridges == ()


def test_strokes_of_the_artist_count() -> None:
    """A gap drawn with the white pen holds the island; white over everything is no drawing."""
    prepared = prepare_picture(small(ring(50, 50, 5)), SMALL)
    gap = Stroke("white", ((50.0, 53.0), (50.0, 57.0)), 2.0)
    assert propose_bridges(prepared, [gap]).bridges == ()
    over = Stroke("white", ((20.0, 50.0), (80.0, 50.0)), 60.0)
    with pytest.raises(UnreadableError, match="white strokes"):
        propose_bridges(prepared, [over])


def test_a_turned_and_scaled_drawing_is_bridged_in_the_frame_of_the_blank() -> None:
    recipe = replace(SMALL, turn_deg=30.0, scale=0.8, place_mm=(45.0, 55.0))
    picture = small(shapely.union_all([ring(40, 40, 9), ring(70, 60, 6)]))
    proposal = propose_bridges(prepare_picture(picture, recipe))
    fresh = check_picture(picture, replace(recipe, strokes=proposal.strokes))
    assert_holds(proposal, fresh)
    assert len(proposal.bridges) == 3


@pytest.mark.parametrize("radius", [5.0, 11.0])
def test_no_fewer_bridges_would_do(radius: float) -> None:
    """Every choice of one bridge fewer, from twelve places round the ring, fails the check."""
    picture = small(ring(50, 50, radius), dpi=150)
    proposal = propose_bridges(prepare_picture(picture, SMALL))
    turns = np.arange(12) * np.pi / 6
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    strokes = [
        Stroke("white", (tuple(50 + (radius - 1.4) * way), tuple(50 + (radius + 1.4) * way)), 1.5)
        for way in ways
    ]
    for fewer in combinations(strokes, len(proposal.bridges) - 1):
        kinds = {one.kind for one in check_picture(picture, replace(SMALL, strokes=fewer)).findings}
        assert kinds & {"island", "flap"}


def test_every_bridge_is_as_wide_as_it_says() -> None:
    """The film across the line, by shapely: opened by discs a hair narrower it holds, wider not."""
    black = shapely.union_all([ring(30, 30, 5), ring(65, 60, 11)])
    for bridge in proposed(black).bridges:
        film = shapely.box(0, 0, SIDE_MM, SIDE_MM).difference(black.difference(strip(bridge.site)))
        around = Point(bridge.site.at_mm).buffer(2.2)
        for width, holds in ((1.4, True), (1.6, False)):
            thinner = shapely.get_parts(film.buffer(-width / 2).intersection(around))
            ends = [Point(end) for end in (bridge.site.from_mm, bridge.site.to_mm)]
            at = [min(range(len(thinner)), key=lambda k: thinner[k].distance(end)) for end in ends]
            assert (at[0] == at[1]) is holds


def test_a_bridge_that_a_later_one_makes_needless_is_taken_out() -> None:
    """Each bridge of a mesh is needed: without any one of them something falls out or hangs."""
    lines = [LineString([(20 + 14 * k, 20), (20 + 14 * k, 62)]) for k in range(4)]
    lines += [LineString([(20, 20 + 14 * k), (62, 20 + 14 * k)]) for k in range(4)]
    picture = small(shapely.union_all([line.buffer(0.8) for line in lines]), dpi=150)
    strokes = propose_bridges(prepare_picture(picture, SMALL)).strokes
    for gone in range(len(strokes)):
        rest = strokes[:gone] + strokes[gone + 1 :]
        kinds = {one.kind for one in check_picture(picture, replace(SMALL, strokes=rest)).findings}
        assert kinds & {"island", "flap"}
