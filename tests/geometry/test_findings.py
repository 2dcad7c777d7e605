"""Findings: order, numbers, stable keys and the artist's words."""

import pytest

from geometry.findings import (
    KINDS,
    Finding,
    is_rejected,
    number,
    place_words,
    to_json,
    with_crumbs_counted,
)

BLANK = (152.4, 152.4)


def test_rejects_come_first_then_warnings_then_notes() -> None:
    kinds = ["speck", "margin", "thin-line", "leaves-blank", "island", "spur"]
    done = number([Finding(kind, (10.0, 10.0)) for kind in kinds], BLANK)
    assert [f.kind for f in done] == [
        "island",
        "leaves-blank",
        "thin-line",
        "margin",
        "speck",
        "spur",
    ]
    assert [f.id for f in done] == [1, 2, 3, 4, 5, 6]
    assert [f.severity for f in done] == ["reject"] * 2 + ["warn"] * 2 + ["note"] * 2


def test_only_three_kinds_reject() -> None:
    rejecting = {kind for kind, row in KINDS.items() if row.severity == "reject"}
    assert rejecting == {"island", "line-below-kerf", "leaves-blank"}
    assert is_rejected([Finding("island", (0, 0))])
    assert not is_rejected([Finding("thin-web", (0, 0)), Finding("speck", (0, 0))])


def test_key_is_kind_and_place_and_outlives_a_small_shift() -> None:
    (one,) = number([Finding("island", (12.04, 7.91), area_mm2=30)])
    (other,) = number([Finding("island", (12.1, 8.05), area_mm2=29)])
    assert one.key == other.key == "island-12.0-8.0"


def test_findings_at_one_place_have_keys_of_their_own() -> None:
    done = number([Finding("speck", (5.0, 5.0)), Finding("speck", (5.1, 5.1))])
    assert [f.key for f in done] == ["speck-5.0-5.0", "speck-5.0-5.0-2"]


def test_numbering_again_changes_nothing() -> None:
    done = number([Finding("thin-line", (9.0, 3.0), width_mm=0.4, limit_mm=1.0)])
    assert number(done) == done


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ((20, 20), "near the top left"),
        ((76, 20), "near the top"),
        ((140, 76), "near the right"),
        ((76, 76), "in the middle"),
        ((140, 140), "near the bottom right"),
        ((-5, 200), "near the bottom left"),
    ],
)
def test_place_is_told_in_thirds(at: tuple[float, float], words: str) -> None:
    assert place_words(at, BLANK) == words


def test_island_says_what_happens_where_and_what_to_do() -> None:
    around = ((12, 12), (28, 12), (28, 28), (12, 28))
    found = Finding("island", (20, 20), outline_mm=around, area_mm2=256, remedy_mm=1.5)
    (island,) = number([found], BLANK)
    assert island.message == "The inside of this loop near the top left will fall out."
    assert island.remedy == "Leave a white gap of 1.5 mm across the line in two places at least."


@pytest.mark.parametrize(("side_mm", "places"), [(12.0, "one place"), (12.1, "two places")])
def test_an_island_no_longer_than_a_flap_may_be_is_held_in_one_place(
    side_mm: float, places: str
) -> None:
    """Number 12 is the reach at which film that hangs on one side is a flap."""
    around = ((20, 20), (20 + side_mm, 20), (20 + side_mm, 24), (20, 24))
    (island,) = number([Finding("island", (24, 22), outline_mm=around, area_mm2=48)], BLANK)
    assert f"in {places}" in island.remedy


def test_hairline_says_its_width_and_the_beam() -> None:
    finding = Finding("line-below-kerf", (76, 76), width_mm=0.083, limit_mm=0.15, remedy_mm=1.0)
    (line,) = number([finding], BLANK)
    assert line.message == (
        "This line in the middle cannot be cut: at 0.08 mm it is finer than the beam, "
        "which takes away 0.15 mm."
    )
    assert line.remedy == "Draw it at least 1 mm wide, or leave it out."


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_speaks_in_whole_sentences(kind: str) -> None:
    finding = Finding(
        kind,
        (30, 100),
        width_mm=0.4,
        length_mm=3,
        area_mm2=0.1,
        distance_mm=2,
        px_per_mm=5,
        limit_mm=1.0,
        limit_mm2=0.2,
        remedy_mm=1.5,
    )
    (done,) = number([finding], BLANK)
    for text in (done.message, done.remedy):
        assert text[0].isupper()
        assert text.endswith(".")
        assert "None" not in text
        assert "0.0 " not in text


def test_json_holds_the_measures_that_apply_and_no_others() -> None:
    finding = Finding("thin-web", (1.00049, 2), ((1, 2), (3, 4)), width_mm=0.51239, limit_mm=1.0)
    (done,) = number([finding], BLANK)
    data = to_json(done)
    assert set(data) == {
        "id",
        "key",
        "kind",
        "severity",
        "at_mm",
        "outline_mm",
        "width_mm",
        "limit_mm",
        "message",
        "remedy",
    }
    assert data["at_mm"] == [1.0, 2.0]
    assert data["width_mm"] == 0.5124


def test_crumbs_of_film_are_one_note_that_counts_them() -> None:
    areas = [0.03, 0.049, 0.01]
    crumbs = [
        Finding("speck", (10.0 * k, 20.0), ((k, 0.0), (k, 1.0)), area_mm2=area, detail="film")
        for k, area in enumerate(areas)
    ]
    dust = Finding("speck", (5.0, 5.0), area_mm2=0.03, limit_mm2=0.2)
    larger = Finding("speck", (6.0, 5.0), area_mm2=0.05, detail="film")
    kept = with_crumbs_counted([*crumbs, dust, larger])
    assert kept[:2] == [dust, larger]
    (one,) = number(kept[2:], BLANK)
    assert (one.at_mm, one.count, len(one.others_mm)) == ((10.0, 20.0), 3, 2)
    assert one.area_mm2 == pytest.approx(0.089)
    assert one.message == (
        "3 crumbs of film (together 0.09 mm²), the largest near the top left, will drop out of "
        "the lines around them; they are too small to matter."
    )
    assert to_json(one)["count"] == 3
    assert with_crumbs_counted(kept) == kept


def test_a_single_crumb_is_told_as_it_is() -> None:
    crumb = Finding("speck", (1.0, 2.0), area_mm2=0.03, detail="film")
    assert with_crumbs_counted([crumb]) == [crumb]
