"""The store's folder tree: where everything is, and whether the folder may be trusted.

Rules: one descriptor of the root stays open, and everything below is reached from it, so nobody can swap the root under
a running command; the root is ours (or root's), nobody else may write what it relies on (`rights`), and no folder of
its own is a symbolic link; a folder that is neither a store nor empty is never made into one; a missing store database
is rebuilt by the first command that writes. The tree is described, for users, in the handbook (`store`).
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bundlekeeper.errors import InputError, LockedError, RefusedError
from bundlekeeper.model.progress import Clock
from bundlekeeper.model.vocabulary import FAMILIES
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.store_database import DATABASE, NOTHING, Sound, StoreDatabase
from bundlekeeper.store.disk import files, lock, temp_files
from bundlekeeper.store.disk.filesystem import describe_fd
from bundlekeeper.store.disk.rights import SETTINGS, Rights

if TYPE_CHECKING:
    from bundlekeeper.store.database.rebuild import Filled

KEEPER = ".keeper"
DATABASE_FILE = "store.sqlite"
QUARANTINE = "quarantine"
MANIFESTS = "manifests"
_OWN_FOLDERS = (*FAMILIES, QUARANTINE, MANIFESTS, KEEPER)
#: What may be in a folder that becomes a store: our own names, and what file systems put there themselves.
_HARMLESS = {*_OWN_FOLDERS, SETTINGS, "lost+found"}


class Store:
    """An open store: its path for people and the descriptor of its root folder for everything else."""

    def __init__(self, root: Path, fd: int, rights: Rights, *, writable: bool) -> None:
        self.root = root
        self.fd = fd
        self.rights = rights
        self.writable = writable
        self.adopted = False  # the tree of a store that had lost its `.keeper`, which was made again

    @classmethod
    def open(cls, root: Path, *, write: bool) -> Self:
        """Open the store at `root`; with `write`, make it where absent.

        Raises InputError when there is no store and none is to be made, or the folder holds other things;
        RefusedError when the folder cannot be trusted; UnfinishedError when it cannot be reached or written.
        """
        where = str(root)
        with files.wrapped("the store cannot be opened", where):
            root = root.absolute()
            if write:
                _make_root(root)
            try:
                fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            except (FileNotFoundError, NotADirectoryError) as error:
                raise _absent(where) from error
            try:
                rights = _insist_on_trust(fd, root, write=write)
                adopted = write and not files.exists(fd, KEEPER) and bool(_store_names(fd))
                if write:
                    _make_tree(fd, where)
                elif not files.exists(fd, KEEPER):
                    raise _bare(fd, where) or _absent(where)
            except BaseException:
                os.close(fd)
                raise
        store = cls(root, fd, rights, writable=write)
        store.adopted = adopted
        return store

    def close(self) -> None:
        """Close the root folder. Raises nothing; may be called twice."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __del__(self) -> None:
        self.close()

    @property
    def has_contents(self) -> bool:
        """True where a folder of a family is there, or a kept manifest."""
        names = (name for name in _store_names(self.fd) if name != MANIFESTS)
        return any(names) or bool(kept_manifests.unrecorded(self.fd, ()))

    @property
    def database_path(self) -> Path:
        """Where the store database is."""
        return self.root / KEEPER / DATABASE_FILE

    def database(self, *, write: bool) -> StoreDatabase:
        """Open the store database; with `write`, a missing one is rebuilt from the tree first.

        Raises DamagedError with the way out, also where a kept manifest has no row; otherwise as
        `any_database`.
        """
        database = self.any_database(write=write)
        try:
            with files.wrapped("the kept manifests cannot be looked at", str(self.root / MANIFESTS)):
                # Another process that holds the lock may be between keeping a manifest and recording it.
                if kept_manifests.unrecorded(self.fd, database.admitted()) and not lock.maker(self.fd):
                    still = kept_manifests.unrecorded(self.fd, database.admitted())
                    if still:
                        message = f"{', '.join(still)}: kept, but it has no row of it"
                        raise DATABASE.damaged(message, str(self.database_path))
        except BaseException:
            database.close()
            raise
        return database

    def snapshot(self) -> StoreDatabase:
        """A copy of the store database in memory, as it is now: no writer waits for it. Raises as `database`."""
        with self.database(write=False) as database:
            return database.copied()

    def any_database(self, *, write: bool) -> StoreDatabase:
        """The same, also where a kept manifest has no row (`contents.repair`).

        Raises DamagedError, UnfinishedError, LockedError; RefusedError where it is no regular file.
        """
        with files.wrapped("the store database cannot be opened", str(self.database_path)):
            with files.folder(self.fd, (KEEPER,)) as keeper:
                there = files.exists(keeper, DATABASE_FILE)
                if there and not stat.S_ISREG(os.lstat(DATABASE_FILE, dir_fd=keeper).st_mode):
                    raise RefusedError("the store database is no regular file", where=str(self.database_path))
            if not there and (maker := lock.maker(self.fd)):
                message = f"the store is being made by {maker}"
                raise LockedError(message, where=str(self.root), hint="wait for it to end, and run the command again")
            if write and not there:
                self._build()
        return StoreDatabase.open(self.database_path, write=write)

    def rebuild(self, *, clock: Clock, sound: Sound = NOTHING) -> tuple[Path | None, Filled]:
        """Rename the store database and make a new one from what is `sound` in it and from the tree.

        Every file without a sound row is unverified then. Returns where the old one is, None when there was none, and
        what was made again. Raises UnfinishedError, RefusedError, LockedError.
        """
        renamed = f"store-before-{clock():%Y%m%dT%H%M%S}-{os.urandom(3).hex()}.sqlite"
        filled = self._build(sound, renamed)
        path = self.root / KEEPER / renamed
        return path if path.exists() else None, filled

    def _build(self, sound: Sound = NOTHING, rename_old: str = "") -> Filled:
        """Make a store database of what is in the tree under a temporary name and link it into place whole.

        One that is there gets the name `rename_old`, or stays where that is empty.
        """
        from bundlekeeper.store.database.rebuild import fill

        doing = "the store database cannot be rebuilt"
        with files.wrapped(doing, str(self.database_path)), temp_files.opened(self.fd) as room, room.named() as temp:
            os.fchmod(temp.fd, 0o644)
            with StoreDatabase.create(self.root / KEEPER / temp_files.FOLDER / temp.name) as fresh:
                filled = fill(self.fd, fresh, sound)
            os.fsync(temp.fd)
            with files.folder(self.fd, (KEEPER,)) as keeper, suppress(FileExistsError):  # another process was faster
                for tail in ("", "-journal") if rename_old else ():
                    if files.exists(keeper, DATABASE_FILE + tail):
                        os.rename(DATABASE_FILE + tail, rename_old + tail, src_dir_fd=keeper, dst_dir_fd=keeper)
                # SQLite would roll a journal of the lost database back into this one.
                if not files.exists(keeper, DATABASE_FILE):
                    files.remove(keeper, DATABASE_FILE + "-journal")
                temp.publish(keeper, DATABASE_FILE)
                os.fsync(keeper)
        return filled


def _absent(where: str) -> InputError:
    return InputError(
        "there is no store here",
        where=where,
        hint="name one with --store or BUNDLEKEEPER_STORE, or make one: bundlekeeper store add MANIFEST --from DIR",
    )


def _bare(fd: int, where: str) -> InputError | None:
    """The error for a store's folder that lost its `.keeper`; None for a folder that is no store's."""
    there = _store_names(fd)
    if not there:
        return None
    return InputError(
        f"the folder has no {KEEPER}, but a store's {', '.join(there)}",
        where=where,
        hint=f"copy the hidden folder {KEEPER} too, or make a new store: bundlekeeper store add MANIFEST --from DIR",
    )


def _store_names(fd: int) -> list[str]:
    return [name for name in (*FAMILIES, MANIFESTS) if files.exists(fd, name)]


def _make_root(root: Path) -> None:
    if root.is_dir():
        return
    if root.is_symlink() or root.exists():
        raise InputError("the store must be a folder", where=str(root))
    root.parent.mkdir(parents=True, exist_ok=True)
    parent = os.open(root.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.close(files.step(parent, root.name, create=True))
        os.fsync(parent)
    finally:
        os.close(parent)


def _insist_on_trust(fd: int, root: Path, *, write: bool) -> Rights:
    rights = Rights(fd, str(root))
    rights.insist_on_user(write=write)
    rights.insist_on_tree(_OWN_FOLDERS, KEEPER)
    kind = describe_fd(fd)
    if write and kind.network:
        raise RefusedError(
            f"the store is on a network file system ({kind.name}), where its databases are not safe",
            where=str(root),
            hint="keep the store on a local disk, and let other machines read it from there",
        )
    return rights


def _make_tree(fd: int, where: str) -> None:
    if not files.exists(fd, KEEPER):
        foreign = sorted(set(os.listdir(fd)) - _HARMLESS)
        if foreign:
            raise InputError(
                f"the folder is no store and has other things in it: {', '.join(foreign[:3])}",
                where=where,
                hint="name a new or empty folder with --store",
            )
    with files.folder(fd, (KEEPER,), create=True) as keeper:
        if not os.access(".", os.W_OK, dir_fd=keeper, effective_ids=True):
            raise PermissionError(13, "the folder cannot be written", where)
    for name in (QUARANTINE, MANIFESTS):
        with files.folder(fd, (name,), create=True):
            pass
