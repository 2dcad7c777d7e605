"""Photos of cut pieces: redrawn in a child process that can be killed, with their pixels only."""

from __future__ import annotations

import json
import select
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

from django.core.files.base import ContentFile
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction

from orders.errors import RefusedError
from orders.models import Event, Job, Photo
from orders.workflow import Actor, record

_CHILD: Final = str(Path(__file__).with_name("photo_child.py"))
MOST_BYTES: Final = 30_000_000
LONGEST_PX: Final = 1600
LIMITS: Final = {
    "most_pixels": 110_000_000,
    "longest_px": LONGEST_PX,
    "memory_bytes": 1_500_000_000,
    "processor_seconds": 15,
}
WALL_SECONDS: Final = 20.0
# 1600 x 1600 px at three bytes each come to less, however little a JPEG saves of them
MOST_ANSWER_BYTES: Final = 10_000_000
LONGEST_SENTENCE: Final = 250
PIPE_BYTES: Final = 65536
JPEG_BEGINS: Final = b"\xff\xd8\xff"  # ITU-T T.81, B.1.1.3: the mark that begins, then another
BROKEN: Final = "This photo is cut short or broken. Take or send it again."
TOO_LONG: Final = "This photo takes too long to unpack. Save it as a plain JPEG and send it again."


def add_photo(job: Job, file: UploadedFile, actor: Actor, *, press: str = "") -> Photo:
    """Store a photo of a job's pieces, redrawn. Raises RefusedError with one sentence.

    ``press`` names the form, so that pressing twice stores one photo; "" is a press of its own.
    """
    if actor.person is None or actor.role != Event.Role.WORKSHOP:
        raise RefusedError("Only the workshop adds photos.")
    known = job.photos.filter(press=press).first() if press else None
    if known is not None:
        return known
    drawn = redrawn_upload(file)
    with transaction.atomic():
        Job.objects.select_for_update().get(pk=job.pk)
        known = job.photos.filter(press=press).first() if press else None
        if known is not None:
            return known
        photo = Photo(job=job, by=actor.person, press=press)
        photo.file.save("photo.jpg", ContentFile(drawn), save=False)
        photo.save()
        record("order", "photo", actor, status=job.status, job=job, order=job.order)
    return photo


def redrawn_upload(file: UploadedFile) -> bytes:
    """Return an uploaded photo redrawn, its size looked at first. Raises RefusedError."""
    if not file.size:
        raise RefusedError("That file is empty. Choose the photo again, or take a new one.")
    if file.size > MOST_BYTES:
        raise RefusedError(
            f"That photo is {file.size / 1e6:.0f} MB, and {MOST_BYTES // 1_000_000} MB is the most "
            "that is taken. Save it smaller."
        )
    return redrawn(file)


def redrawn(file: UploadedFile) -> bytes:
    """Return an uploaded photo as a JPEG of at most 1600 px, upright, with its pixels only."""
    with tempfile.TemporaryFile() as copy:
        for chunk in file.chunks():
            copy.write(chunk)
        copy.seek(0)
        given = json.dumps({"limits": LIMITS, "path": [path for path in sys.path if path]})
        child = subprocess.Popen(
            [sys.executable, "-I", "-S", _CHILD, given],
            stdin=copy,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            cwd="/",
            env={"LC_ALL": "C.UTF-8"},
        )
        with child:
            try:
                told = _answer(child.stdout, time.monotonic() + WALL_SECONDS)
            finally:
                child.kill()
    return _photo_in(told)


def _answer(stream: Any, deadline: float) -> bytes:
    """Return what a child writes, no more than a photo has. Raises RefusedError at the deadline."""
    told = bytearray()
    poll = select.poll()
    poll.register(stream, select.POLLIN)
    while len(told) < MOST_ANSWER_BYTES:
        if not poll.poll(max(0.0, 1000 * (deadline - time.monotonic()))):
            raise RefusedError(TOO_LONG)
        block = stream.read1(PIPE_BYTES)
        if not block:
            break
        told += block
    return bytes(told)


def _photo_in(told: bytes) -> bytes:
    """Return the JPEG that a child tells of, or raise what it says.

    Whatever else comes is of a child that its photo took over, or that died: the photo is broken.
    """
    head, _, photo = told.partition(b"\n")
    try:
        header = json.loads(head)
        if "error" in header:
            raise RefusedError(str(header["error"])[:LONGEST_SENTENCE])
        is_whole = header["bytes"] == len(photo)
    except (ValueError, TypeError, LookupError):
        raise RefusedError(BROKEN) from None
    if not is_whole or not photo.startswith(JPEG_BEGINS):
        raise RefusedError(BROKEN)
    return photo
