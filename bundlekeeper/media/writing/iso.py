"""A volume as a disc image: ISO 9660 with Rock Ridge and Joliet, and UDF beside them, made by pycdlib.

Rules: each file of the store is read once, to make the image, and hashed in that read; the image gets its name only
after it was read back and every file in it is right; an image that is there is never written over; what a killed run
left of an image is removed by the next one; no file is larger than ISO 9660 allows without extents.
Formats: ECMA-119 (ISO 9660), IEEE P1282 (Rock Ridge), ECMA-167 (UDF 2.60).
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import io
import os
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.media.volume.folder import Expected
from bundlekeeper.media.volume.read_back import ReadBackLevel, evict, resident
from bundlekeeper.model.progress import Progress
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, Stop

if TYPE_CHECKING:
    from pycdlib import PyCdlib

MAX_FILE_BYTES = (1 << 32) - 1  # ISO 9660 levels 1 and 2; every reader of images accepts it
_JOLIET_NAME = 64  # characters; Joliet specification
_MODE_FILE, _MODE_FOLDER = 0o100444, 0o040555


@dataclass(frozen=True, slots=True)
class Content:
    """One file of the image: what it must be, and how to open its bytes (a descriptor at its first byte)."""

    expected: Expected
    open: Callable[[], int]


@dataclass(frozen=True, slots=True)
class DiscImage:
    """An image that was made, or was `there` before: its size in bytes, how it was verified, what is wrong (then it has
    no name). `beside` has findings about an image that is whole."""

    path: str
    size: int
    level: ReadBackLevel | None
    reason: str
    findings: tuple[Finding, ...]
    there: bool = False
    beside: tuple[Finding, ...] = ()


def insist_on_library() -> None:
    """Raise InputError where pycdlib is not installed."""
    from importlib.util import find_spec

    if find_spec("pycdlib") is None:
        raise InputError("making images needs the extra 'iso'", hint="install bundlekeeper[iso]")


def write_image(
    path: Path,
    label: str,
    folder: str,
    contents: Mapping[str, Content],
    *,
    progress: Progress,
    stop: Stop | None,
) -> DiscImage:
    """Make the image `path` of one volume: `folder` with `contents` in it, by their paths. Verified before it is named.

    Raises InputError when it is there already, holds too large a file or the library refuses a name; UnfinishedError
    when it cannot be written; StoppedError. What is wrong with a source, or with the image as read back, is reported.
    """
    insist_on_library()
    large = next((name for name, each in contents.items() if each.expected.size > MAX_FILE_BYTES), "")
    if large:
        raise InputError(
            f"{large} is larger than an image holds ({MAX_FILE_BYTES} bytes)",
            hint="pack for discs: --volume dvd or --volume bd-25",
        )
    if path.exists():
        raise InputError("the image is there already", where=str(path), hint="name another file, or move it away")
    total = sum(content.expected.size for content in contents.values())
    try:
        _sweep(path)
        with _temporary(path) as (temp, fd):
            progress.begin("writing the image", total, len(contents))
            try:
                wrong = _make(fd, label, folder, contents, progress, stop)
            finally:
                progress.done()
            if wrong:
                return DiscImage(str(path), 0, None, "", tuple(wrong))
            found, level, reason = _verify(temp, folder, contents, progress, stop)
            size = temp.stat().st_size
            if not found:
                os.link(temp, path)
                _sync(path.parent)
            return DiscImage(str(path), size, None if found else level, reason, tuple(found))
    except OSError as e:
        message = f"the image cannot be written: {e.strerror or e}"
        raise UnfinishedError(message, where=str(path), hint="what was written of it was removed") from e


@contextlib.contextmanager
def _temporary(path: Path) -> Iterator[tuple[Path, int]]:
    """A file beside the image to be, locked as long as it is worked on, and gone at the end. Raises OSError."""
    temp = path.with_name(f".part-{secrets.token_hex(6)}-{path.name[:100]}")
    fd = os.open(temp, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield temp, fd
    finally:
        with contextlib.suppress(FileNotFoundError):
            temp.unlink()
        with contextlib.suppress(OSError):
            os.close(fd)


def _sweep(path: Path) -> None:
    """Remove what killed runs left of this image: the files that no process has locked. Raises nothing."""
    left = re.compile(rf"\.part-[0-9a-f]{{12}}-{re.escape(path.name[:100])}")
    with contextlib.suppress(OSError):
        for leftover in [p for p in path.parent.iterdir() if left.fullmatch(p.name)]:
            with contextlib.suppress(OSError):
                fd = os.open(leftover, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
                try:
                    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    leftover.unlink()
                finally:
                    os.close(fd)


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _make(
    fd: int, label: str, folder: str, contents: Mapping[str, Content], progress: Progress, stop: Stop | None
) -> list[Finding]:
    """Write the image into an open file; returns what is wrong with its sources."""
    import pycdlib
    from pycdlib.pycdlibexception import PyCdlibException

    readers: dict[str, _Reader] = {}
    disc = pycdlib.PyCdlib()
    try:
        disc.new(interchange_level=3, joliet=3, rock_ridge="1.09", udf="2.60", vol_ident=label[:32].upper())
        _fill(disc, folder, contents, readers, progress, stop)
        with os.fdopen(os.dup(fd), "w+b") as file:
            disc.write_fp(file, blocksize=BLOCK_BYTES)
            file.flush()
            os.fsync(file.fileno())
    except PyCdlibException as e:
        raise InputError(f"no image can be made of this volume: {e}", where=folder) from e
    finally:
        with contextlib.suppress(PyCdlibException):
            disc.close()
        for reader in readers.values():
            reader.end()
    return [problem for name, reader in readers.items() if (problem := reader.problem(name)) is not None]


def _fill(
    disc: PyCdlib,
    folder: str,
    contents: Mapping[str, Content],
    readers: dict[str, _Reader],
    progress: Progress,
    stop: Stop | None,
) -> None:
    names = _Names()
    for name in sorted(contents):
        *parents, _ = name.split("/")
        for depth in range(len(parents) + 1):
            _folder(disc, names, "/".join([folder, *parents[:depth]]))
    for name, each in sorted(contents.items()):
        full = f"{folder}/{name}"
        reader = readers[name] = _Reader(each, progress, stop)
        parent, _, leaf = full.rpartition("/")
        disc.add_fp(
            cast("BinaryIO", reader),
            each.expected.size,
            iso_path=f"{names.iso[parent]}/{names.plain(full)}.;1",
            rr_name=leaf,
            joliet_path=f"{names.joliet[parent]}/{names.short(full)}",
            udf_path=f"/{full}",
            file_mode=_MODE_FILE,
        )


def _folder(disc: PyCdlib, names: _Names, full: str) -> None:
    if full in names.iso:
        return
    parent, _, leaf = full.rpartition("/")
    names.iso[full] = f"{names.iso[parent]}/{names.plain(full)}"
    names.joliet[full] = f"{names.joliet[parent]}/{names.short(full)}"
    disc.add_directory(
        iso_path=names.iso[full],
        rr_name=leaf,
        joliet_path=names.joliet[full],
        udf_path=f"/{full}",
        file_mode=_MODE_FOLDER,
    )


class _Names:
    """The short ISO 9660 and Joliet names; the full ones are those of Rock Ridge and UDF."""

    def __init__(self) -> None:
        self.iso = {"": ""}
        self.joliet = {"": ""}
        self._count = 0

    def plain(self, full: str) -> str:
        """Eight characters that every reader accepts (ECMA-119 level 1), numbered."""
        self._count += 1
        start = "".join(c for c in full.rpartition("/")[2].upper() if c.isascii() and c.isalnum())[:3]
        return f"{start}{self._count:05d}"[:8]

    def short(self, full: str) -> str:
        """The name itself where it fits Joliet, else its beginning and a number."""
        leaf = full.rpartition("/")[2]
        if len(leaf.encode("utf-16-be")) <= 2 * _JOLIET_NAME:
            return leaf
        return f"{leaf[: _JOLIET_NAME - 12]}~{self._count:05d}"


class _Reader(io.RawIOBase):
    """Opens its source when it is first read, and hashes what it reads; it offers no descriptor to read past it."""

    def __init__(self, content: Content, progress: Progress, stop: Stop | None) -> None:
        super().__init__()
        self._content, self._progress, self._stop = content, progress, stop
        self._fd = -1
        self._at = self._hashed = 0
        self._hash = hashlib.sha256()

    def readable(self) -> bool:
        """True: it can be read."""
        return True

    def seekable(self) -> bool:
        """True, because the library asks for the position; bytes are hashed only in order."""
        return True

    def tell(self) -> int:
        """Bytes from the beginning."""
        return self._at

    def seek(self, offset: int, whence: int = 0) -> int:
        """Set the position."""
        base = {0: 0, 1: self._at, 2: self._content.expected.size}[whence]
        self._at = base + offset
        return self._at

    def read(self, size: int = -1) -> bytes:
        """The next bytes, up to the expected size."""
        left = self._content.expected.size - self._at
        count = left if size < 0 else min(size, left)
        if self._stop is not None:
            self._stop.check()
        if self._fd < 0:
            self._fd = self._content.open()
            self._base = os.lseek(self._fd, 0, os.SEEK_CUR)
        data = os.pread(self._fd, max(0, count), self._base + self._at)
        if self._at == self._hashed:
            self._hash.update(data)
            self._hashed += len(data)
        self._at += len(data)
        self._progress.advance(len(data))
        if self._at >= self._content.expected.size:
            self.end()
        return data

    def end(self) -> None:
        """Close the source."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def problem(self, name: str) -> Finding | None:
        """What is wrong with the bytes that were read."""
        expected = self._content.expected
        if self._hashed == expected.size and self._hash.hexdigest() == expected.digests["sha256"]:
            return None
        code = "truncated" if self._hashed < expected.size else "altered"
        message = f"the file in the store has {self._hashed:,} bytes with SHA-256 {self._hash.hexdigest()}"
        hint = "check the store: bundlekeeper verify"
        return finding(code, name, f"{message}; expected {expected.digests['sha256']}", hint)


def _verify(
    temp: Path, folder: str, contents: Mapping[str, Content], progress: Progress, stop: Stop | None
) -> tuple[list[Finding], ReadBackLevel, str]:
    """Read every file of the image back, by its UDF name; returns what is wrong, the level, and why no higher one."""
    sizes = {name: each.expected.size for name, each in contents.items()}
    found, level, reason = read_image(temp, folder, sizes, progress, stop)
    wrong = [
        finding("altered", name, f"the image has other bytes than were written: SHA-256 {found[name]}", _OTHER_DISK)
        for name, each in sorted(contents.items())
        if found[name] != each.expected.digests["sha256"]
    ]
    return wrong, level, reason


_OTHER_DISK = "write it to another disk"


def read_image(
    path: Path, folder: str, sizes: Mapping[str, int], progress: Progress, stop: Stop | None
) -> tuple[dict[str, str], ReadBackLevel, str]:
    """The SHA-256 of files in an image's folder, by their UDF names, the level of verification, and why no higher one.

    Raises UnfinishedError for what is no such image, OSError, StoppedError.
    """
    found = {}
    with opened_image(path) as (disc, file):
        evict(file.fileno())
        left = resident(file.fileno(), os.fstat(file.fileno()).st_size)
        progress.begin("verifying the image", sum(sizes.values()), len(sizes))
        try:
            for name in sorted(sizes):
                progress.file(name)
                sink = _Sink(progress, stop)
                disc.get_file_from_iso_fp(cast("BinaryIO", sink), blocksize=BLOCK_BYTES, udf_path=f"/{folder}/{name}")
                found[name] = sink.hexdigest()
        finally:
            progress.done()
    if left:
        return found, ReadBackLevel.UNSURE, "some of the image stayed in memory"
    return found, ReadBackLevel.EVICTED, ""


@contextlib.contextmanager
def opened_image(path: Path) -> Iterator[tuple[PyCdlib, BinaryIO]]:
    """An image, open. Raises UnfinishedError for what the library cannot read, OSError."""
    import pycdlib
    from pycdlib.pycdlibexception import PyCdlibException

    disc = pycdlib.PyCdlib()
    with path.open("rb") as file:
        try:
            disc.open_fp(file)
            yield disc, file
        except PyCdlibException as e:
            raise UnfinishedError(f"the image cannot be read back: {e}", where=str(path)) from e
        finally:
            with contextlib.suppress(PyCdlibException):
                disc.close()


class _Sink(io.RawIOBase):
    """Hashes the bytes that are written to it, and keeps none."""

    def __init__(self, progress: Progress, stop: Stop | None) -> None:
        super().__init__()
        self._hash, self._progress, self._stop = hashlib.sha256(), progress, stop

    def writable(self) -> bool:
        """True: it can be written."""
        return True

    def write(self, data: bytes | bytearray | memoryview, /) -> int:  # type: ignore[override]  # buffers that we get
        """Hash these bytes."""
        if self._stop is not None:
            self._stop.check()
        self._hash.update(data)
        self._progress.advance(len(data))
        return len(data)

    def hexdigest(self) -> str:
        """SHA-256 of all of it."""
        return self._hash.hexdigest()
