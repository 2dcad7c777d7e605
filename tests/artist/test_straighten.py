"""Straighten, place, size: what is saved, what is refused in a sentence, and the previews."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import cv2
import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from geometry.recipe import Recipe
from orders import drawings, kept_pictures, straightening
from orders.checking import look_at
from orders.drawings import receive_drawing
from orders.models import Version
from orders.straightening import Wanted

from .conftest import KEY

PAPER_MM = (152.4, 152.4)  # 6 x 6 in
SAME = {"version": "1", "blank": "6x6in", "paper": "same", "scale_percent": "100", "turn_deg": "0"}
STROKE = {"pen": "white", "points_mm": [[60.0, 50.0], [61.0, 50.0]], "width_mm": 1.5}


def drawing_png(grey: Any = None, dpi: int = 254) -> bytes:
    """A scan at 10 px per mm of a bar of 60 x 20 mm from 30, 40 mm on, with a notch."""
    if grey is None:
        grey = np.full((1524, 1524), 255, np.uint8)
        grey[400:600, 300:900] = 0
        grey[400:450, 300:400] = 255
    out = BytesIO()
    Image.fromarray(grey).save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()


def make(data: bytes | None = None, **recipe: Any) -> Version:
    """A drawing that the worker has looked at, its recipe with more in it."""
    file = SimpleUploadedFile("bar.png", drawing_png() if data is None else data)
    version = receive_drawing(file, visitor=KEY, owner=None, blank_code="6x6in", paper_mm=PAPER_MM)
    version.recipe |= recipe
    version.save()
    assert look_at(version.pk)
    version.refresh_from_db()
    return version


def at(version: Version, rest: str = "") -> str:
    return f"/drawing/{version.design.token}/straighten/{rest}"


def test_the_page_shows_what_was_found_and_what_is_set(visitor: Client) -> None:
    version = make(place_mm=[80.0, 90.5], scale=1.25, ink_level=0.62)
    response = visitor.get(at(version, "?v=1"))
    page = response.content.decode()
    assert 'name="x_mm" value="80"' in page
    assert 'name="scale_percent" value="125"' in page
    assert 'name="ink_percent" value="62"' in page
    assert 'placeholder="-0.5"' in page  # the outer corner of the first pixel
    assert "saving makes version 2" in page
    drawing = visitor.get(f"/drawing/{version.design.token}/").content.decode()
    assert at(version, "?v=1") in drawing


def test_saving_makes_the_next_version_of_the_same_file(visitor: Client) -> None:
    version = make()
    form = SAME | {"blank": "4x4in", "paper": "6x6in", "ink_percent": "62", "turn_deg": "90"}
    corners = {"tl_x": "10", "tl_y": "11.5", "br_x": "1500", "br_y": "1510"}
    form |= corners | {"scale_percent": "80", "x_mm": "50", "y_mm": "40.25"}
    response = visitor.post(at(version, "save/"), form)
    made = version.design.latest
    assert response.headers["Location"] == f"/drawing/{version.design.token}/?v=2"
    assert made.recipe == {
        "schema": 1,
        "mode": "stencil",
        "paper_mm": [152.4, 152.4],
        "blank_mm": [101.6, 101.6],
        "ink_level": 0.62,
        "turn_deg": 90.0,
        "scale": 0.8,
        "place_mm": [50.0, 40.25],
        # those not typed are where they were found
        "corners_px": [[10, 11.5], [1523.5, -0.5], [1500, 1510], [-0.5, 1523.5]],
    }
    assert (made.origin, made.status, made.blank_code) == ("straight", "waiting", "4x4in")
    assert made.upload == version.upload


def test_a_save_pressed_twice_makes_one_version_and_nothing_changed_makes_none(
    visitor: Client,
) -> None:
    version = make()
    for _ in range(2):
        visitor.post(at(version, "save/"), SAME | {"turn_deg": "90"})
    assert version.design.versions.count() == 2
    response = visitor.post(at(version, "save/"), SAME)
    assert response.status_code == 422
    assert "Nothing was changed, so there is no new version." in response.content.decode()
    assert version.design.versions.count() == 2


def test_a_page_left_open_changes_the_version_that_it_showed(visitor: Client) -> None:
    version = make()
    visitor.post(at(version, "save/"), SAME | {"turn_deg": "90"})
    visitor.post(at(version, "save/"), SAME | {"scale_percent": "50"})
    assert version.design.latest.number == 3
    assert "turn_deg" not in version.design.latest.recipe


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"scale_percent": "0"}, "Write a number from 5 to 2000."),
        ({"scale_percent": "many"}, "Write a number from 5 to 2000."),
        ({"scale_percent": "nan"}, "Write a number from 5 to 2000."),
        ({"ink_percent": "100"}, "Write a number from 1 to 99."),
        ({"turn_deg": "1e999"}, "Write a number from -360 to 360 degrees."),
        ({"x_mm": "50"}, "Give both numbers of the middle, or none."),
        ({"blank": "9x9in"}, "Select a valid choice"),
        ({"tl_x": "1523", "tr_x": "0"}, "Those four corners do not go round the paper."),
    ],
)
def test_a_wrong_number_is_told_and_nothing_typed_is_lost(
    visitor: Client, wrong: dict[str, str], sentence: str
) -> None:
    version = make()
    response = visitor.post(at(version, "save/"), SAME | {"y_mm": "", **wrong})
    assert response.status_code == 422
    page = response.content.decode()
    assert sentence in page
    name, value = next(iter(wrong.items()))
    assert name == "blank" or f'name="{name}" value="{value}"' in page
    assert version.design.versions.count() == 1
    assert visitor.get(at(version, "measure.json"), SAME | wrong).status_code == 422


def test_as_large_as_the_margin_allows_without_scripts_and_the_check_agrees(
    visitor: Client,
) -> None:
    version = make()
    response = visitor.post(at(version, "save/"), SAME | {"turn_deg": "90", "do": "largest"})
    data = response.context["form"].data
    # 60 x 20 mm on end, 152.4 - 2 x 10 mm of room: 132.398 / 60, the edges within 0.1 mm
    assert float(data["scale_percent"]) == pytest.approx(220.66, abs=0.4)
    assert (float(data["x_mm"]), float(data["y_mm"])) == pytest.approx((76.2, 76.2), abs=0.2)
    assert version.design.versions.count() == 1
    form = {name: data[name] for name in (*SAME, "x_mm", "y_mm")}
    visitor.post(at(version, "save/"), form)
    made = version.design.latest
    assert look_at(made.pk)
    made.refresh_from_db()
    assert [f for f in made.findings if f["kind"] in ("margin", "leaves-blank")] == []
    true_size = visitor.post(at(version, "save/"), form | {"do": "true-size"})
    assert true_size.context["form"].data["scale_percent"] == "100"
    quarter = visitor.post(at(version, "save/"), form | {"do": "quarter"})
    assert quarter.context["form"].data["turn_deg"] == "180"


def test_strokes_go_along_when_only_the_place_changed(visitor: Client) -> None:
    version = make(strokes=[STROKE])
    form = SAME | {"scale_percent": "200", "turn_deg": "90", "x_mm": "70", "y_mm": "80"}
    response = visitor.post(at(version, "save/"), form, follow=True)
    (stroke,) = version.design.latest.recipe["strokes"]
    # about the ink's centre at 60, 50 mm: one mm to the right becomes two mm down
    assert np.array(stroke["points_mm"]) == pytest.approx(np.array([[70, 80], [70, 82]]), abs=0.02)
    assert stroke["width_mm"] == 3.0
    assert straightening.STROKES_MOVED in response.content.decode()


def test_strokes_stay_on_the_blank_when_corners_change_and_it_is_said(visitor: Client) -> None:
    version = make(strokes=[STROKE], accepted=["thin-line-1.0-1.0"])
    response = visitor.post(at(version, "save/"), SAME | {"tl_x": "3"}, follow=True)
    recipe = version.design.latest.recipe
    assert recipe["strokes"] == [STROKE | {"from": "hand"}]
    assert "accepted" not in recipe  # known by places, which moved
    assert straightening.STROKES_STAYED in response.content.decode()


def test_strokes_are_left_alone_where_nothing_moved(visitor: Client) -> None:
    version = make(strokes=[STROKE])
    visitor.post(at(version, "save/"), SAME | {"ink_percent": "60"})
    assert version.design.latest.recipe["strokes"] == [STROKE | {"from": "hand"}]


def test_a_place_left_over_from_another_blank_is_dropped(visitor: Client) -> None:
    version = make(place_mm=[100.0, 120.0])
    form = SAME | {"paper": "6x6in", "x_mm": "100", "y_mm": "120", "blank": "4x4in"}
    visitor.post(at(version, "save/"), form)
    assert "place_mm" not in version.design.latest.recipe


def test_the_measure_tells_extent_centre_and_the_usual_place(visitor: Client) -> None:
    version = make()
    found = visitor.get(at(version, "measure.json"), SAME).json()
    assert found["size_px"] == [1524, 1524]
    assert found["page"]["found"] == "dpi"
    hull = np.array(found["lie"]["hull_mm"])
    assert [*hull.min(axis=0), *hull.max(axis=0)] == pytest.approx([30, 40, 90, 60], abs=0.06)
    assert found["lie"]["usual_mm"] == pytest.approx([60, 50], abs=0.01)
    assert found["margin_mm"] == 10
    smaller = SAME | {"blank": "4x4in", "paper": "6x6in"}
    found = visitor.get(at(version, "measure.json"), smaller).json()
    assert found["lie"]["usual_mm"] == [50.8, 50.8]
    assert found["largest"]["scale"] == pytest.approx((101.6 - 16) / 60, abs=0.004)


def test_a_paper_that_is_not_found_can_still_be_shown_by_hand(visitor: Client) -> None:
    grey = np.full((900, 1400), 255, np.uint8)
    cv2.circle(grey, (700, 450), 200, 0, 20)
    version = make(drawing_png(grey, dpi=1))
    assert version.status == "unreadable"
    found = visitor.get(at(version, "measure.json"), SAME).json()
    assert (found["size_px"], found["page"]) == ([1400, 900], None)
    assert "edges of the 6 x 6 in paper cannot be seen" in found["error"]
    corners = {"tl_x": "250", "tl_y": "0", "tr_x": "1150", "tr_y": "0"}
    corners |= {"br_x": "1150", "br_y": "899", "bl_x": "250", "bl_y": "899"}
    assert visitor.post(at(version, "save/"), SAME | corners).status_code == 302
    made = version.design.latest
    assert look_at(made.pk)
    made.refresh_from_db()
    assert (made.report["page"]["found"], made.status) == ("given", "rejected")
    some = visitor.post(at(version, "save/"), SAME | {"tl_x": "250"})
    assert "Give all four corners, or none." in some.content.decode()
    page = visitor.get(f"/drawing/{version.design.token}/?v=1").content.decode()
    assert at(version, "?v=1") in page


def test_the_previews_are_pictures_of_the_right_size(visitor: Client) -> None:
    version = make()
    paper = visitor.get(at(version, "paper.png"), SAME)
    picture = Image.open(BytesIO(paper.content))
    assert (picture.mode, picture.size) == ("L", (1100, 1100))
    assert picture.getpixel((500, 360)) < 10  # in the bar
    assert picture.getpixel((100, 900)) == 255
    source = visitor.get(at(version, "source.jpg?v=1"))
    assert Image.open(BytesIO(source.content)).size == (1524, 1524)
    empty = make(drawing_png(np.full((1524, 1524), 255, np.uint8)))
    refused = visitor.get(at(empty, "paper.png"), SAME)
    assert refused.status_code == 422
    assert "Nothing dark enough" in refused.json()["error"]


def test_a_picture_is_unpacked_once_and_the_oldest_kept_goes_first(
    visitor: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, other = make(drawing_png()), make(drawing_png(dpi=300))
    wanted = Wanted("6x6in", PAPER_MM)
    before = kept_pictures.picture_of(one)
    monkeypatch.setattr("geometry.picture.read_picture", None)  # nobody reads the file again
    again = kept_pictures.picture_of(one)
    assert np.array_equal(before.grey, again.grey)
    assert (again.dpi, again.size_px, again.sha256) == (before.dpi, (1524, 1524), before.sha256)
    assert straightening.paper_png(one, wanted)
    monkeypatch.undo()
    monkeypatch.setattr(kept_pictures, "MOST_BYTES", 3_000_000)
    kept_pictures._folder().joinpath(f"{other.upload.sha256}.json").unlink(missing_ok=True)
    kept_pictures.picture_of(other)
    assert kept_pictures.size_px_if_kept(other) == (1524, 1524)
    assert kept_pictures.size_px_if_kept(one) is None


def test_no_page_unpacks_a_file_that_the_check_could_not(
    visitor: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A few hundred bytes may take as long to unpack as is allowed: once, in turn, by the worker.

    The file is that of the hostile ones which takes 15 s of processor time and comes to nothing;
    here it is only what the check said of it that counts.
    """
    version = make(b"%PDF-1.4 cut short")
    assert (version.status, version.report["error"]["code"]) == ("unreadable", "damaged")
    straight = drawings.read_anew(version, Recipe(turn_deg=5.0), "6x6in", by=None)
    monkeypatch.setattr("geometry.picture.read_picture", pytest.fail)
    monkeypatch.setattr("geometry.prepared.read_picture", pytest.fail)
    sentence = version.report["error"]["message"]
    for number in (1, straight.number):  # the second waits; the file is the same
        for name in ("source.jpg", "paper.png"):
            refused = visitor.get(at(version, name), SAME | {"v": number})
            assert (refused.status_code, refused.json()["error"]) == (422, sentence)
        measured = visitor.get(at(version, "measure.json"), SAME | {"v": number})
        assert measured.json()["error"] == sentence
    for name in ("pens-film", "pens-state"):
        assert visitor.get(reverse(name, args=[version.design.token])).status_code == 409


def test_a_file_that_waits_is_not_unpacked_by_a_page_and_nothing_of_that_is_kept(
    visitor: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = SimpleUploadedFile("bar.png", drawing_png(dpi=253))
    version = receive_drawing(file, visitor=KEY, owner=None, blank_code="6x6in", paper_mm=PAPER_MM)
    with monkeypatch.context() as patched:
        patched.setattr("geometry.picture.read_picture", pytest.fail)
        patched.setattr("geometry.prepared.read_picture", pytest.fail)
        for name in ("source.jpg", "paper.png", "measure.json"):
            refused = visitor.get(at(version, name), SAME)
            assert refused.status_code == 422
            assert "still being looked at" in refused.json()["error"]
        for name in ("pens-film", "pens-state"):
            assert visitor.get(reverse(name, args=[version.design.token])).status_code == 409
    assert look_at(version.pk)
    assert visitor.get(at(version, "source.jpg")).status_code == 200
    assert visitor.get(at(version, "measure.json"), SAME).json()["error"] is None


def test_a_cropped_scan_says_so_on_its_page(visitor: Client) -> None:
    a4 = np.full((2970, 2100), 255, np.uint8)  # ISO 216 at 10 px per mm
    cv2.circle(a4, (500, 700), 200, 0, 40)
    cropped = make(drawing_png(a4))
    assert cropped.report["page"]["found"] == "dpi"
    words = "Found on the scan at true size and centred on the stencil"
    assert words in visitor.get(f"/drawing/{cropped.design.token}/").content.decode()
    whole = make()
    assert words not in visitor.get(f"/drawing/{whole.design.token}/").content.decode()
