"""A conversation with one mirror: a client for each origin, allowed redirects, and a verdict on every answer.

Rules: connections are kept and shared by all requests to one mirror, also by several threads; another origin is used
only where it was allowed, and never with the headers of the first; redirects are counted; an allowed bare host means
https, so it never allows http; an address from a server is checked like an address from a user. Source: RFC 9110 §15.4,
RFC 6454. Imports httpx.
"""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace

import httpx

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.links.http.client import (
    BrokenOff,
    HttpSettings,
    Origin,
    Unreachable,
    open_client,
    origin_of,
    parse_url,
    redacted,
    talking_to,
)
from bundlekeeper.links.http.limits import SocketGuard, shared
from bundlekeeper.links.http.verdict import Redirect, Verdict, judge

MAX_REDIRECTS = 5
_SMALL_BYTES = 64 * 1024  # an unused body up to this size is read to its end, because that keeps the connection


class MirrorClients:
    """The clients of one mirror, one for each origin; for any number of threads."""

    def __init__(self) -> None:
        self._clients: dict[Origin, httpx.Client] = {}
        self._lock = threading.Lock()

    def client(self, origin: Origin, opened: Callable[[], httpx.Client]) -> httpx.Client:
        """The client of an origin, opened where there is none yet. Raises what `opened` raises."""
        with self._lock:
            if origin not in self._clients:
                self._clients[origin] = opened()
            return self._clients[origin]

    def close(self) -> None:
        """Close every connection; the next question opens new ones."""
        with self._lock:
            clients, self._clients = self._clients, {}
        for client in clients.values():
            client.close()


@dataclass(frozen=True, slots=True)
class HttpServer:
    """How to talk to a mirror: settings with the headers of `home`, and origins that redirects may lead to.

    `now` is a monotonic clock and `wait` a sleep, both in seconds. Whoever made it closes its `clients`.
    """

    home: Origin
    settings: HttpSettings
    context: ssl.SSLContext
    allowed: frozenset[Origin] = frozenset()
    now: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] = time.sleep
    clients: MirrorClients = field(default_factory=MirrorClients)


@dataclass(frozen=True, slots=True)
class HttpQuestion:
    """One question: for `expected` bytes (None: not known) from `start` on, under a strong `validator`."""

    method: str = "GET"
    start: int = 0
    validator: str = ""
    expected: int | None = None

    def headers(self) -> dict[str, str]:
        """The headers that ask for a rest (RFC 9110 §14.2, §13.1.5); none for the whole file."""
        return {"Range": f"bytes={self.start}-", "If-Range": self.validator} if self.start else {}


class Conversation:
    """What one thread asks of a mirror under one guard; a context manager."""

    def __init__(self, server: HttpServer, guard: SocketGuard) -> None:
        self._server = server
        self._guard = guard
        self._watched = ExitStack()

    def __enter__(self) -> Conversation:
        self._watched.enter_context(self._guard.watching())
        return self

    def __exit__(self, *_: object) -> None:
        self._watched.close()

    @contextmanager
    def answer(self, url: httpx.URL, ask: HttpQuestion) -> Iterator[tuple[httpx.Response, Verdict]]:
        """The final answer, its body not read yet. Raises as `judge`, and UnfinishedError for redirects."""
        place = redacted(url)
        at = url
        for _ in range(MAX_REDIRECTS + 1):
            there = place if at == url else f"{place}, redirected to {redacted(at)}"
            home = origin_of(at) == self._server.home
            response = self._send(at, ask, there)
            try:
                verdict = judge(
                    response.status_code,
                    dict(response.headers),
                    start=ask.start,
                    validator=ask.validator,
                    expected=ask.expected,
                    place=there,
                    away="" if home else str(origin_of(at)),
                )
                if not isinstance(verdict, Redirect):
                    yield response, verdict
                    return
            finally:
                _close(response, ask.method)
            at = self._target(at, verdict.location, place)
        raise UnfinishedError(f"more than {MAX_REDIRECTS} redirects", where=place, hint="name the final address")

    def _send(self, url: httpx.URL, ask: HttpQuestion, place: str) -> httpx.Response:
        """Send the request; again where the server had closed a kept connection (RFC 9112 §9.3.1)."""
        client = self._client(origin_of(url))
        while True:
            connects = self._guard.connects
            try:
                with talking_to(place):
                    return client.send(client.build_request(ask.method, url, headers=ask.headers()), stream=True)
            except BrokenOff as error:
                broke = isinstance(error.__cause__, (httpx.NetworkError, httpx.RemoteProtocolError))
                if isinstance(error, Unreachable) or not broke or self._guard.connects > connects:
                    raise

    def _client(self, origin: Origin) -> httpx.Client:
        def opened() -> httpx.Client:
            home = origin == self._server.home
            settings = self._server.settings if home else replace(self._server.settings, headers={})
            return open_client(origin, settings, self._server.context, shared)

        return self._server.clients.client(origin, opened)

    def _target(self, url: httpx.URL, location: str, place: str) -> httpx.URL:
        try:
            target = parse_url(str(url.join(location).copy_with(fragment=None)))
        except (InputError, httpx.InvalidURL, ValueError) as e:
            raise UnfinishedError(
                "the mirror redirects to an address that cannot be used",
                where=place,
                hint="report it to whoever runs the mirror",
            ) from e
        origin = origin_of(target)
        if origin in {origin_of(url), self._server.home} | self._server.allowed:
            return target
        raise UnfinishedError(
            f"the mirror redirects to {origin}, which is not allowed",
            hint=f"if you trust that host: --allow-host {origin}",
            where=place,
        )


def _close(response: httpx.Response, method: str) -> None:
    """Close an answer; a small or empty body is read to its end first, so that its connection can be kept."""
    stated = response.headers.get("content-length", "")
    small = method == "HEAD" or (stated.isdecimal() and len(stated) < 10 and int(stated) <= _SMALL_BYTES)
    if small and not response.is_stream_consumed:
        with suppress(httpx.HTTPError, KeeperError):  # the next request meets the limits again
            for _ in response.iter_raw():
                pass
    response.close()
