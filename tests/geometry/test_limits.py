"""The numbers a drawing is judged by."""

import json
from dataclasses import fields

import pytest

from geometry.errors import LimitsError
from geometry.limits import (
    BLANKS,
    LIMITS_SCHEMA,
    Limits,
    default_limits,
    describe_limits,
    margin_for,
)


def test_the_defaults_are_those_of_the_contract() -> None:
    limits = Limits()
    assert (limits.kerf_mm, limits.opening_mm, limits.web_mm, limits.bridge_mm) == (0.15, 1, 1, 1)
    assert (limits.speck_mm2, limits.island_mm2, limits.cut_out_mm) == (0.2, 1.0, 4.0)
    assert (limits.resolution_px_per_mm, limits.unreadable_px_per_mm) == (6, 3)


@pytest.mark.parametrize(
    ("code", "size_mm", "margin_mm"),
    [
        ("6x6in", (152.4, 152.4), 10),
        ("4x4in", (101.6, 101.6), 8),
        ("2.5x3.5in", (63.5, 88.9), 5),
        ("a4", (210, 297), 12),
    ],
)
def test_each_blank_has_its_size_and_margin(
    code: str, size_mm: tuple[float, float], margin_mm: float
) -> None:
    assert BLANKS[code].size_mm == pytest.approx(size_mm)
    assert default_limits(size_mm).margin_mm == margin_mm
    assert default_limits(size_mm[::-1]).margin_mm == margin_mm


def test_a_blank_of_its_own_size_has_the_margin_of_the_next_smaller_one() -> None:
    assert margin_for((110, 130)) == 8
    assert margin_for((20, 20)) == 5


def test_every_limit_has_its_effect_and_origin_beside_it() -> None:
    rows = describe_limits()
    assert [row["key"] for row in rows] == [limit.name for limit in fields(Limits)]
    assert all(row["effect"] and row["origin"] for row in rows)


def test_limits_go_to_json_and_back() -> None:
    limits = Limits(kerf_mm=0.2, margin_mm=7)
    assert Limits.from_json(json.dumps(limits.to_json())) == limits
    assert set(LIMITS_SCHEMA["properties"]) == set(limits.to_json())


def test_a_limits_file_keeps_what_it_leaves_out() -> None:
    base = default_limits((63.5, 88.9))
    assert Limits.from_json({"kerf_mm": 0.3}, base=base) == Limits(kerf_mm=0.3, margin_mm=5)


@pytest.mark.parametrize(
    "data",
    [
        {"kerf": 0.15},
        {"kerf_mm": -0.01},
        {"kerf_mm": 2.01},
        {"kerf_mm": float("nan")},
        {"kerf_mm": "0.15"},
        {"kerf_mm": True},
        {"kerf_mm": None},
        [],
        "{",
        "[" * 100_000,
    ],
)
def test_wrong_limits_are_refused_in_one_sentence(data: object) -> None:
    with pytest.raises(LimitsError) as caught:
        Limits.from_json(data)
    assert str(caught.value).endswith(".")


@pytest.mark.parametrize("kerf_mm", [0, 0.15, 2.0])
def test_the_ends_of_a_range_are_taken(kerf_mm: float) -> None:
    assert Limits(kerf_mm=kerf_mm).kerf_mm == kerf_mm
