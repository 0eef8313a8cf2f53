"""The flag that ends long work soon, as an argument."""

from __future__ import annotations

from bundlekeeper.errors import EXIT_INTERRUPTED, StoppedError


class Stop:
    """A flag to end work soon, set once, from any thread or signal handler: it uses no lock.

    With a `parent`, it is also set when the parent is.
    """

    __slots__ = ("_exit_code", "_parent")

    def __init__(self, parent: Stop | None = None) -> None:
        self._exit_code: int | None = None
        self._parent = parent

    def set(self, exit_code: int = EXIT_INTERRUPTED) -> None:
        """Ask the work to end; `exit_code` is that of the StoppedError (130, or 143 for SIGTERM)."""
        if self._exit_code is None:
            self._exit_code = exit_code

    def is_set(self) -> bool:
        """True once `set` was called, here or on the parent."""
        return self._exit_code is not None or (self._parent is not None and self._parent.is_set())

    @property
    def exit_code(self) -> int:
        """The exit status that was given to `set`, here or on the parent."""
        if self._exit_code is None and self._parent is not None:
            return self._parent.exit_code
        return EXIT_INTERRUPTED if self._exit_code is None else self._exit_code

    def check(self) -> None:
        """Raise StoppedError, with the exit status given to `set`, when it was called."""
        if self._exit_code is not None:
            raise StoppedError("stopped before the end", exit_code=self._exit_code)
        if self._parent is not None:
            self._parent.check()
