"""What a process loads as it starts, beside its first work, so that nobody waits for it later."""

from __future__ import annotations

import gc
import threading


def load_checks(after_seconds: float = 0.0, *, closer: bool = False) -> None:
    """Load all that a check or a stroke of the pens needs, in a thread, some time from now.

    closer: what the closer look needs too.

    What is there then stays for good, so the collector is told to pass it over: going through all
    of it would stop a stroke for a fifth of a second, once in ten strokes.
    """
    thread = threading.Timer(after_seconds, _load, [closer])
    thread.name, thread.daemon = "load kernels", True
    thread.start()


def _load(closer: bool) -> None:
    from geometry.warm import warm, warm_checks

    (warm if closer else warm_checks)()
    gc.collect()
    gc.freeze()
