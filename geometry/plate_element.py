"""The plate's elements: bicubic Hermite rectangles whose stiffness is summed over small squares.

Rectangle of Bogner, Fox and Schmit (1965): at each corner w, w_x, w_y and w_xy, so that deflection
and slope are continuous. Corners go top left, top right, bottom left, bottom right. Slopes are
carried times UNIT_MM (and w_xy times its square), so that all sixteen have the unit of w.
"""

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

UNIT_MM: Final = 2.0
CORNERS: Final = ((0, 0), (1, 0), (0, 1), (1, 1))

Array = NDArray[np.float64]


def hermite(s: Array, length_mm: float, derivative: int = 0) -> Array:
    """Return (..., 4) the cubic Hermite functions on 0..1: value, slope at 0; value, slope at 1.

    Derivatives are by mm on an edge of that length.
    """
    rise = length_mm / UNIT_MM
    if derivative == 0:
        rows = (1 - s * s * (3 - 2 * s), s * (1 - s) ** 2, s * s * (3 - 2 * s), s * s * (s - 1))
    elif derivative == 1:
        rows = (6 * s * (s - 1), (1 - s) * (1 - 3 * s), 6 * s * (1 - s), s * (3 * s - 2))
    else:
        rows = (12 * s - 6, 6 * s - 4, 6 - 12 * s, 6 * s - 2)
    scaled = np.stack([rows[0], rise * rows[1], rows[2], rise * rows[3]], axis=-1)
    return np.asarray(scaled / length_mm**derivative)


def shape(
    x: Array, y: Array, sides_mm: tuple[float, float], derivative: tuple[int, int] = (0, 0)
) -> Array:
    """Return (..., 16) the element's functions at x, y (0..1), derived that often by x and y."""
    along_x = hermite(np.asarray(x, float), sides_mm[0], derivative[0])
    along_y = hermite(np.asarray(y, float), sides_mm[1], derivative[1])
    columns = [
        along_x[..., 2 * right + a] * along_y[..., 2 * down + b]
        for right, down in CORNERS
        for a, b in CORNERS
    ]
    return np.stack(columns, axis=-1)


def _line_integrals(squares: int, length_mm: float, first: int, second: int) -> Array:
    """Return (squares, 4, 4) integrals of products of derivatives over equal parts of an edge."""
    at, weight = np.polynomial.legendre.leggauss(4)  # exact to degree 7, the products have 6
    s = (np.arange(squares)[:, None] + (at + 1) / 2) / squares
    one, other = hermite(s, length_mm, first), hermite(s, length_mm, second)
    return np.einsum("kga,kgb,g->kab", one, other, weight) * length_mm / squares / 2


@cache
def stiffness_of_squares(squares: int, sides_mm: tuple[float, float], nu: float) -> Array:
    """Return (squares * squares, 16, 16): stiffness of each small square of a rectangle, D = 1.

    Squares go row by row. Kirchhoff's energy: w_xx^2 + w_yy^2 + 2 nu w_xx w_yy + 2 (1 - nu) w_xy^2.
    """
    x, y = (
        {
            pair: _line_integrals(squares, length_mm, *pair)
            for pair in ((0, 0), (1, 1), (2, 2), (0, 2), (2, 0))
        }
        for length_mm in sides_mm
    )
    terms = (
        (1.0, (2, 2), (0, 0)),
        (1.0, (0, 0), (2, 2)),
        (nu, (2, 0), (0, 2)),
        (nu, (0, 2), (2, 0)),
        (2 * (1 - nu), (1, 1), (1, 1)),
    )
    # Row of a function: corner (right, down) and kind (a, b), as in `shape`.
    in_x = np.array([2 * right + a for right, _ in CORNERS for a, _ in CORNERS])
    in_y = np.array([2 * down + b for _, down in CORNERS for _, b in CORNERS])
    total = np.zeros((squares, squares, 16, 16))
    for factor, of_x, of_y in terms:
        rows_x = x[of_x][:, in_x[:, None], in_x[None, :]]
        rows_y = y[of_y][:, in_y[:, None], in_y[None, :]]
        total += factor * rows_y[:, None] * rows_x[None, :]
    return total.reshape(squares * squares, 16, 16)


@cache
def halfway(along: int, length_mm: float) -> Array:
    """Return (4, 8): a node halfway along an edge from the two nodes at its ends, exactly.

    along: 0 for an edge in x, 1 for one in y. On an edge a bicubic has cubic deflection and cubic
    slope across, so that the node in the middle follows those at the ends.
    """
    rise = length_mm / UNIT_MM
    value = np.array([0.5, rise / 8, 0.5, -rise / 8])
    slope = np.array([-1.5 / rise, -0.25, 1.5 / rise, -0.25])
    across = {0: ((0, 1), (2, 3)), 1: ((0, 2), (1, 3))}[along]
    matrix = np.zeros((4, 8))
    for plain, derived in across:
        columns = [plain, derived, 4 + plain, 4 + derived]
        matrix[plain, columns] = value
        matrix[derived, columns] = slope
    return matrix
