"""A bound on the checks that compare everything with everything.

Rules: time stays bounded whatever the file; a check that ran out reports that, it never skips comparisons silently.
"""

from __future__ import annotations


class SpentError(Exception):
    """The budget is spent. Caught by `lint.checks` and made a problem."""


class Budget:
    """A limited number of steps."""

    def __init__(self, units: int) -> None:
        self._left = units

    def spend(self, units: int) -> None:
        """Use so many steps. Raises SpentError when none are left."""
        self._left -= units
        if self._left < 0:
            raise SpentError
