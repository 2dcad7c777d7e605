"""Pictures of every kind are read alike: upright, grey, with their true resolution."""

from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageDraw, ImageOps

from geometry.picture import Picture, ReadLimits, read_picture

SIZE_PX = (300, 200)


def sign() -> Image.Image:
    """A shop sign with a ring at its top left and a bar at its bottom right."""
    picture = Image.new("RGB", SIZE_PX, "white")
    pen = ImageDraw.Draw(picture)
    pen.ellipse((20, 20, 100, 100), outline="black", width=8)
    pen.rectangle((200, 150, 280, 180), fill="black")
    return picture


def save(path: Path, picture: Image.Image, **more: object) -> Picture:
    """Write a picture and read it back through the door under test."""
    picture.save(path, **more)
    return read_picture(path)


@pytest.mark.parametrize("ending", ["png", "jpg", "webp", "tif", "gif", "pdf"])
def test_every_kind_of_file_shows_the_same_drawing(tmp_path: Path, ending: str) -> None:
    more = {"resolution": 600} if ending == "pdf" else {}
    picture = save(tmp_path / f"sign.{ending}", sign(), **more)
    expected = np.asarray(sign().convert("L"), float)
    assert picture.size_px == SIZE_PX
    assert np.abs(picture.grey - expected).mean() < 2.5


def test_a_phones_heic_is_read(tmp_path: Path) -> None:
    pillow_heif.from_pillow(sign()).save(tmp_path / "sign.heic", quality=95)
    picture = read_picture(tmp_path / "sign.heic")
    assert (picture.format, picture.size_px) == ("HEIC", SIZE_PX)
    assert np.abs(picture.grey - np.asarray(sign().convert("L"), float)).mean() < 2.5


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "webp"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_picture_stands_as_it_is_shown(
    tmp_path: Path, orientation: int, ending: str
) -> None:
    """Against Pillow's own exif_transpose, which follows CIPA DC-008 (Exif), table 4."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / f"turned.{ending}"
    sign().save(path, exif=exif, **({"lossless": True} if ending == "webp" else {}))
    with Image.open(path) as stored:
        shown = ImageOps.exif_transpose(stored).convert("L")
    picture = read_picture(path)
    assert picture.size_px == shown.size
    assert np.abs(picture.grey.astype(float) - np.asarray(shown, float)).mean() < 1


@pytest.mark.parametrize("ending", ["jpg", "tif", "png"])
def test_the_dpi_turns_with_the_picture(tmp_path: Path, ending: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    picture = save(tmp_path / f"turned.{ending}", sign(), exif=exif, dpi=(300, 150))
    assert picture.dpi == pytest.approx((150, 300), rel=0.001)


def test_a_picture_without_a_dpi_tag_has_none(tmp_path: Path) -> None:
    assert save(tmp_path / "sign.png", sign()).dpi is None


def test_a_cameras_dpi_tag_is_not_believed(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x829A] = 0.01
    assert save(tmp_path / "photo.jpg", sign(), exif=exif, dpi=(300, 300)).dpi is None


def test_clear_parts_are_paper(tmp_path: Path) -> None:
    clear = Image.new("RGBA", SIZE_PX, (0, 0, 0, 0))
    clear.paste((0, 0, 0, 255), (10, 10, 60, 60))
    grey = save(tmp_path / "clear.png", clear).grey
    assert grey[30, 30] == 0
    assert grey[150, 150] == 255


@pytest.mark.parametrize(
    "pen", [(200, 30, 30), (30, 60, 200), (20, 120, 40), (250, 230, 30), (90, 0, 110)]
)
def test_a_pen_of_any_colour_is_dark(tmp_path: Path, pen: tuple[int, int, int]) -> None:
    coloured = Image.new("RGB", SIZE_PX, "white")
    coloured.paste(pen, (10, 10, 60, 60))
    grey = save(tmp_path / "pen.png", coloured).grey
    assert grey[30, 30] < 150
    assert grey[150, 150] == 255


def test_sixteen_bits_a_pixel_are_read(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 256).astype(np.uint16).reshape(16, 16)
    grey = save(tmp_path / "deep.png", Image.fromarray(ramp)).grey
    assert np.abs(grey.astype(float) - ramp / 257).max() <= 1


def test_a_very_large_picture_is_reduced_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "large.jpg"
    Image.new("L", (1000, 800), 255).save(path, dpi=(600, 600))
    picture = read_picture(path, limits=ReadLimits(kept_pixels=300_000))
    assert picture.grey.shape == (400, 500)
    assert (picture.size_px, picture.reduction) == ((1000, 800), 2)
    assert picture.dpi == pytest.approx((300, 300))
    corner = np.array([[-0.5, -0.5], [499.5, 399.5]])
    assert picture.to_displayed(corner).tolist() == [[-0.5, -0.5], [999.5, 799.5]]
    assert picture.from_displayed(picture.to_displayed(corner)).tolist() == corner.tolist()


def test_an_svg_in_millimetres_is_drawn_at_its_true_size(tmp_path: Path) -> None:
    path = tmp_path / "ring.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="60mm" height="40mm" viewBox="0 0 60 40">'
        '<rect x="10" y="10" width="20" height="20"/></svg>'
    )
    picture = read_picture(path)
    assert picture.drawn
    assert picture.dpi == pytest.approx((600, 600), rel=0.001)
    dark = np.argwhere(picture.grey < 128)
    size_mm = (np.ptp(dark, axis=0) + 1) / 600 * 25.4
    assert size_mm == pytest.approx((20, 20), abs=0.05)


def test_an_svg_without_a_real_size_has_no_dpi(tmp_path: Path) -> None:
    path = tmp_path / "ring.svg"
    path.write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 40"></svg>')
    picture = read_picture(path)
    assert picture.dpi is None
    assert picture.grey.shape == (2400, 3600)


def test_a_pdf_page_keeps_its_size(tmp_path: Path) -> None:
    path = tmp_path / "sign.pdf"
    sign().save(path, resolution=100)
    picture = read_picture(path)
    assert picture.dpi == pytest.approx((600, 600), rel=0.01)
    assert picture.size_px == pytest.approx((1800, 1200), abs=1)  # a part pixel counts whole


def test_the_hash_is_that_of_the_file(tmp_path: Path) -> None:
    """SHA-256 as the standard library's file_digest computes it."""
    import hashlib

    path = tmp_path / "sign.png"
    sign().save(path)
    with path.open("rb") as file:
        assert read_picture(path).sha256 == hashlib.file_digest(file, "sha256").hexdigest()
