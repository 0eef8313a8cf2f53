"""Documents of services with their entity tags, from one reading to the next."""

from __future__ import annotations

from collections import OrderedDict
from contextlib import suppress


class Cache:
    """Documents with their entity tags, kept by the caller from one reading to the next. Bounded; one thread at a time
    for each service, which is how `read_many` uses it."""

    def __init__(self, max_entries: int = 50_000, max_bytes: int = 256 * 1024 * 1024) -> None:
        self._kept: OrderedDict[tuple[str, str], tuple[str, bytes]] = OrderedDict()
        self._max_entries = max_entries
        self._max_bytes = max_bytes
        self._bytes = 0

    def get(self, user: str, url: str) -> tuple[str, bytes] | None:
        """The tag and the bytes of a document as `user` saw it, or None."""
        return self._kept.get((user, url))

    def put(self, user: str, url: str, etag: str, data: bytes) -> None:
        """Keep a document; the oldest ones are removed where there is no space."""
        old = self._kept.pop((user, url), None)
        self._bytes += len(data) - (len(old[1]) if old else 0)
        self._kept[user, url] = (etag, data)
        while len(self._kept) > self._max_entries or self._bytes > self._max_bytes:
            with suppress(KeyError):
                self._bytes -= len(self._kept.popitem(last=False)[1][1])
