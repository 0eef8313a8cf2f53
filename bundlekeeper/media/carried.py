"""What media sets carried here, for whoever asks what is missing.

Rules: only an index that was kept when its signature was good counts; what cannot be read excuses nothing, and neither
does a set of withdrawals alone.
"""

from __future__ import annotations

from collections.abc import Iterable

from bundlekeeper.errors import KeeperError
from bundlekeeper.media.sets import Sets
from bundlekeeper.model.media import read_index
from bundlekeeper.store.layout import Store


def not_carried(store: Store, manifest: str, named: Iterable[str]) -> frozenset[str]:
    """Which of the bundles `named` (their SHA-256) no media set was to bring here.

    Empty where the manifest with the SHA-256 `manifest` came with no set's bundles, or where what is known of a set
    cannot be read: then nothing says that a bundle was left out on purpose. Raises nothing.
    """
    try:
        sets = Sets(store)
        kept = [found for each in sets.received() if (found := sets.received_index(each)) is not None]
        indices = [read_index(data) for data, _ in kept]
    except KeeperError:
        return frozenset()
    if not any(index.manifest == manifest and any(f.role == "bundle" for f in index.files) for index in indices):
        return frozenset()
    return frozenset(named) - {file.sha256 for index in indices for file in index.files}
