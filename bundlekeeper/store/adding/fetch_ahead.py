"""Files fetched ahead, several at a time, each in a thread of its own; the caller asks for each result in turn.

Rules: only the bytes are fetched here: the caller's thread decides, writes into the store and reports, one bundle
after the other in the plan's order, and it alone draws and starts jobs; the number of files at a time is limited, from
one host and in all, and no file is fetched too far ahead of its turn; when the block ends, every thread has ended, and
what was fetched for nothing is dropped, or kept only so that a later run can resume it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from queue import SimpleQueue

from bundlekeeper.store.adding.sources import Fetched, FileOffer
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.hashing.threads import Helper

#: Files at a time from one host, and in all. Browsers hold six connections to a host (common practice).
FROM_ONE_HOST = 4
AT_ONCE = 8
#: Files that were drawn and whose turn has not come: those that are finished hold a descriptor each.
_DRAWN = 32


@dataclass(eq=False, slots=True)
class Job:
    """One file to fetch: `key` names its bundle, `fetch` brings it and ends soon once its flag is set."""

    key: str
    offer: FileOffer
    host: str
    sha256: str
    fetch: Callable[[Stop], Fetched]
    fetched: Fetched | None = field(default=None, init=False)
    error: BaseException | None = field(default=None, init=False)
    helper: Helper | None = field(default=None, init=False)
    finished: bool = field(default=False, init=False)


class AheadFetches:
    """Jobs in their order; a context manager."""

    def __init__(self, jobs: Iterator[Job], stop: Stop | None) -> None:
        """`jobs` is drawn from a little ahead of the turn of each, in the thread that calls `result`."""
        self._jobs = jobs
        self._stop = Stop(stop)
        self._drawn: dict[str, Job] = {}
        self._done: SimpleQueue[Job] = SimpleQueue()

    def __enter__(self) -> AheadFetches:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for key in list(self._drawn):
            self.forget(key)

    def _begin(self) -> None:
        """Start what may be started, and draw what may be drawn. Raises what drawing jobs raises."""
        for job in self._drawn.values():
            self._start(job)
        while len(self._drawn) < _DRAWN and (drawn := next(self._jobs, None)) is not None:
            self._drawn[drawn.key] = drawn
            self._start(drawn)

    def _start(self, job: Job) -> None:
        running = [other.host for other in self._drawn.values() if other.helper is not None and not other.finished]
        if job.helper is None and len(running) < AT_ONCE and running.count(job.host) < FROM_ONE_HOST:
            job.helper = Helper("fetch", partial(self._run, job))
            job.finished = not job.helper.start()  # where no thread can be started, its turn comes all the same

    def _run(self, job: Job) -> None:
        try:
            self._stop.check()
            job.fetched = job.fetch(self._stop)
        except BaseException as error:  # raised in the thread that asks for the result
            job.error = error
        self._done.put(job)

    def result(self, key: str, offer: FileOffer) -> Fetched | None:
        """The result of the job of that bundle and offer, once it is finished; None where there is no such job.

        Raises what fetching raised.
        """
        self._begin()
        job = self._drawn.get(key)
        if job is None or job.offer is not offer:
            return None
        while not job.finished:
            self._done.get().finished = True
            self._begin()
        del self._drawn[key]
        self._begin()
        if job.error is not None:
            raise job.error
        return job.fetched

    def forget(self, key: str) -> None:
        """End and drop the job of that bundle, if there is one still. Raises nothing."""
        job = self._drawn.pop(key, None)
        if job is not None and job.helper is not None:
            job.helper.join()
        if job is not None and job.fetched is not None:
            _drop(job.fetched, job.sha256)


def _drop(fetched: Fetched, sha256: str) -> None:
    """Let go of a file whose turn never came; right bytes are kept where a later run can resume them."""
    if fetched.digest.sha256 == sha256:
        fetched.temp.keep()
    with suppress(OSError):
        fetched.temp.close()
