"""Downloads one file from an http(s) server into a part file: with several tries, resuming, and limits.

Rules: the body is hashed while it is written, and nothing else in it is used; never more than the expected size and one
block is read; a rest is asked for with a strong validator only (If-Range), and the download starts again where it does
not fit; every try and every wait is counted. Source: RFC 9110 (ranges §14, conditions §13). Imports httpx.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import httpx

from bundlekeeper.links.http.client import BrokenOff, redacted, talking_to
from bundlekeeper.links.http.conversation import Conversation, HttpQuestion, HttpServer
from bundlekeeper.links.http.limits import HttpLimits, SocketGuard
from bundlekeeper.links.http.part_file import JoinedBlocks, PartFile
from bundlekeeper.links.http.verdict import Again, MissingAnswer, Rest, WholeAnswer, WrongSize
from bundlekeeper.verification.hashing.read import Stop

_JOIN_S = 0.25  # small blocks wait no longer than this to be joined with others
PROGRESS_BYTES = 1 << 20  # a try that brought so many bytes resets the count of failures


@dataclass(frozen=True, slots=True)
class DownloadRules:
    """How patient a download is. Times in seconds, sizes in bytes.

    `deadline_s` None means the time for the whole file at the least rate, and ten minutes.
    """

    tries: int = 5
    backoff_s: float = 1.0
    longest_wait_s: float = 120.0
    least_rate_bytes_s: float = 4096.0
    window_s: float = 30.0
    deadline_s: float | None = None
    keep_every_bytes: int = 64 << 20
    keep_every_s: float = 5.0

    def limits(self, size: int) -> HttpLimits:
        """The limits for a file of `size` bytes."""
        patient = 600.0 + size / self.least_rate_bytes_s if self.least_rate_bytes_s > 0 else float("inf")
        deadline_s = patient if self.deadline_s is None else self.deadline_s
        return HttpLimits(deadline_s, self.least_rate_bytes_s, self.window_s)


@dataclass(frozen=True, slots=True)
class ReceivedBytes:
    """All bytes are in the part file: their digest, and how many came over the network in this run."""

    size: int
    sha256: str
    transferred: int


def download(
    server: HttpServer,
    urls: Sequence[httpx.URL],
    part: PartFile,
    *,
    expected: int,
    rules: DownloadRules,
    stop: Stop | None = None,
) -> ReceivedBytes | None:
    """Bring `expected` bytes into `part` from the first of `urls` that has the file; None where none has it.

    Where an earlier run left a beginning of the file, the address that it came from is tried first.
    Raises WrongSize when the server's file has another length, UnfinishedError when it could not be finished (the
    bytes are kept in `part` where they can be resumed), StoppedError when stopped, InputError for headers or
    settings of the environment that cannot be used.
    """
    places = [redacted(url) for url in urls]
    at = part.resume(places)
    if expected and part.size == expected:
        return ReceivedBytes(expected, part.sha256(), 0)
    ordered = sorted(zip(places, urls, strict=True), key=lambda pair: pair[0] != at)
    for place, url in ordered:
        guard = SocketGuard(place, rules.limits(expected), server.now, stop)
        with Conversation(server, guard) as conversation:
            received = _Download(server, conversation, guard, url, part, expected, rules).run()
        if received is not None:
            return received
    return None


class _Download:
    """The tries of one address."""

    def __init__(
        self,
        server: HttpServer,
        conversation: Conversation,
        guard: SocketGuard,
        url: httpx.URL,
        part: PartFile,
        expected: int,
        rules: DownloadRules,
    ) -> None:
        self._server = server
        self._conversation = conversation
        self._guard = guard
        self._url = url
        self._place = redacted(url)
        self._part = part
        self._expected = expected
        self._rules = rules
        self._transferred = 0

    def run(self) -> ReceivedBytes | None:
        """Try until the file is whole or more tries are useless; None where the server has no such file."""
        failures = 0
        while True:
            before = self._transferred
            try:
                if not self._attempt():
                    return None
                return ReceivedBytes(self._part.size, self._part.sha256(), self._transferred)
            except BrokenOff as e:
                failures = 1 if self._transferred - before >= PROGRESS_BYTES else failures + 1
                if failures >= self._rules.tries:
                    raise
                self._guard.pause(self._wait_s(failures, e), self._server.wait, e)

    def _wait_s(self, failures: int, error: BrokenOff) -> float:
        backoff_s = self._rules.backoff_s * 2.0 ** (failures - 1)
        return min(max(backoff_s, error.retry_after_s or 0.0), self._rules.longest_wait_s)

    def _attempt(self) -> bool:
        """One request and its body; False where the server has no such file."""
        validator = self._part.validator
        ask = HttpQuestion(start=self._part.size if validator else 0, validator=validator, expected=self._expected)
        with self._conversation.answer(self._url, ask) as (response, verdict):
            if isinstance(verdict, WholeAnswer):
                self._part.begin(self._place, verdict.validator)
                self._receive(response, verdict.framed)
            elif isinstance(verdict, Rest):
                self._receive(response, framed=False)
        if isinstance(verdict, Again):  # what we have does not fit the server's file
            self._part.restart()
            return self._attempt()
        return not isinstance(verdict, MissingAnswer)

    def _receive(self, response: httpx.Response, framed: bool) -> None:
        """Write the body; keep what was received, whatever happens."""
        try:
            with self._part.receiving() as joined:
                self._guard.on_silence = joined.flush
                self._write_body(response, joined)
        except WrongSize:
            self._part.restart()
            raise
        finally:
            self._guard.on_silence = None
            self._part.keep()
        came = self._part.size
        if came < self._expected and framed:  # the whole file; the caller decides what to do with it
            raise WrongSize(came, self._expected, where=self._place)
        if came < self._expected:
            raise BrokenOff(
                f"the mirror's answer ended after {came} of {self._expected} bytes",
                where=self._place,
                hint="run the command again to go on",
            )

    def _write_body(self, response: httpx.Response, joined: JoinedBlocks) -> None:
        """Write every block of the body soon, and record the progress now and then."""
        written_s = kept_s = self._server.now()
        for block in self._blocks(response):
            if len(block) > self._expected - self._part.size - joined.waiting:
                raise WrongSize(self._expected + 1, self._expected, more=True, where=self._place)
            joined.add(block)
            self._transferred += len(block)
            now_s = self._server.now()
            late = now_s - kept_s >= self._rules.keep_every_s
            if late or self._part.unkept + joined.waiting >= self._rules.keep_every_bytes:
                joined.flush()
                self._part.keep()
                written_s = kept_s = self._server.now()
            elif now_s - written_s >= _JOIN_S:
                joined.flush()
                written_s = now_s

    def _blocks(self, response: httpx.Response) -> Iterator[bytes]:
        with talking_to(self._place):
            yield from response.iter_raw()
