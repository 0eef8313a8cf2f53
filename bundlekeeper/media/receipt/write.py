"""Writes a receipt's file, and its signature beside it, at the receiving site.

Rules: both files, the receipt and its signature, are new and whole or not there, also on file systems without links; no
file of anybody else is replaced or removed; what a killed run left is removed by the next one for the same name, where
a lock shows that its writer is gone.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.ledger.exchange import merge as exchange
from bundlekeeper.media.receipt.document import Receipt, write_header
from bundlekeeper.model.trust import NAMESPACES
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger

_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
#: How a receipt and its signature begin; a file of a temporary name that begins otherwise is not ours.
_BEGINS = (b'{"arrived":', b"-----BEGIN SSH SIGNATURE-----")


def insist_on_place(out: str) -> None:
    """Raise InputError where `out` cannot name a new file: it names a folder, or lies in one that is not there."""
    with files.wrapped("the receipt cannot be written", out):
        if out.rpartition("/")[2] in ("", ".", "..") or Path(out).is_dir():
            hint = f"name a file, for example {out.rstrip('/')}/site.receipt"
            raise InputError("this names a folder, not a file", where=out, hint=hint)
        folder = Path(out).parent
        if not folder.is_dir():
            message = "this is no folder" if os.path.lexists(folder) else "the folder is not there"
            raise InputError(message, where=str(folder), hint="make it first, or name another file")


def write(out: Path, receipt: Receipt, ledger: Ledger, sign: Callable[[str], bytes]) -> None:
    """Write the receipt to the new file `out`, with its events, and its signature to `out`.sig.

    `sign` makes the signature of a SHA-512 in hexadecimal. Raises InputError when the file is there already, or a file
    that is no receipt's signature has the signature's name; UnfinishedError when it can't be written.
    """
    beside = out.with_name(out.name + ".sig")
    with files.wrapped("the receipt cannot be written", str(out)):
        if os.path.lexists(out):
            raise _there(out)
        _insist_on_ours(beside)
        for path in (out, beside):
            _sweep(path)
        with _temp(out) as (temp, fd), _temp(beside) as (temp_sig, fd_sig):
            sha512 = _put(fd, chain([write_header(receipt)], _exported(ledger, receipt)))
            _put(fd_sig, [sign(sha512)])
            with suppress(FileNotFoundError):
                beside.unlink()  # of a run that was killed before its receipt got its name
            _name(temp_sig, beside)
            try:
                _name(temp, out)
            except FileExistsError as error:
                raise _there(out) from error
        _sync(out.parent)


def _there(out: Path) -> InputError:
    return InputError("the file is there already", where=str(out), hint="name a new one")


def _insist_on_ours(beside: Path) -> None:
    """Raise InputError where anything but a receipt's signature has the signature's name."""
    from bundlekeeper.verification.signatures import sshsig

    ours = False
    try:
        fd = os.open(beside, _READ)
    except FileNotFoundError:
        return
    except OSError:  # a link, a device without a driver, a file that may not be read
        fd = -1
    if fd >= 0:
        try:
            regular = stat.S_ISREG(os.fstat(fd).st_mode)
            data = os.read(fd, limits.SSH_SIGNATURE_BYTES + 1) if regular else b""
        finally:
            os.close(fd)
        with suppress(KeeperError):
            ours = sshsig.parse(data).namespace == NAMESPACES["receipts"]
    if not ours:
        message = "a file with the signature's name is there, and it is no signature of a receipt"
        raise InputError(message, where=str(beside), hint="name another receipt, or move that file away")


def _exported(ledger: Ledger, receipt: Receipt) -> Iterator[bytes]:
    """The events' lines. Raises UnfinishedError when they don't end at the head that the receipt states."""
    line = b""
    for line in exchange.export(ledger, receipt.after):
        yield line
    if line != exchange.end_line(receipt.head, receipt.count):
        raise UnfinishedError("something was recorded while the receipt was written", hint="run the command again")


@contextmanager
def _temp(target: Path) -> Iterator[tuple[Path, int]]:
    """A new file beside the target, locked while we run, and its descriptor; its name is removed at the end."""
    path = target.with_name(f".{target.name}.{os.urandom(6).hex()}")
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        with suppress(OSError):  # where there are no locks, nobody can have one, and nothing is swept
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield path, fd
    finally:
        try:
            with suppress(FileNotFoundError):
                path.unlink()
        finally:
            os.close(fd)


def _sweep(target: Path) -> None:
    """Remove what a killed run left under a temporary name of this target. Raises OSError."""
    ours = re.compile(re.escape(f".{target.name}.") + "[0-9a-f]{12}")
    for name in os.listdir(target.parent):
        if ours.fullmatch(name):
            with suppress(OSError):  # it cannot be opened, its lock is held, or there are no locks here: it stays
                _sweep_one(target.with_name(name))


def _sweep_one(path: Path) -> None:
    fd = os.open(path, _READ)
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            return
        data = os.read(fd, max(map(len, _BEGINS)))
        if any(data.startswith(begin) or begin.startswith(data) for begin in _BEGINS):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            path.unlink()
    finally:
        os.close(fd)


def _put(fd: int, pieces: Iterable[bytes]) -> str:
    """Write a new file durably; returns its SHA-512."""
    digest = hashlib.sha512()
    for piece in pieces:
        digest.update(piece)
        files.write_all(fd, piece)
    os.fsync(fd)
    return digest.hexdigest()


def _name(temp: Path, path: Path) -> None:
    """Give a file its name, which must be free; by a rename where there are no links, as on FAT."""
    try:
        os.link(temp, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from error
        temp.rename(path)


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        with suppress(OSError):  # some file systems of programs know no fsync of a folder
            os.fsync(fd)
    finally:
        os.close(fd)
