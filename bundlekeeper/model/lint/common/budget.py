"""A bound on the checks that compare everything with everything.

Rules: time stays bounded whatever the file; a check that ran out says so, it never passes over what it did not compare.
"""

from __future__ import annotations


class SpentError(Exception):
    """The budget is spent. Caught by `lint.checks` and made a problem."""


class Budget:
    """So many steps and no more."""

    def __init__(self, units: int) -> None:
        self._left = units

    def spend(self, units: int) -> None:
        """Take so many steps off. Raises SpentError when none are left."""
        self._left -= units
        if self._left < 0:
            raise SpentError
