"""The one exception family.

Rules: every error that a user can cause or meet is a `KeeperError`; each class carries its exit status; the message
says what is wrong, the hint what to do, `where` in which file or place. Foreign exceptions are wrapped once, at the
boundary where they arise, with `raise ... from e`. Anything else that escapes is an internal error (70).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

EXIT_OK = 0
EXIT_FOUND = 1
EXIT_INPUT = 2
EXIT_UNFINISHED = 3
EXIT_REFUSED = 4
EXIT_BUG = 70
# Ended by a signal: 128 and its number, as a shell reports it (POSIX.1-2017, XCU 2.8.2).
EXIT_HUNG_UP = 129
EXIT_INTERRUPTED = 130
EXIT_QUIT = 131
EXIT_TERMINATED = 143

#: With several at once, the first of these is the exit status.
PRECEDENCE = (
    EXIT_BUG,
    EXIT_HUNG_UP,
    EXIT_INTERRUPTED,
    EXIT_QUIT,
    EXIT_TERMINATED,
    EXIT_UNFINISHED,
    EXIT_INPUT,
    EXIT_REFUSED,
    EXIT_FOUND,
)


def worst_exit(statuses: Iterable[int]) -> int:
    """Return the exit status that wins among several, by `PRECEDENCE`; 0 when there is none."""
    present = set(statuses)
    return next((status for status in PRECEDENCE if status in present), EXIT_OK)


class KeeperError(Exception):
    """Base of the family. `message` is one sentence of what is, `hint` what to do, `where` the file or place.

    `evidence` are the cases behind that sentence, a text each; `problems` every finding behind it, or what long work
    had found before it ended (model.findings.Finding). People are reported both under the hint, the first of many.
    """

    exit_code = EXIT_BUG

    def __init__(
        self,
        message: str,
        *,
        hint: str = "",
        where: str = "",
        problems: Sequence[Any] = (),
        evidence: Sequence[str] = (),
    ) -> None:
        self.message = message
        self.evidence = tuple(evidence)
        super().__init__(self.whole)
        self.hint = hint
        self.where = where
        self.problems = tuple(problems)

    @property
    def whole(self) -> str:
        """What is, with all of its evidence, as one text: as JSON has it."""
        return f"{self.message}: {'; '.join(self.evidence)}" if self.evidence else self.message


@contextmanager
def errors_include(problems: Sequence[Any]) -> Iterator[None]:
    """Within the block a KeeperError also has these problems, found before it, ahead of its own."""
    try:
        yield
    except KeeperError as error:
        error.problems = (*problems, *error.problems)
        raise


class InputError(KeeperError):
    """The command line or an input file is wrong."""

    exit_code = EXIT_INPUT


class VersionError(InputError):
    """A version or a range cannot be read or ordered in the declared order."""


class UnfinishedError(KeeperError):
    """The work could not be finished: I/O, network, no space."""

    exit_code = EXIT_UNFINISHED


class LockedError(UnfinishedError):
    """Another process has locked the store."""


class DamagedError(UnfinishedError):
    """A database of ours cannot be read; the hint names the way out."""


class RefusedError(KeeperError):
    """Refused to act: a signature, a manifest, a medium or a folder is not trusted."""

    exit_code = EXIT_REFUSED


class StoppedError(KeeperError):
    """Stopped by a signal; everything finished until then stays."""

    exit_code = EXIT_INTERRUPTED

    def __init__(self, message: str, *, exit_code: int = EXIT_INTERRUPTED, hint: str = "", where: str = "") -> None:
        super().__init__(message, hint=hint, where=where)
        self.exit_code = exit_code
