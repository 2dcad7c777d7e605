"""An upload far beyond the limit is refused by its size and does not fill the disk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from config import upload_handler
from orders import drawings
from orders.artist import views_upload
from orders.models import Upload


def test_no_more_than_the_cap_of_an_upload_is_written(
    visitor: Client, picture: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upload_handler, "LARGEST_KEPT_BYTES", 100_000)
    monkeypatch.setattr(drawings, "LARGEST_UPLOAD_BYTES", 90_000)
    written: list[int] = []
    receive = views_upload.receive_drawing

    def measured(file: Any, **how: Any) -> Any:
        written.append(Path(file.temporary_file_path()).stat().st_size)
        return receive(file, **how)

    monkeypatch.setattr(views_upload, "receive_drawing", measured)
    form = {"blank": "6x6in", "paper": "same", "drawing": picture(data=bytes(1_000_000))}
    response = visitor.post("/upload/", form, follow=True)
    (told,) = response.context["messages"]
    assert "That file is 1 MB" in str(told)
    assert written[0] <= 100_000 + 64 * 1024  # the cap and the rest of one chunk
    assert not Upload.objects.exists()


def test_the_cap_is_above_what_is_taken() -> None:
    assert upload_handler.LARGEST_KEPT_BYTES > drawings.LARGEST_UPLOAD_BYTES
