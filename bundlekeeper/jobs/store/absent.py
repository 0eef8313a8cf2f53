"""What the manifest in force names and the store lacks.

Rules: `verify` and `store list` agree: a bundle is missing unless it was removed by name, is withdrawn, or came by no
media set where the manifest did.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import shell_word

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Admitted, StoredBundle
    from bundlekeeper.store.verifying.expected import ExpectedFile


def absent(
    store: Store, admitted: Sequence[Admitted], rows: Sequence[StoredBundle], removed: Collection[tuple[str, str]]
) -> list[ExpectedFile]:
    """The bundles of the manifest in force that have no row in the store, and should; no one where its kept copy
    cannot be relied on.

    Raises UnfinishedError, RefusedError, DamagedError for what media sets brought and cannot be read.
    """
    from bundlekeeper.store.verifying.expected import kept

    listing, _ = kept(store, admitted)
    sent, there = carried(store, admitted), {(row.place, row.sha256) for row in rows}
    return [
        bundle
        for bundle in (listing.bundles if listing is not None else ())
        if (bundle.place, bundle.sha256) not in there | {*removed}
        and (sent is None or bundle.sha256 in sent)
        and bundle.lifecycle != "withdrawn"
    ]


def findings_of(store: Store, bundles: Sequence[ExpectedFile], admitted: Sequence[Admitted]) -> Iterator[Finding]:
    """One `missing` for each."""
    from bundlekeeper.store.contents.right_now import way_back

    hint = way_back(None, kept_manifest(store, admitted))
    for bundle in bundles:
        yield finding("missing", bundle.name, "named by the manifest, not in the store", hint)


def carried(store: Store, admitted: Sequence[Admitted]) -> frozenset[str] | None:
    """What media sets carried here by the newest manifest; None where it came by none."""
    if not admitted or not (store.root / ".keeper/sets/received").is_dir():  # most stores need no code that reads sets
        return None
    from bundlekeeper.media.set.carried import carried as of_manifest

    return of_manifest(store, admitted[-1].sha256)


def kept_manifest(store: Store, admitted: Sequence[Admitted]) -> str:
    """The path of the manifest in force as a shell's word; a placeholder where there is none."""
    return shell_word(str(store.root / admitted[-1].place)) if admitted else "MANIFEST"
