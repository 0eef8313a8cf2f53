"""Right files that wait to be made durable, named and recorded together: one flush serves many small files.

Rules: what waits is bounded in files, in bytes and by the descriptors that a process may have; the order is that of one
file: its bytes, its name, its folder, and only then the rows, all in one transaction; what fails for one file fails for
no other; a file that waits is in no answer as added.
"""

from __future__ import annotations

import os
import resource
from collections.abc import Callable, Iterable
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from bundlekeeper.errors import KeeperError
from bundlekeeper.model.progress import Clock
from bundlekeeper.store.adding.outcome import Work
from bundlekeeper.store.adding.sources import Fetched, FileOffer
from bundlekeeper.store.contents import place as placing
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.rows import StoredBundle, Verification
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.filesystem import FsKind

_MOST = 256
_MOST_BYTES = 32 * 1024 * 1024
_SMALL_BYTES = 1024 * 1024
_OTHER_FDS = 128  # of the databases, the sources, the downloads

_Known = Callable[[StoredBundle, Verification], None]


@dataclass(frozen=True, slots=True)
class WaitingFile:
    """One right file without its place: whose it is, where it was offered, and its bytes."""

    work: Work
    offer: FileOffer
    fetched: Fetched

    @property
    def shared(self) -> bool:
        """True when the file is the source's own, too."""
        return self.fetched.way_in == "hard-link"

    @property
    def new(self) -> placing.NewFile:
        """The file as it is given its place."""
        return placing.NewFile(self.work.facts, self.fetched.temp, shared=self.shared)


class WaitingFiles:
    """The files that wait, in the plan's order."""

    def __init__(self, store: Store, database: StoreDatabase, clock: Clock, kind: FsKind) -> None:
        self._store, self._database, self._clock, self._kind = store, database, clock, kind
        self._waiting: list[WaitingFile] = []
        self._bytes = 0
        self._digests: set[str] = set()
        # A file that waits has a descriptor, and its folder another.
        self._most = max(1, min(_MOST, (resource.getrlimit(resource.RLIMIT_NOFILE)[0] - _OTHER_FDS) // 3))

    def add(self, waiting: WaitingFile) -> None:
        """Have the file wait; its temporary file is the batch's from here on. Raises OSError, and it does not wait."""
        temp, size = waiting.fetched.temp, waiting.fetched.digest.size
        placing.prepare(waiting.new)
        if size <= _SMALL_BYTES and not waiting.shared:  # the kernel begins to write it, and its flush only waits
            os.posix_fadvise(temp.fd, 0, 0, os.POSIX_FADV_DONTNEED)
        self._waiting.append(waiting)
        self._bytes += size
        self._digests.add(waiting.fetched.digest.sha256)

    def __contains__(self, work: object) -> bool:
        """True while the file of this work waits."""
        return any(waiting.work is work for waiting in reversed(self._waiting))

    def has(self, sha256: str) -> bool:
        """True while a file of this digest waits."""
        return sha256 in self._digests

    @property
    def full(self) -> bool:
        """True when no more may wait."""
        return len(self._waiting) >= self._most or self._bytes >= _MOST_BYTES

    def settle(self, known: _Known, taken: Callable[[Work], bool]) -> None:
        """Give every file its place and record all; `known` hears of each row.

        `taken` judges what is in the place of a bundle already; where it returns False the place is free now. Raises
        UnfinishedError, RefusedError for the first that failed, when the others are in place and recorded;
        DamagedError, LockedError when none could be recorded; what `taken` raises.
        """
        waiting, self._waiting, self._bytes = self._waiting, [], 0
        self._digests.clear()
        with ExitStack() as closing:
            for file in waiting:
                closing.callback(file.fetched.temp.close)
            again = [file for file in self._place(waiting, known, FileExistsError) if not taken(file.work)]
            self._place(again, known)

    def _place(self, waiting: list[WaitingFile], known: _Known, *but: type[Exception]) -> list[WaitingFile]:
        """Place and record; returns the files that failed by `but`, raises the first other failure."""
        placed = placing.put_together(self._store.fd, [file.new for file in waiting])
        self._record(zip(waiting, placed, strict=True), known)
        failed = [file for file, status in zip(waiting, placed, strict=True) if isinstance(status, Exception)]
        for file, status in zip(waiting, placed, strict=True):
            if isinstance(status, Exception) and not isinstance(status, but):
                with files.wrapped(f"{file.work.facts.name} could not be stored", str(self._store.root)):
                    raise status
        return failed

    def _record(
        self,
        placed: Iterable[tuple[WaitingFile, os.stat_result | OSError | KeeperError]],
        known: _Known,
    ) -> None:
        """Record those that have their places, in one transaction. Raises as `StoreDatabase.record_all`."""
        now, added = self._clock(), []
        for file, status in placed:
            if not isinstance(status, Exception):
                fetched = file.fetched
                row = file.work.facts.stored(added_at=now, added_from=file.offer.place, way_in=fetched.way_in)
                verification = placing.verification_of_new(
                    fetched.digest, status, now, shared=file.shared, kind=self._kind
                )
                added.append((file, row, verification))
        if added:
            self._database.record_all([(row, verification) for _, row, verification in added])
        for file, row, verification in added:
            known(row, verification)
            if not file.offer.named:
                file.work.misnamed = file.offer.place
            file.work.ended("added", file.fetched.way_in, file.offer.place, file.fetched.note)
            file.work.done = True

    def close(self) -> None:
        """Let go of what still waits; a download is kept so that a later run can resume it. Raises nothing."""
        for file in self._waiting:
            if file.fetched.way_in == "download":
                file.fetched.temp.keep()
            with suppress(OSError):
                file.fetched.temp.close()
        self._waiting = []
