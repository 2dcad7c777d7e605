"""Sizes as people write them, in millimetres."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geometry.errors import SizeError
from geometry.units import (
    MM_PER_INCH,
    describe_size,
    inches_from_mm,
    mm_from_inches,
    parse_length,
    parse_size,
    same_size,
)


def test_an_inch_is_25_4_mm_exactly() -> None:
    """NIST Special Publication 811 (2008), appendix B.6: 1 inch = 25.4 mm exactly."""
    assert MM_PER_INCH == 25.4
    assert mm_from_inches(6) == pytest.approx(152.4, abs=1e-12)
    assert inches_from_mm(25.4) == 1.0


@pytest.mark.parametrize(
    ("name", "size_mm"),
    [("a3", (297, 420)), ("a4", (210, 297)), ("a5", (148, 210)), ("a6", (105, 148))],
)
def test_the_a_sizes_are_those_of_iso_216(name: str, size_mm: tuple[float, float]) -> None:
    """ISO 216:2007, table 1 (trimmed sizes of the A series)."""
    assert parse_size(name) == size_mm


@pytest.mark.parametrize(
    ("words", "size_mm"),
    [
        ("6x6in", (152.4, 152.4)),
        ("4x4", (101.6, 101.6)),
        ("2.5x3.5in", (63.5, 88.9)),
        ("2 1/2 x 3 1/2 in", (63.5, 88.9)),
        ("2-1/2x3-1/2", (63.5, 88.9)),
        ('6"x6"', (152.4, 152.4)),
        ("152.4x152.4mm", (152.4, 152.4)),
        ("10,5 x 15 cm", (105, 150)),
        ("100mm x 4in", (100, 101.6)),
        ("  A4 ", (210, 297)),
        ("Letter", (215.9, 279.4)),
    ],
)
def test_sizes_are_read_as_people_write_them(words: str, size_mm: tuple[float, float]) -> None:
    assert parse_size(words) == pytest.approx(size_mm, abs=1e-9)


@pytest.mark.parametrize(
    "words", ["", "6", "6x", "x6in", "6x6x6", "sixxsix", "6x6ft", "-6x6in", "1/0x6in", "nanxnan"]
)
def test_what_is_no_size_is_refused_in_one_sentence(words: str) -> None:
    with pytest.raises(SizeError, match="is not a size"):
        parse_size(words)


@pytest.mark.parametrize("words", ["9.9x100mm", "0x6in", "1000.1x100mm", "1e9x6in", "9999999x6in"])
def test_sizes_beyond_what_is_cut_are_refused(words: str) -> None:
    with pytest.raises(SizeError):
        parse_size(words)


@pytest.mark.parametrize("words", ["10x10mm", "1000x1000mm"])
def test_the_least_and_largest_sides_are_taken(words: str) -> None:
    assert parse_size(words)


def test_a_hostile_size_is_not_echoed_whole() -> None:
    with pytest.raises(SizeError) as caught:
        parse_size("\x1b[31m" + "x" * 10_000)
    assert "\x1b" not in str(caught.value)
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize(
    ("words", "length_mm"), [("5mm", 5), ("1/2 in", 12.7), ("1.5", 38.1), ("2 cm", 20), ("0mm", 0)]
)
def test_lengths_are_read_too(words: str, length_mm: float) -> None:
    assert parse_length(words) == pytest.approx(length_mm)


@pytest.mark.parametrize(
    ("size_mm", "words"),
    [
        ((152.4, 152.4), "6 x 6 in"),
        ((63.5, 88.9), "2.5 x 3.5 in"),
        ((210, 297), "A4"),
        ((100, 80.5), "100 x 80.5 mm"),
    ],
)
def test_a_size_is_named_as_the_trade_names_it(size_mm: tuple[float, float], words: str) -> None:
    assert describe_size(size_mm) == words


def test_same_size_takes_its_slack_inclusively() -> None:
    assert same_size((100, 100), (100.05, 100), within_mm=0.05 + 1e-12)
    assert not same_size((100, 100), (100.06, 100))


@given(st.floats(10, 1000), st.floats(10, 1000))
def test_a_size_written_in_mm_comes_back(width_mm: float, height_mm: float) -> None:
    assert parse_size(f"{width_mm:.6f}x{height_mm:.6f}mm") == pytest.approx(
        (width_mm, height_mm), abs=1e-6
    )
