"""Reads the files of the store when a set is written: each file once, for every volume that lacks it.

Rules: a file is opened once and read once, in order, however many volumes and targets its parts go to; it is hashed in
that read where its digests are not known (parts of split files, one by one and as a whole; SHA-512); else only when it
is read back from the medium, with the digest of the packing; a file that changed while it was read, or is not what the
packing states, is reported, and no volume with it is finished; its bytes are removed there.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.media.volume import bag_text
from bundlekeeper.media.volume.folder import Expected, VolumeFolder
from bundlekeeper.media.volume.tag_files import TOOL
from bundlekeeper.model.media.index import FilePart, PartDigests
from bundlekeeper.model.media.packing import PackedFile, SetPacking
from bundlekeeper.model.progress import Progress
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.one_pass import SHA256
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.hashing.spread import ByteSink, spread

_Range = tuple[int, int]


class SpreadMeans(Protocol):
    """What the reader needs."""

    @property
    def progress(self) -> Progress:
        """Gets the number of bytes that were read."""

    @property
    def stop(self) -> Stop | None:
        """Ends the work when it is set."""


class Spreading:
    """One pass over the files of a packing.

    `parts` has the digests of the parts of split files that were read whole and are right, by path and number; it
    begins with those that are known, and `on_parts` is called when there are more.
    """

    def __init__(
        self,
        store: Store,
        packing: SetPacking,
        algorithms: tuple[str, ...],
        means: SpreadMeans,
        parts: dict[str, dict[int, PartDigests]],
        on_parts: Callable[[], None],
    ) -> None:
        self.parts = parts
        self.read_bytes = 0
        self._on_parts = on_parts
        self._store, self._packing = store, packing
        self._algorithms, self._means = algorithms, means
        self._written: dict[VolumeFolder, dict[str, Expected]] = {}
        self._tags: dict[VolumeFolder, dict[str, Expected]] = {}
        self._fresh: dict[str, dict[int, PartDigests]] = {}

    def run(self, volumes: Sequence[VolumeFolder]) -> list[Finding]:
        """Read what a volume lacks, and, before there is an index, the whole of every split file.

        Returns what is wrong with the store's files. Raises StoppedError.
        """
        work = [(packed_file, self._ranges(packed_file, volumes)) for packed_file in self._packing.files]
        work = [(file, ranges) for file, ranges in work if any(ranges.values()) or self._to_index(file)]
        work.sort(key=lambda row: min((part.volume, part.path) for part in row[0].file.parts))
        total = sum(sum(size for _, size in self._to_read(file, ranges)) for file, ranges in work)
        self._means.progress.begin("writing", total, len(work))
        found: list[Finding] = []
        try:
            for file, ranges in work:
                self._means.progress.file(file.file.path)
                problem = self._one(file, ranges)
                if problem is not None:
                    found.append(problem)
                    self._spoil(file, volumes)
        finally:
            self._means.progress.done()
        return found

    def _to_index(self, each: PackedFile) -> bool:
        """True where digests of its parts are not known yet; the index needs them all."""
        return each.file.split and len(self.parts.get(each.file.path, {})) < len(each.file.parts)

    def _to_hash(self, each: PackedFile) -> bool:
        """True where its digests are needed now; else reading it back verifies it with the one that is known."""
        return self._to_index(each) or self._algorithms != SHA256

    def blame(self, volume: VolumeFolder, path: str) -> Finding | None:
        """For a file that is wrong on a volume: what is wrong with the store's own file, or None."""
        row = next(((f, p) for f, p in self._packing.on(volume.number) if _path(p) == path), None)
        if row is None:
            return None
        each, part = row
        digest = hashlib.sha256()
        try:
            fd = open_source(self._store, each.source)
            try:
                os.lseek(fd, part.offset, os.SEEK_SET)
                spread(fd, (), size=part.size, hashes=[digest], stop=self._means.stop)
            finally:
                os.close(fd)
        except (OSError, RefusedError) as e:
            reason = e.strerror if isinstance(e, OSError) else str(e)
            return finding("unreadable", each.file.path, f"the store's file could not be read: {reason}")
        stated = self._stated(each, (part.offset, part.size))
        return None if digest.hexdigest() == stated else _altered(each.file.path, digest.hexdigest(), stated)

    def _ranges(
        self, each: PackedFile, volumes: Sequence[VolumeFolder]
    ) -> dict[_Range, list[tuple[FilePart, VolumeFolder]]]:
        """Every range of the file's bytes with the volumes that lack it."""
        found: dict[_Range, list[tuple[FilePart, VolumeFolder]]] = {}
        for part in each.file.parts:
            lacking = [
                (part, volume)
                for volume in volumes
                if volume.number == part.volume and volume.error is None and _path(part) not in volume.kept
            ]
            found.setdefault((part.offset, part.size), []).extend(lacking)
        return found

    def _to_read(self, each: PackedFile, ranges: Mapping[_Range, object]) -> list[_Range]:
        return [at for at, lacking in sorted(ranges.items()) if lacking or self._to_index(each)]

    def _one(self, each: PackedFile, ranges: dict[_Range, list[tuple[FilePart, VolumeFolder]]]) -> Finding | None:
        """Read one file; returns what is wrong with it."""
        path = each.file.path
        try:
            fd = open_source(self._store, each.source)
        except (OSError, RefusedError) as e:
            reason = e.strerror if isinstance(e, OSError) else str(e)
            return finding("unreadable", path, f"the store's file cannot be opened: {reason}")
        try:
            before = os.fstat(fd)
            if before.st_size != each.file.size:
                code = "truncated" if before.st_size < each.file.size else "extended"
                return _wrong(code, path, f"{before.st_size:,} bytes in the store, expected {each.file.size:,}")
            whole = hashlib.sha256()
            to_read = self._to_read(each, ranges)
            for at in to_read:
                problem = self._range(fd, each, at, ranges[at], whole if self._to_index(each) else None)
                if problem is not None:
                    return problem
            if files.fingerprint_of(os.fstat(fd)) != files.fingerprint_of(before):
                return _changed(path)
            if self._to_index(each):
                if whole.hexdigest() != each.file.sha256:
                    return _altered(path, whole.hexdigest(), each.file.sha256)
                self.parts[path] = self._fresh.pop(path)
                self._on_parts()
            return None
        except OSError as e:
            return finding("unreadable", path, f"the store's file could not be read: {e.strerror}")
        finally:
            with suppress(OSError):
                os.close(fd)

    def _range(
        self,
        fd: int,
        each: PackedFile,
        at: _Range,
        lacking: Sequence[tuple[FilePart, VolumeFolder]],
        whole: hashlib._Hash | None,
    ) -> Finding | None:
        """Copy one range of bytes to the volumes that lack it; returns what is wrong with the file."""
        offset, size = at
        sinks: list[tuple[FilePart, VolumeFolder, ByteSink]] = []
        for part, volume in lacking:
            if volume.error is None:
                try:
                    sinks.append((part, volume, ByteSink(volume.create(_path(part)))))
                except OSError as e:
                    volume.error = e
        hashes = {name: hashlib.new(name) for name in self._algorithms} if self._to_hash(each) else {}
        os.lseek(fd, offset, os.SEEK_SET)
        try:
            came = spread(
                fd,
                [sink for _, _, sink in sinks],
                size=size,
                hashes=[*hashes.values(), *([whole] if whole is not None else [])],
                on_bytes=self._means.progress.advance,
                stop=self._means.stop,
            )
        finally:
            for _, volume, sink in sinks:
                volume.error = volume.error or sink.error
                volume.close_later(sink.fd)
        self.read_bytes += came
        if came < size and not (sinks and all(sink.error is not None for _, _, sink in sinks)):
            return _changed(each.file.path)
        if came == size:
            digests = {name: h.hexdigest() for name, h in hashes.items()} or {"sha256": self._stated(each, at)}
            return self._digested(each, at, digests, sinks, "" if whole is None else whole.hexdigest())
        return None

    def _digested(
        self,
        each: PackedFile,
        at: _Range,
        digests: dict[str, str],
        sinks: Iterable[tuple[FilePart, VolumeFolder, ByteSink]],
        through: str,
    ) -> Finding | None:
        stated = self._stated(each, at)
        if stated and stated != digests["sha256"]:
            return _altered(each.file.path, digests["sha256"], stated)
        for part in each.file.parts:
            if (part.offset, part.size) == at and through:
                self._fresh.setdefault(each.file.path, {})[part.number] = PartDigests(digests["sha256"], through)
        for part, volume, sink in sinks:
            if sink.error is None:
                self._written.setdefault(volume, {})[_path(part)] = Expected(part.size, digests)
        return None

    def _stated(self, each: PackedFile, at: _Range) -> str:
        """The SHA-256 that this range of bytes must have; empty where it is not known before the whole was read."""
        if at == (0, each.file.size):
            return each.file.sha256
        known = self.parts.get(each.file.path, {})
        here = (known.get(part.number) for part in each.file.parts if (part.offset, part.size) == at)
        return next((digests.sha256 for digests in here if digests is not None), "")

    def _spoil(self, each: PackedFile, volumes: Sequence[VolumeFolder]) -> None:
        for part in each.file.parts:
            for volume in volumes:
                if volume.number == part.volume and _path(part) not in volume.kept:
                    volume.bad.add(each.file.path)
                    try:
                        volume.remove(_path(part))
                    except OSError as e:
                        volume.error = volume.error or e

    def payload(self, volume: VolumeFolder) -> dict[str, Expected]:
        """The payload as it was written or found on the volume, with every digest, by path."""
        found = dict(self._written.get(volume, {}))
        for path, kept in volume.kept.items():
            found[path] = Expected(kept.digest.size, kept.digest.hexes)
        return found

    def copy_tool(self, volume: VolumeFolder, tool: Mapping[str, Path]) -> dict[str, Expected]:
        """Write the files of the tool's folder onto the volume. Raises OSError."""
        found = {}
        for name, path in sorted(tool.items()):
            target = f"{TOOL}/{name}"
            digest = hashlib.sha256()
            with path.open("rb") as source:
                size = os.fstat(source.fileno()).st_size
                sink = ByteSink(volume.create(target))
                spread(source.fileno(), [sink], size=size, hashes=[digest], stop=self._means.stop)
            volume.close_later(sink.fd)
            if sink.error is not None:
                raise sink.error
            found[target] = Expected(size, {"sha256": digest.hexdigest()})
        volume.settle()
        return found

    def expect_tags(self, volume: VolumeFolder, texts: Mapping[str, bytes], tool: Mapping[str, Expected]) -> None:
        """Remember what else was written onto the volume."""
        known = {
            name: Expected(len(data), {"sha256": hashlib.sha256(data).hexdigest()}) for name, data in texts.items()
        }
        self._tags[volume] = {**known, **tool}

    def everything(self, volume: VolumeFolder) -> dict[str, Expected]:
        """Everything to read back from the volume."""
        return {**self.payload(volume), **self._tags.get(volume, {})}


def open_source(store: Store, source: str) -> int:
    """Open a file of the packing where it is now: inside the store, or a manifest that was named by its own path.

    Raises RefusedError for what is no regular file, OSError.
    """
    if source.startswith("/"):
        folder, _, name = source.rpartition("/")
        home = os.open(folder or "/", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            return files.open_regular(home, name)
        finally:
            os.close(home)
    *parents, name = source.split("/")
    with files.folder(store.fd, parents) as home:
        return files.open_regular(home, name)


def _path(part: FilePart) -> str:
    return f"{bag_text.PAYLOAD}/{part.path}"


def _wrong(code: str, path: str, message: str) -> Finding:
    return finding(code, path, message, "check the store: bundlekeeper verify; no volume was finished with this file")


def _altered(path: str, found: str, stated: str) -> Finding:
    return _wrong("altered", path, f"its SHA-256 in the store is {found}, expected {stated}")


def _changed(path: str) -> Finding:
    return finding(
        "unreadable", path, "the store's file changed while it was read", "write again when nothing changes the file"
    )
