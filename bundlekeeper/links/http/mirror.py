"""Bundles from an http(s) mirror, as a `BundleSource`.

Rules: a file is looked for at `BASE/file`, then in a store's layout, `BASE/family/version/file`; what the mirror lacks
is not offered; a size that contradicts the manifest is reported without reading; a download that broke is kept in the
store's incoming folder and resumed; a complete one is never resumed, whatever its digest; a failure is one bundle's
failure. Importing this module imports httpx.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

import httpx

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.links.http.client import (
    BrokenOff,
    HttpSettings,
    Unreachable,
    check_headers,
    origin_of,
    parse_origin,
    parse_url,
    redacted,
    talking_to,
    tls_context,
)
from bundlekeeper.links.http.conversation import Conversation, HttpQuestion, HttpServer
from bundlekeeper.links.http.download import DownloadRules, download
from bundlekeeper.links.http.limits import HttpLimits, SocketGuard
from bundlekeeper.links.http.part_file import DiskError, PartFile, RecordPlace
from bundlekeeper.links.http.verdict import Declined, WholeAnswer, WrongSize
from bundlekeeper.store.adding.sources import BundleSource, Fetched, FileOffer, FoundFile, Link, SourceError, WantedFile
from bundlekeeper.store.disk.temp_files import RECORD_PREFIX, Incoming, Temp
from bundlekeeper.store.signatures.sidecar_files import ABSENT, SignatureFile, too_large, unreadable
from bundlekeeper.verification.hashing.door import SHA256
from bundlekeeper.verification.hashing.read import Stop

_LOOK = HttpLimits(deadline_s=60.0, least_rate_bytes_s=0.0, window_s=30.0)  # for a question without a body
_LOOK_TRIES = 2


def mirror_source(
    url: str,
    *,
    ca: Path | None = None,
    allow_hosts: Sequence[str] = (),
    folders: Mapping[str, str] | None = None,
    headers: Mapping[str, str] | None = None,
    trust_env: bool = False,
    rules: DownloadRules | None = None,
    now: Callable[[], float] = time.monotonic,
    wait: Callable[[float], None] = time.sleep,
) -> BundleSource:
    """A mirror at `url` as a source for `store.adding.add`; no request is made yet.

    `ca` is a PEM file of the authorities that count instead of the system's; `allow_hosts` names origins that
    redirects may lead to (a bare host means https); `folders` maps a bundle's SHA-256 to its `family/version` in a
    mirror with a store's layout; `headers` go to the mirror's own origin and nowhere else; `trust_env` lets proxies
    and netrc of the environment count; `now` is a monotonic clock and `wait` a sleep, in seconds.
    Raises InputError when the address, the authorities, a host or a header cannot be used.
    """
    base = parse_url(url)
    home = origin_of(base)
    settings = HttpSettings(ca=ca, trust_env=trust_env, headers=dict(headers or {}))
    check_headers(settings.headers, home)
    allowed = frozenset(map(parse_origin, allow_hosts))
    server = HttpServer(home, settings, tls_context(ca, trust_env=trust_env), allowed, now, wait)
    return Mirror(server, base, folders or {}, rules or DownloadRules())


@dataclass(frozen=True, slots=True)
class _Ref:
    """What an offer of ours refers to: addresses to try, or why no request could be made."""

    urls: tuple[httpx.URL, ...]
    error: UnfinishedError | None = None


class Mirror:
    """A folder of files at an http(s) address."""

    def __init__(self, server: HttpServer, base: httpx.URL, folders: Mapping[str, str], rules: DownloadRules) -> None:
        self._server = server
        self._base = base
        self._folders = folders
        self._rules = rules
        self._deep_first = False
        self._down: Unreachable | None = None

    @property
    def place(self) -> str:
        """The mirror's address, without its query."""
        return redacted(self._base)

    @property
    def host(self) -> str:
        """The mirror's origin: several of its files may be read at a time."""
        return str(self._server.home)

    def close(self) -> None:
        """Close the connections; the next question opens new ones."""
        self._server.clients.close()

    def survey(self, wanted: Sequence[WantedFile]) -> tuple[str, ...]:
        """Do nothing: a mirror has no list, and requests are made only for what is needed."""
        return ()

    def find(self, wanted: WantedFile) -> FoundFile:
        """Ask for the file's head; where that fails the file is offered all the same, and `fetch` raises the reason.

        Raises InputError for headers or settings of the environment that cannot be used.
        """
        urls = self._candidates(wanted)
        try:
            looked = self._look(urls)
        except UnfinishedError as error:
            self._remember(error)
            busy = isinstance(error, BrokenOff) and not isinstance(error, Unreachable)
            ref = _Ref(urls, None if busy else error)  # a download is more patient than a question
            return FoundFile((self._offer(wanted, urls[0], None, ref),), (_sentence(error),))
        if looked is None:
            return FoundFile()
        url, size = looked
        self._deep_first = len(urls) > 1 and url == self._deep(wanted)
        return FoundFile((self._offer(wanted, url, size, _Ref((url,))),))

    def _offer(self, wanted: WantedFile, url: httpx.URL, size: int | None, ref: _Ref) -> FileOffer:
        return FileOffer(redacted(url), wanted.name, size, True, ref)

    def _candidates(self, wanted: WantedFile) -> tuple[httpx.URL, ...]:
        flat, deep = below(self._base, wanted.name), self._deep(wanted)
        if deep is None:
            return (flat,)
        return (deep, flat) if self._deep_first else (flat, deep)

    def _deep(self, wanted: WantedFile) -> httpx.URL | None:
        folder = self._folders.get(wanted.sha256)
        return None if folder is None else below(self._base, *folder.split("/"), wanted.name)

    def _look(self, urls: Sequence[httpx.URL]) -> tuple[httpx.URL, int | None] | None:
        """The first address that has the file, and its size where it is stated; None where none has it."""
        for url in urls:
            whole = self._head(url)
            if whole is not None:
                return url, whole.size
        return None

    def _head(self, url: httpx.URL) -> WholeAnswer | None:
        if self._down is not None:
            raise self._still_down(self._down)
        guard = SocketGuard(redacted(url), _LOOK, self._server.now)
        with Conversation(self._server, guard) as conversation:
            for method in ("HEAD", "GET"):
                try:
                    return self._patiently(conversation, guard, url, method)
                except Declined as error:
                    if method == "GET" or error.status not in (405, 501):  # RFC 9110 §15.5.6, §15.6.2
                        raise
        raise AssertionError("unreachable")

    def _patiently(
        self, conversation: Conversation, guard: SocketGuard, url: httpx.URL, method: str
    ) -> WholeAnswer | None:
        for left in range(_LOOK_TRIES - 1, -1, -1):
            try:
                with conversation.answer(url, HttpQuestion(method)) as (_, verdict):
                    return verdict if isinstance(verdict, WholeAnswer) else None
            except BrokenOff as error:
                if not left:
                    raise
                wait_s = min(error.retry_after_s or self._rules.backoff_s, self._rules.longest_wait_s)
                guard.pause(wait_s, self._server.wait, error)
        raise AssertionError("unreachable")

    def signature(self, wanted: WantedFile, offer: FileOffer | None) -> SignatureFile:
        """The signature beside the bundle's address, flat or deep. Raises InputError as `find`."""
        urls = [below(self._base, wanted.signature)]
        folder = self._folders.get(wanted.sha256)
        if folder is not None:
            urls.append(below(self._base, *folder.split("/"), wanted.signature))
        if offer is not None and _ref(offer).urls[0] == self._deep(wanted):
            urls.reverse()
        for url in urls:
            try:
                data = self._small(url)
            except UnfinishedError as error:
                self._remember(error)
                return unreadable(redacted(url), _sentence(error))
            if data is not None:
                return (
                    SignatureFile(data, redacted(url))
                    if len(data) <= limits.SIGNATURE_BYTES
                    else too_large(redacted(url))
                )
        return ABSENT

    def _small(self, url: httpx.URL) -> bytes | None:
        """The file at the address, up to a little more than the limit for signatures; None where there is none."""
        if self._down is not None:
            raise self._still_down(self._down)
        guard = SocketGuard(redacted(url), _LOOK, self._server.now)
        data = bytearray()
        with (
            Conversation(self._server, guard) as conversation,
            conversation.answer(url, HttpQuestion()) as (response, verdict),
        ):
            if not isinstance(verdict, WholeAnswer):
                return None
            with talking_to(redacted(url)):
                for block in response.iter_raw():
                    data += block
                    if len(data) > limits.SIGNATURE_BYTES:
                        break
        return bytes(data)

    def _still_down(self, error: Unreachable) -> Unreachable:
        """The same error for the mirror: no request was made for this address."""
        return Unreachable(error.message, hint=error.hint, where=self.place)

    def _remember(self, error: UnfinishedError) -> None:
        if isinstance(error, Unreachable):
            self._down = error

    def fetch(
        self,
        offer: FileOffer,
        wanted: WantedFile,
        incoming: Incoming,
        *,
        limit: int,
        link: Link,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
        algorithms: Sequence[str] = SHA256,
    ) -> Fetched:
        """Download the file, or the rest of it. Raises as `BundleSource.fetch`, TooLong for every wrong size."""
        ref = _ref(offer)
        if ref.error is not None:
            raise _source_error(ref.error)
        if offer.size is not None and offer.size != wanted.size:
            raise WrongSize(offer.size, wanted.size, where=offer.place)
        record = RecordPlace(incoming.fd, RECORD_PREFIX + wanted.sha256)
        temp = _PartTemp(incoming.resumable(wanted.sha256), record)
        part = PartFile(temp.fd, record, whole=wanted.size, on_bytes=on_bytes, stop=stop, algorithms=algorithms)
        try:
            transferred = self._download(offer, ref.urls, part, wanted, stop)
        except BaseException:
            if part.kept:
                temp.keep()
            temp.close()
            raise
        kept = part.size - transferred
        note = f"{human_bytes(kept)} of it were kept from a download that broke" if kept > 0 else ""
        digest = part.digest()
        if digest.sha256 != wanted.sha256:
            temp.forget()  # if this process is killed before it is in quarantine, no run may resume it
        return Fetched(temp, digest, "download", note)

    def _download(
        self, offer: FileOffer, urls: Sequence[httpx.URL], part: PartFile, wanted: WantedFile, stop: Stop | None
    ) -> int:
        """How many bytes of the file in `part` came over the network."""
        rules = self._rules if self._down is None else replace(self._rules, tries=1)
        try:
            received = download(self._server, urls, part, expected=wanted.size, rules=rules, stop=stop)
        except WrongSize as error:
            if not error.more and error.size == part.size:
                return part.size  # shorter, but complete: the caller looks at it
            if offer.size is None and error.code == "extended":
                raise
            raise SourceError(
                f"{offer.place}: {error.message}; the mirror stated another size before", where=offer.place
            ) from error
        except DiskError:
            raise
        except UnfinishedError as error:
            self._remember(error)
            raise _source_error(error) from error
        self._down = None
        if received is None:
            raise SourceError(f"{self.place}: the file is no longer there", where=self.place)
        return received.transferred


class _PartTemp(Temp):
    """A named part with its record, which is removed with the part."""

    def __init__(self, inner: Temp, record: RecordPlace) -> None:
        super().__init__(inner.fd, -1, None)  # the methods below pass everything on to `inner`
        self._inner = inner
        self._record = record
        self._kept = False

    def publish(self, folder_fd: int, name: str) -> None:
        self._inner.publish(folder_fd, name)

    def settle(self) -> None:
        self._inner.settle()

    def keep(self) -> None:
        self._kept = True
        self._inner.keep()

    def forget(self) -> None:
        """Remove the record, so that the part is never resumed."""
        with suppress(OSError):
            self._record.remove()

    def close(self) -> None:
        if not self._kept:
            self.forget()
        self._inner.close()


def below(base: httpx.URL, *names: str) -> httpx.URL:
    """The address of a file below `base`, its query kept; every name is one segment of the path (RFC 3986 §3.3).

    Raises InputError for a name that means a folder.
    """
    if any(name in ("", ".", "..") for name in names):
        raise InputError("a file name in the manifest means a folder at the mirror", hint="write the bare file name")
    path, mark, query = base.raw_path.partition(b"?")
    tail = "/".join(quote(name, safe="", errors="surrogateescape") for name in names)
    return base.copy_with(raw_path=path.rstrip(b"/") + b"/" + tail.encode("ascii") + mark + query)


def _ref(offer: FileOffer) -> _Ref:
    if not isinstance(offer.ref, _Ref):
        raise TypeError("an offer of another source")
    return offer.ref


def _sentence(error: UnfinishedError) -> str:
    """Place, message and hint in one sentence, because a finding keeps only that."""
    return f"{error.where}: " * bool(error.where) + error.message + f" ({error.hint})" * bool(error.hint)


def _source_error(error: UnfinishedError) -> SourceError:
    return SourceError(_sentence(error), hint=error.hint, where=error.where)
