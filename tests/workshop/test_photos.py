"""Photos of cut pieces: redrawn small and upright with their pixels only, hostile files told."""

import json
import re
import struct
import subprocess
import sys
import time
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import ExifTags, Image

from orders import photos
from orders.errors import RefusedError
from orders.models import Photo
from orders.workflow import Actor
from tests import factories
from tests.workshop.conftest import Bench

pytestmark = pytest.mark.django_db

MISSING = (
    "A part of this picture is missing: its file ends before its last row. "
    "Save it again, or take the photo again, and send that."
)
UNREADABLE = "This file is not a photo that can be read. Send JPEG, PNG, WebP or HEIC."


def upload(data: bytes, name: str = "piece.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, data, "image/jpeg")


def encoded(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    out = BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def camera_photo() -> bytes:
    """A wide photo, its left half red, held upright: the tag says to turn it clockwise."""
    image = Image.new("RGB", (2400, 1200), "white")
    image.paste("red", (0, 0, 1200, 1200))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.Make] = "Harbour Optics"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[1] = "N"
    return encoded(image, exif=exif.tobytes(), comment=b"taken at home", dpi=(72, 72))


def test_a_photo_is_turned_made_small_and_stripped() -> None:
    """The tag's meaning (6: turn clockwise) is that of Exif 2.32, Orientation."""
    redrawn = Image.open(BytesIO(photos.redrawn(upload(camera_photo()))))
    assert redrawn.format == "JPEG"
    assert redrawn.size == (800, 1600)
    assert redrawn.getpixel((400, 200))[0] > 200
    assert redrawn.getpixel((400, 200))[1] < 60
    assert min(redrawn.getpixel((400, 1400))) > 200
    assert len(redrawn.getexif()) == 0
    assert not {"exif", "comment", "icc_profile"} & set(redrawn.info)
    assert b"Harbour Optics" not in photos.redrawn(upload(camera_photo()))


def test_a_small_photo_is_not_enlarged() -> None:
    redrawn = Image.open(BytesIO(photos.redrawn(upload(encoded(Image.new("RGB", (300, 200)))))))
    assert redrawn.size == (300, 200)


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "HEIF"])
def test_other_kinds_of_photo_become_jpeg(kind: str) -> None:
    import pillow_heif

    pillow_heif.register_heif_opener()
    data = encoded(Image.new("RGB", (64, 48), "navy"), kind)
    redrawn = Image.open(BytesIO(photos.redrawn(upload(data))))
    assert (redrawn.format, redrawn.size) == ("JPEG", (64, 48))


def bomb() -> bytes:
    """A PNG of 20000 x 20000 px that says so in its head."""
    return short_png(20_000, rows=100)


def short_png(side: int = 64, rows: int = 30) -> bytes:
    """A square grey PNG that has so many rows of those that its head tells."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + data))
        return struct.pack(">I", len(data)) + kind + data + check

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    lines = zlib.compress(b"\0" * (side + 1) * rows)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", lines) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"not a picture at all", UNREADABLE),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", UNREADABLE),
        (b"%PDF-1.4 nothing", UNREADABLE),
        (camera_photo()[:9000], UNREADABLE),
        (short_png(), MISSING),
        (bomb(), "This photo has more than 110 million pixels. Save it smaller."),
        (b"", "That file is empty. Choose the photo again, or take a new one."),
    ],
)
def test_what_is_no_photo_gets_one_sentence_and_stores_nothing(
    cutter: Actor, data: bytes, sentence: str
) -> None:
    job = factories.make_job(status="cut")
    with pytest.raises(RefusedError) as refused:
        photos.add_photo(job, upload(data), cutter)
    assert refused.value.sentence == sentence
    assert Photo.objects.count() == 0


def test_a_photo_that_takes_too_long_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "WALL_SECONDS", 0.01)
    with pytest.raises(RefusedError) as refused:
        photos.redrawn(upload(camera_photo()))
    assert refused.value.sentence == (
        "This photo takes too long to unpack. Save it as a plain JPEG and send it again."
    )


@pytest.mark.parametrize(
    "takes_over",
    [
        "while True: out.write(b'x' * 65536)",
        "out.write(b'{}\\n' + b'\\xff\\xd8\\xff')",
        "out.write(b'[1]\\n')",
        "out.write(b'{\"bytes\": 4}\\n<svg')",
        "out.write(b'{\"bytes\": 9}\\n' + b'\\xff\\xd8\\xff')",
        "pass",
    ],
)
def test_a_child_that_its_photo_took_over_gives_no_photo(
    takes_over: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """It may write what it likes, without end: no more is read than a photo has."""
    child = tmp_path / "child.py"
    child.write_text(f"import sys\nout = sys.stdout.buffer\n{takes_over}\n")
    monkeypatch.setattr(photos, "_CHILD", str(child))
    started = time.monotonic()
    with pytest.raises(RefusedError) as refused:
        photos.redrawn(upload(camera_photo()))
    assert refused.value.sentence == photos.BROKEN
    assert time.monotonic() - started < photos.WALL_SECONDS / 2


def test_a_photo_too_large_is_refused_before_it_is_read(
    cutter: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "MOST_BYTES", 1000)
    job = factories.make_job()
    with pytest.raises(RefusedError, match=r"is the most that is taken\. Save it smaller\."):
        photos.add_photo(job, upload(camera_photo()), cutter)


def test_a_photo_is_added_shown_and_recorded_and_undo_still_works(bench: Bench) -> None:
    job = factories.make_job(status="cutting", quantity=1)
    bench.press("workshop-job-step", job.code, "count", seen=0, good=1, spoiled=0)
    told = bench.told("workshop-job-photo-add", job.code, photo=upload(camera_photo()))
    assert told == ["The photo is added; the artist sees it on the order page."]
    photo = job.photos.get()
    page = bench.see("workshop-job", job.code)
    assert f"/photo/{photo.pk}.jpg" in page
    assert "A photo of a cut piece was added" in page
    assert "Undo: pieces counted" in page
    response = bench.client.get(f"/workshop/job/{job.code}/photo/{photo.pk}.jpg")
    assert response["Content-Type"] == "image/jpeg"
    other = factories.make_job()
    gone = bench.client.get(f"/workshop/job/{other.code}/photo/{photo.pk}.jpg")
    assert gone.status_code == 404


def test_a_photo_pressed_twice_is_stored_once(bench: Bench) -> None:
    job = factories.make_job(status="cut", quantity=1)
    page = bench.see("workshop-job", job.code)
    found = re.search(r'name="press" value="([^"]{16,40})" id="photo-press"', page)
    assert found is not None
    for _ in range(2):
        told = bench.told(
            "workshop-job-photo-add", job.code, photo=upload(camera_photo()), press=found[1]
        )
        assert told == ["The photo is added; the artist sees it on the order page."]
    assert job.photos.count() == 1
    assert job.order.events.filter(action="photo").count() == 1
    assert f'value="{found[1]}"' not in bench.see("workshop-job", job.code)
    bench.press("workshop-job-photo-add", job.code, photo=upload(camera_photo()), press="other")
    assert job.photos.count() == 2


def test_the_same_press_for_another_job_is_a_photo_of_its_own(cutter: Actor) -> None:
    for job in (factories.make_job(), factories.make_job()):
        photos.add_photo(job, upload(camera_photo()), cutter, press="as typed by hand")
    assert Photo.objects.count() == 2


def test_no_file_chosen_is_told_on_the_page(bench: Bench) -> None:
    job = factories.make_job()
    page = bench.press("workshop-job-photo-add", job.code).content.decode()
    assert "Choose a photo first, or take one." in page


def test_the_child_that_redraws_shuts_its_door_before_it_reads() -> None:
    """The kernel tells it (proc(5), Seccomp: 2 is a filter) while the child waits for a photo."""
    given = json.dumps({"limits": photos.LIMITS, "path": [path for path in sys.path if path]})
    with subprocess.Popen(
        [sys.executable, "-I", "-S", photos._CHILD, given],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as child:
        status = Path(f"/proc/{child.pid}/status")
        until = time.monotonic() + 20
        while "Seccomp:\t2" not in status.read_text() and time.monotonic() < until:
            time.sleep(0.02)
        told = status.read_text()
        out, _ = child.communicate(encoded(Image.new("L", (8, 8))))
    assert "Seccomp:\t2" in told
    assert "NoNewPrivs:\t1" in told
    assert out.startswith(b'{"bytes":')
