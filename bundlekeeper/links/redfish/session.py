"""One conversation with one Redfish service: a session that is made before and ended after, and what is asked in it.

Rules: https, or http on this machine where the user allowed it; only the service's own origin, below /redfish/; one
login a reading, so that no account is locked and few sessions are used, and one more where the token ran out; every
session that was made is ended, whatever happened, and one that could not be ended is reported; a document is read only
up to a limit, not packed, and as strict JSON; every wait has an end; no secret is in an error.
Source: DMTF DSP0266 (sessions, ETags, service root), from memory where no clause is named; RFC 9110. Imports httpx.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import json_read
from bundlekeeper.links.http.client import (
    BrokenOff,
    HttpSettings,
    Unreachable,
    is_loopback,
    open_client,
    origin_of,
    parse_url,
    redacted,
    talking_to,
    tls_context,
)
from bundlekeeper.links.http.limits import SocketGuard
from bundlekeeper.links.http.verdict import retry_after_s
from bundlekeeper.links.redfish.cache import Cache
from bundlekeeper.links.redfish.guard import ReadGuard, SendGuard, SlowError
from bundlekeeper.links.redfish.types import (
    Credentials,
    ReadLimits,
    ResourceError,
    SendBody,
    SendLimits,
    ServiceLostError,
    ServiceReply,
    noted,
)
from bundlekeeper.verification.hashing.read import Stop

ROOT = "/redfish/v1/"  # DSP0266: the service root's address
_MAX_REFERENCE = 2048  # characters of a link
_MAX_TOKEN = 4096
_MAX_REDIRECTS = 3
_HTTP_HERE = "for http to this machine itself (a tunnel, a test): --http-on-loopback and an address with http://"
_SECRET = 6  # characters
_END_S = 10.0  # for ending a session
_ENDED = frozenset({200, 202, 204, 404, 410})
_BUSY = frozenset({408, 425, 429, 502, 503, 504})  # 500 mostly stays 500: tried again only where the answer says when
_WORDS = {
    401: "this user may not read it (401)",
    403: "this user may not read it (403)",
    404: "the link leads nowhere (404)",
    410: "the resource is gone (410)",
}


@dataclass(frozen=True, slots=True)
class SessionMeans:
    """How to talk to services. `now` is a monotonic clock and `wait` a sleep, in seconds; `ca` a PEM file that
    replaces the system's authorities; `http_on_loopback` allows plain http on this machine."""

    now: Callable[[], float]
    wait: Callable[[float], None]
    ca: Path | None = None
    limits: ReadLimits = field(default_factory=ReadLimits)
    cache: Cache | None = None
    stop: Stop | None = None
    http_on_loopback: bool = False


@dataclass(frozen=True, slots=True)
class _Session:
    """A session that was made: its address, None where it is not known, and the headers that use it."""

    url: httpx.URL | None
    headers: dict[str, str]


def service_url(text: str, *, http_on_loopback: bool = False) -> httpx.URL:
    """The address of a service's root from what a user typed: `https://host[:port][/redfish/v1]`.

    Raises InputError, which never repeats the address, for any other address, and for http, except to this
    machine where it was allowed.
    """
    url = parse_url(text)
    origin = origin_of(url)
    here = is_loopback(origin.host)
    if origin.scheme != "https" and not (here and http_on_loopback):
        hint = _HTTP_HERE if here else f"write https://host; {_HTTP_HERE}"
        raise InputError(
            "a Redfish service is read over https only: over http anybody on the network can read the password",
            hint=hint,
            where=str(origin),
        )
    if url.query or url.path.rstrip("/") not in ("", "/redfish", "/redfish/v1"):
        raise InputError(
            "the address of a Redfish service must be just its host", hint="write https://host", where=str(origin)
        )
    return url.copy_with(raw_path=ROOT.encode())


class Service:
    """The open conversation; close it, or use it as a context."""

    def __init__(self, url: httpx.URL, credentials: Credentials | None, means: SessionMeans) -> None:
        """`url` is from `service_url`. Raises InputError when the authorities cannot be used."""
        self.base = url
        self.place = str(origin_of(url))
        self.requests = 0
        self.not_modified = 0
        self.left: list[Finding] = []  # sessions that were or may have been made and not ended; complete after the end
        self._credentials = credentials
        self._means = means
        self._limits = means.limits
        self._context = tls_context(means.ca)
        self._guard = ReadGuard(self.place, means.now, means.stop, self._limits.deadline_s)
        self._client = self._open(lambda: self._guard)
        self._bytes = 0
        self._silent = 0
        self._headers: dict[str, str] = {}
        self._session: _Session | None = None
        self._run_out: list[_Session] = []  # their tokens ran out before they were ended
        self._renewed = False
        self._good: httpx.URL | None = None  # the last address that this session's token could read
        # Secrets that must not come back into our output; shorter ones would hide half of every document.
        self._secrets = (credentials.password,) if credentials and len(credentials.password) >= _SECRET else ()

    def _open(self, guard: Callable[[], SocketGuard]) -> httpx.Client:
        settings = HttpSettings(self._means.ca, connect_s=self._limits.connect_s, idle_s=self._limits.resource_s)
        return open_client(origin_of(self.base), settings, self._context, guard)

    def __enter__(self) -> Service:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            for session in (*self._run_out, *([self._session] if self._session else [])):
                self._end(session)
        finally:
            self._client.close()

    def resolve(self, reference: object, *, below: str = "/redfish/") -> httpx.URL:
        """The address that a link of the service means, without its fragment.

        Raises ResourceError for what is no link, leads to another host, or out of the folder `below`.
        """
        if not isinstance(reference, str) or not reference or len(reference) > _MAX_REFERENCE:
            raise ResourceError("a link is not a text, empty or too long", where=self.place)
        try:
            url = self.base.join(reference).copy_with(fragment=None)
            same = origin_of(url) == origin_of(self.base) and not url.userinfo
        except (httpx.InvalidURL, ValueError, KeyError) as e:
            raise ResourceError("a link cannot be read", where=self.place) from e
        if not same or not url.path.startswith(below):
            raise ResourceError(
                "the link leads away from the service",
                where=self.place,
                code="link-elsewhere",
                hint="it was not followed",
            )
        return url

    def get(self, url: httpx.URL) -> dict[str, Any]:
        """The resource at an address from `resolve`, as one JSON object.

        Raises ResourceError when this one cannot be read, ServiceLostError when the service is lost, StoppedError.
        """
        place = redacted(url)
        try:
            data = self._patiently(url, place)
            self._silent = 0
        except (BrokenOff, SlowError) as e:
            self._silent += 1
            if isinstance(e, Unreachable) or self._silent >= self._limits.max_silent:
                raise ServiceLostError(e.message, where=self.place, hint="is the service up?") from e
            raise ResourceError(e.message, where=place, hint="read it again later") from e
        except (ServiceLostError, ResourceError):
            raise
        except UnfinishedError as e:  # no TLS session, a certificate that cannot be verified
            http = f"; {_HTTP_HERE}" if "no TLS session" in e.message and is_loopback(origin_of(self.base).host) else ""
            raise ServiceLostError(e.message, where=self.place, hint=e.hint + http) from e
        try:
            found = json_read.loads(data)
        except InputError as e:
            raise ResourceError(e.message, where=place, hint="report it to whoever runs the service") from e
        if not isinstance(found, dict):
            raise ResourceError("the document is not one JSON object", where=place)
        if any(secret.encode() in data for secret in self._secrets):
            found = _without(found, self._secrets)
        return found

    def begin_again(self) -> None:
        """Give what is asked from now on the time of a whole reading."""
        self._guard = ReadGuard(self.place, self._means.now, self._means.stop, self._limits.deadline_s)
        self._silent = 0

    def pause(self, seconds: float) -> None:
        """Wait, in slices. Raises StoppedError, ServiceLostError where the time of this reading is over."""
        self._guard.begin(float("inf"))
        self._guard.pause(seconds, self._means.wait)

    def ask(self, method: str, url: httpx.URL, headers: dict[str, str] | None = None) -> ServiceReply:
        """One request without a body, once; nothing of it is tried again. Raises KeeperError where nothing came."""
        return self.send(method, url, SendBody("", 0, lambda: iter(())), SendLimits(self._limits.resource_s), headers)

    def send(
        self, method: str, url: httpx.URL, body: SendBody, limits: SendLimits, headers: dict[str, str] | None = None
    ) -> ServiceReply:
        """One request that asks for a change, once: whatever becomes of it, it is never repeated here.

        Raises KeeperError where no answer came; what the service did is then not known.
        """
        now, stop, rate = self._means.now, self._means.stop, limits.least_rate_bytes_s
        deadline_s = limits.answer_s + body.size_bytes / rate + limits.window_s
        reading = self._guard
        self._guard = SendGuard(self.place, now, stop, deadline_s, (rate, limits.window_s))
        self._guard.begin(float("inf"))
        asked = {**self._headers, "Accept": "application/json", "OData-Version": "4.0", **(headers or {})}
        if body.media_type:
            asked |= {"Content-Type": body.media_type, "Content-Length": str(body.size_bytes)}
        place = redacted(url)
        self.requests += 1
        try:
            with talking_to(place):
                content = body.pieces() if body.media_type else None
                timeout = httpx.Timeout(limits.answer_s, connect=self._limits.connect_s, write=limits.idle_s)
                request = self._client.build_request(method, url, headers=asked, content=content, timeout=timeout)
                response = self._client.send(request, stream=True)
                try:
                    return self._sent(response, url, place)
                finally:
                    response.close()
        finally:
            self._guard = reading

    def _sent(self, response: httpx.Response, url: httpx.URL, place: str) -> ServiceReply:
        found: object = None
        with suppress(InputError, ResourceError):
            found = json_read.loads(self._body(response, place) or b"null")
        body = _without(found, self._secrets) if isinstance(found, dict) else None
        location = response.headers.get("location", "")
        with suppress(httpx.InvalidURL, ValueError):
            location = str(url.join(location)) if location else ""
        return ServiceReply(response.status_code, location, body, retry_after_s(response.headers))

    def _patiently(self, url: httpx.URL, place: str) -> bytes:
        tried = 0
        while True:
            try:
                return self._follow(url, place)
            except BrokenOff as e:
                tried += 1
                if tried >= self._limits.tries:
                    raise
                self._pause(max(self._limits.backoff_s * 2.0 ** (tried - 1), e.retry_after_s or 0.0), e)

    def _pause(self, seconds: float, because: BrokenOff) -> None:
        self._guard.begin(float("inf"))
        seconds = min(seconds, self._limits.longest_wait_s)
        if seconds >= self._guard.remaining():
            raise because  # there is no time left to wait; other resources may still be read
        self._guard.pause(seconds, self._means.wait)

    def _follow(self, url: httpx.URL, place: str) -> bytes:
        renewed = False
        for _ in range(_MAX_REDIRECTS + 1):
            answer = self._once(url, place)
            if isinstance(answer, bytes):
                return answer
            status, location = answer
            if status == 401 and self._session is not None and not renewed and self._is_out():
                self._renew()
                renewed = True
            elif status in (301, 302, 307, 308) and location:
                url = self.resolve(str(url.join(location)))
            elif status == 401 and self._session is None:
                # With Basic every further request would be one more wrong password, and could lock the account.
                hint = "check the user name and the password" if self._credentials else "log in: --user"
                raise ServiceLostError("the service needs a login (401)", where=self.place, hint=hint)
            else:
                message = _WORDS.get(status, f"the service answered {status}")
                raise ResourceError(message, where=place)
        raise ResourceError(f"more than {_MAX_REDIRECTS} redirects", where=place)

    def _once(self, url: httpx.URL, place: str) -> bytes | tuple[int, str]:
        """One request: the document's bytes, or the status and where a redirect leads."""
        user = self._credentials.user if self._credentials else ""
        cached = self._means.cache.get(user, str(url)) if self._means.cache else None
        headers = {**self._headers, "Accept": "application/json", "OData-Version": "4.0"}
        if cached:
            headers["If-None-Match"] = cached[0]
        self.requests += 1
        self._guard.begin(self._limits.resource_s)
        with talking_to(place):
            response = self._client.send(self._client.build_request("GET", url, headers=headers), stream=True)
        try:
            status = response.status_code
            if status == 304 and cached:
                self.not_modified += 1
                self._good = url
                return cached[1]
            if status != 200:
                self._busy(response, place)
                return status, response.headers.get("location", "")
            data = self._body(response, place)
        finally:
            with talking_to(place):
                response.close()
        self._good = url
        etag = response.headers.get("etag", "")
        if self._means.cache and 0 < len(etag) <= 512 and etag.isascii() and etag.isprintable():
            self._means.cache.put(user, str(url), etag, data)
        return data

    @staticmethod
    def _busy(response: httpx.Response, place: str) -> None:
        status = response.status_code
        wait_s = retry_after_s(response.headers)
        if status in _BUSY or (status == 500 and wait_s is not None):
            raise BrokenOff(f"the service answered {status}: busy or broken", where=place, retry_after_s=wait_s)

    def _body(self, response: httpx.Response, place: str) -> bytes:
        if response.headers.get("content-encoding", "identity").strip().lower() not in ("", "identity"):
            raise ResourceError("the document is packed, although the request asked for it unpacked", where=place)
        limit = self._limits.max_resource_bytes
        data = bytearray()
        with talking_to(place):
            for block in response.iter_raw():
                data += block
                if len(data) > limit:
                    raise ResourceError(f"the document is larger than {limit} bytes", where=place)
        self._bytes += len(data)
        if self._bytes > self._limits.max_total_bytes:
            raise ServiceLostError(f"more than {self._limits.max_total_bytes} bytes in all", where=self.place)
        return bytes(data)

    # -- the session ---------------------------------------------------------------------------------------------------

    _sessions: str | None = None

    def log_in(self, sessions: str | None) -> None:
        """Make a session at the link `sessions`, or use HTTP Basic where there is none (None) and Basic was allowed.

        Nothing happens without credentials. Raises ServiceLostError, InputError where Basic is needed and not allowed.
        """
        self._sessions = sessions
        if self._credentials is None:
            return
        url = self.resolve(sessions) if sessions is not None else None
        if url is None or not self._make_session(url, self._credentials):
            self._use_basic(self._credentials)

    def _use_basic(self, credentials: Credentials) -> None:
        if not credentials.basic:
            raise InputError(
                "the service has no sessions, and HTTP Basic was not allowed",
                where=self.place,
                hint="if you trust the service, allow it: --basic",
            )
        pair = f"{credentials.user}:{credentials.password}".encode()
        self._headers = {"Authorization": "Basic " + base64.b64encode(pair).decode("ascii")}  # RFC 7617 §2

    def _make_session(self, url: httpx.URL, credentials: Credentials) -> bool:
        """False where the service has no sessions after all."""
        body = json.dumps({"UserName": credentials.user, "Password": credentials.password}).encode()
        headers = {"Accept": "application/json", "Content-Type": "application/json", "OData-Version": "4.0"}
        self.requests += 1
        self._guard.begin(self._limits.resource_s)
        self._guard.remaining()  # no session is made after a stop
        self._guard.begin(self._limits.resource_s, to_its_end=True)  # a session that was asked for must be ended
        try:
            with talking_to(self.place):
                request = self._client.build_request("POST", url, headers=headers, content=body)
                response = self._client.send(request, stream=True)
        except (BrokenOff, SlowError, ServiceLostError) as e:
            if not isinstance(e, Unreachable):
                self._leave(url, "the login got no answer; a session may have been made")
            raise ServiceLostError(e.message, where=self.place, hint="is the service up?") from e
        try:
            return self._keep_session(response, url)
        finally:
            with suppress(KeeperError), talking_to(self.place):
                response.close()

    def _keep_session(self, response: httpx.Response, sessions: httpx.URL) -> bool:
        status = response.status_code
        if status in (404, 405, 501):
            return False
        if status in (400, 401, 403):
            raise ServiceLostError(
                f"the service refused the login ({status})",
                where=self.place,
                hint="check the user name and the password; it was tried only once, so that no account is locked",
            )
        if not 200 <= status < 300:
            raise ServiceLostError(f"the service answered {status} to the login, without a session", where=self.place)
        token = response.headers.get("x-auth-token", "")
        made = _Session(self._session_url(response, sessions), {"X-Auth-Token": token})
        if not token or len(token) > _MAX_TOKEN or not (token.isascii() and token.isprintable()):
            what = "with a token that cannot be sent" if token else "without a token"
            self._leave(made.url or sessions, f"a session was made {what}; it cannot be ended without one")
            raise ServiceLostError(f"the service answered {status} to the login, {what}", where=self.place)
        self._secrets = (*self._secrets, token) if len(token) >= _SECRET else self._secrets
        self._session, self._headers = made, made.headers
        return True

    def _session_url(self, response: httpx.Response, sessions: httpx.URL) -> httpx.URL | None:
        """Where the new session is: Location, else the link of the session in the answer (DSP0266: it has both)."""
        with suppress(ResourceError, httpx.InvalidURL, ValueError):
            found = self.resolve(str(sessions.join(response.headers.get("location", ""))))
            if found != sessions:
                return found
        with suppress(KeeperError):
            body = json_read.loads(self._body(response, self.place))
            found = self.resolve(body.get("@odata.id") if isinstance(body, dict) else None)
            return found if found != sessions else None
        return None

    def _is_out(self) -> bool:
        """True where the token is no longer valid: it cannot read what it could read before.

        Where it has read nothing yet, the login is new, and the 401 is about the resource.
        """
        if self._good is None:
            return False
        answer = self._once(self._good, redacted(self._good))
        return not isinstance(answer, bytes) and answer[0] == 401

    def _renew(self) -> None:
        """End the session whose token ran out, where that is possible, and log in once more. Raises
        ServiceLostError."""
        if self._renewed:
            hint = "does another program end this user's sessions?"
            raise ServiceLostError("the session ran out a second time", where=self.place, hint=hint)
        self._renewed = True
        old, self._session, self._good = self._session, None, None
        if old is not None and self._delete(old) not in _ENDED:
            self._run_out.append(old)
        try:
            self.log_in(self._sessions)
        except (InputError, ResourceError) as e:
            raise ServiceLostError(e.message, where=self.place, hint=e.hint) from e

    def _end(self, session: _Session) -> None:
        """End a session; one that cannot be ended is added to `left`."""
        status = self._delete(session)
        if session in self._run_out and status not in _ENDED and self._session is not None:
            status = self._delete(replace(session, headers=self._session.headers))
        if status in _ENDED:
            return
        if session.url is None:
            self._leave(self.base, "the address of the session is not known, so it could not be ended")
        else:
            self._leave(session.url, f"the session could not be ended ({status or 'no answer'})")

    def _delete(self, session: _Session) -> int:
        """Ask for a session's end, with a short deadline of its own; the answer's status, or 0."""
        if session.url is None:
            return 0
        guard = ReadGuard(self.place, self._means.now, None, _END_S)
        with (
            suppress(KeeperError),
            self._open(lambda: guard) as client,
            talking_to(self.place),
        ):
            response = client.send(client.build_request("DELETE", session.url, headers=session.headers), stream=True)
            response.close()
            return response.status_code
        return 0

    def _leave(self, url: httpx.URL, message: str) -> None:
        subject = redacted(url)
        if any(secret in subject for secret in self._secrets):
            subject = self.place
        hint = "it ends by itself after a while, or end it at the service: most services allow only a few sessions"
        self.left.append(noted("session-left", subject, message, hint))


def _without(value: Any, secrets: tuple[str, ...]) -> Any:  # noqa: ANN401  (any JSON value)
    """A JSON value without secrets of ours in its texts; links stay, because they are never shown with a query."""
    if isinstance(value, str):
        for secret in secrets:
            value = value.replace(secret, "***")
        return value
    if isinstance(value, dict):
        return {key: item if key == "@odata.id" else _without(item, secrets) for key, item in value.items()}
    return [_without(item, secrets) for item in value] if isinstance(value, list) else value
