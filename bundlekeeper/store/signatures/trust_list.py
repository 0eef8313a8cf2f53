"""The trust list on disk, STORE/.keeper/trust: reading it whole, adding an entry, marking one as removed.

Rules: an entry exists when its TOML does, which is linked last and never replaces another's; an entry that cannot be
read is reported and trusts nobody; removing a key replaces the TOML by rename and deletes nothing; files are read
bounded and through no link. The caller has locked the store when it writes. Formats and checks are
`verification.keys`'.
"""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import datetime

from bundlekeeper.errors import InputError, KeeperError, RefusedError, StoppedError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.store.disk import files, temp_files

FOLDER = (".keeper", "trust")
MAX_ENTRIES = 1000
_SUFFIX = ".toml"
_MODE = 0o644


@dataclass(frozen=True, slots=True)
class TrustList:
    """Every entry that could be read, by name, and an error for each that could not."""

    entries: tuple[TrustEntry, ...] = ()
    broken: tuple[KeeperError, ...] = ()

    def get(self, name: str) -> TrustEntry:
        """The entry of that name, removed or not. Raises InputError with the closest names when there is none."""
        from difflib import get_close_matches

        for entry in self.entries:
            if entry.name == name:
                return entry
        close = get_close_matches(name, [entry.name for entry in self.entries], n=1)
        hint = f"did you mean {close[0]}?" if close else "bundlekeeper trust list shows what there is"
        raise InputError(f"there is no trust entry {name!r}", hint=hint)

    def of_key(self, text: str) -> tuple[TrustEntry, ...]:
        """The entry of a name with all others of the same key, or all of a fingerprint. Raises InputError for none."""
        named = [] if text.startswith("SHA256:") else [self.get(text)]
        key = named[0].fingerprint if named else text
        found = (*named, *(entry for entry in self.entries if entry.fingerprint == key and entry not in named))
        if not found:
            raise InputError(
                f"no trust entry has the fingerprint {text}", hint="bundlekeeper trust list shows what there is"
            )
        return found


def read_all(root_fd: int) -> TrustList:
    """Read the whole trust list of the store whose root folder is open as `root_fd`; no folder means no entries.

    Raises UnfinishedError when the folder cannot be read, RefusedError when it is a link or has absurdly many files.
    """
    with files.wrapped("the trust list cannot be read", "/".join(FOLDER)):
        try:
            fd = files.open_folder(root_fd, FOLDER)
        except FileNotFoundError:
            return TrustList()
        try:
            names = sorted(name.removesuffix(_SUFFIX) for name in os.listdir(fd) if name.endswith(_SUFFIX))
            if len(names) > MAX_ENTRIES:
                raise RefusedError(f"the trust list has more than {MAX_ENTRIES} entries")
            entries: list[TrustEntry] = []
            broken: list[KeeperError] = []
            for name in names:
                try:
                    entries.append(_read_twice(fd, name))
                except StoppedError:
                    raise
                except KeeperError as e:
                    broken.append(e)
            return TrustList(tuple(entries), tuple(broken))
        finally:
            os.close(fd)


def add(root_fd: int, entry: TrustEntry) -> None:
    """Write a new entry: its PEM files, then the TOML that makes it exist, each durable before the next.

    Raises InputError when the name is in use, UnfinishedError when it cannot be written; then nothing is added.
    """
    from bundlekeeper.verification.keys.entry_files import to_files

    with (
        files.wrapped("the trust entry cannot be written", "/".join(FOLDER)),
        files.folder(root_fd, FOLDER, create=True) as folder,
        temp_files.opened(root_fd) as room,
    ):
        if files.exists(folder, entry.name + _SUFFIX):
            raise _in_use(entry)
        for name, data in to_files(entry).items():
            if not name.endswith(_SUFFIX):
                files.remove(folder, name)  # left by an addition that was stopped: no TOML names it
            try:
                _publish(room, folder, name, data)
            except FileExistsError as e:
                raise _in_use(entry) from e
            os.fsync(folder)


def replace(root_fd: int, entry: TrustEntry) -> None:
    """Write an entry's TOML again, as when its key is removed; its PEM files stay. Raises UnfinishedError."""
    from bundlekeeper.verification.keys.entry_files import to_files

    toml = entry.name + _SUFFIX
    with (
        files.wrapped("the trust entry cannot be written", "/".join(FOLDER)),
        files.folder(root_fd, FOLDER) as folder,
        temp_files.opened(root_fd) as room,
        room.named() as temp,
    ):
        files.write_all(temp.fd, to_files(entry)[toml])
        os.fchmod(temp.fd, _MODE)
        os.fsync(temp.fd)
        os.rename(temp.name, toml, src_dir_fd=room.fd, dst_dir_fd=folder)
        os.fsync(folder)


def renew(root_fd: int, entry: TrustEntry) -> None:
    """Write an entry again whose revocation lists changed: the lists first, then the TOML that names them.

    Raises UnfinishedError; then the entry is the old one, whole.
    """
    from bundlekeeper.verification.keys.entry_files import is_crls_name, to_files

    with files.wrapped("the trust entry cannot be written", "/".join(FOLDER)):
        written = {name: data for name, data in to_files(entry).items() if is_crls_name(entry.name, name)}
        with files.folder(root_fd, FOLDER) as folder, temp_files.opened(root_fd) as room:
            for name, data in written.items():
                with suppress(FileExistsError):  # the same lists: their digest is in the name
                    _publish(room, folder, name, data)
            os.fsync(folder)
        replace(root_fd, entry)
        with files.folder(root_fd, FOLDER) as folder:
            for name in os.listdir(folder):
                if is_crls_name(entry.name, name) and name not in written:
                    files.remove(folder, name)


def remove(root_fd: int, key: str, *, at: datetime, reason: str) -> tuple[TrustEntry, ...]:
    """Mark as removed every entry of a key, which is given by an entry's name or by its fingerprint; return them.

    Raises InputError where there is none, no reason, or all were removed before, UnfinishedError when one cannot be
    written: what was removed until then stays so, and no verdict is good under the others any more.
    """
    from bundlekeeper.verification.keys.entries import remove as removed

    found = read_all(root_fd).of_key(key)
    live = [entry for entry in found if not entry.removed] or found[:1]  # one that was removed raises
    entries = tuple(removed(entry, at=at, reason=reason) for entry in live)
    for entry in entries:
        replace(root_fd, entry)
    return entries


def _read_twice(folder: int, name: str) -> TrustEntry:
    """Read an entry, once more where it cannot be read: a writer may just have put newer lists in the place of old."""
    try:
        return _read(folder, name)
    except StoppedError:
        raise
    except KeeperError:
        return _read(folder, name)


def _read(folder: int, name: str) -> TrustEntry:
    from bundlekeeper.verification.keys.entry_files import from_files

    def read(file: str, limit: int) -> bytes:
        try:
            return files.read_bounded(folder, file, limit)
        except FileNotFoundError as e:
            raise InputError("a file of the entry is missing", where=file) from e
        except OSError as e:
            raise UnfinishedError(f"cannot be read: {e.strerror}", where=file) from e

    return from_files(name, read(name + _SUFFIX, limits.ENTRY_FILE_BYTES), read)


def _publish(room: temp_files.Incoming, folder: int, name: str, data: bytes) -> None:
    with room.temp() as temp:
        files.write_all(temp.fd, data)
        os.fchmod(temp.fd, _MODE)
        os.fsync(temp.fd)
        temp.publish(folder, name)


def _in_use(entry: TrustEntry) -> InputError:
    return InputError(f"the name {entry.name} is in use", hint="a name is used once; choose another")
