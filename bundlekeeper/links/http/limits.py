"""Limits below the HTTP library, at the socket: a deadline, a least rate, and a stop that works while waiting.

Rules: every read of a connection passes here, also those of headers and of chunk frames without bytes of a body, so
that a server cannot keep us waiting by sending very slowly; the rate counts only time spent waiting for the network, so
that a slow disk of ours is never blamed on the server; a limit that was hit is final; a connection that many downloads
use in turn has the limits of the one that uses it. Importing this module imports httpx.
"""

from __future__ import annotations

import socket
import ssl
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

import httpcore
import httpx

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.verification.hashing.read import Stop

_SLICE_S = 0.25  # how long a wait may go on without looking at the stop flag
_GATHERED = 256 * 1024  # the most bytes read at once from a connection that has them ready
_PARTS = 10  # the window of the least rate slides by tenths, or by slices where those are longer


@dataclass(frozen=True, slots=True)
class HttpLimits:
    """`deadline_s` for one download with all its tries; `least_rate_bytes_s` over any `window_s` of waiting."""

    deadline_s: float
    least_rate_bytes_s: float
    window_s: float


class SocketGuard:
    """Enforces the limits of one download on its connections."""

    def __init__(self, place: str, limits: HttpLimits, now: Callable[[], float], stop: Stop | None = None) -> None:
        """`now` is a monotonic clock in seconds; `place` is what messages call the server."""
        self._place = place
        self._limits = limits
        self._now = now
        self._stop = stop
        self._end_s = now() + limits.deadline_s
        self._past: deque[tuple[float, int]] = deque()
        self._spent_s = 0.0
        self._count = 0
        self.connects = 0  # connections that were tried
        self.on_silence: Callable[[], None] | None = None  # called when nothing came for a slice of waiting

    def remaining(self) -> float:
        """Seconds until the deadline. Raises UnfinishedError at the deadline, StoppedError when stopped."""
        if self._stop is not None and self._stop.is_set():
            raise StoppedError("stopped while downloading", where=self._place, exit_code=self._stop.exit_code)
        left = self._end_s - self._now()
        if left <= 0:
            raise UnfinishedError(
                f"not finished after {self._limits.deadline_s:.0f} s",
                where=self._place,
                hint="run the command again to go on",
            )
        return left

    def pause(self, seconds: float, wait: Callable[[float], None], because: UnfinishedError | None = None) -> None:
        """Wait between two tries, with `wait`, in slices; `because` is the error of the last try.

        Raises as `remaining`: UnfinishedError at once where the wait is longer than what remains.
        """
        if seconds >= self.remaining():
            message = (f"{because.message}; " if because else "") + "there is no time left for another try"
            where = because.where if because else self._place
            raise UnfinishedError(message, where=where, hint="run the command again later")
        while seconds > 0:
            self.remaining()
            wait(min(seconds, _SLICE_S))
            seconds -= _SLICE_S

    def waited(self, seconds: float, count: int) -> None:
        """Count a read that took so long and gave so many bytes. Raises UnfinishedError below the least rate."""
        self._spent_s += seconds
        self._count += count
        if self._spent_s * _PARTS < self._limits.window_s:
            return
        self._past.append((self._spent_s, self._count))
        self._spent_s, self._count = 0.0, 0
        total_s = sum(s for s, _ in self._past)
        while total_s - self._past[0][0] >= self._limits.window_s:
            total_s -= self._past.popleft()[0]
        rate = sum(n for _, n in self._past) / total_s
        if total_s >= self._limits.window_s and rate < self._limits.least_rate_bytes_s:
            raise UnfinishedError(
                f"too slow: {rate:.0f} bytes/s over {total_s:.3g} s",
                where=self._place,
                hint="run the command again later; what was downloaded is kept",
            )

    def read(
        self,
        stream: httpcore.NetworkStream,
        max_bytes: int,
        timeout_s: float | None,
        connected: socket.socket | None = None,
    ) -> bytes:
        """Read once from `stream`, in slices, and what `connected`, the socket that it reads from, has ready then.

        Raises like `remaining` and `waited`; httpcore.ReadTimeout when idle.
        """
        idle_s = 0.0
        while True:
            began = self._now()
            try:
                data = stream.read(max_bytes, timeout=min(_SLICE_S, self.remaining()))
            except httpcore.ReadTimeout:
                spent = self._now() - began
                idle_s += spent
                if self.on_silence is not None:
                    self.on_silence()
                self.waited(spent, 0)
                if timeout_s is not None and idle_s >= timeout_s:
                    raise
                continue
            if connected is not None and data:
                data = _gathered(connected, data)
            self.waited(self._now() - began, len(data))
            return data

    def write(self, stream: httpcore.NetworkStream, data: bytes, timeout_s: float | None) -> None:
        """Write all of `data` to `stream`. Raises like `remaining`; httpcore's errors."""
        stream.write(data, timeout=self.within(timeout_s))

    def within(self, timeout_s: float | None) -> float:
        """The smaller of a timeout and the time left. Raises like `remaining`."""
        left = self.remaining()
        return left if timeout_s is None else min(timeout_s, left)

    @contextmanager
    def watching(self) -> Iterator[None]:
        """During the block, what this thread does on shared connections counts here."""
        token = _WATCHING.set(self)
        try:
            yield
        finally:
            _WATCHING.reset(token)


_WATCHING: ContextVar[SocketGuard] = ContextVar("the guard of this thread")
#: Gives the guard whose limits a connection has now: one guard, or `shared`: that of the thread which uses it.
Watch = Callable[[], SocketGuard]
shared: Watch = _WATCHING.get


class ProxyUnreachableError(httpcore.ConnectError):
    """No connection to the proxy, whatever the server behind it; `proxy` is its origin, without secrets."""

    def __init__(self, proxy: str) -> None:
        super().__init__("no connection to the proxy")
        self.proxy = proxy


def _gathered(connected: socket.socket, data: bytes) -> bytes:
    """`data` and what else the socket has ready: TLS gives 16 KiB a time (RFC 8446 §5.1), and each read costs time."""
    gathered = memoryview(bytearray(_GATHERED))
    size = len(data)
    gathered[:size] = data
    connected.settimeout(0)
    while size < _GATHERED:
        try:
            count = connected.recv_into(gathered[size:])
        except OSError:  # nothing ready; a broken one breaks again
            break
        if not count:
            break
        size += count
    return bytes(gathered[:size]) if size > len(data) else data


class _Stream(httpcore.NetworkStream):
    def __init__(self, inner: httpcore.NetworkStream, watch: Watch, connected: socket.socket | None) -> None:
        self._inner = inner
        self._watch = watch
        self._connected = connected  # what `inner` reads from; None where TLS in TLS is in between

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._watch().read(self._inner, max_bytes, timeout, self._connected)

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._watch().write(self._inner, buffer, timeout)

    def close(self) -> None:
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        try:
            inner = self._inner.start_tls(ssl_context, server_hostname, timeout=self._watch().within(timeout))
        except BaseException:
            self.close()  # nobody knows this connection yet
            raise
        twice = self._connected is None or isinstance(self._connected, ssl.SSLSocket)
        return _Stream(inner, self._watch, None if twice else inner.get_extra_info("socket"))

    def get_extra_info(self, info: str) -> object:
        return self._inner.get_extra_info(info)


class Backend(httpcore.NetworkBackend):
    """A network for httpcore; every connection has limits."""

    def __init__(self, watch: Watch, proxy: str = "") -> None:
        """`proxy` is the origin of the proxy that every connection goes to, empty where there is none."""
        self._watch = watch
        self._proxy = proxy
        self._real = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.NetworkStream:
        """Connect. Raises httpcore's errors, ProxyUnreachableError where it is the proxy that is not there."""
        guard = self._watch()
        guard.connects += 1
        try:
            inner = self._real.connect_tcp(host, port, guard.within(timeout), local_address, socket_options)
        except (httpcore.ConnectError, httpcore.ConnectTimeout) as e:
            if self._proxy:
                raise ProxyUnreachableError(self._proxy) from e
            raise
        return _Stream(inner, self._watch, inner.get_extra_info("socket"))


class GuardedTransport(httpx.BaseTransport):
    """httpx's HTTP/1.1 over our own pool; httpx's own transport accepts no network backend."""

    def __init__(self, pool: httpcore.ConnectionPool) -> None:
        self._pool = pool

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Send one request. Raises httpx.TransportError, and KeeperError from the guard."""
        with _as_httpx(request):
            answer = self._pool.handle_request(
                httpcore.Request(
                    method=request.method,
                    url=httpcore.URL(
                        scheme=request.url.raw_scheme,
                        host=request.url.raw_host,
                        port=request.url.port,
                        target=request.url.raw_path,
                    ),
                    headers=request.headers.raw,
                    content=request.stream,
                    extensions=request.extensions,
                )
            )
        return httpx.Response(
            answer.status, headers=answer.headers, stream=_Body(answer, request), extensions=answer.extensions
        )

    def close(self) -> None:
        """Close every connection."""
        self._pool.close()


class _Body(httpx.SyncByteStream):
    def __init__(self, answer: httpcore.Response, request: httpx.Request) -> None:
        self._answer = answer
        self._request = request

    def __iter__(self) -> Iterator[bytes]:
        with _as_httpx(self._request):
            yield from self._answer.iter_stream()

    def close(self) -> None:
        self._answer.close()


@contextmanager
def _as_httpx(request: httpx.Request) -> Iterator[None]:
    try:
        yield
    except httpcore.ConnectTimeout as e:
        raise httpx.ConnectTimeout("no connection in time", request=request) from e
    except httpcore.TimeoutException as e:
        raise httpx.ReadTimeout("no answer in time", request=request) from e
    except httpcore.ConnectError as e:
        raise httpx.ConnectError("no connection", request=request) from e
    except httpcore.NetworkError as e:
        raise httpx.ReadError("the connection broke", request=request) from e
    except httpcore.ProxyError as e:
        raise httpx.ProxyError("the proxy refused", request=request) from e
    except httpcore.RemoteProtocolError as e:
        raise httpx.RemoteProtocolError("no HTTP", request=request) from e
    except (httpcore.ProtocolError, httpcore.UnsupportedProtocol) as e:
        raise httpx.LocalProtocolError("cannot be sent", request=request) from e
