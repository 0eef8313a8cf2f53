"""Tests of reading below the HTTP library: all that a connection has ready comes at once, and never around a layer."""

from __future__ import annotations

import socket
import ssl
import time

import httpcore
import pytest

from bundlekeeper.links.http.limits import Backend, HttpLimits, SocketGuard
from tests.kits.sure import wait_until

_LIMITS = HttpLimits(60.0, 0.0, 30.0)


class Layered(httpcore.NetworkStream):
    """A TLS connection; TLS inside it gives b"clear", whatever the socket below has."""

    def __init__(self, below: socket.socket) -> None:
        self._below = below

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """What the inner TLS gives."""
        return b"clear"

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        """The stream of TLS inside TLS: the socket stays the outer one."""
        return self

    def get_extra_info(self, info: str) -> object:
        """The socket."""
        return self._below if info == "socket" else None


def guarded(inner: httpcore.NetworkStream) -> httpcore.NetworkStream:
    """The stream that `Backend` makes of this connection."""
    guard = SocketGuard("there", _LIMITS, time.monotonic)
    backend = Backend(lambda: guard)
    backend._real.connect_tcp = lambda *_: inner  # type: ignore[method-assign]
    return backend.connect_tcp("there", 443)


def test_all_that_is_ready_comes_at_once() -> None:
    guard = SocketGuard("there", _LIMITS, time.monotonic)
    with socket.create_server(("127.0.0.1", 0)) as server:
        stream = Backend(lambda: guard).connect_tcp("127.0.0.1", server.getsockname()[1])
        theirs, _ = server.accept()
    ours, sent = stream.get_extra_info("socket"), bytes(range(256)) * 400
    assert isinstance(ours, socket.socket)
    with ours, theirs:
        theirs.sendall(sent)
        wait_until(lambda: len(ours.recv(len(sent), socket.MSG_PEEK)) == len(sent), "all that was sent")
        assert stream.read(1000) == sent
        theirs.sendall(b"the rest")
        theirs.close()
        assert stream.read(3) == b"the rest"
        assert stream.read(3) == b""


def test_nothing_is_read_around_a_second_layer_of_tls(monkeypatch: pytest.MonkeyPatch) -> None:
    def wire(_: ssl.SSLSocket, buffer: memoryview) -> int:
        buffer[:4] = b"wire"
        return 4

    monkeypatch.setattr(ssl.SSLSocket, "recv_into", wire)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    ours, theirs = socket.socketpair()
    with theirs, context.wrap_socket(ours, server_hostname="there", do_handshake_on_connect=False) as outer:
        assert guarded(Layered(outer)).start_tls(context).read(1000) == b"clear"
