"""A small Redfish service under a test's control: documents from a fixture, sessions, entity tags, and faults by path.

Written from DMTF DSP0266 as the tests understand it, and knows nothing of the reader under test.
"""

from __future__ import annotations

import base64
import hashlib
import http.server
import json
import secrets
import socketserver
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.kits.sure import PATIENCE_S

FIXTURES = Path(__file__).parents[2] / "fixtures" / "redfish"
USER = "office-reader"
PASSWORD = "s3cr3t-of-the-crane"
SESSIONS = "/redfish/v1/SessionService/Sessions"

Documents = dict[str, dict[str, Any]]


def documents(name: str) -> Documents:
    """One fixture service: path -> document."""
    found: Documents = json.loads((FIXTURES / f"{name}.json").read_text("utf-8"))
    return found


@dataclass
class Asked:
    """One request as it came; header names in lower case."""

    method: str
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class World:
    """What the service has and how it misbehaves. `faults` maps a path to what answers a GET in its place; `before` is
    called with every request before it is answered; `end_status` answers a DELETE, and only a 2xx ends the session."""

    documents: Documents
    faults: dict[str, Callable[[Handler], None]] = field(default_factory=dict)
    login_status: int = 201
    login_location: str | None = f"{SESSIONS}/{{id}}"
    login_token: bool = True
    login_body: bool = False
    end_status: int = 204
    before: Callable[[Handler], None] = lambda _: None
    sessions_exist: bool = True
    needs_login: bool = True
    basic: bool = False
    etags: bool = True
    asked: list[Asked] = field(default_factory=list)
    tokens: dict[str, str] = field(default_factory=dict)  # token -> session's path
    issued: list[str] = field(default_factory=list)
    open: set[str] = field(default_factory=set)  # paths of the sessions that were made and not ended
    most_open: int = 0

    def count(self, method: str) -> int:
        """How often something was asked for by a method."""
        return sum(a.method == method for a in self.asked)

    def methods(self) -> set[tuple[str, str]]:
        """Every (method, path) that was asked for."""
        return {(a.method, a.path) for a in self.asked}


class Handler(http.server.BaseHTTPRequestHandler):
    """Answers one connection."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    server: RedfishServer
    timeout = PATIENCE_S

    def log_message(self, *args: object) -> None:
        """Say nothing."""

    def answer(self, status: int, body: bytes = b"", headers: dict[str, str] | None = None) -> None:
        """A whole answer."""
        self.send_response_only(status)
        for name, value in {"Content-Length": str(len(body)), **(headers or {})}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def document(self, found: object, headers: dict[str, str] | None = None) -> None:
        """One JSON document."""
        self.answer(200, json.dumps(found).encode(), {"Content-Type": "application/json", **(headers or {})})

    def do_GET(self) -> None:
        """Answer a GET."""
        world, path = self._note(), self.path.rstrip("/")
        if path in world.faults:
            world.faults[path](self)
        elif world.needs_login and path != "/redfish/v1" and not self._known():
            self.answer(401)
        elif path not in world.documents:
            self.answer(404, b'{"error": {"code": "Base.1.0.GeneralError"}}')
        else:
            data = json.dumps(world.documents[path]).encode()
            tag = f'W/"{hashlib.sha256(data).hexdigest()[:12]}"'
            if world.etags and self.headers.get("If-None-Match") == tag:
                self.answer(304, b"", {"ETag": tag})
            else:
                self.answer(200, data, {"Content-Type": "application/json", **({"ETag": tag} if world.etags else {})})

    def do_POST(self) -> None:
        """Answer a POST: sessions only."""
        world = self._note()
        if not world.sessions_exist or self.path.rstrip("/") != SESSIONS:
            self.answer(404)
            return
        asked = json.loads(world.asked[-1].body)
        if (asked.get("UserName"), asked.get("Password")) != (USER, PASSWORD):
            self.answer(401)
            return
        token = secrets.token_hex(16)
        session = f"{SESSIONS}/{len(world.issued) + 1}"
        world.tokens[token] = session
        world.issued.append(token)
        world.open.add(session)
        world.most_open = max(world.most_open, len(world.open))
        headers = {"X-Auth-Token": token} if world.login_token else {}
        if world.login_location is not None:
            headers["Location"] = world.login_location.format(id=len(world.issued))
        body = json.dumps({"@odata.id": session, "Id": str(len(world.issued))}).encode() if world.login_body else b""
        self.answer(world.login_status, body, headers)

    def do_DELETE(self) -> None:
        """Answer a DELETE of a session, by whoever has a token."""
        world = self._note()
        if self.headers.get("X-Auth-Token", "") not in world.tokens:
            self.answer(401)
        elif self.path not in world.open:
            self.answer(404)
        else:
            if world.end_status < 300:
                world.open.discard(self.path)
                world.tokens = {token: path for token, path in world.tokens.items() if path != self.path}
            self.answer(world.end_status)

    def _note(self) -> World:
        length = int(self.headers.get("Content-Length", "0"))
        headers = {name.lower(): value for name, value in self.headers.items()}
        world = self.server.world
        world.asked.append(Asked(self.command, self.path, headers, self.rfile.read(length)))
        world.before(self)
        return world

    def _known(self) -> bool:
        if self.headers.get("X-Auth-Token", "") in self.server.world.tokens:
            return True
        pair = base64.b64encode(f"{USER}:{PASSWORD}".encode()).decode()
        return self.server.world.basic and self.headers.get("Authorization") == f"Basic {pair}"


class RedfishServer(socketserver.ThreadingMixIn, http.server.HTTPServer):
    """Listens on a free port of 127.0.0.1, with TLS where it has a context."""

    daemon_threads = True
    block_on_close = False

    def __init__(self, world: World, context: ssl.SSLContext | None, handler: type[Handler] = Handler) -> None:
        self.world = world
        self.context = context
        self.closing = threading.Event()
        super().__init__(("127.0.0.1", 0), handler)

    @property
    def url(self) -> str:
        """The service's address."""
        return f"{'https' if self.context else 'http'}://127.0.0.1:{self.server_address[1]}"

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Make TLS of the connection in its own thread."""
        if self.context is not None:
            request.settimeout(PATIENCE_S)
            request = self.context.wrap_socket(request, server_side=True)
        with request:
            super().finish_request(request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """The other side went away: that is the test's business."""


@contextmanager
def serving(world: World, context: ssl.SSLContext | None, handler: type[Handler] = Handler) -> Iterator[RedfishServer]:
    """A service for the length of the block."""
    server = RedfishServer(world, context, handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.closing.set()
        server.shutdown()
        server.server_close()
        thread.join(timeout=10)
