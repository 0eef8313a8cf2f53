"""Rows on adding from a server: a download that is verified and durable, against what people do by hand."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from functools import partial

from tests.bench.frame import Skipped, bench, in_turns, ratio_at_most
from tests.bench.world import World, keeper_line, warm
from tests.kits.local_server import Authority, Connection, LocalServer, Request

_PIECE_BYTES = 1 << 20
#: The same bytes are kept and hashed on the way, and durable at the end.
_BY_HAND = 'curl -sS --cacert "$1" "$2" | tee "$3" | openssl dgst -sha256 && sync "$3"'


def _serve(world: World, request: Request, connection: Connection) -> None:
    """Send the large file, or only its length."""
    connection.send(f"HTTP/1.1 200 OK\r\nContent-Length: {world.big_bytes}\r\n\r\n".encode())
    if request.method == "GET":
        with world.big.open("rb", buffering=0) as stream:
            while not connection.gone and (piece := stream.read(_PIECE_BYTES)):
                connection.send(piece)


@bench(
    "store add, https",
    what="bundlekeeper store add of one large bundle from an https server on this machine, start to end",
    against="curl | tee FILE | openssl dgst -sha256, and sync FILE, from the same server",
    unit="s",
    target=ratio_at_most(1.10),
)
def add_over_https(world: World) -> tuple[float, float]:
    """The server takes its part of the cores in both."""
    if any(shutil.which(program) is None for program in ("curl", "tee", "openssl", "sync", "sh")):
        raise Skipped("curl, tee, openssl, sync or sh is not installed")
    manifest, authority = world.big_store_inputs, Authority(world.folder)
    server = LocalServer(partial(_serve, world), authority.context())

    def timed(line: list[str]) -> float:
        os.sync()
        warm(world.big)
        begun = time.perf_counter()
        subprocess.run(line, capture_output=True, check=True)
        return time.perf_counter() - begun

    def ours(world: World) -> float:
        store = world.folder / "fetched-store"
        try:
            line = ["store", "add", str(manifest), "--from", server.url, "--ca", str(authority.path)]
            return timed(keeper_line(*line, "--store", str(store), "--json"))
        finally:
            shutil.rmtree(store, ignore_errors=True)

    def theirs(world: World) -> float:
        target = world.folder / "fetched"
        try:
            return timed(
                ["sh", "-c", _BY_HAND, "sh", str(authority.path), f"{server.url}/{world.big.name}", str(target)]
            )
        finally:
            target.unlink(missing_ok=True)

    try:
        return in_turns(world, ours, theirs)
    finally:
        server.close()
