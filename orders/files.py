"""A stored file as a path, for the readers that work on paths."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

from .models import Upload


@contextmanager
def local_path(upload: Upload) -> Iterator[str]:
    """Give the upload as a file on this machine, copied there when the store is elsewhere."""
    try:
        path = upload.file.path
    except NotImplementedError:
        with tempfile.NamedTemporaryFile() as copy, upload.file.open("rb") as stored:
            shutil.copyfileobj(stored, copy)
            copy.flush()
            yield copy.name
    else:
        yield path
