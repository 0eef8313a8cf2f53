"""Threads that can always be waited for.

Rules: a helper is registered by its owner before it is started, so that an interrupt (Ctrl-C raises between any two
steps of the main thread, also inside `Thread.start`) never leaves one that nobody ends; helpers are daemons, so that
not even a device that hangs for ever keeps the interpreter from ending.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

#: How long a thread whose start was interrupted is given to show that it exists after all.
_GRACE_S = 1.0


class Helper:
    """One thread that runs `work` once."""

    def __init__(self, name: str, work: Callable[[], None]) -> None:
        self._work = work
        self._begun = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._tried = False

    def _run(self) -> None:
        self._begun.set()
        self._work()

    def start(self) -> bool:
        """Start the thread; False when no other thread can be started."""
        self._tried = True
        try:
            self._thread.start()
        except RuntimeError:
            self._tried = False
        return self._tried

    def join(self) -> None:
        """Wait until the thread has ended; return at once when it never began."""
        if not self._tried:
            return
        try:
            self._thread.join()
        except RuntimeError:  # its start was interrupted: whether the kernel has made it yet is not known
            if self._begun.wait(_GRACE_S):
                self._thread.join()
