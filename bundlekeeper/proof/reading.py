"""What a full read gives, and how it is stopped: the types that every reader of bytes shares.

Rules: a digest exists only for bytes that were really read, to the end; a read error is never a digest; work that is
told to stop ends soon with `StoppedError` and leaves no thread or process behind.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass

from bundlekeeper.errors import EXIT_FOUND, KeeperError


class TooLong(KeeperError):  # noqa: N818 - the name is the finding, as the callers' code reads it
    """More bytes came than the caller allows; what was written until then is the caller's to drop."""

    exit_code = EXIT_FOUND


@dataclass(frozen=True, slots=True)
class Digest:
    """One full read: `size` is the number of bytes really read, `hexes` maps algorithm to lower-case hexadecimal."""

    size: int
    hexes: Mapping[str, str]

    @property
    def sha256(self) -> str:
        """The SHA-256 (FIPS 180-4), lower-case hexadecimal. Raises KeyError when it was not asked for."""
        return self.hexes["sha256"]


class Stop:
    """A flag that any thread or signal handler may set, once, to end the work soon."""

    __slots__ = ("_event",)

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        """Ask the work to end; safe from any thread and from a signal handler."""
        self._event.set()

    def is_set(self) -> bool:
        """True once `set` was called."""
        return self._event.is_set()
