"""Putting a file into its place in the tree, and judging one that is there.

Rules: everything durable before anything is claimed: file, then link, then folder; a name that is taken is never
replaced; the fingerprint is read after the link, because the link itself changes the ctime.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from bundlekeeper.errors import RefusedError, UnfinishedError
from bundlekeeper.store import files
from bundlekeeper.store.facts import Facts
from bundlekeeper.store.incoming import Temp
from bundlekeeper.store.records import Fingerprint, Proof

#: A file's times are stamped from a clock that may stand still this long (up to 1/HZ, 10 ms on common kernels);
#: two changes within it look like one. Generous, common practice.
TICK_NS = 50_000_000
_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class InPlace:
    """A regular file found at a bundle's place: its folder, its open descriptor and its `stat`."""

    folder: int
    fd: int
    status: os.stat_result


@contextmanager
def in_place(root: int, facts: Facts) -> Iterator[InPlace | None]:
    """The file at the bundle's place, open for reading, or None.

    Raises RefusedError when something else is there: a link, a FIFO, a file whose name differs by case only.
    """
    try:
        with files.folder(root, facts.folder) as folder, files.regular(folder, facts.name) as fd:
            if facts.name not in os.listdir(folder):
                raise RefusedError(
                    f"{facts.place}: a file whose name differs only by case is there",
                    hint="this file system takes both names for one; move the other file away",
                    where=facts.place,
                )
            yield InPlace(folder, fd, os.fstat(fd))
    except FileNotFoundError:
        yield None


def put(root: int, facts: Facts, temp: Temp, *, shared: bool) -> os.stat_result:
    """Make the file durable and give it its place; return its `stat` as it now stands there.

    A file of ours gets mode 0444 and a modification time a second before its link, so that any later write changes
    that time even within the link's own clock tick; a shared one is left as it is.
    Raises FileExistsError when the place is taken, OSError; nothing is claimed to be there after an error.
    """
    if not shared:
        os.fchmod(temp.fd, files.FILE_MODE)
        written = os.fstat(temp.fd).st_mtime_ns
        os.utime(temp.fd, ns=(written, written - _SECOND_NS))
    os.fsync(temp.fd)
    with files.folder(root, facts.folder, create=True) as folder:
        temp.publish(folder, facts.name)
        os.fsync(folder)
        here, status = os.lstat(facts.name, dir_fd=folder), os.fstat(temp.fd)
    if (here.st_dev, here.st_ino) != (status.st_dev, status.st_ino):
        raise UnfinishedError("another file stands where this one was just put", where=facts.place)
    return here


def proof_of_new(sha256: str, status: os.stat_result, at: datetime, *, shared: bool, stable: bool) -> Proof:
    """The proof of a file that was hashed on its way in and then put in place."""
    told_apart = abs(status.st_ctime_ns - status.st_mtime_ns) > TICK_NS
    return Proof(sha256, at, files.fingerprint_of(status), stable and not shared and told_apart)


def proof_of_read(
    sha256: str,
    before: os.stat_result,
    after: os.stat_result,
    began: datetime,
    at: datetime,
    *,
    shared: bool,
    stable: bool,
) -> Proof | None:
    """The proof of a file that was read in place; None when it changed while it was read.

    Its fingerprint is trustworthy when its last change was over a tick before the read began.
    """
    if files.fingerprint_of(before) != files.fingerprint_of(after):
        return None
    began_ns = int(began.timestamp() * _SECOND_NS)
    settled = max(after.st_mtime_ns, after.st_ctime_ns) + TICK_NS < began_ns
    return Proof(sha256, at, files.fingerprint_of(after), stable and not shared and settled)


def unchanged(proof: Proof | None, status: os.stat_result) -> bool:
    """True when the proof may be relied on for a file with this `stat`."""
    return proof is not None and proof.trustworthy and proof.fingerprint == files.fingerprint_of(status)


def same_inode(fingerprint: Fingerprint, status: os.stat_result) -> bool:
    """True when both are of one file."""
    return (fingerprint.device, fingerprint.inode) == (status.st_dev, status.st_ino)
