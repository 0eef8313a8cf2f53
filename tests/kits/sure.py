"""What makes a test sure: it waits for what it needs to see, and goes through at least one thing."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

from bundlekeeper.errors import KeeperError
from bundlekeeper.store.contents.unchanged import file_clock_ns

T = TypeVar("T")
PATIENCE_S = 300.0  # only so that a test that hangs fails; no machine is so busy


def wait_until(condition: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until `condition` gives something true.

    Raises AssertionError with `what`, the thing waited for, after `patience_s` seconds. What `condition` raises comes
    out: that is the way to say that there is nothing to wait for any more.
    """
    end = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end, f"not seen in {patience_s:g} s: {what}"
        time.sleep(0.01)


def wait_for_tick(path: Path) -> None:
    """Wait until a change of `path` would show in its times: the kernel's clock for files is past its last change."""
    wait_until(lambda: file_clock_ns() > path.stat().st_ctime_ns, "the next tick of the clock for files")


def some(things: Iterable[T]) -> list[T]:
    """All of `things`, at least one: a loop over nothing tests nothing."""
    every = list(things)
    assert every, "there is nothing to test"
    return every


def only_our_errors(read: Callable[[bytes], object], data: bytes) -> bool:
    """True when `read` takes the data, False when it refuses; an error outside our family fails the test."""
    refused: KeeperError | None = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            read(data)
    except KeeperError as e:
        refused = e
    except Exception as e:
        raise AssertionError(f"{type(e).__name__} for {data[:2000]!r}") from e
    assert refused is None or refused.message
    return refused is None
