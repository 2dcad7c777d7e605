"""The dab test sheet: its tongues in the cut file, its form, and the force that lifts tell.

The cut file is read back by svgelements, the form by pypdfium2; the model's short lifts are held
against Roark's cantilever F L^3 / 3 E I (from memory).
"""

import json
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest

from geometry.cut_file import svg_for_stencil
from geometry.dab_sheet import (
    TONGUES_MM,
    WIDTH_MM,
    dab_form,
    dab_stencil,
    dab_tongues,
    fit_dab,
    read_measured,
    tongue_lifts,
)
from geometry.errors import InvalidInputError
from geometry.limits import DEFAULT_BLANK, Limits
from geometry.plate import bending_stiffness
from tests.geometry.cut_reading import svg_lines

FILM_MM = 0.1905
LIMITS = Limits()


def test_the_cut_file_holds_eighteen_slits_as_long_as_the_tongues() -> None:
    lines = svg_lines(svg_for_stencil(dab_stencil(), kerf_mm=0.0).data)
    assert len(lines["inside"]) == 18
    heights = sorted(float(np.ptp(np.asarray(line)[:, 1])) for line in lines["inside"])
    # Each slit goes round a free end: its line is a millimetre longer than the tongue.
    assert heights == pytest.approx(sorted([*TONGUES_MM, *TONGUES_MM]) + np.ones(18), abs=0.02)
    width, height = DEFAULT_BLANK.size_mm
    for line in lines["inside"]:
        points = np.asarray(line)
        assert points.min() > 6
        assert points[:, 0].max() < width - 6
        assert points[:, 1].max() < height - 6


def test_small_lifts_are_those_of_a_beam() -> None:
    # A tongue's root lies 2 mm inside of the held frame and yields a little: never stiffer than
    # the beam, and within a third of it once the tongue is long.
    force = 0.001
    beam = force * np.array(TONGUES_MM) ** 3
    beam /= 3 * bending_stiffness(FILM_MM, 4900, 0.38) * (1 - 0.38**2) * WIDTH_MM
    lifts = tongue_lifts(force, FILM_MM, LIMITS)[: len(TONGUES_MM)]
    assert (lifts > 0.95 * beam).all()
    assert lifts[3:] == pytest.approx(beam[3:], rel=0.34)
    assert lifts[-1] == pytest.approx(beam[-1], rel=0.12)


@pytest.mark.parametrize("force", [0.006, 0.02, 0.05])
def test_a_known_force_is_found_again_through_a_rulers_errors(force: float) -> None:
    random = np.random.default_rng(5)
    lifts = tongue_lifts(force, FILM_MM, LIMITS)
    read = np.clip(np.round(2 * (lifts * random.normal(1, 0.08, 18))) / 2, 0, None)
    measured = {n + 1: float(min(v, dab_tongues()[n].length_mm)) for n, v in enumerate(read)}
    fit = fit_dab(measured, FILM_MM, LIMITS)
    assert fit.dab_n == pytest.approx(force, rel=0.08)
    assert fit.tongues == 18
    assert 0 < fit.spread_n < 0.5 * force
    # What was put in: 8 % of the lifts, and reading to half a millimetre.
    assert fit.residual_mm < 1.3 * (0.08 * float(np.sqrt(np.mean(lifts**2))) + 0.5 / 12**0.5)


def test_exact_lifts_give_the_force_and_no_spread() -> None:
    lifts = tongue_lifts(0.013, FILM_MM, LIMITS)
    fit = fit_dab({n: float(lifts[n - 1]) for n in (5, 7, 9)}, FILM_MM, LIMITS)
    assert fit.dab_n == pytest.approx(0.013, rel=1e-3)
    assert fit.spread_n < 1e-4


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        ({1: 0.2, 2: 0.3}, "At least three"),
        ({1: 0.2, 2: 0.3, 19: 1.0}, "no tongue 19"),
        ({1: 9.0, 2: 0.3, 3: 1.0}, "cannot lift 9 mm"),
        ({1: float("nan"), 2: 0.3, 3: 1.0}, "cannot lift nan"),
        ({1: 0.0, 2: 0.0, 3: 0.0}, "No tongue lifted"),
    ],
)
def test_lifts_that_cannot_be_are_refused(measured: dict[int, float], words: str) -> None:
    with pytest.raises(InvalidInputError, match=words):
        fit_dab(measured, FILM_MM, LIMITS)


@pytest.mark.parametrize("data", [b"", b"[1, 2]", b'{"a": 1}', b'{"1": "x"}', b"{" * 2000])
def test_a_file_of_lifts_that_is_none_is_refused_in_a_sentence(data: bytes) -> None:
    with pytest.raises(InvalidInputError, match="JSON object"):
        read_measured(data)


def test_lifts_are_read_by_tongue() -> None:
    assert read_measured(json.dumps({"1": 0.5, "12": 2}).encode()) == {1: 0.5, 12: 2.0}


def test_the_form_is_one_page_that_names_every_tongue(tmp_path: Path) -> None:
    data = dab_form(FILM_MM, LIMITS)
    assert dab_form(FILM_MM, LIMITS) == data
    document = pdfium.PdfDocument(data)
    assert len(document) == 1
    text = document[0].get_textpage().get_text_bounded()
    assert "0.1905 mm" in text
    assert text.count("40 mm") == 2
    assert "18" in text
