"""The plate against handbook plates and beams, against plain solvers, and against finer cells.

Sources, values from memory: Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed.
(clamped square plates, article 44); Roark's Formulas for Stress and Strain (beams, torsion of a
thin strip).
"""

import numpy as np
import pytest
import shapely
from scipy import sparse
from scipy.sparse.linalg import spsolve
from shapely import affinity

from geometry.film_raster import BLOCK, film_raster
from geometry.plate import Plate, bending_stiffness
from geometry.plate_cells import part_stiffness
from geometry.recipe import Placement
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

NU = 0.38


def plate_of(black: shapely.Geometry | None, blank_mm: tuple[float, float] = CARD_MM) -> Plate:
    ink = ink_of(black, blank_mm) if black is not None else None
    return Plate(film_raster(ink, Placement(), blank_mm, FRAME_MM), NU)


def test_a_clamped_square_under_a_load_in_its_middle() -> None:
    # Timoshenko and Woinowsky-Krieger: w = 0.00560 P a^2 / D.
    plate = plate_of(None, SQUARE_MM)
    (given,) = plate.compliance_at([(36.0, 36.0)])
    assert given == pytest.approx(0.00560 * SIDE_MM**2, rel=0.01)


def test_a_clamped_square_under_an_even_load() -> None:
    # Timoshenko and Woinowsky-Krieger: w = 0.00126 q a^4 / D.
    plate = plate_of(None, SQUARE_MM)
    bent = plate.factor.solve(uniform_load(plate))
    middle = plate.spot((36.0, 36.0))
    assert middle is not None
    assert float((plate.rows([middle]) @ bent)[0]) == pytest.approx(0.00126 * SIDE_MM**4, rel=0.01)


@pytest.mark.parametrize(("width", "length"), [(2.0, 30.0), (4.0, 40.0)])
def test_a_strip_held_at_one_end_is_a_cantilever(width: float, length: float) -> None:
    # Roark: F L^3 / 3 E I; with D = 1, E I = (1 - nu^2) width.
    plate = plate_of(arm(width, length))
    (given,) = plate.compliance_at([(MIDDLE[0], FRAME_MM + length - 0.05)])
    assert given == pytest.approx(length**3 / (3 * (1 - NU**2) * width), rel=0.05)


def test_a_strip_held_at_both_ends() -> None:
    # Roark: F L^3 / 192 E I in the middle.
    plate = plate_of(arm(3.0, 200.0))
    length = CARD_MM[1] - 2 * FRAME_MM
    (given,) = plate.compliance_at([MIDDLE])
    assert given == pytest.approx(length**3 / (192 * (1 - NU**2) * 3.0), rel=0.05)


def test_a_strip_that_is_twisted() -> None:
    # Roark: angle = T L / G J with J = b t^3 / 3; with D = 1, G J = 2 (1 - nu) b. The held end
    # cannot warp, which takes about a third of the width off the length.
    width, length = 4.0, 40.0
    plate = plate_of(arm(width, length))
    y = FRAME_MM + length - 0.05
    spots = [plate.spot((MIDDLE[0] + side * (width / 2 - 0.05), y)) for side in (-1, 1)]
    ends = plate.rows([spot for spot in spots if spot is not None]).toarray()
    couple = ends[1] - ends[0]
    arm_mm = width - 0.1
    angle = float(couple @ plate.factor.solve(couple)) / arm_mm
    assert angle == pytest.approx(arm_mm * length / (2 * (1 - NU) * width), rel=0.06)


def test_stiffness_grows_with_the_cube_of_the_thickness() -> None:
    assert bending_stiffness(0.2, 4900, NU) / bending_stiffness(0.1, 4900, NU) == pytest.approx(8)
    # D = E t^3 / 12 (1 - nu^2), by hand.
    assert bending_stiffness(1.0, 12.0, 0.5) == pytest.approx(1 / 0.75)


def test_the_map_and_the_solves_agree_with_each_other_and_with_scipy() -> None:
    plate = plate_of(disc(9.0, 1.5, ((20.0, 1.2), (200.0, 0.8))))
    compliance, owner = plate.compliance_map()
    row, column = np.unravel_index(np.nanargmax(compliance), compliance.shape)
    point = plate.raster.to_mm(2 * column + 1, 2 * row + 1)
    assert np.array_equal(np.isfinite(compliance), owner >= 0)
    assert plate.compliance_at([point])[0] == pytest.approx(np.nanmax(compliance), rel=1e-4)
    # The same matrix put together by scipy from all corners and solved by its own solver.
    blocks = sparse.block_diag(list(part_stiffness(plate.cells, NU)), format="csr")
    rows = plate.corner_rows
    matrix = (rows.T @ blocks @ rows).tocsc()
    spot = plate.spot(point)
    assert spot is not None
    load = plate.rows([spot]).toarray()[0]
    given = spsolve(matrix, load)
    assert np.abs(given - plate.factor.solve(load)).max() < 1e-5 * np.abs(given).max()


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 45.0])
@pytest.mark.parametrize("slit", [0.15, 0.5])
def test_a_slit_never_closes(slit: float, turn_deg: float) -> None:
    (fine,) = plate_of(tongue(6, 18, slit, turn_deg)).compliance_at([tip(18, turn_deg)])
    (wide,) = plate_of(tongue(6, 18, 1.2, turn_deg)).compliance_at([tip(18, turn_deg)])
    (whole,) = plate_of(None).compliance_at([tip(18, turn_deg)])
    assert fine == pytest.approx(wide, rel=0.15)
    assert fine > 10 * whole


def test_a_turned_or_mirrored_stencil_gives_the_same() -> None:
    blank = (66.0, 66.0)
    black = affinity.translate(disc(8.0, 1.4, ((25.0, 1.0),)), 2.0, -9.0)
    at = (MIDDLE[0] + 2.0 - 6.0, MIDDLE[1] - 9.0 - 3.0)
    (given,) = plate_of(black, blank).compliance_at([at])
    turned = affinity.rotate(black, 90, origin=(33, 33))
    (of_turned,) = plate_of(turned, blank).compliance_at([(66 - at[1], at[0])])
    mirrored = affinity.scale(black, -1, 1, origin=(33, 33))
    (of_mirrored,) = plate_of(mirrored, blank).compliance_at([(66 - at[0], at[1])])
    assert of_turned == pytest.approx(given, rel=0.02)
    assert of_mirrored == pytest.approx(given, rel=0.02)


@pytest.mark.parametrize(
    "black",
    [
        disc(9.0, 1.5, ((20.0, 2.2),)),
        disc(9.0, 1.5, ((110.0, 0.6), (290.0, 0.6))),
        tongue(3, 25, 1.0, 30),
    ],
    ids=["one wide bridge", "two fine bridges", "tongue"],
)
def test_cells_of_mixed_size_agree_with_fine_ones(black: shapely.Geometry) -> None:
    plate = plate_of(black)
    compliance, _ = plate.compliance_map()
    row, column = np.unravel_index(np.nanargmax(compliance), compliance.shape)
    at = [plate.raster.to_mm(2 * column + 1, 2 * row + 1)]
    shape = tuple(side // BLOCK for side in plate.raster.film.shape)
    for level, most_off in ((2, 0.1), (3, 0.05)):
        fine = Plate(plate.raster, NU, levels=np.full(shape, level, np.int8))
        assert plate.compliance_at(at)[0] == pytest.approx(fine.compliance_at(at)[0], rel=most_off)


def test_loose_film_is_left_out_and_film_that_is_not_held_is_refused() -> None:
    plate = plate_of(disc(9.0, 1.5, ()))
    assert np.isnan(plate.compliance_at([MIDDLE])[0])
    assert np.isfinite(plate.compliance_at([(12.0, 12.0)])[0])
    with pytest.raises(ValueError, match="hangs on the frame"):
        plate_of(shapely.box(4, 4, 60, 85))
