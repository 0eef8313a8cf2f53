"""What long work tells about itself, as an argument: a Protocol and the one that stays silent."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol

#: Returns the current time, aware, in UTC. Only `cli` makes a real one.
Clock = Callable[[], datetime]


class Progress(Protocol):
    """Told by the work; may be called from several threads."""

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Work of this many bytes and files begins."""

    def file(self, name: str) -> None:
        """This file is now being read."""

    def advance(self, count: int) -> None:
        """So many more bytes were done."""

    def done(self) -> None:
        """The work ended, well or badly."""


class Silent:
    """A Progress that says nothing."""

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Say nothing."""

    def file(self, name: str) -> None:
        """Say nothing."""

    def advance(self, count: int) -> None:
        """Say nothing."""

    def done(self) -> None:
        """Say nothing."""
