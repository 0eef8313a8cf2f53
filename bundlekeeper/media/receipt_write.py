"""A receipt's file and its signature beside it, written at the receiving side.

Rules: both files, the receipt and its signature, are new and whole or not there, on file systems without links too.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.ledger import exchange
from bundlekeeper.media.receipt import Receipt, write_header
from bundlekeeper.store import files

if TYPE_CHECKING:
    from bundlekeeper.ledger.book import Book

_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}


def write(out: Path, receipt: Receipt, book: Book, sign: Callable[[str], bytes]) -> None:
    """Write the receipt to the new file `out`, with its events, and its signature to `out`.sig.

    `sign` makes the signature of a SHA-512 in hexadecimal. Raises InputError when the file is there already,
    UnfinishedError when it can't be written.
    """
    beside = out.with_name(out.name + ".sig")
    if os.path.lexists(out):
        raise InputError("the file is there already", where=str(out), hint="name a new one")
    temp, temp_sig = (each.with_name(f".{each.name}.{os.urandom(6).hex()}") for each in (out, beside))
    with files.wrapped("the receipt cannot be written", str(out)):
        try:
            sha512 = _put(temp, chain([write_header(receipt)], _exported(book, receipt)))
            _put(temp_sig, [sign(sha512)])
            with suppress(FileNotFoundError):
                beside.unlink()  # of a run that was killed before its receipt had a name
            _name(temp_sig, beside)
            try:
                _name(temp, out)
            except FileExistsError as error:
                raise InputError("the file is there already", where=str(out), hint="name a new one") from error
        finally:
            for each in (temp, temp_sig):
                with suppress(FileNotFoundError):
                    each.unlink()
        _sync(out.parent)


def _exported(book: Book, receipt: Receipt) -> Iterator[bytes]:
    """The events' lines. Raises UnfinishedError when they don't end at the head that the receipt states."""
    line = b""
    for line in exchange.export(book, receipt.after):
        yield line
    if line != exchange.end_line(receipt.head, receipt.count):
        raise UnfinishedError("something was recorded while the receipt was written", hint="run the command again")


def _put(path: Path, pieces: Iterable[bytes]) -> str:
    """Write a new file durably; returns its SHA-512."""
    digest = hashlib.sha512()
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        for piece in pieces:
            digest.update(piece)
            files.write_all(fd, piece)
        os.fsync(fd)
    finally:
        os.close(fd)
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


__all__ = ["write"]
