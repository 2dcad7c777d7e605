"""A price sheet as CSV, out and in: all or nothing, each fault by its line with a sentence.

Outside source: RFC 4180 for the form of the file, read and written by the standard library's csv.
"""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pricing.quote import FilmSheetPrice, PostagePrice, PostageZone, RushPrice
from pricing.sheet_rows import COLUMNS, Fault, from_csv, to_csv
from pricing.terms import PriceSheetData
from tests.pricing.examples import SHEET
from tests.pricing.test_quote_terms import POSTED

SIZES = ("6x6in", "4x4in")
SORTED = replace(
    POSTED,
    zones=(POSTED.zones[0], POSTED.zones[2]),
    stencil_prices=sorted(SHEET.stencil_prices, key=lambda p: (p.blank_code, p.from_quantity)),
)
FULL = replace(
    SORTED,
    stencil_prices=tuple(SORTED.stencil_prices),
    rush_prices=(RushPrice(1, Decimal(60)), RushPrice(3, Decimal("12.5"))),
    film_prices=(FilmSheetPrice("clear", 'Clear, "PET" 0.19 mm', Decimal("1.90")),),
    postage_tax_rate=Decimal("5.5"),
    cut_seconds_included=90,
    cut_minute_price=Decimal("0.125"),
)


def read(text: str) -> tuple[PriceSheetData | None, list[Fault]]:
    return from_csv(text, name="Spring tide", sizes=SIZES)


def with_line(line: str) -> str:
    return to_csv(FULL) + line + "\r\n"


def test_a_sheet_comes_back_the_same() -> None:
    assert read(to_csv(FULL)) == (FULL, [])
    assert read("\ufeff" + to_csv(FULL).replace("\r\n", "\n")) == (FULL, [])


def test_the_file_reads_as_people_write() -> None:
    lines = to_csv(FULL).splitlines()
    assert lines[0] == ",".join(COLUMNS)
    for line in (
        "setting,tax_rate,,,7.25",
        "setting,postage_tax_rate,,,5.50",
        "stencil,6x6in,,5,6.80",
        'film,clear,"Clear, ""PET"" 0.19 mm",,1.90',
        "setting,cut_minute_price,,,0.125",
        "rush,,,3,12.50",
        'zone,home,Harbourland,,"Harbourland, Saltmarsh Isles"',
        "postage,far,,500,14.00",
    ):
        assert line in lines


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("stencil,7x7in,,1,8.00", "There is no size “7x7in”; sizes are 6x6in, 4x4in."),
        (
            "stencil,4x4in,,50,three",
            "The price of 4x4in from 50 is a number such as 6.80, with a point, not “three”.",
        ),
        (
            "stencil,4x4in,,50,3.00001",
            "The price of 4x4in from 50 has four decimals at most.",
        ),
        (
            "stencil,4x4in,,50,-1",
            "The price of 4x4in from 50 is nothing or more, and less than ten million.",
        ),
        ("stencil,4x4in,,0,3", "The number of pieces is a whole number, 1 or more, not “0”."),
        ("stencil,4x4in,,5,3", "The price of 4x4in from 5 is there twice."),
        ("setting,tax_rate,,,8", "The setting tax_rate is there twice."),
        ("setting,discount,,,8", "There is no setting “discount”."),
        ("rush,,,2,101", "The charge for rush is from 0 to 100 percent."),
        ("postage,moon,,100,3", "There is no zone “moon” for this postage."),
        ("postage,home,,900,1", "Postage to Harbourland up to 900 g is less than up to 500 g."),
        ("zone,sky,The sky,,harbourland", "harbourland is in two zones; take it out of one."),
        ("colour,blue,,,3", "“colour” is none of setting, stencil, film, rush, zone, postage."),
    ],
)
def test_a_fault_is_told_by_its_line_and_nothing_is_read(line: str, sentence: str) -> None:
    sheet, faults = read(with_line(line))
    number = len(to_csv(FULL).splitlines()) + 1
    assert sheet is None
    assert Fault(f"line {number}", sentence) in faults


def test_every_fault_is_told_at_once() -> None:
    text = with_line("stencil,4x4in,,x,3") + "film,,No code,,1\r\n"
    _, faults = read(text)
    assert len(faults) == 2


def test_a_file_of_another_kind_is_one_sentence() -> None:
    assert read("size;price\n6x6;8\n")[1] == [
        Fault("line 1", "The first line must be: kind,code,name,from,value")
    ]
    assert read(",".join(COLUMNS) + "\nstencil,6x6in,1\n")[1] == [
        Fault("line 2", "There are 3 columns, and 5 are needed.")
    ]
    assert read("")[1][0].where == "line 1"
    assert "no CSV" in read(",".join(COLUMNS) + '\nfilm,"a"b,,,1\n')[1][0].sentence


def test_a_missing_setting_is_named() -> None:
    text = to_csv(FULL).replace("setting,currency,,,USD\r\n", "")
    assert read(text)[1] == [Fault("", "Currency is missing (setting,currency).")]


def test_one_zone_at_most_is_everywhere_else() -> None:
    extra = "zone,rest,The rest,,\r\npostage,rest,,100,9"
    _, faults = read(with_line(extra))
    assert [f.sentence for f in faults] == [
        "Only one zone may name no countries, not everywhere else and The rest."
    ]


prices = st.decimals(min_value=0, max_value=9999, places=4)


@given(
    price=prices,
    rate=st.decimals(min_value=0, max_value=100, places=3),
    grams=st.integers(1, 99999),
)
def test_any_prices_come_back_the_same(price: Decimal, rate: Decimal, grams: int) -> None:
    sheet = replace(
        FULL,
        set_up_price=price,
        tax_rate=rate,
        zones=(PostageZone("a", "A, “b”", ("C d",)),),
        postage_prices=(PostagePrice("a", grams, price),),
    )
    assert read(to_csv(sheet)) == (sheet, [])
