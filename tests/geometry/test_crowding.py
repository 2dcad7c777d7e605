"""Crowding: cut for each mm2 of film, by arithmetic and by shapely, and where it is told."""

import math

import numpy as np
import pytest
import shapely
from shapely import affinity

from geometry.check import check_picture
from geometry.crowding import cut_per_film, edges_of, find_crowding
from geometry.findings import Finding, number, to_json
from geometry.ink import find_ink
from geometry.limits import Limits
from geometry.outlines import trace
from geometry.picture import Picture
from geometry.prepared import prepare_picture
from geometry.recheck import recheck
from geometry.recipe import Placement, Recipe, Stroke
from tests.geometry.innocent import INNOCENT
from tests.geometry.scans import disc, outlines_of, scan, stroke

BLANK = (60.0, 50.0)
MIDDLE = (30.0, 25.0)
LIMITS = Limits()
RADIUS_MM = LIMITS.crowding_window_mm / 2


def hatching(
    count: int, line_mm: float, web_mm: float, *, turn: float = 0.0, length_mm: float = 30.0
) -> shapely.Geometry:
    """Straight lines side by side around the middle of the blank."""
    x, y = MIDDLE
    pitch = line_mm + web_mm
    lines = []
    for k in range(count):
        middle = y + (k - (count - 1) / 2) * pitch
        lines.append(
            shapely.box(
                x - length_mm / 2, middle - line_mm / 2, x + length_mm / 2, middle + line_mm / 2
            )
        )
    return affinity.rotate(shapely.union_all(lines), turn, origin=MIDDLE)


def crowded(
    shape: shapely.Geometry, limits: Limits = LIMITS, blank: tuple[float, float] = BLANK
) -> list[Finding]:
    return find_crowding(outlines_of(shape), blank, limits)


def by_shapely(shape: shapely.Geometry, at_mm: tuple[float, float]) -> float:
    """The same measure by shapely's own intersections with a circle of 1024 corners."""
    window = shapely.Point(at_mm).buffer(RADIUS_MM, quad_segs=256)
    cut_mm = shapely.intersection(shape.boundary, window).length
    film_mm2 = shapely.box(0, 0, *BLANK).difference(shape).intersection(window).area
    return float(cut_mm / max(film_mm2, math.pi * RADIUS_MM**2 / 3))


# --- the measure


@pytest.mark.parametrize("turn", [0, 13, 45, 90])
@pytest.mark.parametrize(("line_mm", "web_mm"), [(1, 1), (0.5, 1), (1.5, 1.2), (0.8, 0.6)])
def test_endless_hatching_has_two_over_its_web(line_mm: float, web_mm: float, turn: float) -> None:
    """Two edges for each web, whatever is between: mm of cut a mm2 of film are 2 / web.

    A window holds some lines whole and not others, so one reads up to a tenth off, the mean none.
    """
    shape = hatching(30, line_mm, web_mm, turn=turn, length_mm=60)
    (found,) = crowded(shape)
    assert found.cut_mm_per_mm2 == pytest.approx(2 / web_mm, rel=0.1)
    edges = edges_of(outlines_of(shape))
    across = np.linspace(0, line_mm + web_mm, 40, endpoint=False)
    along = np.array([math.sin(math.radians(-turn)), math.cos(math.radians(turn))])
    read = [cut_per_film(edges, tuple(MIDDLE + way * along), RADIUS_MM, BLANK) for way in across]
    assert np.mean(read) == pytest.approx(2 / web_mm, rel=0.005)


def test_a_straight_line_through_the_window_is_known_to_the_last_digit() -> None:
    """Two chords of a circle, and the circle less the strip between them."""
    line_mm, half = 1.2, 0.6
    edges = edges_of(outlines_of(hatching(1, line_mm, 1, length_mm=40)))
    measured = cut_per_film(edges, MIDDLE, RADIUS_MM, BLANK)
    chord = math.sqrt(RADIUS_MM**2 - half**2)
    strip = 2 * (half * chord + RADIUS_MM**2 * math.asin(half / RADIUS_MM))
    assert measured == pytest.approx(4 * chord / (math.pi * RADIUS_MM**2 - strip), rel=1e-12)


def test_measure_is_that_of_shapely_at_the_place_told() -> None:
    random = np.random.default_rng(4)
    for _ in range(4):
        discs = [disc(*random.uniform(6, 44, 2), random.uniform(0.4, 2.2)) for _ in range(260)]
        holes = [disc(*random.uniform(6, 44, 2), random.uniform(0.3, 0.9)) for _ in range(90)]
        shape = shapely.union_all(discs).difference(shapely.union_all(holes))
        for one in crowded(shape, Limits(crowding_mm_per_mm2=1.0)):
            assert one.cut_mm_per_mm2 == pytest.approx(by_shapely(shape, one.at_mm), rel=1e-3)


def test_film_beyond_the_blank_does_not_count() -> None:
    """Half of a window lies beside the blank, with half of its film."""
    shape = affinity.translate(hatching(14, 1, 1, length_mm=60), -MIDDLE[0], 0)
    edges = edges_of(outlines_of(shape))
    inside = cut_per_film(edges, (20.0, 25.0), RADIUS_MM, BLANK)
    at_edge = cut_per_film(edges, (0.0, 25.0), RADIUS_MM, BLANK)
    assert inside == pytest.approx(2, rel=0.04)
    assert at_edge == pytest.approx(2 * inside, rel=0.5)
    assert at_edge > 1.5 * inside  # the cut beside the blank is there, the film is not


# --- the limit


def test_exactly_at_the_limit_passes_and_a_step_below_warns() -> None:
    shape = hatching(14, 1, 1, length_mm=26)
    (told,) = crowded(shape)
    measured = told.cut_mm_per_mm2
    assert measured is not None
    assert crowded(shape, Limits(crowding_mm_per_mm2=measured)) == []
    assert crowded(shape, Limits(crowding_mm_per_mm2=measured + 0.001)) == []
    (again,) = crowded(shape, Limits(crowding_mm_per_mm2=measured - 0.001))
    assert again.cut_mm_per_mm2 == measured
    assert again.limit_mm_per_mm2 == measured - 0.001


@pytest.mark.parametrize("turn", [0, 31])
def test_hatching_a_step_to_either_side_of_the_default(turn: float) -> None:
    """2 / 1.6 = 1.25 mm of film, and a step that is more than a window's sway."""
    assert crowded(hatching(12, 1, 1.35, turn=turn, length_mm=26)) == []
    assert len(crowded(hatching(12, 1, 1.15, turn=turn, length_mm=26))) == 1


@pytest.mark.parametrize(("count", "told"), [(1, 0), (2, 0), (3, 0), (4, 1), (9, 1)])
@pytest.mark.parametrize("turn", [0, 57])
def test_lines_at_their_web_limit_warn_only_where_they_go_on(
    count: int, told: int, turn: float
) -> None:
    """1 mm lines 1 mm apart: three are a bundle with cool film beside it, four fill the window."""
    assert len(crowded(hatching(count, 1, 1, turn=turn))) == told


def test_short_hatching_stays_cool_and_a_longer_one_does_not() -> None:
    assert crowded(hatching(5, 1, 1, length_mm=4)) == []
    assert len(crowded(hatching(5, 1, 1, length_mm=12))) == 1


@pytest.mark.parametrize("width_mm", [0.2, 0.5, 1, 2, 3, 5, 9, 12])
def test_no_single_line_or_single_web_ever_warns(width_mm: float) -> None:
    """At most two edges of two radii on a third of the window: 12 / (pi r) = 0.76."""
    line = hatching(1, width_mm, 1, turn=20)
    web = shapely.box(5, 5, 55, 45).difference(line)
    for shape in (line, web, stroke([(8, 8), (50, 12), (9, 20), (52, 40)], width_mm)):
        assert crowded(shape) == []


def test_wide_openings_do_not_add_the_heat_of_webs_far_apart() -> None:
    assert len(crowded(hatching(12, 2, 1, length_mm=40))) == 1
    assert crowded(hatching(6, 4, 1, length_mm=40)) == []


@pytest.mark.parametrize("name", INNOCENT)
def test_innocent_shapes_are_not_crowded_black_on_white_or_white_on_black(name: str) -> None:
    shape = INNOCENT[name]
    assert crowded(shape) == []
    assert crowded(shapely.box(2, 2, 42, 42).difference(shape)) == []


def test_nothing_drawn_and_a_window_of_nothing_find_nothing() -> None:
    assert find_crowding([], BLANK, LIMITS) == []
    shape = hatching(12, 1, 1)
    assert crowded(shape, Limits(crowding_window_mm=0)) == []
    assert len(crowded(shape, Limits(crowding_window_mm=6))) == 1
    assert len(crowded(shape, Limits(crowding_window_mm=100, crowding_mm_per_mm2=0.1))) == 1
    assert len(crowded(shape, Limits(crowding_window_mm=0.3))) <= 1


# --- the place


def test_each_connected_place_is_told_once_with_its_outline() -> None:
    one = affinity.translate(hatching(9, 1, 1, length_mm=16), -18, -13)
    other = affinity.translate(hatching(9, 0.8, 0.8, length_mm=14, turn=30), 16, 12)
    found = crowded(one.union(other))
    assert len(found) == 2
    for place, shape in zip(found, (one, other), strict=True):
        outline = shapely.Polygon(place.outline_mm)
        assert outline.is_valid
        assert outline.area == pytest.approx(place.area_mm2, rel=0.06)
        assert outline.contains(shapely.Point(place.at_mm))
        hull = shape.convex_hull
        assert hull.buffer(1.5).contains(outline)
        assert outline.intersection(hull).area > 0.7 * hull.area


def test_place_inside_a_ring_shaped_one_is_its_own() -> None:
    """The edges of a round hatching, and a patch in its clear middle."""
    blank = (120.0, 120.0)
    rings = [disc(60, 60, r + 1).difference(disc(60, 60, r)) for r in np.arange(34, 46, 2.0)]
    patch = affinity.translate(hatching(8, 1, 1, length_mm=16), 30, 35)
    found = crowded(shapely.union_all([*rings, patch]), blank=blank)
    assert sorted(round(math.dist(one.at_mm, (60, 60)) / 39) for one in found) == [0, 1]


@pytest.mark.parametrize("change", ["shifted", "turned", "mirrored"])
def test_shift_quarter_turn_and_mirror_say_the_same(change: str) -> None:
    base = affinity.translate(hatching(7, 1, 0.9, length_mm=18, turn=25), -8, -4)
    move = {
        "shifted": lambda shape: affinity.translate(shape, 11.3, 7.45),
        "turned": lambda shape: affinity.rotate(shape, 90, origin=(25, 25)),
        "mirrored": lambda shape: affinity.scale(shape, -1, 1, origin=(30, 25)),
    }[change]
    (one,), (other,) = crowded(base), crowded(move(base))
    assert other.cut_mm_per_mm2 == pytest.approx(one.cut_mm_per_mm2, rel=0.02)
    moved = move(shapely.Polygon(one.outline_mm))
    told = shapely.Polygon(other.outline_mm)
    assert told.intersection(moved).area > 0.9 * told.union(moved).area


def test_twice_the_size_in_a_window_twice_as_wide_is_half_as_crowded() -> None:
    shape = hatching(9, 1, 1, length_mm=18)
    large = affinity.scale(shape, 2, 2, origin=(0, 0))
    (one,) = crowded(shape)
    twice = Limits(crowding_window_mm=20, crowding_mm_per_mm2=0.8)
    (two,) = crowded(large, twice, (120.0, 100.0))
    assert two.cut_mm_per_mm2 == pytest.approx((one.cut_mm_per_mm2 or 0) / 2, rel=1e-9)
    assert two.at_mm == pytest.approx([2 * value for value in one.at_mm])
    assert two.area_mm2 == pytest.approx(4 * (one.area_mm2 or 0))


# --- through the one door


@pytest.mark.parametrize("dpi", [200, 300, 600])
def test_scan_reads_as_the_drawn_shape_does(dpi: float) -> None:
    shape = hatching(9, 1, 0.9, turn=17, length_mm=22)
    grey, px_per_mm = scan(shape, BLANK, dpi)
    outlines = trace(find_ink(grey, px_per_mm), Placement())
    (drawn,), (scanned,) = crowded(shape), find_crowding(outlines, BLANK, LIMITS)
    assert scanned.cut_mm_per_mm2 == pytest.approx(drawn.cut_mm_per_mm2, rel=0.03)


def picture() -> Picture:
    x, y = 76.2, 76.2
    shape = affinity.translate(hatching(9, 1, 1, turn=17, length_mm=24), x - 30, y - 25)
    grey, _ = scan(shape, (152.4, 152.4), 200)
    return Picture(grey, None, "0" * 64, "PNG", grey.shape[::-1])


@pytest.mark.parametrize("mode", ["stencil", "mask"])
def test_check_tells_it_in_words_and_measures_for_masks_too(mode: str) -> None:
    checked = check_picture(picture(), Recipe(mode=mode))
    (told,) = [one for one in checked.report["findings"] if one["kind"] == "crowding"]
    assert checked.verdict == "passed"
    assert (told["severity"], told["limit_mm_per_mm2"]) == ("warn", 1.6)
    assert told["cut_mm_per_mm2"] == pytest.approx(2.0, rel=0.04)
    assert told["message"] == (
        "The cuts in the middle crowd together, as tight as lines with 1 mm of film between them: "
        "their heat adds up, and the film there may melt together or curl."
    )
    assert told["remedy"] == (
        "Leave out a few lines there, or draw them wider apart: about 1.4 mm of white between them "
        "is enough."
    )
    assert len(told["outline_mm"]) > 8


def test_recheck_tells_crowding_that_strokes_bring_and_take_away() -> None:
    source = picture()
    prepared = prepare_picture(source)
    wipe = tuple(Stroke("white", ((60.0, y), (92.0, y)), 3.0) for y in (68.0, 74.0, 80.0, 86.0))
    more = tuple(Stroke("black", ((20.0, y), (44.0, y)), 1.0) for y in np.arange(20.0, 34.0, 2.0))
    for strokes, told in (((), 1), (wipe, 0), ((*wipe, *more), 1), (more, 2)):
        quick = recheck(prepared, strokes)
        full = check_picture(source, Recipe(strokes=strokes))
        assert quick.findings == full.findings
        assert sum(one.kind == "crowding" for one in quick.findings) == told


def test_measures_are_in_the_json_of_a_finding() -> None:
    (done,) = number([Finding("crowding", (1, 2), cut_mm_per_mm2=1.75, limit_mm_per_mm2=1.5)])
    data = to_json(done)
    assert (data["cut_mm_per_mm2"], data["limit_mm_per_mm2"]) == (1.75, 1.5)
