"""Python programs as processes of their own, without an interpreter's start and imports, most of a short one's time.

A server that has imported the package forks a child for each program. The child has the standard streams, environment,
folder and umask that it was given, and ends as an interpreter ends. What an interpreter reads when it starts cannot be
given to it: where that differs the program is started again, as tests of the start do themselves.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import importlib
import json
import os
import pkgutil
import runpy
import select
import selectors
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

import bundlekeeper
from tests.kits.sure import wait_until

ROOT = Path(__file__).parents[2]
Ended = subprocess.CompletedProcess[str]
_READ_AT_START = ("PYTHON", "LC_", "LANG", "LD_", "TZ", "TMPDIR", "FAKETIME", "OPENSSL", "SSL_")
_WARNINGS = "PYTHONWARNINGS"
_PIPE_BYTES = 65_536  # what a new pipe takes without a reader (pipe(7))
_KITS = ("psycopg", "tests.kits.store_kit", "tests.kits.media_write_kit")  # what children of the tests' own need most


def _at_start(environment: Mapping[str, str]) -> dict[str, str]:
    return {k: v for k, v in environment.items() if k.startswith(_READ_AT_START) and k != _WARNINGS}


_ENVIRONMENT = {**os.environ, _WARNINGS: "error"}
_START = _at_start(_ENVIRONMENT)


@cache
def _server() -> tuple[socket.socket, subprocess.Popen[bytes]]:
    """The server of this process, and where it takes orders; it ends when that is closed."""
    ours, theirs = socket.socketpair()
    command, pipe = [sys.executable, "-m", "tests.kits.forked", str(theirs.fileno())], subprocess.PIPE
    process = subprocess.Popen(  # its streams are opened as pipes, as its children's are
        command, cwd=ROOT, env=_ENVIRONMENT, pass_fds=[theirs.fileno()], stdin=pipe, stdout=pipe, stderr=pipe
    )
    theirs.close()
    atexit.register(process.communicate)
    atexit.register(ours.close)
    return ours, process


def run(
    words: Sequence[str | Path],
    *,
    env: Mapping[str, str] | None = None,
    stdin: str = "",
    cwd: Path = ROOT,
    under: Sequence[str] = (),
) -> Ended:
    """`python WORDS`, which begin with -c CODE or -m MODULE, under `strace …`; warnings are errors."""
    texts, sent = [str(word) for word in words], stdin.encode("utf-8", "surrogateescape")
    environment = {**(os.environ if env is None else env), _WARNINGS: "error"}
    if _at_start(environment) == _START and len(sent) <= _PIPE_BYTES:
        command = {"words": texts, "env": environment, "cwd": str(cwd), "under": [*under]}
        status, out, err = _forked(command, sent)
    else:
        started = [*under, sys.executable, *texts]
        done = subprocess.run(started, env=environment, input=sent, capture_output=True, cwd=cwd, check=False)
        status, out, err = done.returncode, done.stdout, done.stderr
    return Ended(texts, status, *(said.decode("utf-8", "surrogateescape") for said in (out, err)))


def _forked(command: Mapping[str, object], stdin: bytes) -> tuple[int, bytes, bytes]:
    orders, server = _server()
    order, (given, full) = os.memfd_create("order"), os.pipe()
    ours, theirs = zip(*(os.pipe() for _ in ("status", "stdout", "stderr")), strict=True)
    passed = [order, theirs[0], given, *theirs[1:]]
    try:
        umask = Path("/proc/self/status").read_text("utf-8").partition("\nUmask:")[2].split()[0]
        os.write(order, json.dumps({**command, "umask": int(umask, 8)}).encode("ascii"))
        os.write(full, stdin)
        socket.send_fds(orders, [b"!"], passed)
    finally:
        for fd in (full, *passed):
            os.close(fd)
    ended, out, err = _read(*ours)
    assert ended, server.communicate()
    return os.waitstatus_to_exitcode(int(ended)), out, err


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


# The server


def _modules() -> Iterator[str]:
    for module in pkgutil.walk_packages(bundlekeeper.__path__, "bundlekeeper."):
        if not module.name.endswith("__main__"):
            yield module.name
    yield from _KITS


def _serve(orders: socket.socket) -> list[str]:
    """Fork for each order, and say how each child ended; returns in the child, which is the program by then."""
    for name in _modules():
        importlib.import_module(name)
    gc.collect()
    gc.freeze()
    running: dict[int, tuple[int, int]] = {}  # a child's descriptor: its number, and whom its end is said to
    news = select.poll()
    news.register(orders, select.POLLIN)
    while True:
        for ready, _ in news.poll():
            if ready in running:
                child, status = running.pop(ready)
                news.unregister(ready)
                os.write(status, str(os.waitpid(child, 0)[1]).encode("ascii"))
                fds = [status, ready]
            else:
                byte, (*fds,), _, _ = socket.recv_fds(orders, 1, 5)
                if not byte:
                    os._exit(0)
                order, status, *streams = fds
                if not (child := os.fork()):
                    orders.detach()
                    return _become(order, *streams)
                running[(pid_fd := os.pidfd_open(child))] = child, status
                news.register(pid_fd, select.POLLIN)
                fds.remove(status)
            for fd in fds:
                os.close(fd)


def _become(order: int, *streams: int) -> list[str]:
    command = json.loads(os.pread(order, os.fstat(order).st_size, 0))
    for number, fd in enumerate(streams):
        os.dup2(fd, number)
    os.closerange(3, 256)
    os.environ.clear()
    os.environ.update(command["env"])
    os.chdir(command["cwd"])
    os.umask(command["umask"])
    if command["under"]:
        _let_trace(command["under"])
    words: list[str] = command["words"]
    return words


def _let_trace(under: Sequence[str]) -> None:
    """Start the tracer of this process, and wait until it is there, with no call that tests count."""
    ctypes.CDLL(None).prctl(0x59616D61, -1, 0, 0, 0)  # PR_SET_PTRACER, any: where Yama wants it (prctl(2))
    os.posix_spawnp(under[0], [*under, "-p", str(os.getpid())], os.environ)
    fd = os.open("/proc/self/status", os.O_RDONLY)
    wait_until(lambda: b"\nTracerPid:\t0\n" not in os.pread(fd, 4096, 0), "a tracer")
    os.close(fd)


def _execute(words: Sequence[str]) -> None:
    sys.argv = [words[0], *words[2:]]
    if words[0] == "-c":
        exec(compile(words[1], "<string>", "exec"), {"__name__": "__main__"})  # noqa: S102
    else:
        runpy.run_module(words[1], run_name="__main__", alter_sys=True)


def _end(status: object) -> None:
    """As an interpreter ends, but for the taking down of every module: four times what a short command takes."""
    threading._shutdown()  # type: ignore[attr-defined]  # waits for threads
    atexit._run_exitfuncs()
    gc.collect()  # what was not closed says so
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status if isinstance(status, int) else 0 if status is None else 1)


if __name__ == "__main__":
    _words = _serve(socket.socket(fileno=int(sys.argv[1])))
    _status: object = 1
    try:
        _execute(_words)
        _status = 0
    except SystemExit as end:
        _status = end.code
        if isinstance(_status, str):
            print(_status, file=sys.stderr)
    except BaseException:
        sys.excepthook(*sys.exc_info())
    _end(_status)
