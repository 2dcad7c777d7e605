"""The dab test sheet: tongues of 8 to 40 mm to cut, dab and measure, and the force they tell.

The sheet is one 6 x 6 in blank with the same nine tongues along its top and its bottom, rooted two
millimetres inside the frame that is held. What the model says of each tongue is compared with what
a ruler says; the dab's force is the one that fits all best.
"""

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from scipy.optimize import minimize_scalar
from shapely import Polygon, box

from geometry.errors import InvalidInputError
from geometry.large_lift import large_lifts
from geometry.lift import LiftModel, lift_of
from geometry.limits import DEFAULT_BLANK, Limits
from geometry.plate import bending_stiffness
from geometry.recipe import Placement
from geometry.stencil import Stencil

TONGUES_MM: Final = (8.0, 10.0, 12.0, 15.0, 18.0, 22.0, 27.0, 33.0, 40.0)
WIDTH_MM: Final = 8.0
SLIT_MM: Final = 1.0
ROOT_MM: Final = 8.0
"""The tongues' roots lie this far from the blank's edge."""
PITCH_MM: Final = 15.0
READING_MM: Final = 0.3
"""What a ruler is read to beside the film; judgement. Larger lifts are off by a tenth besides."""
FORCES_N: Final = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3)
_SENTENCES: Final = (
    "1. Cut the sheet from the film that you use. Hold its rim, 6 mm all round, down on a board.",
    "2. Load the sponge with paint as for a stencil. Dab a tongue once, on the last millimetre of",
    "    its free end, and lift the sponge straight up.",
    "3. Hold a ruler upright beside it: how far did the free end rise before the sponge let go?",
    "4. Write it down in mm. Wipe the tongue dry. Do each of the eighteen; repeat what went askew.",
    '5. Put the lifts into a file such as {"1": 0.2, "2": 0.5} and run',
    "    python -m geometry lift-sheet --measured FILE. It tells the force of your dab.",
)

Array = NDArray[np.float64]
PointMm = tuple[float, float]


@dataclass(frozen=True)
class Tongue:
    """One tongue: its number on the form, its length and the middle of its free end, blank mm."""

    number: int
    length_mm: float
    tip_mm: PointMm
    opening: Polygon


@dataclass(frozen=True)
class DabFit:
    """The dab's force, the standard deviation of the tongues' own forces, how many, and the fit.

    residual_mm: root mean square of measured less modelled lifts.
    """

    dab_n: float
    spread_n: float
    tongues: int
    residual_mm: float


def dab_tongues() -> list[Tongue]:
    """Return the tongues: along the top from the left, then along the bottom from the left."""
    width, height = DEFAULT_BLANK.size_mm
    left = (width - PITCH_MM * (len(TONGUES_MM) - 1)) / 2
    found: list[Tongue] = []
    for row, lengths in enumerate((TONGUES_MM, TONGUES_MM[::-1])):
        for place, length in enumerate(lengths):
            x = left + PITCH_MM * place
            root, tip = ROOT_MM, ROOT_MM + length
            around = box(
                x - WIDTH_MM / 2 - SLIT_MM, root, x + WIDTH_MM / 2 + SLIT_MM, tip + SLIT_MM
            )
            tongue = box(x - WIDTH_MM / 2, root - 1, x + WIDTH_MM / 2, tip)
            opening = around.difference(tongue)
            end = tip - 0.5
            if row == 1:
                turned = np.asarray(opening.exterior.coords) * (1, -1) + (0, height)
                opening, end = Polygon(turned), height - end
            found.append(Tongue(len(found) + 1, length, (x, end), opening))
    return found


def dab_stencil() -> Stencil:
    """Return the sheet as a stencil."""
    return Stencil(DEFAULT_BLANK.size_mm, "stencil", tuple(t.opening for t in dab_tongues()))


@lru_cache(maxsize=8)
def _modelled(film_mm: float, limits: Limits) -> tuple[tuple[float, ...], ...]:
    """Return the lift of each length (rows) at each of FORCES_N; both rows of tongues are alike."""
    blank_mm = DEFAULT_BLANK.size_mm
    model = LiftModel(dab_stencil(), Placement(), blank_mm, limits)
    plate, membrane = model.plate, model.membrane
    spots = [plate.spot(tongue.tip_mm) for tongue in dab_tongues()[: len(TONGUES_MM)]]
    on_film = [spot for spot in spots if spot is not None]
    under = plate.shapes_under(on_film)
    modulus_mpa = 1000 * limits.film_modulus_gpa
    bending = bending_stiffness(film_mm, modulus_mpa, limits.film_poisson)
    columns = []
    for force in FORCES_N:
        lifted, slope = large_lifts(
            plate,
            membrane,
            on_film,
            under,
            load_n=force,
            bending=bending,
            tension=modulus_mpa * film_mm,
        )
        columns.append(lift_of(lifted, 1.0, 0.0, 1.5 * lifted / np.maximum(slope, 1e-9)))
    return tuple(tuple(row) for row in np.stack(columns, axis=1).tolist())


def tongue_lifts(dab_n: float, film_mm: float, limits: Limits) -> Array:
    """Return the lift (18) of every tongue under a dab on its free end, mm."""
    known = np.array(_modelled(film_mm, limits))
    by_length = np.array(
        [np.exp(np.interp(np.log(dab_n), np.log(FORCES_N), np.log(row))) for row in known]
    )
    return np.concatenate([by_length, by_length[::-1]])


def fit_dab(measured_mm: Mapping[int, float], film_mm: float, limits: Limits) -> DabFit:
    """Return the dab's force by least squares from lifts by tongue number (1 to 18), mm.

    Each lift counts by what a ruler can tell of it: 0.3 mm and a tenth of itself. Raises
    InvalidInputError for fewer than three lifts, unknown tongues, or lifts that no dab gives.
    """
    lengths = {tongue.number: tongue.length_mm for tongue in dab_tongues()}
    for number, lift in measured_mm.items():
        if number not in lengths:
            raise InvalidInputError(
                f"There is no tongue {number}; they go from 1 to {len(lengths)}."
            )
        if not 0 <= lift <= lengths[number]:
            raise InvalidInputError(
                f"Tongue {number} is {lengths[number]:g} mm long, so it cannot lift {lift:g} mm."
            )
    if len(measured_mm) < 3:
        raise InvalidInputError("At least three measured tongues are needed.")
    index = np.array([number - 1 for number in measured_mm])
    lifts = np.array(list(measured_mm.values()), float)
    if not (lifts > 0).any():
        raise InvalidInputError("No tongue lifted, so the dab's force cannot be told.")
    off = READING_MM + 0.1 * lifts

    def misfit(log_force: float) -> float:
        told = tongue_lifts(float(np.exp(log_force)), film_mm, limits)[index]
        return float((((told - lifts) / off) ** 2).sum())

    bounds = (float(np.log(FORCES_N[0])), float(np.log(FORCES_N[-1])))
    best = minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": 1e-5})
    force = float(np.exp(best.x))
    told = tongue_lifts(force, film_mm, limits)[index]
    return DabFit(
        dab_n=force,
        spread_n=_spread(index, lifts, film_mm, limits),
        tongues=len(lifts),
        residual_mm=float(np.sqrt(np.mean((told - lifts) ** 2))),
    )


def _spread(index: NDArray[np.int64], lifts: Array, film_mm: float, limits: Limits) -> float:
    """Return the standard deviation of the force that each tongue that lifts would tell alone."""
    forces = np.exp(np.linspace(np.log(FORCES_N[0]), np.log(FORCES_N[-1]), 200))
    table = np.stack([tongue_lifts(float(force), film_mm, limits) for force in forces], axis=1)
    own = [
        np.interp(lift, table[i], forces)
        for i, lift in zip(index, lifts, strict=True)
        if lift >= READING_MM
    ]
    return float(np.std(own, ddof=1)) if len(own) > 1 else 0.0


def read_measured(data: bytes) -> dict[int, float]:
    """Return lifts by tongue from a JSON object; raises InvalidInputError with a sentence."""
    try:
        given = json.loads(data)
        return {int(key): float(value) for key, value in dict(given).items()}
    except (ValueError, TypeError, RecursionError) as error:
        raise InvalidInputError(
            'The measured lifts must be a JSON object such as {"1": 0.5, "2": 0.8}.'
        ) from error


def dab_form(film_mm: float, limits: Limits) -> bytes:
    """Return the form to fill in, one A4 page: what to do, and a line for each tongue."""
    expected = tongue_lifts(limits.dab_n, film_mm, limits)
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=A4, invariant=1, pageCompression=1)
    canvas.setTitle("Dab test sheet: form")
    canvas.setCreator("Holdfast")
    height = A4[1]
    canvas.setFont("Helvetica-Bold", 16)
    canvas.drawString(20 * mm, height - 22 * mm, "Dab test sheet")
    canvas.setFont("Helvetica", 9)
    for row, text in enumerate(_SENTENCES):
        canvas.drawString(20 * mm, height - (31 + 5 * row) * mm, text)
    _draw_sheet(canvas, 20 * mm, height - 150 * mm, 0.55)
    canvas.setFont("Helvetica", 9)
    canvas.drawString(112 * mm, height - 70 * mm, f"Film: {film_mm:g} mm    Date: ______________")
    canvas.drawString(112 * mm, height - 78 * mm, "Sponge: _________________________")
    canvas.drawString(112 * mm, height - 86 * mm, "Paint: ___________________________")
    _draw_table(canvas, height - 164 * mm, expected, limits.dab_n)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _draw_sheet(canvas: Canvas, left: float, bottom: float, scale: float) -> None:
    """Draw the sheet small, its tongues numbered, y up."""
    width, height = DEFAULT_BLANK.size_mm
    canvas.saveState()
    canvas.translate(left, bottom)
    canvas.scale(scale * mm, scale * mm)
    canvas.setLineWidth(0.3)
    canvas.rect(0, 0, width, height)
    canvas.setFont("Helvetica", 6)
    for tongue in dab_tongues():
        path = canvas.beginPath()
        points = [(x, height - y) for x, y in tongue.opening.exterior.coords]
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
        canvas.drawPath(path, stroke=0, fill=1)
        x, y = tongue.tip_mm
        beyond = 8.0 if y < height / 2 else -4.0
        canvas.drawCentredString(x, height - (y + beyond), str(tongue.number))
    canvas.restoreState()


def _draw_table(canvas: Canvas, top: float, expected: Array, dab_n: float) -> None:
    """Draw one line per tongue, the two rows of the sheet side by side."""
    tongues = dab_tongues()
    half = len(TONGUES_MM)
    for column in range(2):
        x = (20 + 88 * column) * mm
        canvas.setFont("Helvetica-Bold", 9)
        for shift, word in (
            (0, "tongue"),
            (16, "length"),
            (34, f"at {1000 * dab_n:g} mN"),
            (57, "measured"),
        ):
            canvas.drawString(x + shift * mm, top, word)
        canvas.setFont("Helvetica", 9)
        for row, tongue in enumerate(tongues[half * column : half * (column + 1)]):
            y = top - (9 + 9 * row) * mm
            canvas.drawString(x + 4 * mm, y, str(tongue.number))
            canvas.drawString(x + 16 * mm, y, f"{tongue.length_mm:g} mm")
            lift = float(expected[tongue.number - 1])
            canvas.drawString(x + 34 * mm, y, f"{lift:.1f} mm")
            canvas.line(x + 57 * mm, y - 1, x + 75 * mm, y - 1)
            canvas.drawString(x + 76 * mm, y, "mm")
