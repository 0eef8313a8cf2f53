"""What was removed from the store, and finishing a removal that was cut off.

Rules: the ledger's entry decides; it is about one file, by place, digest and the time at which that was added, so that
what was added again later is never taken for it; a removal that was recorded is finished by the next command that
writes to the store, under its lock.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.errors import DamagedError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.removals import BundleRemoval
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import StoredBundle
    from bundlekeeper.store.database.store_database import StoreDatabase

Removed = Mapping[tuple[str, str], "BundleRemoval"]


def removed(session: Session, rows: Iterable[StoredBundle]) -> Removed:
    """The removals that count, by place and SHA-256, but those whose file was added again: `rows` are the store's.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    if not (session.is_there and session.own_ledger_is_there):
        return {}
    from bundlekeeper.ledger.ask.removals import removals

    there = {(row.place, row.sha256): row.added_at.isoformat() for row in rows}
    found = {(removal.place, removal.sha256): removal for removal in removals(session.own_ledger)}
    return {key: removal for key, removal in found.items() if there.get(key, removal.added) == removal.added}


def settled(session: Session, *, wait_s: float = 0.0) -> tuple[Removed, list[Finding]]:
    """What was removed; a removal that was cut off is finished first, where this session writes.

    Where the ledger is damaged, that is found, and nothing counts as removed. Raises LockedError, RefusedError,
    UnfinishedError.
    """
    from bundlekeeper.store.disk import lock

    if not (session.is_there and session.own_ledger_is_there):
        return {}, []
    rows = _rows(session.store)
    try:
        found = removed(session, rows)
    except DamagedError as error:
        message = f"what was removed from the store is not known: {error.message}"
        return {}, [finding("damaged", "ledger", message, error.hint)]
    if session.write and any((row.place, row.sha256) in found for row in rows):
        store = session.store
        with (
            lock.held(store.fd, "store remove", clock=session.now, wait_s=wait_s, where=str(store.root)),
            store.database(write=True) as database,
        ):
            for row in finish(store, database, found):
                session.tell(f"note: {row.family} {row.version} was recorded as removed, and is removed now")
    return found, []


def _rows(store: Store) -> list[StoredBundle]:
    """The rows of the store database as they are now; none where it is missing or damaged, which others report."""
    with suppress(DamagedError):
        if store.database_path.exists():
            with store.database(write=False) as database:
                return database.stored()
    return []


def finish(store: Store, database: StoreDatabase, found: Removed) -> list[StoredBundle]:
    """Finish the removals whose rows are still there; the caller has the store's lock. Returns those rows.

    Raises RefusedError, UnfinishedError, LockedError, DamagedError.
    """
    from bundlekeeper.store.disk import files

    rows = [row for row in database.stored() if (row.place, row.sha256) in found]
    for row in rows:
        with files.wrapped("the file cannot be removed", row.place):
            _take_out(store, database, row)
    return rows


def _take_out(store: Store, database: StoreDatabase, row: StoredBundle) -> None:
    """The file, its signature, its folder where that is empty then, and last the row."""
    from bundlekeeper.store.disk import files
    from bundlekeeper.store.signatures.sidecar_files import place_of

    family, version = row.folder
    others = {place_of(other) for other in database.stored() if other.place != row.place}
    try:
        with files.folder(store.fd, (family, version)) as folder:
            before = os.lstat(row.name, dir_fd=folder) if files.exists(folder, row.name) else None
            files.remove(folder, row.name)
            if (signature := place_of(row)) and signature not in others:
                files.remove(folder, signature.rpartition("/")[2])
            os.fsync(folder)
        with files.folder(store.fd, (family,)) as folder, suppress(OSError):  # other files are in it
            os.rmdir(version, dir_fd=folder)
            os.fsync(folder)
    except FileNotFoundError:  # the folder went before a cut
        before = None
    if before is not None and before.st_nlink > 1:
        _renew(store, database, row, before)
    database.forget(row.place)


def _renew(store: Store, database: StoreDatabase, row: StoredBundle, before: os.stat_result) -> None:
    """The other names of the same file have another change time now: their verifications of it stay valid."""
    from bundlekeeper.store.disk import files

    verifications, old = database.verifications(), files.fingerprint_of(before)
    renewed = {}
    for other in database.stored():
        verification = verifications.get(other.place)
        if other.place == row.place or other.sha256 != row.sha256 or verification is None:
            continue
        with suppress(OSError), files.folder(store.fd, other.folder) as folder:
            now = files.fingerprint_of(os.lstat(other.name, dir_fd=folder))
            if verification.fingerprint == old and replace(now, ctime_ns=old.ctime_ns) == old:
                renewed[other.place] = replace(verification, fingerprint=now)
    if renewed:
        database.record_verifications(renewed)
