"""Letters of any script, joined, ordered and broken into lines."""

from __future__ import annotations

import pytest

from orders.prints import packing_slip
from orders.prints.lettering import (
    NO_GLYPH,
    Style,
    break_lines,
    has_gaps,
    load_faces,
    printable,
    visual,
    width_mm,
)
from tests import factories
from tests.prints.reading import texts


def test_arabic_letters_are_joined_and_stand_in_visual_order() -> None:
    """Unicode chart FB50-FEFF (Arabic Presentation Forms-B): beh initial, hah medial, reh final."""
    assert visual("بحر") == "\ufeae\ufea4\ufe91"


def test_lam_with_alef_is_one_glyph() -> None:
    """Unicode chart, Arabic Presentation Forms-B: U+FEFB is lam with alef, isolated."""
    assert visual("لا") == "\ufefb"


@pytest.mark.parametrize("name", ["ژرف گنج پنجره چای", "ميناء البحر"])
@pytest.mark.parametrize("face", ["text", "bold"])
def test_persian_and_arabic_names_have_all_their_letters(name: str, face: str) -> None:
    assert NO_GLYPH not in visual(name, face=face)


def test_a_number_in_a_hebrew_line_keeps_its_own_direction() -> None:
    """UAX 9, rule W2 and following: European digits run left to right inside a Hebrew line."""
    assert visual("דירה 42") == "42 הריד"


def test_a_latin_line_with_a_hebrew_word_keeps_its_latin_order() -> None:
    """UAX 9, rules P2 and P3: the first strong letter gives the line its direction."""
    assert visual("Pier אבג 7 north") == "Pier 7 גבא north"


def test_brackets_turn_round_in_a_line_from_right_to_left() -> None:
    """UAX 9, rule L4: an opening bracket still opens towards the words it holds."""
    assert visual("אב (גד) 42") == "42 (דג) בא"
    assert visual("Pier (אב) 7") == "Pier (בא) 7"
    assert visual("Pier ((א) [ב]) <7>") == "Pier ((א) [ב]) <7>"
    assert visual("א ((ב) [ג])") == "([ג] (ב)) א"


@pytest.mark.parametrize("name", ["Żółwia Łąka", "Ψαρόπολη Ἑρμῆς", "Việt Nam", "Ёж Щука", "Ægir"])
@pytest.mark.parametrize("face", ["text", "bold"])
def test_latin_greek_and_cyrillic_letters_are_all_in_the_face(name: str, face: str) -> None:
    assert visual(name, face=face) == name
    assert not has_gaps(name)
    assert all(ord(letter) in load_faces()[face] for letter in name)


def test_letters_apart_from_their_accents_are_put_together() -> None:
    assert printable("Z\u0307o\u0301\u0142w") == "Żółw"


def test_control_characters_and_direction_marks_are_left_out() -> None:
    assert printable("Quay\x00\u202e Steps\n3\u200b\ud800") == "Quay Steps 3"


def test_a_letter_the_faces_do_not_have_is_an_empty_square_and_is_noticed() -> None:
    assert has_gaps("بندرگاہ")  # Urdu's heh goal and yeh barree are not in DejaVu Sans
    assert visual("日本 Pier") == f"{NO_GLYPH}{NO_GLYPH} Pier"
    assert has_gaps("日本 Pier")


@pytest.mark.parametrize("text", ["", "   ", "\n"])
def test_an_empty_text_gives_no_line(text: str) -> None:
    assert break_lines(text, Style(), 50) == []


@pytest.mark.parametrize(
    "text", ["W" * 120, "the long pier at low water " * 5, "ميناء البحر " * 12]
)
def test_lines_fit_their_room_and_lose_nothing(text: str) -> None:
    style = Style("text", 9)
    lines = break_lines(text, style, 30.0)
    assert all(width_mm(line, style) <= 30.0 for line in lines)
    shown = sorted("".join(lines).replace(" ", ""))
    assert shown == sorted(visual(printable(text)).replace(" ", ""))


def test_a_long_arabic_line_is_broken_in_reading_order() -> None:
    """The first words of the sentence stand on the first line, not the last."""
    lines = break_lines("واحد اثنان ثلاثة أربعة", Style("text", 9), 18.0)
    assert len(lines) > 1
    assert visual("واحد") in lines[0]
    assert visual("أربعة") in lines[-1]


@pytest.mark.django_db
@pytest.mark.usefixtures("media")
@pytest.mark.parametrize("paper", ["letter", "a4", "4x6"])
def test_a_slip_prints_names_in_their_own_letters(paper: str) -> None:
    order = factories.make_order(accepted=True)
    order.ship_name, order.ship_line1 = "وائل البحار", "שדרות הים 12"
    order.ship_line2, order.ship_city = "Οδός Λιμανιού 7", "Żółwia Łąka"
    order.ship_country = "日本"
    order.save()
    version = factories.make_version(factories.make_design(title="سمكة"))
    factories.make_job(order, status="packed", version=version)
    said = texts(packing_slip.render(order, paper=paper))[0]
    for words in ("Οδός Λιμανιού 7", "Żółwia Łąka", "□ stands for a letter"):
        assert words in said
    for words in ("وائل البحار", "سمكة", "שדרות הים 12"):
        drawn = visual(words)
        assert any(way in said for way in (drawn, drawn[::-1], words)), words
