"""Limits of a conversation with a Redfish service, at the socket: while it is read, and while a file is sent to it.

Rules: a stop works while waiting, in slices, but not between the request for a session and its answer; the least rate
of a file that is sent counts only the time spent waiting for the network, never the service's own work after it.
"""

from __future__ import annotations

from collections.abc import Callable

import httpcore

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.links.http.limits import HttpLimits, SocketGuard
from bundlekeeper.links.redfish.types import ServiceLostError
from bundlekeeper.verification.hashing.read import Stop

_PIECE = 16 * 1024  # bytes offered at once: one TLS record (RFC 8446 §5.1)
_SLICE_S = 0.25  # how long a wait may go on without looking at the stop flag


class SlowError(UnfinishedError):
    """One answer took too long."""


class ReadGuard(SocketGuard):
    """A deadline for the whole reading, and one for each answer within it."""

    def __init__(
        self,
        place: str,
        now: Callable[[], float],
        stop: Stop | None,
        deadline_s: float,
        rate: tuple[float, float] = (0.0, 60.0),
    ) -> None:
        """`now` is a monotonic clock in seconds; `rate` the least one in bytes a second, and over how many seconds."""
        super().__init__(place, HttpLimits(deadline_s, *rate), now, stop)
        self._clock = now
        self._means_stop = stop
        self._where = place
        self._total_s = deadline_s
        self._answer_end_s = float("inf")

    def begin(self, seconds: float, *, to_its_end: bool = False) -> None:
        """Set the time for the next answer; `to_its_end`: a stop works only after it."""
        self._answer_end_s = self._clock() + seconds
        self._stop = None if to_its_end else self._means_stop

    def remaining(self) -> float:
        """Seconds until the nearer deadline. Raises ServiceLostError, SlowError or StoppedError."""
        try:
            left = super().remaining()
        except StoppedError as e:
            raise StoppedError("stopped while reading", where=self._where, exit_code=e.exit_code) from e
        except UnfinishedError as e:
            raise ServiceLostError(
                f"not read to the end within {self._total_s:.0f} s", where=self._where, hint="give it more time"
            ) from e
        mine = self._answer_end_s - self._clock()
        if mine <= 0:
            raise SlowError("the answer took too long", where=self._where)
        return min(left, mine)


class SendGuard(ReadGuard):
    """The same while a file is sent."""

    def waited(self, seconds: float, count: int) -> None:
        """Waiting for an answer is the service's own time, and no slow network."""

    def write(self, stream: httpcore.NetworkStream, data: bytes, timeout_s: float | None) -> None:
        """Write to the socket of `stream`, in slices of time; what it takes at once is counted.

        Raises as `remaining`; httpcore.WriteTimeout when nothing was taken for so long, httpcore.WriteError where the
        connection broke; UnfinishedError when it is too slow.
        """
        sock, idle_s, left = stream.get_extra_info("socket"), 0.0, memoryview(data)
        while left:
            began, taken = self._now(), 0
            sock.settimeout(min(_SLICE_S, self.remaining()))
            try:
                taken = sock.send(left[:_PIECE])
            except TimeoutError:  # the same bytes are offered again, as TLS requires
                pass
            except OSError as e:
                raise httpcore.WriteError("the connection broke") from e
            left = left[taken:]
            spent = self._now() - began
            idle_s = 0.0 if taken else idle_s + spent
            self._sent(spent, taken)
            if timeout_s is not None and idle_s >= timeout_s:
                raise httpcore.WriteTimeout("nothing was taken")

    def _sent(self, seconds: float, count: int) -> None:
        try:
            super().waited(seconds, count)
        except UnfinishedError as e:
            raise UnfinishedError(f"sending is {e.message}", where=e.where) from e
