"""What was read from a manifest earlier, kept in the store so that `verify` need not parse the same bytes again.

Parsing and checking a manifest of 10,000 bundles costs seconds, `verify --quick` of as many files a fraction of one.

Rules: an entry is found by the SHA-256 of the manifest's bytes and the version of this program that read them; an entry
without its own right checksum is not used; entries may be deleted at any time and are trusted as much as the store
database; only the few written last are kept; a failure to read or write one is never an error.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from typing import Any

from bundlekeeper import __version__
from bundlekeeper.errors import KeeperError
from bundlekeeper.formats import limits
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files, temp_files

FOLDER = "listings"
_KEPT = 4


def load(store: Store, sha256: str) -> Any:  # noqa: ANN401 - any JSON value
    """What `save` kept for the manifest with this digest; None where there is nothing. Raises nothing."""
    try:
        with files.folder(store.fd, (KEEPER, FOLDER)) as home:
            data = files.read_bounded(home, _name(sha256), limits.LISTING_BYTES)
        checksum, _, body = data.partition(b"\n")
        return json.loads(body) if hashlib.sha256(body).hexdigest().encode() == checksum else None
    except (OSError, KeeperError, ValueError, RecursionError):
        return None


def save(store: Store, sha256: str, document: Any) -> None:  # noqa: ANN401 - any JSON value
    """Keep this JSON value for the manifest with this digest. Raises nothing: without it `verify` is only slower."""
    body = json.dumps(document, separators=(",", ":")).encode()
    data = hashlib.sha256(body).hexdigest().encode() + b"\n" + body
    if len(data) > limits.LISTING_BYTES:
        return
    with (
        suppress(OSError, KeeperError),
        temp_files.opened(store.fd) as room,
        files.folder(store.fd, (KEEPER, FOLDER), create=True) as home,
        room.temp() as temp,
    ):
        files.write_all(temp.fd, data)
        os.fsync(temp.fd)
        files.remove(home, _name(sha256))  # one that could not be used
        temp.publish(home, _name(sha256))
        _drop_old(home)


def _name(sha256: str) -> str:
    return f"{sha256}.{__version__}.json"


def _drop_old(home: int) -> None:
    aged = sorted(os.listdir(home), key=lambda name: os.lstat(name, dir_fd=home).st_mtime_ns)
    for name in aged[:-_KEPT]:
        files.remove(home, name)
