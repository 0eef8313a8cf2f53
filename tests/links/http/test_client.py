"""Addresses, headers, TLS contexts and redaction: what every client of ours shares."""

from __future__ import annotations

import os
import socket
import ssl
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, StoppedError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.links.http.client import (
    BrokenOff,
    Origin,
    check_headers,
    origin_of,
    parse_origin,
    parse_url,
    read_headers,
    redacted,
    talking_to,
    tls_context,
)
from bundlekeeper.links.http.limits import Backend, HttpLimits, SocketGuard
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.local_server import Authority

SECRET = "s3cr3t-of-the-mirror"


@pytest.mark.parametrize(
    ("text", "origin", "shown"),
    [
        ("https://mirror.example/a", Origin("https", "mirror.example", 443), "https://mirror.example/a"),
        ("HTTPS://Mirror.Example:443", Origin("https", "mirror.example", 443), "https://mirror.example/"),
        ("http://mirror:8080/a%20b/", Origin("http", "mirror", 8080), "http://mirror:8080/a%20b/"),
        ("http://[::1]:80/x?a=b", Origin("http", "::1", 80), "http://[::1]/x?..."),
        ("https://m\u00fcnze.example/", Origin("https", "xn--mnze-0ra.example", 443), "https://xn--mnze-0ra.example/"),
        ("https://my_mirror.local./", Origin("https", "my_mirror.local.", 443), "https://my_mirror.local./"),
    ],
)
def test_good_addresses(text: str, origin: Origin, shown: str) -> None:
    url = parse_url(text)
    assert origin_of(url) == origin
    assert redacted(url) == shown


@pytest.mark.parametrize(
    "text",
    [
        "",
        "mirror.example/a",
        "ftp://mirror.example/",
        "file:///etc/passwd",
        "https://",
        "https:///a",
        "https://:443/",
        "https://.example/",
        "https://a..example/",
        "https://-a.example/",
        "https://" + "a" * 64 + ".example/",
        "https://" + "a." * 130 + "example/",
        "https://h%41/",
        "https://h:0/",
        "https://h:65536/",
        "https://h:x/",
        "https://[::1/",
        "https://[v1.x]/",
        "https://h/a#b",
        "https://h/a b",
        "https://h/\n",
        "https://h/" + "a" * 9000,
        "https://user@h/",
        f"https://user:{SECRET}@h/",
        f"https://{SECRET}\\@h/",
    ],
)
def test_bad_addresses_are_refused_and_not_repeated(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_url(text)
    error = caught.value
    assert SECRET not in f"{error.message}{error.hint}{error.where}" and "user" not in error.where


@given(st.text(max_size=60) | st.text(max_size=60).map("https://".__add__))
def test_any_text_as_an_address(text: str) -> None:
    """'nothing but our own error family may come out'"""
    try:
        url = parse_url(text)
    except InputError:
        return
    assert url.scheme in ("http", "https") and not url.userinfo
    assert parse_url(str(url)) == url
    assert redacted(url).isascii()


@given(st.text(alphabet=st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="#"), max_size=40))
def test_a_query_is_never_shown(query: str) -> None:
    """'no message, record or log line holds a query' (the module's own rule)"""
    assert redacted(parse_url(f"https://h/a?token={query}")) == "https://h/a?..."


def test_allowed_origins() -> None:
    assert parse_origin("cdn.example") == Origin("https", "cdn.example", 443)
    assert parse_origin("cdn.example:8443") == Origin("https", "cdn.example", 8443)
    assert [parse_origin(f"cdn.example:{port}").port for port in (1, 65535)] == [1, 65535]
    assert parse_origin("http://cdn.example") == Origin("http", "cdn.example", 80)
    for text in ("", "cdn.example/path", "https://cdn.example/path", "cdn.example?x", "ftp://cdn.example", "*"):
        with pytest.raises(InputError):
            parse_origin(text)


HOME = Origin("https", "mirror.example", 443)


def test_headers_that_can_be_sent() -> None:
    check_headers({"Authorization": f"Bearer {SECRET}", "X-Auth-Token": SECRET}, HOME)
    check_headers({"Authorization": SECRET}, Origin("http", "127.0.0.1", 8080))
    check_headers({"Authorization": SECRET}, Origin("http", "localhost", 8080))
    check_headers({}, Origin("http", "mirror.example", 80))


@pytest.mark.parametrize(
    ("headers", "origin"),
    [
        ({"Authorization": SECRET}, Origin("http", "mirror.example", 80)),
        ({"Authorization": SECRET}, Origin("http", "10.0.0.1", 80)),
        ({"X-Token": f"{SECRET}\r\nX-Other: 1"}, HOME),
        ({"X-Token": f"{SECRET}\u00e9"}, HOME),
        ({"X-Token": ""}, HOME),
        ({f"X {SECRET}": "1"}, HOME),
        ({"Range": "bytes=0-"}, HOME),
        ({"ACCEPT-ENCODING": "gzip"}, HOME),
        ({"Cookie": SECRET}, HOME),
    ],
)
def test_headers_that_cannot(headers: dict[str, str], origin: Origin) -> None:
    with pytest.raises(InputError) as caught:
        check_headers(headers, origin)
    assert SECRET not in f"{caught.value.message}{caught.value.hint}{caught.value.where}"


def _file(folder: Path, data: bytes, mode: int = 0o600) -> Path:
    path = folder / "headers"
    path.write_bytes(data)
    path.chmod(mode)
    return path


def test_a_file_of_headers(tmp_path: Path) -> None:
    path = _file(tmp_path, b"Authorization: Bearer abc:def \r\n\nX-Auth-Token:x\n")
    assert read_headers(path) == {"Authorization": "Bearer abc:def", "X-Auth-Token": "x"}


def test_headers_through_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_text("X-Auth-Token: x\n"))
    keeper = os.open(pipe, os.O_RDWR)  # so that the reader's open finds a writer, however the threads run
    writer.start()
    writer.join()
    threading.Timer(0.2, os.close, (keeper,)).start()
    assert read_headers(pipe) == {"X-Auth-Token": "x"}


@pytest.mark.parametrize(
    ("data", "mode"),
    [
        (b"X: y\n", 0o640),
        (b"X: y\n", 0o604),
        (f"no header {SECRET}\n".encode(), 0o600),
        (f"{SECRET} x: y\n".encode(), 0o600),
        (b"X: y\n" * limits.HEADER_FILE_BYTES, 0o600),
    ],
)
def test_bad_files_of_headers(tmp_path: Path, data: bytes, mode: int) -> None:
    with pytest.raises(InputError) as caught:
        read_headers(_file(tmp_path, data, mode))
    assert SECRET not in f"{caught.value.message}{caught.value.hint}{caught.value.where}"


def test_no_file_of_headers(tmp_path: Path) -> None:
    for path in (tmp_path / "absent", tmp_path, Path("/dev/null"), tmp_path / "nul\0"):
        with pytest.raises(InputError):
            read_headers(path)


def test_tls_verifies_and_leaves_no_keys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's default context would write session keys where SSLKEYLOGFILE points (ssl module documentation)."""
    monkeypatch.setenv("SSLKEYLOGFILE", str(tmp_path / "keys"))
    for context in (tls_context(None), tls_context(None, trust_env=True), tls_context(Authority(tmp_path).path)):
        assert context.verify_mode is ssl.CERT_REQUIRED and context.check_hostname
        assert context.minimum_version is ssl.TLSVersion.TLSv1_2
        assert context.keylog_filename is None


def test_authorities_of_the_environment_count_only_where_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    authority = Authority(tmp_path, "planted root")
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.path))
    monkeypatch.setenv("SSL_CERT_DIR", str(tmp_path / "none"))
    names = "".join(str(each["subject"]) for each in tls_context(None).get_ca_certs())
    assert "planted root" not in names
    asked = "".join(str(each["subject"]) for each in tls_context(None, trust_env=True).get_ca_certs())
    assert "planted root" in asked


def test_authorities_that_cannot_be_used(tmp_path: Path) -> None:
    empty = tmp_path / "empty.pem"
    empty.write_bytes(b"")
    junk = tmp_path / "junk.pem"
    junk.write_bytes(b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n")
    huge = tmp_path / "huge.pem"
    huge.touch()
    os.truncate(huge, (16 << 20) + 1)  # a system's whole list of roots has 0.5 MiB
    with pytest.raises(InputError, match="too large"):
        tls_context(huge)
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (empty, junk, huge, pipe, tmp_path, tmp_path / "absent", tmp_path / "nul\0"):
        with pytest.raises(InputError):
            tls_context(path)


@pytest.mark.parametrize(
    ("error", "again"),
    [
        (httpx.ConnectTimeout(SECRET), True),
        (httpx.ReadTimeout(SECRET), True),
        (httpx.ConnectError(SECRET), True),
        (httpx.ReadError(SECRET), True),
        (httpx.RemoteProtocolError(SECRET), True),
        (httpx.ProxyError(SECRET), False),
        (httpx.LocalProtocolError(SECRET), False),
        (httpx.UnsupportedProtocol(SECRET), False),
        (httpx.InvalidURL(SECRET), False),
        (httpx.StreamClosed(), False),
        (UnicodeError(SECRET), False),
        (OSError(5, "Input/output error"), False),
    ],
)
def test_the_boundary(error: Exception, again: bool) -> None:
    """'Foreign exceptions are wrapped at one boundary'; their words may hold a header."""
    with pytest.raises(UnfinishedError) as caught, talking_to("the mirror"):
        raise error
    assert isinstance(caught.value, BrokenOff) is again
    assert caught.value.where == "the mirror" and caught.value.__cause__ is error
    assert SECRET not in caught.value.message + caught.value.hint


def test_our_own_errors_and_bugs_pass_the_boundary() -> None:
    for error in (InputError("ours"), ZeroDivisionError()):
        with pytest.raises(type(error)) as caught, talking_to("the mirror"):
            raise error
        assert caught.value is error


def test_httpx_is_paid_for_only_by_addresses() -> None:
    """'asking *where* must not pay for pydantic, httpx or cryptography'; a folder as source neither."""
    code = (
        "import sys, bundlekeeper.links, bundlekeeper.store.adding.add, bundlekeeper.store.adding.sources; "
        "sys.exit(any(name.split('.')[0] in ('httpx', 'httpcore') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_stop_between_the_connection_and_its_tls_leaves_nothing_open() -> None:
    stop = Stop()
    guard = SocketGuard("https://s", HttpLimits(60, 0.0, 60.0), lambda: 0.0, stop)
    with socket.create_server(("127.0.0.1", 0)) as server:
        stream = Backend(lambda: guard).connect_tcp(*server.getsockname())
        sock = stream.get_extra_info("socket")
        stop.set()
        with pytest.raises(StoppedError):
            stream.start_tls(tls_context(None), "localhost")
        assert sock.fileno() == -1
