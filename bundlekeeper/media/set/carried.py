"""Which files media sets were to bring to this store: the rest of a manifest was left out of them on purpose.

Rules: only an index that was kept after its signature was found good counts; an index that cannot be read does not
count, nor does a set of withdrawals alone.
"""

from __future__ import annotations

from bundlekeeper.errors import KeeperError
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.model.media.index import read_index
from bundlekeeper.store.contents.store import Store


def carried(store: Store, manifest: str) -> frozenset[str] | None:
    """The SHA-256 of every file that media sets were to bring here, where a set brought the manifest with that SHA-256.

    None where no set with bundles brought it, or where the record of a set cannot be read: then no bundle counts as
    left out on purpose. Raises nothing.
    """
    try:
        sets = Sets(store)
        kept = [index for received in sets.received() if (index := sets.received_index(received)) is not None]
        indices = [read_index(data) for data, _ in kept]
    except KeeperError:
        return None
    if not any(index.manifest == manifest and any(file.role == "bundle" for file in index.files) for index in indices):
        return None
    return frozenset(file.sha256 for index in indices for file in index.files)
