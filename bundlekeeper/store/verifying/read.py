"""Which files `verify` reads, and the reading: many at a time, recorded as they are finished.

Rules: a file is read unless an earlier verification may be relied on, by `--quick` (`unchanged`) or because it is young
enough (`--older-than`, only while the fingerprint is the same); files never verified are read first, then the stalest;
each verification is recorded soon after its file is finished, so that a kill loses half a second of work; a file that
changed while it was read has no digest; two names of one inode are read once.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import field
from datetime import datetime, timedelta
from enum import Enum, auto
from time import monotonic
from typing import Protocol

from bundlekeeper.errors import KeeperError, StoppedError
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.store.contents.unchanged import begin, is_settled, may_trust
from bundlekeeper.store.database.rows import Verification
from bundlekeeper.store.disk.files import fingerprint_of
from bundlekeeper.store.disk.filesystem import FsKind
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.verification.hashing.door import Digest, DigestOutcome, Task, digest_many
from bundlekeeper.verification.hashing.read import Stop

_RECORD_EVERY_S = 0.5
_RECORD_EVERY_FILES = 500


class KnownVerifications(Protocol):
    """Where verifications are kept; the store database is one."""

    def verifications(self) -> dict[str, Verification]:
        """Every verification by its place."""

    def record_verifications(self, verifications: Mapping[str, Verification]) -> None:
        """Keep these verifications, all or none."""


class How(Enum):
    """How a digest is known."""

    READ = auto()
    TRUSTED = auto()
    SKIPPED = auto()
    FAILED = auto()  # no digest: it could not be read


@dataclass(slots=True)
class FileReading:
    """What is known of one file's bytes: `sha256` and `size` (bytes) as of `verified_at`, or `error` in words.

    `seconds` is how long its read took, None where it was not read, or read under another name.
    """

    how: How
    sha256: str = ""
    size: int = 0
    verified_at: datetime | None = None
    error: str = ""
    extra: tuple[tuple[str, str], ...] = ()  # further digests of the same read, as in `Verification`
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class ReadingLimits:
    """What may be left out: `quick`, `older_than_s` and `max_time_s` (None: nothing is).

    With `quick` and `older_than_s` together, `quick` trusts only verifications that are younger.
    """

    quick: bool = False
    older_than_s: float | None = None
    max_time_s: float | None = None
    workers: int | None = None


@dataclass(slots=True)
class Candidate:
    """One file that may have to be read. `expected` is the digest it should have, empty where any will do.

    `key` is its place among the known verifications; `never_trust` marks a file that others share.
    """

    entry: WalkEntry
    key: str
    kind: FsKind
    expected: str = ""
    never_trust: bool = False
    algorithms: tuple[str, ...] = ()  # digests to compute beside SHA-256


@dataclass(slots=True)
class FileReadings:
    """By the entry's path: what is known; a file that is absent was not reached."""

    known: dict[str, FileReading] = field(default_factory=dict)
    files_read: int = 0
    bytes_read: int = 0
    stopped: bool = False
    out_of_time: bool = False
    trouble: KeeperError | None = None
    ahead: list[datetime] = field(
        default_factory=list
    )  # times of earlier verifications that are later than now; none counts


class Verifier:
    """The reading of one run of `verify`. Nothing is recorded where `known` is None or `record` is False."""

    def __init__(
        self,
        limits: ReadingLimits,
        *,
        known: KnownVerifications | None,
        record: bool,
        clock: Clock,
        progress: Progress,
        stop: Stop | None,
    ) -> None:
        self._limits = limits
        self._known = known
        self._record = record and known is not None
        self._clock = clock
        self._progress = progress
        self._stop = stop
        self._until = None if limits.max_time_s is None else monotonic() + limits.max_time_s
        self._begun: dict[str, int | None] = {}
        self._before: dict[str, Verification] = {}
        self._unrecorded: dict[str, Verification] = {}
        self._recorded_at = monotonic()
        self.result = FileReadings()

    def run(self, candidates: Sequence[Candidate]) -> FileReadings:
        """Find out the bytes of these files, as far as limits, the stop flag and the device allow.

        Raises DamagedError, LockedError or UnfinishedError when the known verifications cannot be read; what fails
        later is in the result.
        """
        verifications = self._before = self._known.verifications() if self._known is not None else {}
        now = self._clock()
        to_read: list[tuple[float, Candidate]] = []
        for candidate in candidates:
            verification = verifications.get(candidate.key)
            how = self._how_known(candidate, verification, now) if verification is not None else How.READ
            if verification is not None and verification.verified_at > now:
                self.result.ahead.append(verification.verified_at)
            if verification is None or how is How.READ:
                to_read.append((verification.verified_at.timestamp() if verification else 0.0, candidate))
            else:
                self.result.known[candidate.entry.path] = FileReading(
                    how, verification.sha256, candidate.entry.size, verification.verified_at, extra=verification.extra
                )
        # The stalest first where not all may come to be read; else the largest, which keeps all cores busy to the end.
        rolling = self._limits.older_than_s is not None or self._until is not None
        to_read.sort(key=lambda row: (row[0] if rolling else 0.0, -row[1].entry.size, row[1].entry.path))
        self._read([candidate for _, candidate in to_read])
        return self.result

    def _how_known(self, candidate: Candidate, verification: Verification, now: datetime) -> How:
        """How the digest is known by an earlier verification; READ where that may not be relied on."""
        if candidate.entry.stat is None or (candidate.expected and verification.sha256 != candidate.expected):
            return How.READ
        found = fingerprint_of(candidate.entry.stat)
        age_s = self._limits.older_than_s
        if age_s is not None and now - verification.verified_at >= timedelta(seconds=age_s):
            return How.READ
        if self._limits.quick and not candidate.never_trust and may_trust(verification, found, candidate.kind, now):
            return How.TRUSTED
        young = age_s is not None and verification.verified_at <= now
        return How.SKIPPED if young and verification.fingerprint == found else How.READ

    def _read(self, candidates: list[Candidate]) -> None:
        first, also = _by_inode(candidates)
        self._progress.begin("verifying", sum(candidate.entry.size for candidate in first.values()), len(first))
        outcomes = digest_many(
            self._tasks(first.values(), also),
            workers=self._limits.workers,
            on_bytes=self._progress.advance,
            on_file=self._progress.file,
            stop=self._stop,
        )
        try:
            for outcome in outcomes:
                self._keep(outcome, [first[outcome.task.key], *also.get(outcome.task.key, ())])
                if outcome.task.key in self.result.known:
                    self.result.known[outcome.task.key].seconds = outcome.seconds
                self._flush(at_once=False)
        except StoppedError:
            self.result.stopped = True
        finally:
            self._progress.done()
            self._flush(at_once=True)

    def _tasks(self, candidates: Iterable[Candidate], also: Mapping[str, Sequence[Candidate]]) -> Iterator[Task]:
        """One task after the other, for as long as there is time."""
        for candidate in candidates:
            if self._until is not None and monotonic() >= self._until:
                self.result.out_of_time = True
                return
            names = (candidate, *also.get(candidate.entry.path, ()))
            algorithms = dict.fromkeys(("sha256", *(algorithm for name in names for algorithm in name.algorithms)))
            yield Task(
                candidate.entry.path,
                _Opener(candidate, self._begun, self._until),
                candidate.entry.size,
                tuple(algorithms),
            )

    def _keep(self, outcome: DigestOutcome, candidates: Sequence[Candidate]) -> None:
        begun_ns = self._begun.pop(outcome.task.key, None)
        before, after, digest = outcome.before, outcome.after, outcome.digest
        if isinstance(outcome.error, _OutOfTimeError):
            self.result.out_of_time = True
            return
        if outcome.error is not None or digest is None or before is None or after is None:
            error = outcome.error
            message = (error.strerror or str(error)) if error is not None else "it was not read"
            for candidate in candidates:
                self.result.known[candidate.entry.path] = FileReading(How.FAILED, error=message)
            return
        self.result.files_read += 1
        self.result.bytes_read += digest.size
        stamp = fingerprint_of(before)
        if stamp != fingerprint_of(after) or digest.size != stamp.size:
            for candidate in candidates:
                self.result.known[candidate.entry.path] = FileReading(How.FAILED, error="it changed while it was read")
            return
        now = self._clock()
        for candidate in candidates:
            extra = self._extra(candidate.key, digest)
            self.result.known[candidate.entry.path] = FileReading(
                How.READ, digest.sha256, digest.size, now, extra=extra
            )
            settled = begun_ns is not None and candidate.kind.stable_identity and is_settled(stamp, begun_ns)
            self._unrecorded[candidate.key] = Verification(
                digest.sha256, now, stamp, settled and not candidate.never_trust, extra
            )

    def _extra(self, key: str, digest: Digest) -> tuple[tuple[str, str], ...]:
        """The further digests of a file, with those that an earlier read of the very same bytes gave."""
        before = self._before.get(key)
        known = dict(before.extra) if before is not None and before.sha256 == digest.sha256 else {}
        known.update((name, found) for name, found in digest.hexes.items() if name != "sha256")
        return tuple(sorted(known.items()))

    def _flush(self, *, at_once: bool) -> None:
        """Record what is finished, seldom enough that it costs nothing; after a failure no more is tried."""
        is_time = monotonic() - self._recorded_at >= _RECORD_EVERY_S
        if not self._unrecorded or not (at_once or is_time or len(self._unrecorded) >= _RECORD_EVERY_FILES):
            return
        batch, self._unrecorded = self._unrecorded, {}
        self._recorded_at = monotonic()
        if self._record and self._known is not None and self.result.trouble is None:
            try:
                self._known.record_verifications(batch)
            except KeeperError as error:
                self.result.trouble = error


class _OutOfTimeError(OSError):
    """The time was over when the file's turn came."""


class _Opener:
    """Opens one candidate for the pool and notes the time from which on every change to it must show."""

    def __init__(self, candidate: Candidate, begun: dict[str, int | None], until: float | None) -> None:
        self._candidate = candidate
        self._begun = begun
        self._until = until

    def __call__(self) -> int:
        """A descriptor. Raises OSError."""
        if self._until is not None and monotonic() >= self._until:  # the pool fetches tasks ahead of its work
            raise _OutOfTimeError
        fd = self._candidate.entry.open()
        try:
            if self._candidate.kind.stable_identity and not self._candidate.never_trust:
                self._begun[self._candidate.entry.path] = begin(fd)
        except BaseException:
            with suppress(OSError):  # of a device that is gone; what was found before is still right
                os.close(fd)
            raise
        return fd


def _by_inode(candidates: list[Candidate]) -> tuple[dict[str, Candidate], dict[str, list[Candidate]]]:
    """The candidates to read, by path, and for each the others that are names of the same inode."""
    first: dict[str, Candidate] = {}
    also: dict[str, list[Candidate]] = {}
    seen: dict[tuple[int, int], str] = {}
    for candidate in candidates:
        found = candidate.entry.stat
        if found is not None and found.st_nlink > 1 and candidate.kind.stable_identity:
            leader = seen.setdefault((found.st_dev, found.st_ino), candidate.entry.path)
            if leader != candidate.entry.path:
                also.setdefault(leader, []).append(candidate)
                continue
        first[candidate.entry.path] = candidate
    return first, also


def all_zero(entry: WalkEntry, reading: FileReading, stop: Stop | None = None) -> bool:
    """True when the file of `reading` is not empty and has zeros only.

    Its digest is compared with that of as many zeros, which is computed only when its first block is zero.
    """
    if reading.size == 0:
        return False
    try:
        fd = entry.open()
    except OSError:
        return False
    try:
        if any(os.read(fd, min(reading.size, 4096))):
            return False
    except OSError:
        return False
    finally:
        with suppress(OSError):  # of a device that is gone; what was found before is still right
            os.close(fd)
    zeros, digest, left = bytes(1 << 20), hashlib.sha256(), reading.size
    while left and not (stop is not None and stop.is_set()):
        step = min(left, len(zeros))
        digest.update(zeros[:step] if step < len(zeros) else zeros)
        left -= step
    return not left and digest.hexdigest() == reading.sha256
