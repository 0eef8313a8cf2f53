"""Ctrl-C, SIGTERM, and the SIGHUP and SIGQUIT of a terminal.

Rules: inside `guarded()` the first signal only sets the stop flag, so that work ends between two blocks and keeps what
it finished; a second one, or one outside, raises at once. The exit status is the signal's: 129, 130, 131 or 143.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Protocol

from bundlekeeper.cli.screen import output
from bundlekeeper.errors import EXIT_HUNG_UP, EXIT_INTERRUPTED, EXIT_QUIT, EXIT_TERMINATED, StoppedError

_STATUSES = {
    signal.SIGHUP: EXIT_HUNG_UP,
    signal.SIGINT: EXIT_INTERRUPTED,
    signal.SIGQUIT: EXIT_QUIT,
    signal.SIGTERM: EXIT_TERMINATED,
}


class _Flag(Protocol):
    def set(self) -> None:
        """Ask the work to stop."""


class Signals:
    """The process's signal state; one instance, made by `run`."""

    def __init__(self) -> None:
        self.exit_code = 0
        self._flag: _Flag | None = None

    def install(self) -> None:
        """Take over the four signals. A signal that the parent set to be ignored stays ignored."""
        for number in _STATUSES:
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, self._came)

    def _came(self, number: int, _frame: FrameType | None) -> None:
        first = self.exit_code == 0
        self.exit_code = _STATUSES[signal.Signals(number)]
        if first and self._flag is not None:
            self._flag.set()
            output.aside("")
            output.aside("stopping; finished work stays. Press again to stop at once.")
            return
        raise self.stopped()

    def stopped(self) -> StoppedError:
        """The error for the signal that came."""
        return StoppedError("stopped by a signal", exit_code=self.exit_code or EXIT_INTERRUPTED)

    @contextmanager
    def guarded(self, flag: _Flag) -> Iterator[None]:
        """Within the block the first signal sets `flag` and lets the work end by itself."""
        self._flag = flag
        try:
            yield
        finally:
            self._flag = None


SIGNALS = Signals()
