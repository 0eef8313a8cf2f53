"""Who may write what a store relies on: owners and modes of its folders and files, all reported at once.

Rules: only root, the store's owner and whoever runs the command may write, and the members of one group where
store.toml names it; store.toml itself is never the group's, else its members could name themselves; a file
that belongs to somebody else counts as writable by them (chmod); links are not followed; nothing is changed here. An
access list shows in the group's bits of the mode, which are its mask then (acl(5)).
"""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

from bundlekeeper.errors import RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.filesystem import describe_fd

CODE = "writable-by-others"
SETTINGS = "store.toml"
_WRITABLE = stat.S_IWGRP | stat.S_IWOTH


class Rights:
    """Who may write in one store; its root folder is open as `root`, its path is `where`."""

    def __init__(self, root: int, where: str) -> None:
        """Raises OSError."""
        self._root, self._where = root, where
        self._status = os.fstat(root)
        self.owner = self._status.st_uid
        self._own = frozenset({0, os.geteuid(), self.owner})
        self._others: dict[int, bool] = {}  # by user number: whether the user is a member of the group

    @property
    def foreign(self) -> str:
        """The store's owner, where root uses another user's store; else empty."""
        return user_name(self.owner) if os.geteuid() == 0 and self.owner != 0 else ""

    def insist_on_user(self, *, write: bool) -> None:
        """Insist that the user of this process may use the store.

        These may: its owner, root, the members of the group that it names, and, for reading a store of root's, anybody.
        Raises RefusedError, InputError when store.toml cannot be read.
        """
        me = os.geteuid()
        if me in {0, self.owner} or (self.owner == 0 and not write):
            return
        if (
            self._group is not None
            and self._group in {os.getegid(), *os.getgroups()}
            and (self.owner == 0 or self._is_of_group(self.owner))
        ):
            return
        raise RefusedError(
            f"the store belongs to another user ({user_name(self.owner)})",
            where=self._where,
            hint="run as its owner, or use a store of your own (--store); "
            f'a team shares one whose owner names their group in {SETTINGS}: group = "NAME"',
        )

    def insist_on_tree(self, folders: Sequence[str], keeper: str) -> None:
        """Insist on the root, store.toml, these folders of the root and everything in the folder `keeper`.

        Raises RefusedError with every problem, OSError when `keeper` cannot be looked into.
        """
        self._insist(
            self._judged(path, status)
            for path, status in [("", self._status), *self._in_root(folders), *self._below((keeper,))]
        )

    def insist_on_bundles(self, places: Mapping[str, bool]) -> dict[str, Finding]:
        """Insist on the files at these places, if they are there, and on their folders.

        A place whose value is True is a file that `--link=hard` shares with its source: the source's rights are its
        own, so its finding is returned, by its place. Raises RefusedError with every problem.
        """
        shared = {place: found for place in places if places[place] and (found := self._looked_at(place)) is not None}
        own = [place for place in places if not places[place]]
        folders = dict.fromkeys(place.rpartition("/")[0] for place in places)
        self._insist(self._looked_at(path) for path in (*folders, *own))
        return {
            place: finding(CODE, place, f"{found.message}; it is shared with its source", found.hint, Level.WARNING)
            for place, found in shared.items()
        }

    def _in_root(self, folders: Sequence[str]) -> Iterator[tuple[str, os.stat_result]]:
        for name in (*folders, SETTINGS):
            try:
                status = os.lstat(name, dir_fd=self._root)
            except FileNotFoundError:
                continue
            if name != SETTINGS and not stat.S_ISDIR(status.st_mode):
                raise files.no_folder(name, status)
            yield name, status

    def _below(self, parts: tuple[str, ...]) -> Iterator[tuple[str, os.stat_result]]:
        """Everything below a folder, except in folders that only their owner may enter."""
        try:
            fd = files.open_folder(self._root, parts)
        except FileNotFoundError:
            return
        inner: list[str] = []
        try:
            with os.scandir(fd) as entries:
                for entry in entries:
                    try:
                        status = entry.stat(follow_symlinks=False)
                    except FileNotFoundError:  # a temporary file of a writer
                        continue
                    yield "/".join((*parts, entry.name)), status
                    if stat.S_ISDIR(status.st_mode) and status.st_mode & 0o077:
                        inner.append(entry.name)
        finally:
            os.close(fd)
        for name in inner:
            yield from self._below((*parts, name))

    def _looked_at(self, path: str) -> Finding | None:
        try:
            return self._judged(path, os.stat(path, dir_fd=self._root, follow_symlinks=False))
        except OSError:  # gone, or out of reach: reading it reports that
            return None

    def _judged(self, path: str, status: os.stat_result) -> Finding | None:
        """The finding on one file or folder, with the commands that help; None where all is well."""
        mode = 0 if stat.S_ISLNK(status.st_mode) else status.st_mode & _WRITABLE
        if not mode and status.st_uid in self._own:
            return None
        whole = shell_word(f"{self._where}/{path}" if path else self._where)
        message, hints, letters = [], [], ""
        if status.st_uid not in self._own and not self._is_of_group(status.st_uid):
            message.append(f"it belongs to {user_name(status.st_uid)}")
            hints.append(f"chown -h -- {_user(self.owner)} {whole}")
        if mode & stat.S_IWGRP and status.st_gid != self._group:
            message.append(f"its group {_group_name(status.st_gid)} may write it")
            letters = "g"
        elif mode & stat.S_IWGRP and self._has_access_list(path):
            message.append("an access list says who else may write it")
            hints.append(f"setfacl -b -- {whole}")
        if mode & stat.S_IWOTH:
            message.append("everybody may write it")
            letters += "o"
        if letters:
            hints.append(f"chmod {letters}-w -- {whole}")
        return finding(CODE, path or self._where, "; ".join(message), " && ".join(hints)) if message else None

    def _has_access_list(self, path: str) -> bool:
        """True where the group's bits are an access list's mask (acl(5)), so that they include others."""
        try:
            os.getxattr(f"{self._where}/{path}", "system.posix_acl_access", follow_symlinks=False)
        except OSError:  # it has none, or the file system knows none
            return False
        return True

    def _insist(self, judged: Iterator[Finding | None]) -> None:
        """Raise RefusedError where anything is found."""
        problems = [problem for problem in judged if problem is not None]
        if not problems:
            return
        message, hint, listed = f"{problems[0].subject}: {problems[0].message}", problems[0].hint, problems
        if len(problems) > 1:
            message, hint = f"others may write {len(problems)} things in it", "run the command of each line below"
        else:
            listed = []
        if any("its group" in problem.message and problem.subject != SETTINGS for problem in problems):
            hint = f'if a group may write, name it in {SETTINGS}: group = "NAME"{self._unknown}; else: {hint}'
        if not describe_fd(self._root).links:
            hint = f"if the file system has no modes, mount it with umask=022; else: {hint}"
        raise RefusedError(f"the store cannot be relied on: {message}", where=self._where, hint=hint, problems=listed)

    def _is_of_group(self, uid: int) -> bool:
        """True for a member of the group that store.toml names."""
        if uid not in self._others:
            self._others[uid] = self._group is not None and self._group in _groups_of(uid)
        return self._others[uid]

    @cached_property
    def _named(self) -> str:
        """The group that store.toml names; empty where it names none, or is itself not to be relied on."""
        try:
            status = os.lstat(SETTINGS, dir_fd=self._root)
            if status.st_mode & _WRITABLE or status.st_uid not in self._own:
                return ""
            data = files.read_bounded(self._root, SETTINGS, limits.STORE_SETTINGS_BYTES)
        except FileNotFoundError:
            return ""
        from bundlekeeper.model.store_settings import read_settings

        return read_settings(data).group

    @cached_property
    def _group(self) -> int | None:
        """The number of the group that store.toml names. Raises InputError when the file cannot be read."""
        try:
            return grp.getgrnam(self._named).gr_gid if self._named else None
        except KeyError:
            return None

    @property
    def _unknown(self) -> str:
        return f" (this machine knows no group {self._named})" if self._named and self._group is None else ""


def user_name(uid: int) -> str:
    """A user's name, with the number."""
    name = _user(uid)
    return name if name == str(uid) else f"{name}, {uid}"


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def _group_name(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def _groups_of(uid: int) -> list[int]:
    try:
        user = pwd.getpwuid(uid)
    except KeyError:
        return []
    return os.getgrouplist(user.pw_name, user.pw_gid)
