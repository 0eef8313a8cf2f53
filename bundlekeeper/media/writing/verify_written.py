"""Verifies volumes from their media: those that were just written, and those that were finished before.

Rules: every file of the volume is read back, except those read back in this run already; media are read in parallel;
the level is that of the weakest file; a read error is "unreadable" and never "altered"; a finished volume has every
file that a volume is written with, and exactly the index and signature that are kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

from bundlekeeper.errors import KeeperError, StoppedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.media.volume import bag_text, tag_files
from bundlekeeper.media.volume.bag import Bag, read_bag
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE, Expected, VolumeFolder
from bundlekeeper.media.volume.read_back import ReadBackLevel, flush_device
from bundlekeeper.media.volume.tag_files import SignedIndex
from bundlekeeper.model.progress import Progress
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.hashing.threads import Helper


@dataclass(frozen=True, slots=True)
class Verified:
    """What reading a volume back gave: the level, why no higher one, what is wrong, with which files.

    `beside` has findings about a volume that is whole.
    """

    level: ReadBackLevel
    reason: str
    findings: tuple[Finding, ...]
    bad: tuple[str, ...] = ()
    beside: tuple[Finding, ...] = ()


def verify_written(
    volumes: Mapping[VolumeFolder, Mapping[str, Expected]], progress: Progress, stop: Stop | None
) -> dict[VolumeFolder, Verified]:
    """Read every file of volumes that were just written back from their media, the media in parallel.

    Raises StoppedError.
    """
    rows = {v: {p: e for p, e in files.items() if p not in v.kept} for v, files in volumes.items()}
    total = sum(expected.size for files in rows.values() for expected in files.values())
    progress.begin("verifying from the medium", total, sum(len(files) for files in rows.values()))
    found: dict[VolumeFolder, Verified] = {}
    failures: list[BaseException] = []

    def verify(volume: VolumeFolder) -> None:
        try:
            found[volume] = _verify(volume, rows[volume], progress, stop, remounted=False)
        except BaseException as e:  # raised in the caller's thread
            failures.append(e)

    helpers = [Helper(f"verify-{n}", partial(verify, volume)) for n, volume in enumerate(rows)]
    try:
        started = [helper.start() for helper in helpers]
        for helper in helpers:
            helper.join()
        for volume, begun in zip(rows, started, strict=True):
            if not begun:
                verify(volume)
    finally:
        progress.done()
    if failures:
        raise failures[0]
    return found


def verify_finished(
    volume: VolumeFolder,
    signed: SignedIndex,
    progress: Progress,
    stop: Stop | None,
    *,
    remounted: bool,
    asked: Collection[str] = (),
) -> Verified:
    """Verify a volume that was finished before: its bag, the set's index, every file, from the medium.

    `remounted` says that the medium was mounted again since it was written; `asked` are the optional files, or folders
    with a slash, that this run asks for. Raises StoppedError.
    """
    try:
        bag = read_bag(volume.path, stop=stop)
    except StoppedError:
        raise
    except KeeperError as e:
        message = e.message if not e.problems else f"{e.message}: {e.problems[0].subject}: {e.problems[0].message}"
        return Verified(ReadBackLevel.UNSURE, "", (finding("bad-volume", str(volume.path), message, _AGAIN),))
    expected = {
        path: Expected(bag.files[path].size, sums)
        for path, sums in {**bag.tags, **bag.payload}.items()
        if path in bag.files
    }
    for name, data in ((INDEX, signed.data), (SIGNATURE, signed.signature)):
        if name in bag.files:
            expected[name] = Expected(len(data), {"sha256": hashlib.sha256(data).hexdigest()})
    wrong = [*bag.findings, *_not_of_it(volume, signed, bag)]
    progress.begin("verifying from the medium", sum(e.size for e in expected.values()), len(expected))
    try:
        verified = _verify(volume, expected, progress, stop, remounted=remounted)
    finally:
        progress.done()
    beside = (*_strays(volume, bag), *_not_written(volume, signed, bag, asked))
    return Verified(verified.level, verified.reason, (*wrong, *verified.findings), beside=beside)


def _not_of_it(volume: VolumeFolder, signed: SignedIndex, bag: Bag) -> Iterator[Finding]:
    """Where a volume's files and lists are not those that were written."""
    named = {f"{bag_text.PAYLOAD}/{part.path}": part for _, part in signed.index.on(volume.number)}
    for path, part in named.items():
        if bag.payload.get(path, {}).get("sha256") != part.sha256:
            yield finding("bad-volume", path, "the volume's manifest differs from the set's index", _AGAIN)
    for path in sorted(set(bag.payload) - set(named)):
        yield finding(
            "bad-volume", path, "the volume's manifest lists it, but the set's index does not name it", _AGAIN
        )
    for name in tag_files.EVERY:
        if name in bag.files and (name in bag.tags or name == tag_files.TAG_MANIFEST or not bag.tags):
            continue
        if name not in bag.files and name not in bag.tags:
            message = "it was written onto the volume, but is not there"
            yield finding("missing", f"{volume.path}/{name}", message, _AGAIN)
        elif name in bag.files:
            yield finding("bad-volume", f"{volume.path}/{name}", "the volume's lists do not name it", _AGAIN)


def _strays(volume: VolumeFolder, bag: Bag) -> Iterator[Finding]:
    for path in sorted(bag.files):
        if path not in bag.tags and path not in tag_files.EVERY and not path.startswith(f"{bag_text.PAYLOAD}/"):
            message, hint = "is in the volume's folder, but not part of the volume", "move it away"
            yield finding("extra", f"{volume.path}/{path}", message, hint)


def _not_written(volume: VolumeFolder, signed: SignedIndex, bag: Bag, asked: Collection[str]) -> Iterator[Finding]:
    for name in asked:
        if name not in bag.files and not any(name.endswith("/") and path.startswith(name) for path in bag.files):
            message = f"volume {volume.number} was finished without it; nothing is added to a finished volume"
            hint = tag_files.hint_to_have(signed.index, name, "remove the volume's folder to write it again")
            yield finding("missing", f"{volume.path}/{name}", message, hint, Level.WARNING)


_AGAIN = "remove the volume's folder and write it again"


def _verify(
    volume: VolumeFolder, expected: Mapping[str, Expected], progress: Progress, stop: Stop | None, *, remounted: bool
) -> Verified:
    if stop is not None:
        stop.check()
    flushed = flush_device(volume.place.mount)
    wrong: list[Finding] = []
    bad: list[str] = []
    doubts = [kept.reason for kept in volume.kept.values() if kept.reason]
    for path, stated in sorted(expected.items()):
        progress.file(path)
        algorithms = tuple(sorted({*stated.digests, "sha256"}))
        try:
            back = volume.read_back(path, algorithms=algorithms, flushed=flushed, on_bytes=progress.advance, stop=stop)
        except OSError as e:
            wrong.append(finding("unreadable", f"{volume.path}/{path}", f"could not be read back: {e.strerror}", _BAD))
            continue
        found = back.digest
        if found.size != stated.size:
            code = "truncated" if found.size < stated.size else "extended"
            message = f"{found.size:,} bytes on the medium, {stated.size:,} were written"
            wrong.append(finding(code, f"{volume.path}/{path}", message, _BAD))
            bad.append(path)
        elif any(found.hexes[name] != checksum for name, checksum in stated.digests.items()):
            message = f"the medium has other bytes than were written: SHA-256 {found.sha256}"
            wrong.append(finding("altered", f"{volume.path}/{path}", message, _BAD))
            bad.append(path)
        if back.reason:
            doubts.append(back.reason)
    if doubts:
        return Verified(ReadBackLevel.UNSURE, doubts[0], tuple(wrong), tuple(bad))
    return Verified(ReadBackLevel.REMOUNTED if remounted else ReadBackLevel.EVICTED, "", tuple(wrong), tuple(bad))


_BAD = "do not trust this medium: write to another one"
