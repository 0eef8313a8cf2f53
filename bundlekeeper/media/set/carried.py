"""What media sets carried here, for whoever asks what is missing.

Rules: only an index that was kept when its signature was good counts; what cannot be read excuses nothing, and neither
does a set of withdrawals alone.
"""

from __future__ import annotations

from bundlekeeper.errors import KeeperError
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.model.media.index import read_index
from bundlekeeper.store.contents.store import Store


def carried(store: Store, manifest: str) -> frozenset[str] | None:
    """The SHA-256 of every file that media sets were to bring here, where the manifest with that SHA-256 came so.

    None where it came with no set's bundles, or where what is known of a set cannot be read: then nothing says that a
    bundle was left out on purpose. Raises nothing.
    """
    try:
        sets = Sets(store)
        kept = [found for received in sets.received() if (found := sets.received_index(received)) is not None]
        indices = [read_index(data) for data, _ in kept]
    except KeeperError:
        return None
    if not any(index.manifest == manifest and any(f.role == "bundle" for f in index.files) for index in indices):
        return None
    return frozenset(file.sha256 for index in indices for file in index.files)
