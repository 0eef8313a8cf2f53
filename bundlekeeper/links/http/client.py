"""What every HTTP(S) client of ours shares: addresses, TLS, headers for one origin, one boundary for errors.

Rules: an address with a user name or a password in it is refused; no message, record or log line has a query, a
header's value or a server's own text; TLS is verified or nothing is sent; a client talks to one origin (RFC 6454) and
only that origin gets its headers; no cookie is kept; proxies, netrc and TLS variables of the environment are used only
with `trust_env`; redirects are never followed here. Importing this module imports httpx.
"""

from __future__ import annotations

import base64
import ipaddress
import logging
import netrc
import os
import re
import ssl
import stat
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.cookiejar import CookieJar, DefaultCookiePolicy
from pathlib import Path

import httpcore
import httpx

from bundlekeeper import __version__
from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.links.http.limits import Backend, GuardedTransport, ProxyUnreachableError, Watch

MAX_URL = 8000  # characters; RFC 9110 §4.1 asks for at least 8000 octets to be supported
DEFAULT_PORTS = {"http": 80, "https": 443}

_LABEL = re.compile(r"[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?")  # RFC 1035 §2.3.4: at most 63 octets
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # RFC 9110 §5.6.2, token
_HEADER_VALUE = re.compile(r"[\x21-\x7e]([\x20-\x7e]*[\x21-\x7e])?")  # RFC 9110 §5.5, without obs-text
_STATUS = re.compile(r"[1-5][0-9]{2}")
# Set by us; a caller's value would break the framing, resuming, or the rule that bodies are not packed.
_OWN_HEADERS = {
    "accept-encoding",
    "connection",
    "content-length",
    "cookie",
    "expect",
    "host",
    "if-range",
    "proxy-authorization",
    "range",
    "te",
    "transfer-encoding",
    "upgrade",
}
# X509_V_ERR_* of OpenSSL's x509_vfy.h, as `ssl.SSLCertVerificationError.verify_code` carries them.
_TLS_WORDS = {
    9: ("the server's certificate is not valid yet", "compare this machine's clock"),
    10: ("the server's certificate has expired", "compare this machine's clock; the server needs a new certificate"),
    18: ("the server's certificate is self-signed", "name the certificate authority's file with --ca"),
    19: ("the server's certificate comes from an unknown authority", "name the authority's file with --ca"),
    20: ("the server's certificate comes from an unknown authority", "name the authority's file with --ca"),
    21: ("the server's certificate comes from an unknown authority", "name the authority's file with --ca"),
    62: ("the server's certificate is for another name", "use the name that the certificate was made for"),
    64: ("the server's certificate is for another address", "use the name that the certificate was made for"),
}


class BrokenOff(UnfinishedError):  # noqa: N818 - the name says what happened; it is caught by name
    """Another try may help: no connection, a broken connection, a busy server.

    `retry_after_s` is the wait that the server asked for, in seconds, or None.
    """

    def __init__(self, message: str, *, hint: str = "", where: str = "", retry_after_s: float | None = None) -> None:
        super().__init__(message, hint=hint, where=where)
        self.retry_after_s = retry_after_s


class Unreachable(BrokenOff):
    """There was no connection at all, so the next file would fail, too."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Scheme, host and port (RFC 6454 §4): a secret is for one of these."""

    scheme: str
    host: str
    port: int

    def __str__(self) -> str:
        """The origin as an address, without the scheme's own port."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}" + ("" if self.port == DEFAULT_PORTS[self.scheme] else f":{self.port}")


@dataclass(frozen=True, slots=True)
class HttpSettings:
    """How to talk to servers: times in seconds, `ca` a PEM file that replaces the system's authorities."""

    ca: Path | None = None
    trust_env: bool = False
    connect_s: float = 15.0
    idle_s: float = 30.0
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)


def parse_url(text: str) -> httpx.URL:
    """Read an http(s) address; what is requested later is exactly the object that was checked here.

    Raises InputError, which never repeats the address, when it is no http(s) address or has a secret in it.
    """
    if len(text) > MAX_URL or any(not c.isprintable() or c.isspace() for c in text):
        raise InputError("the address is too long or has blanks or control characters", hint="write a blank as %20")
    try:
        url = httpx.URL(text)
    except (httpx.InvalidURL, ValueError) as e:
        raise InputError("the address cannot be read", hint="it looks like https://host/folder") from e
    if url.userinfo:
        raise InputError(
            "the address has a user name or a password in it",
            hint="remove it; put an Authorization header into a file that only you can read: --headers FILE",
        )
    if url.scheme not in DEFAULT_PORTS:
        raise InputError("the address is neither http nor https", hint="it looks like https://host/folder")
    if "#" in text:
        raise InputError("the address has a fragment (#...)", hint="write %23 where a name holds a #")
    origin = origin_of(url)
    if not _is_host(origin.host) or not 0 < origin.port < 65536:
        raise InputError("the address names no usable host or port", hint="it looks like https://host/folder")
    return url


def _is_host(host: str) -> bool:
    if ":" in host:
        try:
            ipaddress.IPv6Address(host)
        except ValueError:
            return False
        return True
    return 0 < len(host) <= 253 and all(_LABEL.fullmatch(label) for label in host.removesuffix(".").split("."))


def origin_of(url: httpx.URL) -> Origin:
    """The origin of an address that `parse_url` gave."""
    port = url.port if url.port is not None else DEFAULT_PORTS.get(url.scheme, 0)
    return Origin(url.scheme, url.raw_host.decode("ascii").lower(), port)


def parse_origin(text: str) -> Origin:
    """Read an origin that the user allows: `https://host:port`, `http://host`, or `host`, which means https.

    Raises InputError when it is none or has a path.
    """
    url = parse_url(text if "://" in text else f"https://{text}")
    if url.raw_path != b"/":
        raise InputError("an allowed host must not have a path", hint="write https://host or https://host:port")
    return origin_of(url)


def redacted(url: httpx.URL) -> str:
    """The address as it may be shown: no user, no password, no query."""
    path = url.raw_path.split(b"?", 1)[0].decode("ascii", "backslashreplace")
    return f"{origin_of(url)}{path}" + ("?..." if url.query else "")


def check_headers(headers: Mapping[str, str], origin: Origin) -> None:
    """Refuse headers that cannot be sent or that bundlekeeper sets, and secrets over plain http to another machine.

    Raises InputError that names the header and never its value.
    """
    for name, value in headers.items():
        if not _HEADER_NAME.fullmatch(name):
            raise InputError("a header's name has characters that are not allowed in it")
        if name.lower() in _OWN_HEADERS:
            raise InputError(f"the header {name} is set by bundlekeeper itself", hint="leave it out")
        if not _HEADER_VALUE.fullmatch(value):
            raise InputError(f"the value of the header {name} is empty or has characters that are not allowed in it")
    if headers and origin.scheme == "http" and not is_loopback(origin.host):
        raise InputError("headers of your own are not sent over plain http", hint="use https", where=str(origin))


def is_loopback(host: str) -> bool:
    """True for an address of this very machine, and for the name localhost."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def read_headers(path: Path) -> dict[str, str]:
    """Read headers, one `Name: value` a line, from a file (mode 0600) or a pipe of at most 64 KiB.

    Raises InputError, which never repeats the file's text, when it cannot be read, is open to others or is no list of
    headers.
    """
    headers: dict[str, str] = {}
    for number, line in enumerate(_read_private(path).decode("latin-1").splitlines(), 1):
        if not line.strip():
            continue
        name, colon, value = line.partition(":")
        if not colon or not _HEADER_NAME.fullmatch(name):
            raise InputError("this line is no header", where=f"{path}:{number}", hint="write Name: value")
        headers[name] = value.strip()
    return headers


def _read_private(path: Path) -> bytes:
    where = str(path)
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as e:
        raise InputError("the file of headers cannot be opened", where=where) from e
    try:
        mode = os.fstat(fd).st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISFIFO(mode)):
            raise InputError("the file of headers is not a regular file", where=where)
        if stat.S_ISREG(mode) and mode & 0o077:
            raise InputError("the file of headers can be read by others", where=where, hint=f"chmod 600 {path}")
        os.set_blocking(fd, True)
        data = b""
        while len(data) <= limits.HEADER_FILE_BYTES and (block := os.read(fd, limits.HEADER_FILE_BYTES)):
            data += block
    except OSError as e:
        raise UnfinishedError(f"the file of headers cannot be read: {e.strerror}", where=where) from e
    finally:
        os.close(fd)
    if len(data) > limits.HEADER_FILE_BYTES:
        raise InputError(f"the file of headers is larger than {limits.HEADER_FILE_BYTES} bytes", where=where)
    return data


def tls_context(ca: Path | None, *, trust_env: bool = False) -> ssl.SSLContext:
    """A client context that verifies chain, dates and name, from TLS 1.2 on (RFC 9325 §3.1.1).

    With `ca` only that file's authorities count, else the system's. Built by hand because Python's default context also
    writes session keys to SSLKEYLOGFILE and reads authorities from SSL_CERT_FILE.
    Raises InputError when `ca` cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if ca is None:
        if trust_env:
            context.load_default_certs()
            return context
        paths = ssl.get_default_verify_paths()
        cafile, capath = Path(paths.openssl_cafile), Path(paths.openssl_capath)
        if cafile.is_file() or capath.is_dir():
            context.load_verify_locations(
                str(cafile) if cafile.is_file() else None, str(capath) if capath.is_dir() else None
            )
        return context
    try:
        status = ca.stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > limits.CA_BYTES:
            raise InputError("the file of authorities is not a regular file or too large", where=str(ca))
        context.load_verify_locations(cafile=str(ca))
    except (OSError, ValueError) as e:  # ssl.SSLError is an OSError
        raise InputError("the file of authorities cannot be used", where=str(ca), hint="it must be in PEM form") from e
    return context


def quiet_loggers() -> None:
    """Keep the libraries from logging addresses (httpx at INFO) and headers (httpcore at DEBUG)."""
    names = ("httpx", "httpcore", *(f"httpcore.{part}" for part in ("connection", "http11", "proxy", "socks")))
    for name in names:
        logging.getLogger(name).setLevel(logging.WARNING)


def open_client(origin: Origin, settings: HttpSettings, context: ssl.SSLContext, watch: Watch) -> httpx.Client:
    """A client for one origin; `settings.headers` are this origin's own, so pass none for another origin.

    `watch` gives the guard whose limits its connections keep.
    Raises InputError when headers, netrc or a proxy's address of the environment cannot be used.
    """
    check_headers(settings.headers, origin)
    quiet_loggers()
    headers = {"Accept": "*/*", "Accept-Encoding": "identity", "User-Agent": f"bundlekeeper/{__version__}"}
    headers |= _netrc_header(origin, settings)
    headers |= settings.headers
    return httpx.Client(
        transport=GuardedTransport(_pool(origin, settings, context, watch)),
        headers=headers,
        cookies=CookieJar(policy=DefaultCookiePolicy(allowed_domains=[])),
        timeout=httpx.Timeout(settings.idle_s, connect=settings.connect_s),
        follow_redirects=False,
        trust_env=False,  # what the environment sets was looked up here, for this origin alone
    )


def _netrc_header(origin: Origin, settings: HttpSettings) -> dict[str, str]:
    named = {name.lower() for name in settings.headers}
    if not settings.trust_env or "authorization" in named or origin.scheme != "https":
        return {}
    path = Path(os.environ.get("NETRC") or Path("~/.netrc").expanduser())
    try:
        entry = netrc.netrc(path).authenticators(origin.host)
    except FileNotFoundError:
        return {}
    except (OSError, netrc.NetrcParseError, ValueError) as e:
        raise InputError("the netrc file cannot be read", where=str(path), hint="check its mode and its lines") from e
    if entry is None:
        return {}
    pair = f"{entry[0]}:{entry[2]}".encode()
    return {"Authorization": "Basic " + base64.b64encode(pair).decode("ascii")}  # RFC 7617 §2


def _pool(
    origin: Origin, settings: HttpSettings, context: ssl.SSLContext, watch: Watch
) -> httpcore.ConnectionPool | httpcore.HTTPProxy:
    found = ""
    if settings.trust_env and not urllib.request.proxy_bypass(f"{origin.host}:{origin.port}"):
        proxies = urllib.request.getproxies()
        found = proxies.get(origin.scheme) or proxies.get("all") or ""
    if not found:
        return httpcore.ConnectionPool(ssl_context=context, network_backend=Backend(watch), http2=False)
    try:
        proxy = httpx.URL(found if "://" in found else f"http://{found}")
    except (httpx.InvalidURL, ValueError) as e:
        raise InputError("the proxy's address in the environment cannot be read") from e
    if proxy.scheme not in DEFAULT_PORTS or not _is_host(proxy.host):
        raise InputError("the proxy in the environment is no http(s) proxy", hint="unset it, or name an http proxy")
    return httpcore.HTTPProxy(
        proxy_url=httpcore.URL(scheme=proxy.raw_scheme, host=proxy.raw_host, port=proxy.port, target=b"/"),
        proxy_auth=(proxy.username.encode(), proxy.password.encode()) if proxy.userinfo else None,
        ssl_context=context,
        proxy_ssl_context=context if proxy.scheme == "https" else None,
        network_backend=Backend(watch, str(origin_of(proxy))),
        http2=False,
    )


@contextmanager
def talking_to(place: str) -> Iterator[None]:
    """The boundary: whatever the HTTP libraries and sockets raise inside becomes our own error about `place`.

    Raises BrokenOff where another try may help, else UnfinishedError. The libraries' own messages are never repeated,
    because they can have headers in them; they stay in the error's cause.
    """
    try:
        yield
    except KeeperError:
        raise
    except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError, OSError, ValueError) as e:
        raise _translated(e, place) from e


def _translated(error: Exception, place: str) -> UnfinishedError:
    chain = list(_causes(error))
    for cause in chain:
        if isinstance(cause, ssl.SSLCertVerificationError):
            message, hint = _TLS_WORDS.get(
                cause.verify_code, ("the server's certificate cannot be verified", "see the server's certificate chain")
            )
            return UnfinishedError(message, hint=hint, where=place)
        if isinstance(cause, ProxyUnreachableError):
            message = f"the proxy {cause.proxy} cannot be reached{_reason(chain)}"
            hint = "check https_proxy in the environment; without --trust-env no proxy is used"
            return Unreachable(message, where=place, hint=hint)
    if isinstance(error, (httpx.ConnectTimeout, httpx.PoolTimeout)):
        return Unreachable("the server cannot be reached: no answer in time", where=place, hint="is the address right?")
    if isinstance(error, httpx.TimeoutException):
        return BrokenOff("the server stopped answering", where=place, hint="try again; what was downloaded is kept")
    if isinstance(error, httpx.ProxyError):
        code = next(
            (
                m[0]
                for exception in chain
                if isinstance(exception, httpcore.ProxyError) and (m := _STATUS.match(str(exception)))
            ),
            "",
        )
        message = "the proxy refused the connection" + (f": it answered {code}" if code else "")
        return UnfinishedError(message, where=place, hint="check the proxy's settings")
    if isinstance(error, httpx.ConnectError):
        tls = next((exception for exception in chain if isinstance(exception, ssl.SSLError)), None)
        if tls is not None and not isinstance(tls, ssl.SSLEOFError):
            return UnfinishedError(
                "no TLS session with the server", where=place, hint="does the server use https at this address?"
            )
        return Unreachable(f"the server cannot be reached{_reason(chain)}", where=place, hint="is the address right?")
    if isinstance(error, (httpx.NetworkError, httpx.RemoteProtocolError)):
        return BrokenOff("the connection broke", where=place, hint="try again; what was downloaded is kept")
    return UnfinishedError("the request could not be made", where=place, hint="check the address and the headers")


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        yield error
        error = error.__cause__ or error.__context__


def _reason(chain: list[BaseException]) -> str:
    words = (exception.strerror for exception in chain if isinstance(exception, OSError) and exception.strerror)
    return next((f": {word}" for word in words), "")
