"""A store database made again from the tree, for a store whose database is gone or damaged.

Rules: rows of the old database that are still what was written stay as they are; the rest comes from the kept
manifests; a file that none of them names gets no row (`verify` reports it as extra); a row that is made again counts as
unverified; its time is that of the file itself; what the manifest with the highest number withdrew stays withdrawn.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError
from bundlekeeper.frozen import dataclass
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.store_database import Sound, StoreDatabase
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.store.database.rows import BundleFacts


@dataclass(frozen=True, slots=True)
class Filled:
    """What was made again: places of manifests, number of files' rows; and the kept manifests that are unread."""

    manifests: tuple[str, ...] = ()
    files: int = 0
    unread: tuple[kept_manifests.UnreadManifest, ...] = ()


def fill(root: int, database: StoreDatabase, sound: Sound) -> Filled:
    """Fill the empty database: what is `sound`, then the kept manifests and the files that they name, unverified.

    Raises UnfinishedError, RefusedError, OSError.
    """
    rows = {manifest.place: manifest for manifest in sound.manifests}
    platforms = {manifest.platform for manifest in sound.manifests}
    read, unread = kept_manifests.read_kept(root, kept_manifests.unrecorded(root, ()), platforms)
    facts = {
        kept.admitted.place: kept.facts
        for kept in read
        if kept.admitted.place not in rows or rows[kept.admitted.place].sha256 == kept.admitted.sha256
    }
    again = [kept.admitted for kept in read if kept.admitted.place not in rows]
    order = kept_manifests.in_order(sound.manifests, again)
    verifications = dict(sound.verifications)
    for row in sound.stored:
        database.record_stored(row, None)
    database.record_verifications(verifications)
    highest = max((manifest.sequence for manifest in sound.manifests), default=-1)
    for admitted in order:  # the sound rows have the facts of older manifests already
        database.admit(admitted, facts[admitted.place] if admitted.sequence > highest else ())
    for exempt in sound.exceptions:
        database.record_exception(*exempt)
    missing: dict[str, BundleFacts] = {}
    withdrawn = _withdrawn(facts, max(order, key=lambda manifest: manifest.sequence).place) if order else {}
    for admitted in order:
        missing |= {bundle.place: _overlaid(bundle, withdrawn) for bundle in facts.get(admitted.place, ())}
    for row in sound.stored:
        missing.pop(row.place, None)
    found = sum(_file(root, database, bundle) for bundle in missing.values())
    lost = tuple(manifest for manifest in unread if manifest.place not in rows)
    return Filled(tuple(manifest.place for manifest in again), found, lost)


def _withdrawn(facts: Mapping[str, tuple[BundleFacts, ...]], newest: str) -> dict[str, BundleFacts]:
    """The bundles that the manifest with the highest number withdrew, by SHA-256."""
    return {bundle.sha256: bundle for bundle in facts.get(newest, ()) if bundle.lifecycle == "withdrawn"}


def _overlaid(facts: BundleFacts, withdrawn: Mapping[str, BundleFacts]) -> BundleFacts:
    later = withdrawn.get(facts.sha256)
    return facts if later is None else replace(facts, lifecycle=later.lifecycle, reason=later.reason)


def _file(root: int, database: StoreDatabase, facts: BundleFacts) -> bool:
    """Record the file of a bundle, where there is one of its size."""
    try:
        with files.folder(root, facts.folder) as folder, files.regular(folder, facts.name) as fd:
            status = os.fstat(fd)
    except PermissionError:
        raise  # nobody knows what is there: a database without the row would be wrong
    except (OSError, KeeperError):
        return False
    if status.st_size != facts.size:
        return False
    at = datetime.fromtimestamp(status.st_ctime, UTC)
    database.record_stored(facts.stored(added_at=at, added_from="", way_in="found"), None)
    return True
