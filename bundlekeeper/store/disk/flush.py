"""Descriptors made durable, many at a time.

Rules: each descriptor is fsynced by itself and once, so that an error is that file's own (syncfs(2) says only that some
file failed, and before Linux 5.8 not even that); several are fsynced at a time, because a file system commits and a
disk flushes once for all that wait.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from bundlekeeper.verification.hashing.threads import Helper

_AT_ONCE = 4
_FEW = 8  # for fewer of them in each thread, a thread costs more than it saves


def flushed(fds: Sequence[int]) -> list[OSError | None]:
    """Fsync each of the descriptors; returns for each its error, None where there is none. Raises nothing."""
    errors: list[OSError | None] = [None] * len(fds)
    turns = iter(range(len(fds)))  # shared: each thread takes the next

    def work() -> None:
        for turn in turns:
            try:
                os.fsync(fds[turn])
            except OSError as error:
                errors[turn] = error

    helpers = [Helper("flush", work) for _ in range(min(_AT_ONCE, len(fds) // _FEW) - 1)]
    try:
        for helper in helpers:
            helper.start()
        work()
    finally:
        for helper in helpers:
            helper.join()
    return errors
