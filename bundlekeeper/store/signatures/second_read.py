"""A second read of a signed file, for the few forms of signature that need the message itself.

Rules: the file is opened again only when it is really needed, and closed again; if it cannot be read,
the signature was not looked at, and is never called bad.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator

from bundlekeeper.verification.encodings.refusals import NotCheckedError
from bundlekeeper.verification.signatures.message import WholeMessage, chunks_of_fd, whole_of_fd

#: Gives a new descriptor of the file, or raises OSError.
Again = Callable[[], int]


def whole_again(again: Again) -> WholeMessage:
    """The whole message, read when it is asked for. Raises NotCheckedError then."""

    def whole(limit_bytes: int) -> bytes | bytearray:
        try:
            fd = again()
            try:
                return whole_of_fd(fd)(limit_bytes)
            finally:
                os.close(fd)
        except OSError as error:
            raise _not_again(error) from error

    return whole


def chunks_again(again: Again) -> Callable[[], Iterable[bytes]]:
    """The message in pieces, read when they are asked for. Raises NotCheckedError then."""

    def chunks() -> Iterator[bytes]:
        try:
            fd = again()
            try:
                yield from chunks_of_fd(fd)()
            finally:
                os.close(fd)
        except OSError as error:
            raise _not_again(error) from error

    return chunks


def _not_again(error: OSError) -> NotCheckedError:
    return NotCheckedError(f"the file could not be read again for its signature: {error.strerror or error}")
