"""The progress of long work, as an argument: a Protocol, and one that reports nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol

#: Returns the current time, aware, in UTC. Only `cli` makes a real one.
Clock = Callable[[], datetime]


class Progress(Protocol):
    """Called by the work, perhaps from several threads."""

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Work on this many bytes and files begins."""

    def file(self, name: str) -> None:
        """This file is now being read."""

    def advance(self, count: int) -> None:
        """So many more bytes were done."""

    def done(self) -> None:
        """The work ended, well or badly."""


class Silent:
    """A Progress that reports nothing."""

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Report nothing."""

    def file(self, name: str) -> None:
        """Report nothing."""

    def advance(self, count: int) -> None:
        """Report nothing."""

    def done(self) -> None:
        """Report nothing."""
