"""A bundle's file that is read to be sent, and verified by that same read.

Rules: the last block is given only when size and digest are right, so that nobody gets a whole file that is another
one; memory is a few blocks, whatever the file's size.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator

from bundlekeeper.errors import KeeperError
from bundlekeeper.findings import finding
from bundlekeeper.store.contents.place import in_place
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.rows import StoredBundle
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.read import BLOCK_BYTES, HashSource, Stop

_SLICE_BYTES = 64 * 1024  # so that progress, and what a broken connection took, is known that exactly


class ChangedError(KeeperError):
    """The file is not the one that was stored: it was not given whole."""

    exit_code = 1


def pieces(store: Store, stored: StoredBundle, stop: Stop, count: Callable[[int], None]) -> Iterator[bytes]:
    """The file's bytes, block by block; `count` gets the size of each when it was taken.

    Raises ChangedError where the bytes are not those of the manifest; UnfinishedError, RefusedError, StoppedError.
    """
    with files.wrapped("the bundle cannot be read", stored.place), in_place(store.fd, stored.place) as found:
        if found is None:
            raise _changed(stored, "missing", "its file is gone")
        source, digest, size, held = HashSource(found.fd, stop), hashlib.sha256(), 0, b""
        if found.status.st_size != stored.size:
            raise _changed(stored, *_other_size(found.status.st_size, stored.size))
        while True:
            block = bytearray(BLOCK_BYTES)
            read = source.fill(memoryview(block))
            data = bytes(memoryview(block)[:read])
            digest.update(data)
            size += read
            if size > stored.size:
                break
            yield from _slices(held, count)
            held = data
            if read < BLOCK_BYTES:
                break
        if size != stored.size:
            raise _changed(stored, *_other_size(size, stored.size))
        if digest.hexdigest() != stored.sha256:
            raise _changed(stored, "altered", "its bytes changed since they were verified")
        yield from _slices(held, count)


def _slices(block: bytes, count: Callable[[int], None]) -> Iterator[bytes]:
    for start in range(0, len(block), _SLICE_BYTES):
        piece = block[start : start + _SLICE_BYTES]
        yield piece
        count(len(piece))


def _other_size(size: int, stated: int) -> tuple[str, str]:
    return "truncated" if size < stated else "extended", f"it has {size} bytes, and the manifest says {stated}"


def _changed(stored: StoredBundle, code: str, message: str) -> ChangedError:
    hint = "bundlekeeper verify"
    found = finding(code, f"{stored.family} {stored.version}", message, hint)
    return ChangedError(f"the upload was ended: {message}", where=stored.place, hint=hint, problems=[found])
