"""The message itself, for the few forms that need more than its digest: whole or in pieces, from an open file.

Rules: reads at given offsets and leaves the descriptor's own offset alone; a length beyond the limit is refused before
memory is allocated; memory is one byte for each byte of the message, once; a read error is an OSError. Both are second
reads, so their bytes are compared with the SHA-256 of the first (`same_whole`, `same_chunks`): a file that changed
between the two is `not-checked`.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator

from bundlekeeper.verification.encodings.refusals import NotCheckedError

_BLOCK = 1 << 20

#: Gives the whole message up to a limit in bytes. Raises NotCheckedError when it is longer, OSError as it comes.
WholeMessage = Callable[[int], bytes | bytearray]


def whole_of_fd(fd: int) -> WholeMessage:
    """A `WholeMessage` of an open regular file, from its beginning to its end."""

    def whole(limit_bytes: int) -> bytearray:
        size = os.fstat(fd).st_size
        if size > limit_bytes:
            raise NotCheckedError(
                f"the signature needs all {size} bytes of the file in memory at once, but {limit_bytes} are allowed",
                hint="raise max_whole_bytes in store.toml, or ask for a signature of another form, such as sshsig",
            )
        try:
            message = bytearray(size)
        except MemoryError as e:
            raise NotCheckedError(f"there is no memory for the {size} bytes of the file at once") from e
        at = 0
        with memoryview(message) as view:
            while at < size and (count := os.preadv(fd, [view[at : at + (1 << 30)]], at)):
                at += count
        if at < size:
            raise NotCheckedError("the file became shorter while it was read")
        return message

    return whole


def chunks_of_fd(fd: int) -> Callable[[], Iterator[bytes]]:
    """A callable that gives the pieces of an open regular file, from its beginning to its end."""

    def chunks() -> Iterator[bytes]:
        at = 0
        while piece := os.pread(fd, _BLOCK, at):
            at += len(piece)
            yield piece

    return chunks


def same_whole(whole: WholeMessage, sha256: str) -> WholeMessage:
    """`whole`, compared with the SHA-256 (hexadecimal) that the first read gave."""

    def checked(limit_bytes: int) -> bytes | bytearray:
        message = whole(limit_bytes)
        _require_same(hashlib.sha256(message).hexdigest(), sha256)
        return message

    return checked


def same_chunks(chunks: Iterable[bytes], sha256: str) -> Iterator[bytes]:
    """The pieces as they come; after the last, compared with the SHA-256 (hexadecimal) that the first read gave."""
    state = hashlib.sha256()
    for piece in chunks:
        state.update(piece)
        yield piece
    _require_same(state.hexdigest(), sha256)


def _require_same(found: str, expected: str) -> None:
    if found != expected:
        raise NotCheckedError("the file changed between the read for its digest and the read for its signature")
