"""The recipe: small JSON, written and read back, and refused where it is not understood."""

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geometry.errors import RecipeError
from geometry.recipe import RECIPE_SCHEMA, Placement, Recipe, Stroke

FULL: dict[str, Any] = {
    "schema": 1,
    "mode": "mask",
    "paper_mm": [210, 297],
    "corners_px": [[0, 0], [900, 10], [890, 1200], [5, 1190]],
    "ink_level": 0.4,
    "turn_deg": 90,
    "scale": 0.5,
    "place_mm": [70, 80],
    "blank_mm": [101.6, 101.6],
    "strokes": [
        {"pen": "white", "points_mm": [[10, 10], [12, 14]], "width_mm": 1.5, "from": "proposal"},
        {"pen": "black", "points_mm": [[40, 40]], "width_mm": 2, "from": "hand"},
    ],
    "accepted": ["thin-line-10.0-20.5"],
}


def test_a_recipe_goes_to_json_and_back_unchanged() -> None:
    recipe = Recipe.from_json(FULL)
    assert recipe.to_json() == FULL
    assert Recipe.from_json(json.dumps(recipe.to_json())) == recipe


def test_an_empty_recipe_asks_for_nothing() -> None:
    assert Recipe.from_json({}) == Recipe()
    assert Recipe().to_json() == {"schema": 1, "mode": "stencil"}
    assert Recipe().paper_size_mm == Recipe().blank_size_mm == (152.4, 152.4)


def test_the_written_schema_knows_every_key() -> None:
    assert set(FULL) == set(RECIPE_SCHEMA["properties"])


@pytest.mark.parametrize(
    "change",
    [
        {"shape": 1},
        {"schema": 2},
        {"schema": True},
        {"mode": "film"},
        {"paper_mm": [152.4]},
        {"paper_mm": [5, 152.4]},
        {"blank_mm": [152.4, 1001]},
        {"blank_mm": "6x6in"},
        {"corners_px": [[0, 0], [1, 0], [1, 1]]},
        {"corners_px": [[0, 0], [0, 9], [9, 9], [9, 0]]},
        {"corners_px": [[0, 0], [9, 9], [9, 0], [0, 9]]},
        {"corners_px": [[0, 0], [5, 0], [9, 0], [0, 9]]},
        {"ink_level": 0},
        {"ink_level": 1},
        {"turn_deg": 361},
        {"turn_deg": float("inf")},
        {"scale": 0},
        {"scale": 20.1},
        {"scale": "1"},
        {"place_mm": [1, 1e9]},
        {"strokes": [{"pen": "red", "points_mm": [[1, 1]], "width_mm": 1}]},
        {"strokes": [{"pen": "white", "points_mm": [], "width_mm": 1}]},
        {"strokes": [{"pen": "white", "points_mm": [[1, 1]], "width_mm": 0}]},
        {"strokes": [{"pen": "white", "points_mm": [[1, 1]]}]},
        {"strokes": [{"pen": "white", "points_mm": [[1, 1]], "width_mm": 1, "colour": "x"}]},
        {"strokes": "white"},
        {"accepted": [1]},
    ],
)
def test_what_is_not_understood_is_refused_in_one_sentence(change: dict[str, Any]) -> None:
    with pytest.raises(RecipeError) as caught:
        Recipe.from_json(change)
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"mode": NaN}', "[" * 100_000, b"\xff"])
def test_text_that_is_no_recipe_is_refused(text: str | bytes) -> None:
    with pytest.raises(RecipeError):
        Recipe.from_json(text)


def test_too_many_strokes_are_refused() -> None:
    stroke = Stroke("white", ((1.0, 1.0),), 1.0).to_json()
    with pytest.raises(RecipeError, match="2000"):
        Recipe.from_json({"strokes": [stroke] * 2001})


def test_a_positive_turn_is_clockwise_as_seen() -> None:
    """With y down, a quarter turn clockwise takes "right" to "down"."""
    assert Placement(turn_deg=90).to_blank([(1, 0)]).tolist() == [[0, 1]]


def test_a_placement_turns_about_its_centre() -> None:
    placement = Placement.about((30, 40), (70, 80), scale=2, turn_deg=180)
    assert placement.to_blank([(30, 40), (31, 42)]).tolist() == [[70, 80], [68, 76]]


def test_the_plain_placement_changes_nothing() -> None:
    assert Placement().is_identity
    assert Placement().to_blank([(1.5, 2.5)]).tolist() == [[1.5, 2.5]]


@given(st.floats(0.05, 20), st.floats(-360, 360), st.floats(-500, 500), st.floats(-500, 500))
def test_to_paper_undoes_to_blank(scale: float, turn_deg: float, x: float, y: float) -> None:
    placement = Placement(scale, turn_deg, (x, y))
    points = np.array([(0.0, 0.0), (100.0, 20.0), (-3.0, 152.4)])
    np.testing.assert_allclose(placement.to_paper(placement.to_blank(points)), points, atol=1e-6)
    grown = np.linalg.norm(np.diff(placement.to_blank(points), axis=0), axis=1)
    np.testing.assert_allclose(grown, scale * np.linalg.norm(np.diff(points, axis=0), axis=1))
