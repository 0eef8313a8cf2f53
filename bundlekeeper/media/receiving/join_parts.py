"""Joins split files: each part is verified while it is copied into its place, over several days where needed.

Rules: the file being joined is in `.keeper/incoming`, named by the bundle's digest, and the next run finds it again; a
part counts as received only after it was verified, synced and recorded, in this order; a wrong part is not counted; a
recorded part counts only while the file is there; the whole file is verified, too, before it is added: where its parts
come in order in one run, one hash verifies each of them and the whole; else the file is read again.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import LockedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.model.media.index import FilePart, SetFile
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.temp_files import FOLDER, PREFIX, Incoming, Temp
from bundlekeeper.verification.hashing.door import SHA256, copy_fd
from bundlekeeper.verification.hashing.read import Digest, Stop, TargetError, TooLong

if TYPE_CHECKING:
    from hashlib import _Hash as Hash

    from bundlekeeper.media.receiving.payload import Payload
    from bundlekeeper.store.disk.walk import WalkEntry


@dataclass(frozen=True, slots=True)
class JoinedFile:
    """In an offer: a split file of which all parts were received."""

    file: SetFile


class Joining:
    """The split files of one set while they are joined; `parts` are those that were received: path and time."""

    def __init__(
        self,
        root: int,
        incoming: Incoming,
        parts: Mapping[str, datetime],
        save: Callable[[Mapping[str, datetime]], None],
    ) -> None:
        """`save` records the parts durably."""
        self._root, self._incoming, self._save = root, incoming, save
        self._parts = dict(parts)
        self._temps: dict[str, Temp] = {}
        self._wholes: dict[str, tuple[int, Hash]] = {}  # how far a file was written in this run, and the hash of that
        self.findings: list[Finding] = []

    @property
    def parts(self) -> Mapping[str, datetime]:
        """The parts that were received."""
        return self._parts

    def lacking(self, each: SetFile) -> tuple[FilePart, ...]:
        """The parts that are still to come; a recorded part counts only where the file being joined reaches so far."""
        size = begun_bytes(self._root, each)
        return tuple(part for part in each.parts if part.path not in self._parts or part.offset + part.size > size)

    def ready(self, each: SetFile) -> bool:
        """True when all parts were received."""
        return not self.lacking(each)

    def gather(
        self, files_to_join: Sequence[SetFile], payload: Payload, *, clock: Clock, progress: Progress, stop: Stop | None
    ) -> None:
        """Copy every part of these files that is here and was not received yet.

        What is wrong with a part is added to `findings`. Raises UnfinishedError when the store fails, StoppedError,
        LockedError when another process is joining the same file.
        """
        lacking = [(file, part) for file in files_to_join for part in self.lacking(file)]
        for _, part in lacking:
            self._parts.pop(
                part.path, None
            )  # recorded, but the file was removed since: a later part would hide the gap
        todo = [(each, part) for each, part in lacking if payload.all_for(part)]
        progress.begin("joining", sum(part.size for _, part in todo), len(todo))
        try:
            for each, part in todo:
                progress.file(part.path.rpartition("/")[2])
                with files.wrapped(f"{part.path} could not be stored", FOLDER):
                    self._copy_part(each, part, payload, clock=clock, progress=progress, stop=stop)
        finally:
            progress.done()

    def _copy_part(
        self, each: SetFile, part: FilePart, payload: Payload, *, clock: Clock, progress: Progress, stop: Stop | None
    ) -> None:
        name = part.path.rpartition("/")[2]
        wrong: list[Finding] = []
        for volume, entry in payload.all_for(part):
            place = f"{volume.root}/{entry.path}"
            try:
                digest, whole = self._copied(each, part, entry, named=entry.name == name, progress=progress, stop=stop)
            except TargetError:
                raise
            except TooLong:
                wrong.append(finding("extended", part.path, f"{place} grew while it was read", "copy it again"))
                continue
            except OSError as error:
                message = f"{place}: {error.strerror or error}"
                wrong.append(finding("unreadable", part.path, message, "its bytes are not known; try again"))
                continue
            payload.was_read(place, digest.sha256)
            if (digest.size, digest.sha256) == (part.size, part.sha256):
                self.findings += wrong  # of other copies
                os.fsync(self._temp(each).fd)
                self._parts[part.path] = clock()
                self._save(self._parts)
                if whole is not None:
                    self._wholes[each.path] = (part.offset + part.size, whole)
                if entry.name != name:
                    message = f"{part.path} is here under the name {place}"
                    self.findings.append(finding("misnamed", part.path, message, "find out what renamed it"))
                return
            code = "altered" if digest.size == part.size else "truncated"
            message = f"{place}: SHA-256 {digest.sha256[:12]}…, the set's index says {part.sha256[:12]}…"
            if entry.name == name:
                wrong.append(finding(code, part.path, message, "get another copy of this volume"))
        self.findings += wrong

    def _copied(
        self, each: SetFile, part: FilePart, entry: WalkEntry, *, named: bool, progress: Progress, stop: Stop | None
    ) -> tuple[Digest, Hash | None]:
        """Copy what may be the part into its place; returns its digest, and the hash of the file up to its end if
        known.

        Where the file was written up to here in this run and the part has its own name, one hash goes on from there,
        and is compared with the index's digest of the file up to the part's end. If they differ, the part is read
        again by itself. Raises OSError, TargetError, TooLong, StoppedError.
        """
        temp, whole = self._temp(each), self._whole(each, part)
        on_bytes: Callable[[int], None] | None = progress.advance
        if named and whole is not None:
            size = _copy(entry, part, temp, (), whole, on_bytes, stop).size
            if (size, whole.hexdigest()) == (part.size, part.through):
                return Digest(size, {"sha256": part.sha256}), whole
            whole, on_bytes = self._whole(each, part), None  # already counted
        return _copy(entry, part, temp, SHA256, whole, on_bytes, stop), whole

    def _whole(self, each: SetFile, part: FilePart) -> Hash | None:
        """A hash of all bytes before the part, None where they were not all written in this run."""
        reached, whole = self._wholes.get(each.path, (0, hashlib.sha256()))
        return whole.copy() if reached == part.offset else None

    def digest(self, each: SetFile) -> Digest | None:
        """The digest of the whole file's bytes as they were written, None where not all of them were in this run."""
        reached, whole = self._wholes.get(each.path, (0, None))
        if whole is None or not reached == each.size == begun_bytes(self._root, each):
            return None
        return Digest(reached, {"sha256": whole.hexdigest()})

    def hand_over(self, each: SetFile) -> Temp:
        """The joined file, which the caller closes; if it is not added then, it is gone, and its parts are needed
        again.

        Raises OSError, LockedError.
        """
        temp = self._temp(each)
        del self._temps[each.path]
        temp.keep_no_longer()
        return temp

    def close(self) -> None:
        """Leave the files that are not whole yet for the next time. Raises nothing."""
        for temp in self._temps.values():
            temp.close()
        self._temps.clear()

    def _temp(self, each: SetFile) -> Temp:
        if each.path not in self._temps:
            try:
                temp = self._incoming.resumable(each.sha256)
            except BlockingIOError as error:
                raise LockedError(f"another process is joining {each.path}", hint="wait for it to end") from error
            temp.keep()
            self._temps[each.path] = temp
        return self._temps[each.path]


def _copy(
    entry: WalkEntry,
    part: FilePart,
    temp: Temp,
    algorithms: Sequence[str],
    running: Hash | None,
    on_bytes: Callable[[int], None] | None,
    stop: Stop | None,
) -> Digest:
    """Copy an entry into the part's place in the file being joined. Raises as `copy_fd`, and OSError from opening
    it."""
    fd = entry.open()
    try:
        os.lseek(temp.fd, part.offset, os.SEEK_SET)
        return copy_fd(
            fd,
            temp.fd,
            algorithms=algorithms,
            limit=part.size,
            size_hint=part.size,
            on_bytes=on_bytes,
            stop=stop,
            running=running,
        )
    finally:
        with suppress(OSError):  # of a device that is gone; what was read before is kept
            os.close(fd)


def begun_bytes(root: int, each: SetFile) -> int:
    """The size of the file being joined, in bytes; 0 where there is none."""
    try:
        return os.stat(f".keeper/{FOLDER}/{PREFIX}{each.sha256}", dir_fd=root, follow_symlinks=False).st_size
    except OSError:
        return 0
