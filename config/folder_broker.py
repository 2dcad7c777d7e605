"""Kombu's broker of files, with messages and tables that appear whole.

The transport as it comes opens the message under its final name and then writes it; a worker that
looks in between takes an empty message and ends with an error. Here the message is written beside
and renamed, which is one step for whoever lists the folder. So is the table of an exchange, which a
full disk or a kill would leave empty for good; one that cannot be read counts as not there.
"""

import os
import time
import uuid
from pathlib import Path
from typing import Any

from kombu.transport import filesystem
from kombu.transport.filesystem import exchange_queue_t
from kombu.utils.json import dumps, loads


class Channel(filesystem.Channel):
    """A channel whose messages are renamed into place."""

    def _put(  # type: ignore[override]  # the stubs name one parameter in two ways
        self, queue: str, payload: dict[str, Any], **kwargs: Any
    ) -> None:
        # by the clock of the day: the one kombu takes begins anew at each start of the machine
        name = f"{time.time_ns()}_{uuid.uuid4()}.{queue}.msg"
        folder = Path(self.data_folder_out)
        beside = folder / f".{name}"  # begins with a full stop, so it is in no queue
        _write_whole(folder / name, beside, dumps(payload))

    def _table(self, exchange: str) -> Path:
        file: Path = self._exchange_file(exchange)  # type: ignore[attr-defined]  # not in the stubs
        return file

    def get_table(self, exchange: str) -> list[Any]:
        """Return the queues bound to an exchange, as (routing key, pattern, queue)."""
        try:
            return [exchange_queue_t(*row) for row in loads(self._table(exchange).read_text())]
        except (FileNotFoundError, ValueError, TypeError):
            # bound by this process, which does so once only, while the disk was full
            bound = [row for row in self.state.bindings or () if row.exchange == exchange]
            return [exchange_queue_t(row.routing_key, "", row.queue) for row in bound]

    def _queue_bind(  # type: ignore[override]  # the stubs say less than kombu gives
        self, exchange: str, routing_key: str, pattern: str, queue: str
    ) -> None:
        file = self._table(exchange)
        row = exchange_queue_t(routing_key or "", pattern or "", queue or "")
        table = self.get_table(exchange)
        if row in table:
            return
        file.parent.mkdir(exist_ok=True)
        beside = file.with_name(f".{file.name}.{uuid.uuid4()}")
        _write_whole(file, beside, dumps([row, *table]))


def _write_whole(file: Path, beside: Path, text: str) -> None:
    """Write a file in one step; of a failed one nothing is left."""
    try:
        beside.write_text(text)
        os.replace(beside, file)
    except OSError:
        beside.unlink(missing_ok=True)
        raise


class Transport(filesystem.Transport):
    """Chosen by the setting CELERY_BROKER_TRANSPORT."""

    Channel = Channel
