"""Rows on receiving a media set: time against a take of the same bytes, and memory."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import time
from pathlib import Path

from bundlekeeper.model.media import Part, SetFile
from tests.bench.frame import Judged, Target, bench, in_turns, ratio_at_most
from tests.bench.living import peak_bytes
from tests.bench.world import World, keeper_line, warm
from tests.media_kit import MadeSet, Site, make_set, write_volume


def _volume(world: World) -> Path:
    """A volume with the large bundle, which is a second name of the large file."""
    media = world.folder / "medium"
    manifest = world.big_store_inputs.read_bytes()
    if not media.exists():
        made: MadeSet = make_set((), manifest=manifest)
        path = "blade/6.1.0/marram-blade-6.1.0.fwb"
        with world.big.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        part = Part(1, path, 0, world.big_bytes, digest)
        bundle = SetFile(path, world.big_bytes, digest, "bundle", "blade", "6.1.0", parts=(part,))
        made = make_set((), manifest=manifest, files=(bundle, *made.index.files))
        root = write_volume(made, 1, media)
        (root / "data" / path).parent.mkdir(parents=True)
        (root / "data" / path).hardlink_to(world.big)
        listed = root / "manifest-sha256.txt"
        listed.write_text(listed.read_text() + f"{digest}  data/{path}\n")
        (root / "tagmanifest-sha256.txt").unlink()
    return media


def _timed(store: Path, *words: str) -> float:
    Site(store)
    os.sync()
    begun = time.perf_counter()
    done = subprocess.run(keeper_line(*words, "--store", str(store), "--json"), capture_output=True, check=False)
    took = time.perf_counter() - begun
    shutil.rmtree(store)
    os.sync()
    if done.returncode != 0:
        raise RuntimeError(f"{words[0]}: exit status {done.returncode}: {done.stdout[-300:]!r}")
    return took


@bench(
    "media receive",
    what="bundlekeeper media receive of a volume with one large bundle, start to end",
    against="bundlekeeper take of the same bundle",
    unit="s",
    target=ratio_at_most(1.15),
)
def receive(world: World) -> tuple[float, float]:
    """Receiving costs little more than taking."""
    volume, manifest = _volume(world), world.big_store_inputs

    def ours(world: World) -> float:
        warm(world.big)
        return _timed(world.folder / "received", "media", "receive", str(volume))

    def theirs(world: World) -> float:
        warm(world.big)
        offered = str(world.folder / "offered")
        return _timed(world.folder / "taken-store", "take", str(manifest), "--from", offered)

    return in_turns(world, ours, theirs)


@bench(
    "memory, media receive",
    what="peak memory of bundlekeeper media receive of one large bundle",
    against="peak memory of openssl dgst -sha256 of the same file",
    unit="bytes",
    target=Target(Judged.OURS, False, 100e6),
)
def memory_of_receive(world: World) -> tuple[float, float]:
    """The memory of receiving."""
    volume, store = _volume(world), world.folder / "memory-received"
    Site(store)
    try:
        ours = peak_bytes(keeper_line("media", "receive", str(volume), "--store", str(store), "--json"))
    finally:
        shutil.rmtree(store, ignore_errors=True)
    return ours, peak_bytes(["openssl", "dgst", "-sha256", str(world.big)])
