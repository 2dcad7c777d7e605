"""Lift: far lifts against published curves, findings and their words, the picture, the strip.

Sources, values from memory: S. Levy, Square plate with clamped edges under normal pressure
producing large deflections, NACA Report 740 (1942), nu = 0.316; K. E. Bisshopp and D. C. Drucker,
Large deflection of cantilever beams, Quarterly of Applied Mathematics 3 (1945).
"""

import io
from functools import cache

import numpy as np
import pytest
import shapely
from PIL import Image

from geometry.film_raster import film_raster
from geometry.findings import number
from geometry.large_lift import bent_far, large_lifts
from geometry.lift import LiftModel, find_lift, lift_of, lift_word
from geometry.lift_picture import FILM, INK, PAPER, PX_PER_MM, draw_lift_map
from geometry.limits import Limits
from geometry.membrane import Membrane
from geometry.overlay import film_png
from geometry.plate import Plate, bending_stiffness, screen
from geometry.recipe import Placement
from geometry.stencil import Stencil
from tests.geometry.films import (
    CARD_MM,
    FRAME_MM,
    MIDDLE,
    SIDE_MM,
    SQUARE_MM,
    arm,
    disc,
    ink_of,
    tip,
    tongue,
    uniform_load,
)

LIMITS = Limits()
LEVY_NU = 0.316
# q a^4 / E t^4 against w / t in the middle.
LEVY = ((17.79, 0.237), (63.4, 0.695), (134.9, 1.121), (245.0, 1.521), (402.0, 1.902))


@pytest.mark.parametrize(("load", "deflection"), LEVY)
def test_a_clamped_square_that_bends_far(load: float, deflection: float) -> None:
    plate, membrane, row, under = levy_plate()
    bent = bent_far(
        plate,
        membrane,
        row,
        under,
        load_n=load / SIDE_MM**4,
        bending=bending_stiffness(1.0, 1.0, LEVY_NU),
        tension=1.0,
        shapes=[3],
    )
    middle = plate.spot((SQUARE_MM[0] / 2, SQUARE_MM[1] / 2))
    assert middle is not None
    assert float((plate.rows([middle]) @ bent)[0, 0]) == pytest.approx(deflection, rel=0.03)


@cache
def levy_plate() -> tuple[Plate, Membrane, np.ndarray, np.ndarray]:
    """Return Levy's plate with its even load and the plate's answer."""
    plate = Plate(film_raster(None, Placement(), SQUARE_MM, FRAME_MM), LEVY_NU)
    row = uniform_load(plate)[None]
    return plate, Membrane(plate), row, plate.factor.solve(row.T)


@pytest.mark.parametrize(
    ("load", "share"), [(0.5, 0.162), (1.0, 0.302), (2.0, 0.494), (3.0, 0.603), (10.0, 0.811)]
)
def test_a_flap_turns_away_as_the_elastica_does(load: float, share: float) -> None:
    # Bisshopp and Drucker: tip deflection over length at P L^2 / E I.
    length = 30.0
    assert lift_of(length * load / 3, 1.0, 0.0, length) / length == pytest.approx(share, rel=0.13)


def test_a_lift_solves_its_equation() -> None:
    # By hand: 1 + 0.5 * 2 * 1^3 = 2 and 2 + 0.5 * 4 * 2^3 = 18 = 4 * 4.5.
    assert lift_of(2.0, 1.0, 0.5) == pytest.approx(1.0)
    assert lift_of(4.0, 4.5, 0.5) == pytest.approx(2.0)
    assert lift_of(4.0, 0.02) == pytest.approx(0.08)


def test_a_tongue_held_by_the_frame_does_not_stretch_but_a_span_does() -> None:
    # A strip that bends one way needs no stretch: Roark's cantilever holds for small loads. The
    # same strip held at both ends lifts less than the plate alone says.
    free = LiftModel(ink_of(arm(4.0, 25.0)), Placement(), CARD_MM, LIMITS).map(dab_n=0.002)
    linear = free.worst[0].compliance_mm_per_n * 0.002
    assert free.worst[0].lift_mm == pytest.approx(linear, rel=0.05)
    held = LiftModel(ink_of(arm(4.0, 200.0)), Placement(), CARD_MM, LIMITS).map(dab_n=0.02)
    assert held.worst[0].lift_mm < 0.6 * held.worst[0].compliance_mm_per_n * 0.02


def test_the_worst_come_first_and_one_place_stands_for_a_flap() -> None:
    black = shapely.union_all([tongue(6, 22, 1.0), shapely.box(12, 14, 20, 16)])
    found = LiftModel(ink_of(black), Placement(), CARD_MM, LIMITS).map()
    lifts = [place.lift_mm for place in found.worst]
    assert lifts == sorted(lifts, reverse=True)
    assert np.hypot(*np.subtract(found.worst[0].at_mm, tip(22))) < 3.5
    on_tongue = [
        place
        for place in found.worst
        if abs(place.at_mm[0] - MIDDLE[0]) < 3.2 and abs(place.at_mm[1] - MIDDLE[1]) < 11.2
    ]
    assert len(on_tongue) == 1
    assert np.nanmax(found.lift) == pytest.approx(lifts[0], rel=0.05)


def test_thicker_film_gives_less_by_the_cube_of_its_thickness() -> None:
    model = LiftModel(ink_of(tongue(6, 18, 1.0)), Placement(), CARD_MM, LIMITS)
    thin, thick = model.map(0.127), model.map(0.254)
    ratio = thin.worst[0].compliance_mm_per_n / thick.worst[0].compliance_mm_per_n
    assert ratio == pytest.approx(8.0, rel=1e-6)
    assert thick.worst[0].lift_mm < thin.worst[0].lift_mm
    softer = model.map(dab_n=0.001)
    assert softer.worst[0].lift_mm < model.map().worst[0].lift_mm


def test_the_places_in_between_lift_as_a_dab_there_would() -> None:
    # The map takes a place's stretch from its flap's top; here each is worked out on its own.
    model = LiftModel(ink_of(tongue(6, 22, 1.0)), Placement(), CARD_MM, LIMITS)
    found = model.map()
    points = [(MIDDLE[0], MIDDLE[1] - 5.0), (MIDDLE[0], MIDDLE[1] + 2.0), (20.0, 70.0)]
    spots = [spot for spot in map(model.plate.spot, points) if spot is not None]
    bending = bending_stiffness(0.1905, 4900, LIMITS.film_poisson)
    alone, _ = large_lifts(
        model.plate,
        model.membrane,
        spots,
        model.plate.shapes_under(spots),
        load_n=0.02,
        bending=bending,
        tension=4900 * 0.1905,
    )
    for (x, y), lift in zip(points, alone, strict=True):
        column = int((x - found.origin_mm[0]) / found.step_mm[0])
        row = int((y - found.origin_mm[1]) / found.step_mm[1])
        assert found.lift[row, column] == pytest.approx(lift, rel=0.35)


def test_words_change_one_step_beyond_a_limit() -> None:
    assert [lift_word(lift, LIMITS) for lift in (0.2, 1.0, 1.01, 3.0, 3.01)] == [
        "sits flat",
        "sits flat",
        "may lift",
        "may lift",
        "hangs free",
    ]


def test_a_flap_that_lifts_is_a_finding_with_its_words() -> None:
    found = number(find_lift(ink_of(tongue(6, 26, 1.0)), Placement(), CARD_MM, LIMITS), CARD_MM)
    assert [f.kind for f in found] == ["lift"]
    (finding,) = found
    assert finding.severity == "warn"
    assert finding.lift_mm is not None
    assert finding.lift_mm > 3
    assert "hangs free" in finding.message
    assert "estimated" in finding.message
    assert "1.5 mm" in finding.remedy
    edge = shapely.Polygon(finding.outline_mm)
    assert shapely.box(MIDDLE[0] - 3.5, 30, MIDDLE[0] + 3.5, 60).contains(edge)


def test_what_sits_flat_what_is_loose_and_what_is_a_mask_has_none() -> None:
    small = ink_of(shapely.box(25, 40, 35, 42))
    assert find_lift(small, Placement(), CARD_MM, LIMITS) == []
    loose = ink_of(disc(6.0, 1.5, ()))
    assert find_lift(loose, Placement(), CARD_MM, LIMITS) == []
    flap = ink_of(tongue(6, 26, 1.0))
    assert find_lift(flap, Placement(), CARD_MM, LIMITS, mode="mask") == []
    nothing_held = ink_of(shapely.box(3, 3, 60, 86))
    assert find_lift(nothing_held, Placement(), CARD_MM, LIMITS) == []


def test_a_stored_stencil_gives_what_its_ink_gives_and_a_placement_is_followed() -> None:
    black = tongue(6, 20, 1.0)
    of_ink = LiftModel(ink_of(black), Placement(), CARD_MM, LIMITS).map().worst[0]
    stencil = Stencil(CARD_MM, "stencil", (black,))
    of_stencil = LiftModel(stencil, Placement(), CARD_MM, LIMITS).map().worst[0]
    assert of_stencil.compliance_mm_per_n == pytest.approx(of_ink.compliance_mm_per_n, rel=0.03)
    half = shapely.affinity.scale(black, 0.5, 0.5, origin=(0, 0))
    small = ink_of(half, (CARD_MM[0] / 2, CARD_MM[1] / 2), 32.0)
    placed = LiftModel(small, Placement(scale=2.0), CARD_MM, LIMITS).map().worst[0]
    assert placed.compliance_mm_per_n == pytest.approx(of_ink.compliance_mm_per_n, rel=0.03)


@pytest.mark.parametrize(
    ("angle_deg", "line", "width"),
    [(180.0, 1.5, 1.5), (90.0, 1.5, 1.5), (200.0, 1.0, 2.4), (180.0, 1.0, 2.4), (60.0, 2.5, 1.0)],
)
def test_a_strip_added_by_update_agrees_with_one_that_is_drawn(
    angle_deg: float, line: float, width: float
) -> None:
    radius = 9.0
    before = Plate(
        film_raster(ink_of(disc(radius, line, ((0, 1.5),))), Placement(), CARD_MM, 6.0), 0.38
    )
    drawn = Plate(
        film_raster(
            ink_of(disc(radius, line, ((0, 1.5), (angle_deg, width)))), Placement(), CARD_MM, 6.0
        ),
        0.38,
    )
    out = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    ends = [tuple(float(v) for v in MIDDLE + out * reach) for reach in (radius, radius + line)]
    place = (MIDDLE[0] - radius + 0.4, MIDDLE[1])
    strip = before.strip(ends[0], ends[1], width)
    spots = [before.spot(place)]
    assert strip is not None
    shapes = before.shapes_under(spots)
    (updated,) = strip.compliance(spots, shapes)
    (anew,) = drawn.compliance_at([place])
    (was,) = before.compliance_at([place])
    assert updated == pytest.approx(anew, rel=0.05)
    assert updated < 0.6 * was
    at_ends = [before.spot(end) for end in ends]
    here, there = before.compliance_at(ends)
    screened = screen(before, shapes[:, 0], here[None], there[None], [tuple(at_ends)])
    assert 0 < screened[0] < was - updated


@pytest.mark.parametrize("blank_mm", [(10.0, 10.0), (1000.0, 700.0)])
def test_the_smallest_and_the_largest_blank_have_a_map(blank_mm: tuple[float, float]) -> None:
    x, y = blank_mm[0] / 2, blank_mm[1] / 2
    ink = ink_of(shapely.box(x - 0.4, y - 0.4, x + 0.4, y + 0.4), blank_mm, 4.0)
    model = LiftModel(ink, Placement(), blank_mm, LIMITS)
    assert len(model.map().worst) >= 1
    assert model.raster.film.size <= 7.1e6


def test_no_strip_stands_on_nothing() -> None:
    plate = Plate(film_raster(ink_of(disc(9, 2, ())), Placement(), CARD_MM, 6.0), 0.38)
    assert plate.strip(MIDDLE, (10.0, 10.0), 1.5) is None


def test_the_picture_shows_openings_flat_film_and_what_lifts() -> None:
    loose = shapely.affinity.translate(disc(3.0, 1.0, ()), 0.0, -24.0)
    ink = ink_of(shapely.union_all([tongue(6, 26, 1.0), loose]))
    model = LiftModel(ink, Placement(), CARD_MM, LIMITS)
    film = np.asarray(Image.open(io.BytesIO(film_png(ink, Placement(), CARD_MM, PX_PER_MM))))
    data = draw_lift_map(model.map(), film, LIMITS)
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    edge = round(3 * PX_PER_MM)

    def at(x_mm: float, y_mm: float) -> np.ndarray:
        return np.asarray(picture[round(y_mm * PX_PER_MM) + edge, round(x_mm * PX_PER_MM) + edge])

    opening = at(MIDDLE[0] - 3.5, MIDDLE[1])
    assert np.abs(opening - INK).max() <= 2
    root, end = at(MIDDLE[0], MIDDLE[1] + 14), at(MIDDLE[0] - 1.5, MIDDLE[1] - 9)
    assert end.sum() < 0.6 * root.sum()
    assert np.abs(at(3, 3) - FILM).max() <= 2
    assert np.abs(at(MIDDLE[0], MIDDLE[1] - 24) - PAPER).max() <= 2
