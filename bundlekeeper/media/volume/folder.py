"""One volume while it is written to one target: its folder, the files in it, and the mark that it is finished.

Rules: a set is never written over another one, because its folder is made new (media have no links); a folder that is
there already is continued only when it is of the same set and volume; a mark says that the volume is unfinished;
bagit.txt, which says that it is finished, is written last; a file is created, never replaced, and synced before it
counts; an fsync that failed is not tried again; modes are set where that is possible; all paths go by the open folder.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue

from bundlekeeper.errors import LockedError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.frozen import dataclass
from bundlekeeper.media.volume import bag_text
from bundlekeeper.media.volume.read_back import ReadBack, read_back
from bundlekeeper.media.volume.right_medium import MediumPlace
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.walk import WORDS, EntryKind, walk
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.hashing.threads import Helper

MARK = "UNFINISHED.txt"
INDEX, SIGNATURE = "set-index.json", "set-index.json.sig"
_MODE = 0o644
_CREATE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
_MARKED = re.compile(rb"set ([0-9a-f]{16}) volume ([0-9]{1,6})\n")
#: Files whose fsync may still run while the next ones are written.
_MOST_OPEN = 4


@dataclass(frozen=True, slots=True)
class Expected:
    """A file that a volume must have: its size in bytes, and digests by hashlib's names where they are known."""

    size: int
    digests: Mapping[str, str]


class VolumeFolder:
    """One volume of a set on one target.

    `state` is "new", "unfinished" (begun before) or "finished"; `kept` has the files that were there before
    and were verified; `error` says why it was given up, if it was.
    """

    def __init__(self, place: MediumPlace, number: int, name: str) -> None:
        self.place = place
        self.number = number
        self.name = name
        self.fd = -1
        self.state = "new"
        self.kept: dict[str, ReadBack] = {}
        self.error: OSError | None = None
        self.bad: set[str] = set()
        self._closer = _Closer()
        self._made = False

    @property
    def path(self) -> Path:
        """Its folder, for people."""
        return self.place.path / self.name

    def begin(self, set_id: str, index: bytes | None) -> None:
        """Make the folder, or find out what is there; `index` is the set's, where it was made before.

        Raises RefusedError when the folder holds anything else, LockedError when another process writes it, OSError.
        """
        mark = f"set {set_id} volume {self.number}\n".encode() + _MARK_TEXT
        with suppress(FileExistsError):
            os.mkdir(self.name, 0o755, dir_fd=self.place.fd)
            self._made = True
        self.fd = files.step(self.place.fd, self.name)
        try:
            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as e:
            raise LockedError("another process is writing this volume", where=str(self.path)) from e
        except OSError as e:
            if e.errno not in {errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK}:
                raise
        self.state = self._found(mark, index)
        if self.state == "new":
            self.remove(MARK)
            self.write(MARK, mark)
            sync_folder(self.fd)
            sync_folder(self.place.fd)

    def unmake(self) -> None:
        """Remove a folder that was made now and is still empty. Raises OSError."""
        if self._made and (self.fd < 0 or set(os.listdir(self.fd)) <= {MARK}):
            if self.fd >= 0:
                self.remove(MARK)
            os.rmdir(self.name, dir_fd=self.place.fd)

    def _found(self, mark: bytes, index: bytes | None) -> str:
        there = set(os.listdir(self.fd))
        found = self._small(MARK, limits.MARK_BYTES)
        if not there or (there == {MARK} and found is not None and mark.startswith(found)):
            return "new"
        if found == mark:
            return "unfinished"
        whole = self._small(bag_text.DECLARATION, limits.MARK_BYTES) == bag_text.declaration().encode()
        ours = index is not None and self._small(INDEX, len(index)) == index and (whole or MARK not in there)
        if not ours:
            raise self._of_another(there, found)
        return "finished" if whole else "unfinished"

    def _of_another(self, there: set[str], mark: bytes | None) -> RefusedError:
        of = _MARKED.match(mark or b"")
        if of is not None:
            number = int(of[2])
            message = (
                f"a folder of this name is there, begun as volume {number} of another set: {of[1].decode('ascii')}"
            )
            hint = "its maker can finish that one; use another medium, or move that folder away"
        elif MARK in there:
            message = f"a folder of this name is there, and its {MARK} names no set and volume"
            hint = "use another medium or move that folder away"
        else:
            some = ", ".join(visible(name) for name in sorted(there)[:3])
            message = f"a folder of this name is there and holds something else: {some}"
            hint = "it may be a set of another maker with the same number: use another medium, or move that folder away"
        return RefusedError(message, where=str(self.path), hint=hint)

    def _small(self, name: str, limit: int) -> bytes | None:
        try:
            return files.read_bounded(self.fd, name, limit)
        except (FileNotFoundError, RefusedError):
            return None

    def survey(
        self,
        expected: Mapping[str, Expected],
        *,
        algorithms: tuple[str, ...],
        flushed: bool,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
    ) -> None:
        """Look through an unfinished volume: files that are whole and verified from the medium are kept, others
        removed.

        Raises RefusedError when the payload has files that are not of this volume, StoppedError, OSError.
        """
        foreign = []
        for entry in list(walk(Path(f"/proc/self/fd/{self.fd}"))):
            payload = entry.path.startswith(f"{bag_text.PAYLOAD}/")
            if entry.kind is not EntryKind.FILE or (payload and entry.path not in expected):
                foreign.append(f"{visible(entry.path)} ({WORDS[entry.kind]})")
            elif payload and not self._keep(entry.path, entry.size, expected, algorithms, flushed, on_bytes, stop):
                self.remove(entry.path)
            elif not payload and entry.path != MARK:
                self.remove(entry.path)  # small, and written again
        if foreign:
            raise RefusedError(
                f"an unfinished volume has files of something else: {', '.join(foreign[:3])}",
                where=str(self.path),
                hint="move them away, and write again",
            )

    def _keep(
        self,
        path: str,
        size: int,
        expected: Mapping[str, Expected],
        algorithms: tuple[str, ...],
        flushed: bool,
        on_bytes: Callable[[int], None],
        stop: Stop | None,
    ) -> bool:
        stated = expected[path]
        if size != stated.size or "sha256" not in stated.digests:
            return False
        try:
            found = self.read_back(path, algorithms=algorithms, flushed=flushed, on_bytes=on_bytes, stop=stop)
        except OSError:  # a bad sector, or lost in a crash: written again
            return False
        if found.digest.size != size or found.digest.sha256 != stated.digests["sha256"]:
            return False
        self.kept[path] = found
        return True

    def create(self, path: str) -> int:
        """Create a file for writing, with the folders on its way; returns its descriptor. Raises OSError."""
        with self._folder(path, create=True) as (folder, name):
            fd = os.open(name, _CREATE, _MODE, dir_fd=folder)
        with suppress(OSError):  # FAT has no modes
            os.fchmod(fd, _MODE)
        return fd

    def write(self, path: str, data: bytes) -> None:
        """Create a file with these bytes, synced. Raises OSError."""
        fd = self.create(path)
        try:
            files.write_all(fd, data)
            os.fsync(fd)
        finally:
            os.close(fd)

    def close_later(self, fd: int) -> None:
        """Sync and close a descriptor in the background; `settle` raises what went wrong."""
        self._closer.put(fd)

    def settle(self) -> None:
        """Wait for what was closed later. Raises OSError, the first that came."""
        self._closer.settle()

    def remove(self, path: str) -> None:
        """Remove a file, if it is there. Raises OSError."""
        with suppress(FileNotFoundError), self._folder(path) as (folder, name):
            os.unlink(name, dir_fd=folder)

    def read_back(
        self,
        path: str,
        *,
        algorithms: tuple[str, ...],
        flushed: bool,
        on_bytes: Callable[[int], None] | None = None,
        stop: Stop | None = None,
    ) -> ReadBack:
        """Read one of its files from the medium. Raises OSError, StoppedError."""
        with self._folder(path) as (folder, name):
            return read_back(folder, name, algorithms=algorithms, flushed=flushed, on_bytes=on_bytes, stop=stop)

    def sync(self, paths: Iterable[str]) -> None:
        """Sync every folder on the way to these files. Raises OSError."""
        folders = {""}
        for file in paths:
            parts = file.split("/")[:-1]
            folders.update("/".join(parts[: n + 1]) for n in range(len(parts)))
        for path in sorted(folders, reverse=True):  # the deepest first
            with self._folder(f"{path}/x" if path else "x") as (folder, _):
                sync_folder(folder)

    def finish(self) -> None:
        """Mark it as finished: the mark is removed, then bagit.txt is written, both durably. Raises OSError."""
        self.remove(MARK)
        sync_folder(self.fd)
        self.remove(bag_text.DECLARATION)
        self.write(bag_text.DECLARATION, bag_text.declaration().encode())
        sync_folder(self.fd)
        sync_folder(self.place.fd)

    def close(self) -> None:
        """Close everything. Raises nothing; may be called twice."""
        self._closer.close()
        if self.fd >= 0:
            with suppress(OSError):
                os.close(self.fd)
            self.fd = -1

    def _folder(self, path: str, *, create: bool = False) -> _Walked:
        return _Walked(self.fd, path, create)


class _Walked:
    """The open folder of a path below `root`, and the name in it, as a block that closes it."""

    def __init__(self, root: int, path: str, create: bool) -> None:
        self._root, self._path, self._create = root, path, create
        self._fd = -1

    def __enter__(self) -> tuple[int, str]:
        *parents, name = self._path.split("/")
        fd = os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=self._root)
        try:
            for parent in parents:
                if self._create:
                    with suppress(FileExistsError):
                        os.mkdir(parent, 0o755, dir_fd=fd)
                above, fd = fd, files.step(fd, parent)
                os.close(above)
        except BaseException:
            os.close(fd)
            raise
        self._fd = fd
        return fd, name

    def __exit__(self, *_: object) -> None:
        os.close(self._fd)


class _Closer:
    """Syncs and closes descriptors in a thread of its own, so that the next file is written meanwhile."""

    def __init__(self) -> None:
        self._inbox: SimpleQueue[int | None] = SimpleQueue()
        self._outbox: SimpleQueue[None] = SimpleQueue()
        self._open = 0
        self._error: OSError | None = None
        self._helper: Helper | None = None

    def put(self, fd: int) -> None:
        if self._helper is None:
            self._helper = Helper("sync", self._run)
            if not self._helper.start():
                self._helper = None
                self._sync(fd)
                return
        if self._open >= _MOST_OPEN:
            self._outbox.get()
            self._open -= 1
        self._inbox.put(fd)
        self._open += 1

    def _run(self) -> None:
        for fd in iter(self._inbox.get, None):
            self._sync(fd)
            self._outbox.put(None)

    def _sync(self, fd: int) -> None:
        try:
            try:
                os.fsync(fd)
            finally:
                os.close(fd)
        except OSError as e:
            self._error = self._error or e

    def settle(self) -> None:
        while self._open:
            self._outbox.get()
            self._open -= 1
        if self._error is not None:
            raise self._error

    def close(self) -> None:
        if self._helper is not None:
            self._inbox.put(None)
            self._helper.join()
            self._helper = None


def sync_folder(fd: int) -> None:
    """Sync a folder, where the file system can. Raises OSError for any other failure."""
    try:
        os.fsync(fd)
    except OSError as e:
        if e.errno not in {errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP}:
            raise


_MARK_TEXT = b"""
This volume is not finished: do not use it.
Either it is being written now, or writing it was interrupted. Write it again with the same command: files that are
here and whole are kept. When the volume is finished, this file is gone, and bagit.txt is there.
"""
