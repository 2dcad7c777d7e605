"""Uploads on their way in: written to disk, but never more of one than is taken."""

from django.core.files.uploadhandler import TemporaryFileUploadHandler

LARGEST_KEPT_BYTES = 64 * 1024 * 1024  # above the limit of every page that takes files


class CappedUploadHandler(TemporaryFileUploadHandler):
    """Keep only the first part of a file that is too large; its size is the whole one's.

    So the page refuses it by its size, and one endless upload does not fill the disk before the
    page is asked.
    """

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        """Write a chunk that begins below the cap; drop those after it."""
        if start < LARGEST_KEPT_BYTES:
            self.file.write(raw_data)
