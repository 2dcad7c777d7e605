"""The broker of files: messages appear whole, in order, each to one taker."""

import os
import threading
from pathlib import Path
from queue import Empty
from typing import Any

import pytest
from kombu import Connection, Exchange, Queue

from config.environment import broker


@pytest.fixture
def connection(tmp_path: Path) -> Any:
    for name in ("queue", "control"):
        (tmp_path / name).mkdir()
    described = broker("", tmp_path)
    with Connection(
        described["url"],
        transport=described["transport"],
        transport_options=described["transport_options"],
    ) as opened:
        yield opened


def test_messages_come_in_the_order_they_were_sent(connection: Any) -> None:
    queue = connection.SimpleQueue("checks")
    for number in range(20):
        queue.put({"number": number})
    numbers = []
    for _ in range(20):
        message = queue.get(timeout=5)
        numbers.append(message.payload["number"])
        message.ack()
    assert numbers == list(range(20))
    with pytest.raises(Empty):
        queue.get(block=False)
    queue.close()


def test_a_taker_that_never_stops_looking_finds_no_half_message(
    connection: Any, tmp_path: Path
) -> None:
    """A thread lists the folder without pause: whatever is there under its name is complete."""
    folder, halves, stop = tmp_path / "queue", [], threading.Event()
    queue = Queue("other", Exchange("other"), routing_key="other", channel=connection)
    queue.declare()
    producer = connection.Producer()

    def look() -> None:
        while not stop.is_set():
            for name in os.listdir(folder):
                if not name.startswith(".") and not (folder / name).read_text().endswith("}"):
                    halves.append(name)

    looker = threading.Thread(target=look)
    looker.start()
    for number in range(300):
        body = {"number": number, "text": "x" * 5000}
        producer.publish(body, exchange=queue.exchange, routing_key="other")
    stop.set()
    looker.join()
    assert halves == []
    assert len(os.listdir(folder)) == 300
