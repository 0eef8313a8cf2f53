"""`bundlekeeper` as a process of its own, without an interpreter's start and imports, most of a short command's time.

A server that has imported the whole package forks a child for each command. The child has the standard streams, the
environment, the folder and the umask that it was given, and ends as an interpreter ends. What an interpreter reads when
it starts cannot be given to it: where that differs a process is begun anew, as tests of the start do themselves.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import json
import os
import pkgutil
import selectors
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import bundlekeeper
from bundlekeeper.__main__ import main

ROOT = Path(__file__).parents[2]
_READ_AT_START = ("PYTHON", "LC_", "LANG", "LD_", "TZ", "TMPDIR", "FAKETIME", "OPENSSL", "SSL_")
_WARNINGS = "PYTHONWARNINGS"
Ended = subprocess.CompletedProcess[bytes]
_PIPE_BYTES = 65_536  # what a new pipe takes without a reader (pipe(7))


def _at_start(environment: Mapping[str, str]) -> dict[str, str]:
    return {k: v for k, v in environment.items() if k.startswith(_READ_AT_START) and k != _WARNINGS}


_ENVIRONMENT = {**os.environ, _WARNINGS: "error"}
_START = _at_start(_ENVIRONMENT)


@dataclass
class _Server:
    orders: socket.socket
    process: subprocess.Popen[bytes]
    lock: threading.Lock = field(default_factory=threading.Lock)


@cache
def _server() -> _Server:
    """The server of this process; it ends when the socket is closed, with this process at the latest."""
    ours, theirs = socket.socketpair()
    command = [sys.executable, "-m", "tests.kits.forked", str(theirs.fileno())]
    pipe = subprocess.PIPE  # streams are opened at the start: as pipes, as the children's are
    process = subprocess.Popen(
        command, cwd=ROOT, env=_ENVIRONMENT, pass_fds=[theirs.fileno()], stdin=pipe, stdout=pipe, stderr=pipe
    )
    theirs.close()
    return _Server(ours, process)


def run(words: Sequence[str], env: Mapping[str, str], stdin: bytes, cwd: Path) -> Ended:
    """`bundlekeeper WORDS`, ended."""
    can_be_forked = env.get(_WARNINGS) == "error" and _at_start(env) == _START and len(stdin) <= _PIPE_BYTES
    if can_be_forked and (server := _server()).lock.acquire(blocking=False):
        try:
            return _forked(server.orders, {"words": [*words], "env": {**env}, "cwd": str(cwd)}, stdin)
        finally:
            server.lock.release()
    command = [sys.executable, "-m", "bundlekeeper", *words]
    return subprocess.run(command, env=env, input=stdin, capture_output=True, cwd=cwd, check=False)


def _forked(orders: socket.socket, told: Mapping[str, object], stdin: bytes) -> Ended:
    order, (given, full), (out, their_out), (err, their_err) = os.memfd_create("order"), *(os.pipe() for _ in range(3))
    passed = [order, given, their_out, their_err]
    try:
        umask = Path("/proc/self/status").read_text("utf-8").partition("\nUmask:")[2].split()[0]
        os.write(order, json.dumps({**told, "umask": int(umask, 8)}).encode("ascii"))
        os.write(full, stdin)
        socket.send_fds(orders, [b"!"], passed)
    finally:
        for fd in (full, *passed):
            os.close(fd)
    said = _read(out, err)
    return Ended(told["words"], os.waitstatus_to_exitcode(int(orders.recv(16))), *said)


def _read(*fds: int) -> list[bytes]:
    """All that comes from these pipes, until nobody holds their other ends; they are closed."""
    said: dict[int, list[bytes]] = {fd: [] for fd in fds}
    with selectors.DefaultSelector() as selector:
        for fd in fds:
            selector.register(fd, selectors.EVENT_READ)
        while selector.get_map():
            for key, _ in selector.select():
                said[key.fd].append(piece := os.read(key.fd, _PIPE_BYTES))
                if not piece:
                    selector.unregister(key.fd)
                    os.close(key.fd)
    return [b"".join(pieces) for pieces in said.values()]


def _serve(orders: socket.socket) -> None:
    """Fork for each order; returns in the child, which is the command by then."""
    for module in pkgutil.walk_packages(bundlekeeper.__path__, "bundlekeeper."):
        importlib.import_module(module.name)
    gc.collect()
    gc.freeze()
    while True:
        byte, fds, _, _ = socket.recv_fds(orders, 1, 4)
        if not byte:
            os._exit(0)
        if not (child := os.fork()):
            orders.detach()
            return _become(*fds)
        for fd in fds:
            os.close(fd)
        orders.sendall(str(os.waitpid(child, 0)[1]).encode("ascii"))


def _become(order: int, *streams: int) -> None:
    told = json.loads(os.pread(order, os.fstat(order).st_size, 0))
    for number, fd in enumerate(streams):
        os.dup2(fd, number)
    os.closerange(3, 256)
    os.environ.clear()
    os.environ.update(told["env"])
    os.chdir(told["cwd"])
    os.umask(told["umask"])
    sys.argv = [main.__code__.co_filename, *told["words"]]


def _end(status: object) -> None:
    """As an interpreter ends, but for the taking down of every module: four times what a short command takes."""
    threading._shutdown()  # type: ignore[attr-defined]  # waits for threads, as the interpreter does
    atexit._run_exitfuncs()
    gc.collect()  # what was not closed says so
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status if isinstance(status, int) else 1)


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
    try:
        main()
    except SystemExit as end:
        _end(end.code)
