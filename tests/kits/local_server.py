"""A small threaded HTTP(S) server under full control of a test, and a certificate authority made for the run."""

from __future__ import annotations

import datetime
import ipaddress
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from tests.kits.sure import PATIENCE_S

DAY = datetime.timedelta(days=1)


@dataclass
class Request:
    """One request as it came."""

    method: str
    target: str
    headers: dict[str, str]

    @property
    def path(self) -> str:
        """The target without its query."""
        return self.target.split("?", 1)[0]


class Connection:
    """The socket of one request; counts what is sent and never raises when the other side went away."""

    def __init__(self, sock: socket.socket, server: LocalServer) -> None:
        self.sock = sock
        self.server = server
        self.gone = False

    def send(self, data: bytes) -> None:
        """Send, unless the other side went away."""
        if self.gone:
            return
        try:
            self.sock.sendall(data)
        except OSError:
            self.gone = True

    def body(self, data: bytes) -> None:
        """Send bytes that count as a body."""
        for at in range(0, len(data), 65536):
            self.send(data[at : at + 65536])
            if self.gone:
                return
            self.server.body_bytes += len(data[at : at + 65536])

    def answer(self, status: int, headers: dict[str, str] | None = None, body: bytes = b"") -> None:
        """A plain answer with its length, unless the headers say otherwise."""
        rows = {"Content-Length": str(len(body)), **(headers or {})}
        rows |= {} if self.server.keep_alive else {"Connection": "close"}
        lines = [f"HTTP/1.1 {status} Words", *(f"{k}: {v}" for k, v in rows.items() if v != "")]
        self.send("\r\n".join([*lines, "", ""]).encode("latin-1"))
        self.body(body)


Handler = Callable[[Request, Connection], None]


class LocalServer:
    """Listens on a free port of 127.0.0.1; one thread per connection.

    One request per connection, unless `keep_alive`: then as many as come, until a handler ends one without its length.
    `most` is the largest number of requests of each method that were being handled at a time.
    """

    def __init__(self, handler: Handler, context: ssl.SSLContext | None = None, *, keep_alive: bool = False) -> None:
        self.handler = handler
        self.context = context
        self.keep_alive = keep_alive
        self.most: dict[str, int] = {}
        self._open: dict[str, int] = {}
        self._counting = threading.Lock()
        self.requests: list[Request] = []
        self.connections = 0
        self.body_bytes = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._closing = threading.Event()
        self._acceptor = threading.Thread(target=self._admit, daemon=True)
        self._acceptor.start()

    @property
    def url(self) -> str:
        """The server's address."""
        return f"{'https' if self.context else 'http'}://127.0.0.1:{self.port}"

    def _admit(self) -> None:
        while not self._closing.is_set():
            try:
                sock, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            thread = threading.Thread(target=self._serve, args=(sock,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, sock: socket.socket) -> None:
        sock.settimeout(PATIENCE_S)
        with suppress(OSError):
            if self.context is not None:
                try:
                    sock = self.context.wrap_socket(sock, server_side=True)
                except OSError:
                    sock.close()
                    return
            with sock:
                connection = Connection(sock, self)
                while (request := self._read(sock)) is not None:
                    self.requests.append(request)
                    with self._counted(request.method):
                        self.handler(request, connection)
                    if not self.keep_alive or connection.gone:
                        break
                with suppress(OSError):
                    sock.shutdown(socket.SHUT_RDWR)

    @contextmanager
    def _counted(self, method: str) -> Iterator[None]:
        with self._counting:
            self._open[method] = self._open.get(method, 0) + 1
            self.most[method] = max(self.most.get(method, 0), self._open[method])
        try:
            yield
        finally:
            with self._counting:
                self._open[method] -= 1

    @staticmethod
    def _read(sock: socket.socket) -> Request | None:
        data = b""
        while b"\r\n\r\n" not in data:
            more = sock.recv(65536)
            if not more:
                return None
            data += more
            if data[0] == 0x16:  # a TLS handshake; servers without TLS answer like this
                sock.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
                return None
        first, *rows = data.split(b"\r\n\r\n")[0].decode("latin-1").split("\r\n")
        method, target, _ = first.split(" ")
        headers = {name.lower(): value.strip() for name, _, value in (row.partition(":") for row in rows)}
        return Request(method, target, headers)

    def close(self) -> None:
        """Stop listening and wait for every thread."""
        self._closing.set()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._acceptor.join()  # after it nobody adds a thread
        for thread in self._threads:
            thread.join(timeout=10)


@contextmanager
def serving(
    handler: Handler, context: ssl.SSLContext | None = None, *, keep_alive: bool = False
) -> Iterator[LocalServer]:
    """A server for the length of the block."""
    server = LocalServer(handler, context, keep_alive=keep_alive)
    try:
        yield server
    finally:
        server.close()


@dataclass
class Served:
    """One file of a site: its bytes and tags, and how the server misbehaves with it.

    `cuts` holds, for the next requests in turn, after how many body bytes the connection breaks.
    """

    data: bytes
    etag: str = '"one"'
    last_modified: str = "Mon, 03 Aug 2026 10:00:00 GMT"
    date: str = ""
    cuts: list[int] = field(default_factory=list)
    piece: int = 0
    piece_wait_s: float = 0.0


class Site:
    """A handler that serves files as RFC 9110 §13 and §14 want it: whole, or a range under If-Range."""

    def __init__(self, files: dict[str, Served] | None = None) -> None:
        self.files = dict(files or {})

    def __call__(self, request: Request, connection: Connection) -> None:
        served = self.files.get(request.path)
        if served is None:
            connection.answer(404)
            return
        start = self._start(request, served)
        whole = len(served.data)
        tags = {"ETag": served.etag, "Last-Modified": served.last_modified, "Date": served.date}
        if request.method == "HEAD":
            connection.answer(200, {**tags, "Content-Length": str(whole)})
            return
        body = served.data[start:]
        cut = served.cuts.pop(0) if served.cuts else len(body)
        if start and start >= whole:
            connection.answer(416, {"Content-Range": f"bytes */{whole}"})
            return
        if start:
            tags["Content-Range"] = f"bytes {start}-{whole - 1}/{whole}"
        connection.answer(206 if start else 200, {**tags, "Content-Length": str(len(body))})
        body = body[:cut]
        piece = served.piece or len(body) or 1
        for at in range(0, len(body), piece):
            connection.body(body[at : at + piece])
            if connection.gone:
                return
            if served.piece_wait_s:
                time.sleep(served.piece_wait_s)

    @staticmethod
    def _start(request: Request, served: Served) -> int:
        match = re.fullmatch(r"bytes=(\d+)-", request.headers.get("range", ""))
        validator = served.etag or served.last_modified  # RFC 9110 §13.1.5: by exact match, the date, too
        condition = request.headers.get("if-range", validator)
        if match is None or condition != validator or served.etag.startswith("W/"):
            return 0
        return int(match[1])


class Authority:
    """A certificate authority with its own root (ECDSA P-256), for this run only."""

    def __init__(self, folder: Path, name: str = "test root") -> None:
        self.folder = folder
        self.name = name
        self._key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        now = datetime.datetime.now(datetime.UTC)
        usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        self._root = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(subject)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - 10 * DAY)
            .not_valid_after(now + 10 * DAY)
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        self.path = folder / f"{name.replace(' ', '-')}.pem"
        self.path.write_bytes(self._root.public_bytes(serialization.Encoding.PEM))

    def context(self, *, names: tuple[str, ...] = ("127.0.0.1", "localhost"), days: int = 5) -> ssl.SSLContext:
        """A server's context with a certificate for these names; with negative `days` one that expired."""
        key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.datetime.now(datetime.UTC)
        general: list[x509.GeneralName] = []
        for name in names:
            try:
                general.append(x509.IPAddress(ipaddress.ip_address(name)))
            except ValueError:
                general.append(x509.DNSName(name))
        leaf = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0])]))
            .issuer_name(self._root.subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - 9 * DAY)
            .not_valid_after(now + days * DAY)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.SubjectAlternativeName(general), critical=False)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        path = self.folder / f"leaf-{leaf.serial_number}.pem"
        path.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
            + leaf.public_bytes(serialization.Encoding.PEM)
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(path)
        return context
