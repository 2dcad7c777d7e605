"""Caches that do without themselves: a cache that is away or full is as good as an empty one.

What is kept in a cache can be worked out again, or counts tries; a page must not fail for it.
While Redis is away nothing is counted there; tries at passwords are counted in the database.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.core.cache.backends.filebased import FileBasedCache
from django.core.cache.backends.redis import RedisCache
from redis.exceptions import RedisError

logger = logging.getLogger(__name__)

# method -> what it gives when the cache cannot be reached; get gives its own default
WITHOUT: dict[str, Callable[..., Any]] = {
    "add": lambda *_, **__: True,
    "set": lambda *_, **__: None,
    "touch": lambda *_, **__: False,
    "delete": lambda *_, **__: False,
    "has_key": lambda *_, **__: False,
    "get_many": lambda *_, **__: {},
    "set_many": lambda data, *_, **__: list(data),
    "delete_many": lambda *_, **__: None,
    "incr": lambda key, delta=1, *_, **__: delta,
    "get": lambda key, default=None, *_, **__: default,
}


def _patient(backend: type[Any]) -> type[Any]:
    """Return a cache class whose methods do without the cache when it cannot be reached."""

    def wrapped(name: str) -> Callable[..., Any]:
        method = getattr(backend, name)

        @wraps(method)
        def call(self: Any, *args: Any, **options: Any) -> Any:
            try:
                return method(self, *args, **options)
            except (RedisError, OSError) as error:
                logger.warning("the cache cannot be used (%s): %s", name, type(error).__name__)
                return WITHOUT[name](*args, **options)

        return call

    return type(f"Patient{backend.__name__}", (backend,), {name: wrapped(name) for name in WITHOUT})


PatientRedisCache = _patient(RedisCache)
PatientFileCache = _patient(FileBasedCache)
