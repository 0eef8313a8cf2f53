"""A store's database from the tree: what can be known again of a store whose store's database is gone or damaged.

Rules: rows of the old store's database that are still what was written stay as they are; the manifests that the store kept say
the rest; a file that none of them names gets no row (`verify` reports it as extra); a row that is made again counts as
unverified; its time is that of the file itself; what the manifest with the highest number withdrew stays withdrawn.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.store_database import StoreDatabase, Sound
from bundlekeeper.store.disk import files

if TYPE_CHECKING:
    from bundlekeeper.store.database.rows import BundleFacts


@dataclass(frozen=True, slots=True)
class Filled:
    """What was made again: the places of manifests, how many files' rows; and what of the kept manifests is unread."""

    manifests: tuple[str, ...] = ()
    files: int = 0
    unread: tuple[kept_manifests.UnreadManifest, ...] = ()


def fill(root: int, database: StoreDatabase, sound: Sound) -> Filled:
    """Put what is `sound` into the empty store's database, then the kept manifests and the files that they name, unverified.

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
    for admitted in order:  # the rows that are sound say already what older ones said
        database.admit(admitted, facts[admitted.place] if admitted.sequence > highest else ())
    for exempt in sound.exceptions:
        database.record_exception(*exempt)
    wanted: dict[str, BundleFacts] = {}
    withdrawn = _withdrawn(facts, max(order, key=lambda each: each.sequence).place) if order else {}
    for admitted in order:
        wanted |= {bundle.place: _overlaid(bundle, withdrawn) for bundle in facts.get(admitted.place, ())}
    for row in sound.stored:
        wanted.pop(row.place, None)
    found = sum(_file(root, database, bundle) for bundle in wanted.values())
    lost = tuple(each for each in unread if each.place not in rows)
    return Filled(tuple(manifest.place for manifest in again), found, lost)


def _withdrawn(facts: Mapping[str, tuple[BundleFacts, ...]], newest: str) -> dict[str, BundleFacts]:
    """By SHA-256, what the manifest with the highest number withdrew."""
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
        raise  # nobody knows what is there: a store's database without it would say that nothing is
    except (OSError, KeeperError):
        return False
    if status.st_size != facts.size:
        return False
    at = datetime.fromtimestamp(status.st_ctime, UTC)
    database.record_stored(facts.stored(added_at=at, added_from="", way_in="found"), None)
    return True
