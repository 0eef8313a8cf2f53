"""Rows on receiving a media set: time against an addition of the same bytes, and memory."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import time
from dataclasses import replace
from pathlib import Path

from bundlekeeper.model.media.index import FilePart, SetFile
from tests.bench.frame import Judged, Target, bench, in_turns, ratio_at_most, seconds
from tests.bench.living import peak_bytes
from tests.bench.world import World, keeper_line, warm
from tests.kits.media_kit import Site, make_set, write_volume

_BUNDLE = "blade/6.1.0/marram-blade-6.1.0.bin"


def _volumes(world: World, count: int) -> list[Path]:
    """Media with the large bundle: whole on one (a second name of the large file), or in equal parts on several."""
    base = world.folder / f"media-{count}"
    media = [base / str(number) for number in range(1, count + 1)]
    if not base.exists():
        manifest = world.big_store_inputs.read_bytes()
        with world.big.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        parts, files = _parts(world, base / "parts", count, digest)
        common = make_set((), manifest=manifest).index.files[0]
        places = tuple(replace(common.parts[0], volume=number) for number in range(1, count + 1))
        bundle = SetFile(_BUNDLE, world.big_bytes, digest, "bundle", "blade", "6.1.0", parts=parts)
        made = make_set((), manifest=manifest, volumes=count, files=(bundle, replace(common, parts=places)))
        made = replace(made, payload={number: {common.path: manifest} for number in range(1, count + 1)})
        for part, file, medium in zip(parts, files, media, strict=True):
            root = write_volume(made, part.volume, medium)
            (root / "data" / _BUNDLE).parent.mkdir(parents=True)
            (root / "data" / part.path).hardlink_to(file)
            _listed(root, f"data/{part.path}", part.sha256)
    return media


def _listed(root: Path, path: str, digest: str) -> None:
    """Put a payload file into each list of a volume, and each list into the next (RFC 8493 §2.2.1)."""
    manifest, sums, tags = (root / name for name in ("manifest-sha256.txt", "SHA256SUMS", "tagmanifest-sha256.txt"))
    manifest.write_text(manifest.read_text() + f"{digest}  {path}\n")
    changed = hashlib.sha256(manifest.read_bytes()).hexdigest()
    rows = [re.sub(r"^\w+(  manifest-sha256.txt)$", rf"{changed}\1", row) for row in sums.read_text().splitlines()]
    sums.write_text("".join(f"{row}\n" for row in sorted([*rows, f"{digest}  {path}"], key=lambda row: row[66:])))
    sealed = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (manifest, sums)}
    rows = [
        row if row[66:] not in sealed else f"{sealed[row[66:]]}  {row[66:]}" for row in tags.read_text().splitlines()
    ]
    tags.write_text("".join(f"{row}\n" for row in rows))


def _parts(world: World, folder: Path, count: int, digest: str) -> tuple[tuple[FilePart, ...], list[Path]]:
    """The parts of the large file, and the files that hold them."""
    if count == 1:
        return (FilePart(1, _BUNDLE, 0, world.big_bytes, digest),), [world.big]
    folder.mkdir(parents=True)
    parts, files, size, whole = [], [], -(-world.big_bytes // count), hashlib.sha256()
    with world.big.open("rb") as stream:
        for number in range(1, count + 1):
            data = stream.read(size)
            files.append(folder / str(number))
            files[-1].write_bytes(data)
            whole.update(data)
            path, offset = f"{_BUNDLE}.part-{number:02d}of{count:02d}", (number - 1) * size
            own, through = hashlib.sha256(data).hexdigest(), whole.hexdigest()
            parts.append(FilePart(number, path, offset, len(data), own, number, through))
    return tuple(parts), files


def _timed(store: Path, *words: str, status: int = 0) -> float:
    Site(store)
    os.sync()
    begun = time.perf_counter()
    done = subprocess.run(keeper_line(*words, "--store", str(store), "--json"), capture_output=True, check=False)
    took = time.perf_counter() - begun
    shutil.rmtree(store)
    os.sync()
    if done.returncode != status:
        raise RuntimeError(f"{words[0]}: exit status {done.returncode}: {done.stdout[-300:]!r}")
    return took


def _against_add(world: World, count: int) -> tuple[float, float]:
    volumes, manifest = [str(each) for each in _volumes(world, count)], world.big_store_inputs

    def ours(world: World) -> float:
        warm(world.big)
        return _timed(world.folder / "received", "media", "receive", *volumes)

    def theirs(world: World) -> float:
        warm(world.big)
        offered = str(world.folder / "offered")
        return _timed(world.folder / "added-store", "store", "add", str(manifest), "--from", offered)

    return in_turns(world, ours, theirs)


@bench(
    "media receive",
    what="bundlekeeper media receive of a volume with one large bundle, start to end",
    against="bundlekeeper store add of the same bundle",
    unit="s",
    target=ratio_at_most(1.05),
)
def receive(world: World) -> tuple[float, float]:
    """Receiving costs little more than adding."""
    return _against_add(world, 1)


@bench(
    "media receive, split",
    what="bundlekeeper media receive of one large bundle in equal parts on three volumes, all at once",
    against="bundlekeeper store add of the same bundle",
    unit="s",
    target=ratio_at_most(1.10),
)
def receive_split(world: World) -> tuple[float, float]:
    """One hash verifies its parts and its whole."""
    return _against_add(world, 3)


@bench(
    "media receive, long list",
    what="bundlekeeper media receive of a volume whose list has 30 lines for each small file, which is refused",
    against="sha256sum of that list",
    unit="s",
    target=Target(Judged.OURS, False, 3.0),
)
def receive_long_list(world: World) -> tuple[float, float]:
    """What a hostile or a broken volume may cost; 10000 small files are 300000 lines."""
    medium = world.folder / "long-list"
    name = "manifest-sha256.txt"
    if not medium.exists():
        root = write_volume(make_set(()), 1, medium)
        with (root / name).open("a", encoding="ascii") as file:
            file.writelines(f"{n:064x}  data/b/{n:08d}.bin\n" for n in range(world.many_files * 30 - 1))
        _listed(root, "data/last.bin", "0" * 64)
    (listed,) = medium.rglob(name)
    return in_turns(
        world,
        lambda w: _timed(w.folder / "received", "media", "receive", str(medium), status=4),
        lambda _: seconds(lambda: subprocess.run(["sha256sum", listed], capture_output=True, check=True)),
    )


@bench(
    "memory, media receive",
    what="peak memory of bundlekeeper media receive of one large bundle",
    against="peak memory of openssl dgst -sha256 of the same file",
    unit="bytes",
    target=Target(Judged.OURS, False, 100e6),
)
def memory_of_receive(world: World) -> tuple[float, float]:
    """The memory of receiving."""
    (volume,), store = _volumes(world, 1), world.folder / "memory-received"
    Site(store)
    try:
        ours = peak_bytes(keeper_line("media", "receive", str(volume), "--store", str(store), "--json"))
    finally:
        shutil.rmtree(store, ignore_errors=True)
    return ours, peak_bytes(["openssl", "dgst", "-sha256", str(world.big)])
