"""Kombu's broker of files, with messages that appear whole.

The transport as it comes opens the message under its final name and then writes it; a worker that
looks in between takes an empty message and ends with an error. Here the message is written beside
and renamed, which is one step for whoever lists the folder.
"""

import os
import time
import uuid
from pathlib import Path
from typing import Any

from kombu.transport import filesystem
from kombu.utils.json import dumps


class Channel(filesystem.Channel):
    """A channel whose messages are renamed into place."""

    def _put(  # type: ignore[override]  # the stubs name one parameter in two ways
        self, queue: str, payload: dict[str, Any], **kwargs: Any
    ) -> None:
        # by the clock of the day: the one kombu takes begins anew at each start of the machine
        name = f"{time.time_ns()}_{uuid.uuid4()}.{queue}.msg"
        folder = Path(self.data_folder_out)
        beside = folder / f".{name}"  # begins with a full stop, so it is in no queue
        beside.write_text(dumps(payload))
        os.replace(beside, folder / name)


class Transport(filesystem.Transport):
    """Chosen by the setting CELERY_BROKER_TRANSPORT."""

    Channel = Channel
