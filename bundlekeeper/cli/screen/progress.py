"""Progress on stderr: a bar with rate and time left on a terminal, a plain line now and then elsewhere.

Rules: nothing on stdout; called from several threads; names pass `visible`; rich is imported only for the bar.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, TextIO

from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import counted, human_bytes, visible
from bundlekeeper.model.progress import Progress, Silent

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID

HEARTBEAT_S = 5.0


def make(quiet: bool) -> Progress:
    """Return the reporter that fits stderr."""
    if quiet:
        return Silent()
    if sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
        return ProgressBar()
    return ProgressLines(sys.stderr, time.monotonic)


class ProgressLines:
    """A line when work of some size begins, then one every few seconds, with bytes, rate and time left."""

    def __init__(self, stream: TextIO, monotonic: Callable[[], float], every_s: float = HEARTBEAT_S) -> None:
        self._stream = stream
        self._monotonic = monotonic
        self._every_s = every_s
        self._lock = threading.Lock()
        self._title = ""
        self._name = ""
        self._total = self._done = 0
        self._began_s = self._next_s = 0.0

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Print what begins."""
        with self._lock:
            self._title, self._total, self._done = title, total_bytes, 0
            self._began_s = self._monotonic()
            self._next_s = self._began_s + self._every_s
            if files:
                self._write(f"{title}: {counted(files, 'file')}, {human_bytes(total_bytes)}")

    def file(self, name: str) -> None:
        """Remember the file for the next line."""
        with self._lock:
            self._name = name

    def advance(self, count: int) -> None:
        """Count bytes; print a line when the last one is old enough."""
        with self._lock:
            self._done += count
            now_s = self._monotonic()
            if now_s < self._next_s:
                return
            self._next_s = now_s + self._every_s
            self._write(self._line(now_s - self._began_s))

    def _line(self, spent_s: float) -> str:
        rate = self._done / spent_s if spent_s > 0 else 0.0
        share = f"{100 * self._done // self._total} %" if self._total else "?"
        left = human((self._total - self._done) / rate) if rate > 0 and self._total >= self._done else "?"
        return (
            f"{self._title}: {share} ({human_bytes(self._done)} of {human_bytes(self._total)}), "
            f"{human_bytes(int(rate))}/s, {left} left, now {self._name}"
        )

    def _write(self, text: str) -> None:
        self._stream.write(visible(text) + "\n")
        self._stream.flush()

    def done(self) -> None:
        """Print nothing: the command's own summary follows."""


class ProgressBar:
    """A rich progress bar on stderr."""

    def __init__(self) -> None:
        self._rich: RichProgress | None = None
        self._task: TaskID | None = None

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        """Show the bar."""
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            DownloadColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
            TransferSpeedColumn,
        )

        self.done()
        console = Console(stderr=True, force_interactive=sys.stderr.isatty())
        self._rich = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=None),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=console,
            transient=True,
            expand=True,
        )
        self._task = self._rich.add_task(visible(title), total=total_bytes or None)
        self._rich.start()

    def file(self, name: str) -> None:
        """Show the file's name, shortened to leave space for the figures."""
        if self._rich is not None and self._task is not None:
            text = visible(name)
            self._rich.update(self._task, description=text if len(text) <= 32 else f"{text[:15]}…{text[-16:]}")

    def advance(self, count: int) -> None:
        """Move the bar."""
        if self._rich is not None and self._task is not None:
            self._rich.advance(self._task, count)

    def done(self) -> None:
        """Remove the bar."""
        if self._rich is not None:
            self._rich.stop()
        self._rich = self._task = None
