"""A file that is being downloaded, kept over interruptions: its descriptor, its running digest and a small record.

Rules: small blocks are joined before they are hashed and written; the bytes that the record counts as kept were synced
before it was written, so that a power cut leaves no gap in them; a part without a record, or with one that does not
fit, starts again from nothing; the kept beginning is read and hashed again before more is added; after a disk error the
part is emptied, and a failed sync is never tried again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass

from bundlekeeper.errors import RefusedError, StoppedError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.links.http.verdict import is_strong
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.door import SHA256
from bundlekeeper.verification.hashing.one_pass import Lanes, buffers_for
from bundlekeeper.verification.hashing.read import Digest, HashTarget, Stop

_FORMAT = 1
_BLOCK = 1 << 20
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


class DiskError(UnfinishedError):
    """Our own disk failed, not the server."""


@dataclass(frozen=True, slots=True)
class Resume:
    """The record. `url` has no query and no user; `validator` is strong, or empty once the file is complete."""

    url: str
    validator: str
    whole: int
    kept: int

    def as_bytes(self) -> bytes:
        """The record as the bytes of its file."""
        return json.dumps({"resume": _FORMAT, **asdict(self)}, indent=1).encode() + b"\n"

    @classmethod
    def from_bytes(cls, data: bytes) -> Resume | None:
        """Read a record; None for anything that is not exactly one: a record only saves work."""
        try:
            row = json.loads(data)
            form = row.pop("resume", None) if isinstance(row, dict) else None
            if form != _FORMAT or type(form) is not int:  # True and 1.0 equal 1
                return None
            record = cls(**row)
        except (ValueError, TypeError, RecursionError):
            return None
        if not isinstance(record.url, str) or not isinstance(record.validator, str):
            return None
        if record.validator and not is_strong(record.validator):
            return None
        if type(record.whole) is not int or type(record.kept) is not int or not 0 < record.kept <= record.whole:
            return None
        return record if record.validator or record.kept == record.whole else None


@dataclass(frozen=True, slots=True)
class RecordPlace:
    """Where the record is: a name in an open folder."""

    folder_fd: int
    name: str

    def load(self) -> Resume | None:
        """The record, or None where there is none that can be used."""
        try:
            return Resume.from_bytes(files.read_bounded(self.folder_fd, self.name, limits.DOWNLOAD_RECORD_BYTES))
        except (OSError, RefusedError):
            return None

    def save(self, record: Resume) -> None:
        """Replace the record, whole or not at all. Raises OSError."""
        new = self.name + ".new"
        files.remove(self.folder_fd, new)
        fd = os.open(new, _NEW, files.PRIVATE_FILE, dir_fd=self.folder_fd)
        try:
            files.write_all(fd, record.as_bytes())
            os.fsync(fd)
        finally:
            os.close(fd)
        os.rename(new, self.name, src_dir_fd=self.folder_fd, dst_dir_fd=self.folder_fd)

    def remove(self) -> None:
        """Remove the record and what a killed `save` left. Raises OSError."""
        for name in (self.name, self.name + ".new"):
            files.remove(self.folder_fd, name)


class PartFile:
    """One part file: bytes are added at its end and hashed on the way."""

    def __init__(
        self,
        fd: int,
        place: RecordPlace,
        *,
        whole: int,
        on_bytes: Callable[[int], None],
        stop: Stop | None = None,
        algorithms: Sequence[str] = SHA256,
    ) -> None:
        """`fd` is open for reading and writing and stays the caller's; `whole` is the expected size, in bytes.

        `algorithms` are the digests to compute on the way, SHA-256 among them, by hashlib's names.
        `on_bytes` gets the number of bytes that were added; a negative one when a download starts again.
        """
        self._fd = fd
        self._place = place
        self._whole = whole
        self._on_bytes = on_bytes
        self._stop = stop
        self._algorithms = tuple(dict.fromkeys(algorithms))
        self._hashes = {name: hashlib.new(name) for name in self._algorithms}
        self._kept = 0
        self._url = ""
        self.size = 0
        self.validator = ""

    @property
    def kept(self) -> int:
        """Bytes that the record counts: the next run can resume after them."""
        return self._kept

    @property
    def unkept(self) -> int:
        """Bytes that were written and that the record does not count yet."""
        return self.size - self._kept

    def sha256(self) -> str:
        """The digest of the bytes that are there, lower-case hexadecimal."""
        return self._hashes["sha256"].hexdigest()

    def digest(self) -> Digest:
        """Size and digests of the bytes that are there."""
        return Digest(self.size, {name: digest.hexdigest() for name, digest in self._hashes.items()})

    def resume(self, urls: Collection[str]) -> str:
        """Resume from an earlier run's record for one of `urls` and this size, else start from nothing.

        Returns the address that the kept bytes came from, empty where there are none.
        Raises DiskError when the disk fails, StoppedError when stopped.
        """
        record = self._place.load()
        if record is None or record.url not in urls or record.whole != self._whole or not self._again(record.kept):
            self.restart()
            return ""
        self._kept = self.size
        self._url, self.validator = record.url, record.validator
        return record.url

    def _again(self, kept: int) -> bool:
        """Read and hash the first `kept` bytes again, and cut off what is behind them; False where there are fewer."""
        with self._disk():
            if os.fstat(self._fd).st_size < kept:
                return False
            os.ftruncate(self._fd, kept)
            os.lseek(self._fd, 0, os.SEEK_SET)
            while block := os.read(self._fd, _BLOCK):
                if self._stop is not None and self._stop.is_set():
                    raise StoppedError("stopped while reading what was downloaded before")
                for digest in self._hashes.values():
                    digest.update(block)
                self._count(len(block))
        return self.size == kept

    def begin(self, url: str, validator: str) -> None:
        """A whole body begins; `validator` is empty where there is no strong one. Raises DiskError."""
        self.restart()
        self._url, self.validator = url, validator

    @contextmanager
    def receiving(self) -> Iterator[JoinedBlocks]:
        """Add bytes at the end of the part; its digests are right again after the block.

        Raises DiskError when the disk fails; the part is then emptied.
        """
        with Lanes(self._hashes, buffers_for(self._whole - self.size), kept=True) as lanes:
            with self._disk():
                target = HashTarget(self._fd, Stop())  # what was received is kept, also after a stop
            joined = JoinedBlocks(lanes, lambda block: self._write(target, block))
            try:
                yield joined
            finally:
                joined.flush()

    def _write(self, target: HashTarget, block: memoryview) -> None:
        with self._disk():
            target.write(block)
        self._count(len(block))

    def _count(self, size: int) -> None:
        self.size += size
        self._on_bytes(size)

    def keep(self) -> None:
        """Sync what is there and record it where a later run can use it: a whole file, or a beginning with a strong
        tag.

        Raises DiskError when the disk fails.
        """
        useful = self.size == self._whole or (self.validator and self.size < self._whole)
        if not useful or not self.unkept:
            return
        with self._disk():
            os.fdatasync(self._fd)
            self._place.save(Resume(self._url, self.validator, self._whole, self.size))
        self._kept = self.size

    def restart(self) -> None:
        """Forget everything that was downloaded. Raises DiskError when the disk fails."""
        try:
            self._place.remove()
            os.ftruncate(self._fd, 0)
            os.lseek(self._fd, 0, os.SEEK_SET)
        except OSError as e:
            raise _disk_error(e, "the part file cannot be emptied") from e
        if self.size:
            self._on_bytes(-self.size)
        self._hashes = {name: hashlib.new(name) for name in self._algorithms}
        self.size = self._kept = 0
        self.validator = ""

    @contextmanager
    def _disk(self) -> Iterator[None]:
        """After an error of the disk inside, empty the part: its contents are no longer known."""
        try:
            yield
        except OSError as e:
            with suppress(DiskError):
                self.restart()
            raise _disk_error(e, "the part file cannot be used") from e


class JoinedBlocks:
    """Small blocks on their way into a part: joined into large ones, which are hashed and written."""

    def __init__(self, lanes: Lanes, write: Callable[[memoryview], None]) -> None:
        self._lanes = lanes
        self._write = write
        self._buffer = lanes.buffer()
        self.waiting = 0  # bytes that were received and are not written yet

    def add(self, data: bytes) -> None:
        """Add these bytes. Raises DiskError as `PartFile.receiving`."""
        view = memoryview(data)
        while view:
            piece = view[: len(self._buffer) - self.waiting]
            self._buffer[self.waiting : self.waiting + len(piece)] = piece
            self.waiting += len(piece)
            view = view[len(piece) :]
            if self.waiting == len(self._buffer):
                self.flush()

    def flush(self) -> None:
        """Hash and write what waits. Raises DiskError as `PartFile.receiving`."""
        if not self.waiting:
            return
        block, self.waiting = self._buffer[: self.waiting], 0
        self._lanes.feed(block)
        self._write(block)
        self._buffer = self._lanes.buffer()


def _disk_error(error: OSError, doing: str) -> DiskError:
    known = files.trouble(error, doing)
    return DiskError(known.message, hint=known.hint)
