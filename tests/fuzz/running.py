"""Running one parser on one input: what may come out, and how much it may cost.

Rules: cost is counted in calls (Python functions and those of libraries, sys.setprofile), which are the same on every
machine; an input may cost so many for each of its bytes. What loops without a call would never be counted: a timer of
the process's own processor time, far above anything that happened, ends it.
"""

from __future__ import annotations

import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from random import Random
from types import FrameType

from bundlekeeper.errors import KeeperError
from tests.fuzz.mutating import example

HANG_S = 60.0  # of processor time; nothing that ends takes a hundredth of it


@dataclass(frozen=True, slots=True)
class Parser:
    """A reader of bytes, inputs that it takes, words of its format, and what an input may cost.

    `covers` names the functions of the package that `read` calls, as `module.function`; `examples` is how many a test
    run makes; `foreign` are errors that a reader's contract allows besides ours.
    """

    name: str
    read: Callable[[bytes], object]
    seeds: Callable[[], Sequence[bytes]]
    words: tuple[bytes, ...] = ()
    covers: tuple[str, ...] = ()
    examples: int = 120
    calls: int = 5_000
    calls_a_byte: int = 150
    foreign: tuple[type[Exception], ...] = ()


@dataclass(frozen=True, slots=True)
class Failure:
    """What went wrong, with the input to repeat it."""

    parser: str
    message: str
    data: bytes

    def __str__(self) -> str:
        return f"{self.parser}: {self.message}\n  input: {self.data[:3000]!r}"


class TooMuchWork(BaseException):
    """Raised in the middle of a parser that goes on and on; no `except Exception` holds it up."""


@contextmanager
def at_most(calls: int) -> Iterator[list[int]]:
    """Count the calls of the block; raises TooMuchWork in it when they are too many."""
    count = [0]

    def profile(frame: FrameType, event: str, argument: object) -> None:
        if event in ("call", "c_call"):
            count[0] += 1
            if count[0] > calls:
                sys.setprofile(None)
                raise TooMuchWork(f"more than {calls} calls")

    def hung(number: int, frame: FrameType | None) -> None:
        raise TooMuchWork(f"more than {HANG_S:g} s of processor time")

    alone = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGVTALRM, hung) if alone else None
    if alone:
        signal.setitimer(signal.ITIMER_VIRTUAL, HANG_S)
    earlier = sys.getprofile()
    sys.setprofile(profile)
    try:
        yield count
    finally:
        sys.setprofile(earlier)
        if alone:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
            signal.signal(signal.SIGVTALRM, before)


def run(parser: Parser, data: bytes) -> tuple[bool, Failure | None, int]:
    """Whether the input was taken, what went wrong, and how many calls it cost."""
    taken, wrong = False, ""
    allowed = parser.calls + parser.calls_a_byte * len(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with at_most(allowed) as count:
                parser.read(data)
            taken = True
        except KeeperError as e:
            wrong = "" if e.message else "an error that says nothing"
        except parser.foreign:
            pass
        except TooMuchWork as e:
            wrong = f"{e} for {len(data)} bytes"
        except KeyboardInterrupt:
            raise
        except BaseException as e:
            where = traceback.extract_tb(e.__traceback__)[-1]
            wrong = f"{type(e).__name__}: {str(e)[:200]} at {where.filename}:{where.lineno}"
    return taken, Failure(parser.name, wrong, data) if wrong else None, count[0]


def examples(parser: Parser, seed: int) -> Iterator[bytes]:
    """Inputs without end, the same for the same seed."""
    chance = Random(f"{parser.name} {seed}")
    seeds = list(parser.seeds())
    while True:
        yield example(chance, seeds, parser.words)
