"""A conversation with one mirror: a client for each origin, redirects as far as they are allowed, every answer judged.

Rules: another origin is spoken to only where it was allowed, and never with the headers of the first; redirects are
counted; a bare host that was allowed means https, so it never opens a way down to http; what a server says about
places is checked like what a user says. Source: RFC 9110 §15.4, RFC 6454. Costs httpx.
"""

from __future__ import annotations

import ssl
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import httpx

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.links.answers import Redirect, Verdict, judge
from bundlekeeper.links.guard import Guard
from bundlekeeper.links.http import (
    HttpSettings,
    Origin,
    open_client,
    origin_of,
    parse_url,
    redacted,
    speaking_to,
)

MAX_REDIRECTS = 5


@dataclass(frozen=True, slots=True)
class Server:
    """How to speak to a mirror: settings with the headers of `home`, and origins that redirects may lead to.

    `now` is a monotonic clock and `wait` a sleep, both in seconds.
    """

    home: Origin
    settings: HttpSettings
    context: ssl.SSLContext
    allowed: frozenset[Origin] = frozenset()
    now: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] = time.sleep


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: for `expected` bytes (None: not known) from `start` on, under the strong tag `etag`."""

    method: str = "GET"
    start: int = 0
    etag: str = ""
    expected: int | None = None

    def headers(self) -> dict[str, str]:
        """The headers that ask for a rest (RFC 9110 §14.2, §13.1.5); none where the whole is wanted."""
        return {"Range": f"bytes={self.start}-", "If-Range": self.etag} if self.start else {}


class Conversation:
    """The clients of one piece of work; close it."""

    def __init__(self, server: Server, guard: Guard) -> None:
        self._server = server
        self._guard = guard
        self._clients: dict[Origin, httpx.Client] = {}

    def __enter__(self) -> Conversation:
        return self

    def __exit__(self, *_: object) -> None:
        for client in self._clients.values():
            client.close()

    @contextmanager
    def answer(self, url: httpx.URL, ask: Ask) -> Iterator[tuple[httpx.Response, Verdict]]:
        """The final answer, its body not read yet. Raises as `judge`, and UnfinishedError for redirects."""
        place = redacted(url)
        at = url
        for _ in range(MAX_REDIRECTS + 1):
            response = self._send(at, ask, place)
            try:
                verdict = judge(
                    response.status_code,
                    dict(response.headers),
                    start=ask.start,
                    etag=ask.etag,
                    expected=ask.expected,
                    place=place,
                )
                if not isinstance(verdict, Redirect):
                    yield response, verdict
                    return
            finally:
                response.close()
            at = self._target(at, verdict.location, place)
        raise UnfinishedError(f"more than {MAX_REDIRECTS} redirects", where=place, hint="name the final address")

    def _send(self, url: httpx.URL, ask: Ask, place: str) -> httpx.Response:
        client = self._client(origin_of(url))
        with speaking_to(place):
            return client.send(client.build_request(ask.method, url, headers=ask.headers()), stream=True)

    def _client(self, origin: Origin) -> httpx.Client:
        if origin not in self._clients:
            home = origin == self._server.home
            settings = self._server.settings if home else replace(self._server.settings, headers={})
            self._clients[origin] = open_client(origin, settings, self._server.context, self._guard)
        return self._clients[origin]

    def _target(self, url: httpx.URL, location: str, place: str) -> httpx.URL:
        try:
            target = parse_url(str(url.join(location).copy_with(fragment=None)))
        except (InputError, httpx.InvalidURL, ValueError) as e:
            raise UnfinishedError(
                "the mirror redirects to an address that cannot be used", where=place, hint="tell who runs it"
            ) from e
        origin = origin_of(target)
        if origin in {origin_of(url), self._server.home} | self._server.allowed:
            return target
        raise UnfinishedError(
            f"the mirror redirects to {origin}, which was not allowed",
            hint=f"if you trust it: --allow-host {origin}",
            where=place,
        )
