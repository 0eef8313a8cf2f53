"""Removing a bundle from the store: refused while something needs it, agreed to by name, recorded, then done.

Rules: the ledger's entry is durable before the file goes; cut off between the two, the next command that writes
finishes it; nothing of it can be taken back but by adding the file again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session
from bundlekeeper.jobs.store.needs import Need, needs
from bundlekeeper.jobs.store.removed import finish, removed

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.ledger.ask.removals import BundleRemoval
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import StoredBundle
    from bundlekeeper.store.database.store_database import StoreDatabase


@dataclass(frozen=True, slots=True)
class RemoveRequest:
    """Which bundle: FAMILY/VERSION, or the name of its file; why; and why although it is needed (`anyway`)."""

    name: str
    reason: str
    anyway: str = ""
    reported_by: str | None = None
    wait_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RemovedBundle:
    """The bundle that was removed, what needed it, and the batch of the ledger that has the entry."""

    bundle: StoredBundle
    needed_by: tuple[Need, ...]
    reason: str
    batch: str
    findings: list[Finding]


def remove(session: Session, ask: RemoveRequest, agreed: Callable[[str], bool]) -> RemovedBundle:
    """Remove the bundle; `agreed` is asked with its name when nothing else is against it.

    Raises InputError for a name that is no bundle of the store, RefusedError (4) for one that is needed and where it
    was not agreed to; DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.store.contents.repair import repaired
    from bundlekeeper.store.disk import lock

    for option, text in (("--reason", ask.reason), ("--anyway", ask.anyway or "-")):
        if not text.strip():
            raise InputError(f"{option} is empty", hint="say why in a few words")
    if not session.is_there:
        raise InputError("there is no store here", where=str(session.root), hint="name one with --store")
    who = reporter(ask.reported_by, session.config.reported_by)
    store = session.store
    with (
        lock.held(store.fd, "store remove", clock=session.now, wait_s=ask.wait_s, where=str(store.root)),
        repaired(store, session.now) as (database, damage),
    ):
        rows = database.stored()
        finish(store, database, removed(session, rows))
        bundle = _named(database.stored(), ask.name, removed(session, rows).values())
        _insist_on_bytes(store, database, bundle, session)
        needed_by = needs(session, [bundle])[bundle.place]
        _insist_unneeded(bundle, needed_by, ask)
        if not agreed(ask.name):
            raise RefusedError(
                f"{ask.name} was not removed: nobody agreed to it",
                hint=f"type {ask.name} when asked, or give --confirm {ask.name}",
            )
        batch = _record(session, bundle, ask, who, bool(needed_by))
        finish(store, database, removed(session, database.stored()))
    return RemovedBundle(bundle, needed_by, ask.reason, batch, list(damage))


def _record(session: Session, bundle: StoredBundle, ask: RemoveRequest, who: str, is_needed: bool) -> str:
    from bundlekeeper.formats import moments
    from bundlekeeper.ledger.ask.removals import BundleRemoval

    ledger, now = session.own_ledger, session.now()
    removal = BundleRemoval(
        bundle.place,
        bundle.sha256,
        bundle.added_at.isoformat(),
        bundle.family,
        bundle.version,
        moments.at(now),
        who,
        ask.reason,
        ask.anyway if is_needed else "",
    )
    return ledger.record([removal.event(ledger.head().ledger)], now).batch_name


def _insist_on_bytes(store: Store, database: StoreDatabase, bundle: StoredBundle, session: Session) -> None:
    """Insist that the file is there and verified: the entry says which bytes went."""
    from bundlekeeper.store.contents.right_now import holdings

    of_family = holdings(store, database, session.now(), bundle.family)
    (holding,) = [holding for holding in of_family if holding.stored.place == bundle.place]
    if holding.state == "missing":
        message = f"{bundle.family} {bundle.version} was not removed: its file is missing"
        raise RefusedError(message, where=bundle.place, hint="bundlekeeper store list shows the way to bring it back")
    if holding.state != "verified":
        message = f"{bundle.family} {bundle.version} was not removed: {holding.message}"
        raise RefusedError(message, where=bundle.place, hint="bundlekeeper verify first: what is removed is recorded")


def _named(rows: Sequence[StoredBundle], name: str, gone: Iterable[BundleRemoval]) -> StoredBundle:
    """The one bundle of the store that is meant. Raises InputError where none is, or several are.

    No other bundle is guessed, because a removal cannot be taken back.
    """
    found = [row for row in rows if name in (row.name, f"{row.family}/{row.version}")]
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(row.name for row in found)
        raise InputError(f"{name} is {len(found)} bundles of the store", hint=f"name the file: {names}")
    before = [row for row in gone if name in (row.place.rpartition("/")[2], f"{row.family}/{row.version}")]
    if before:
        raise InputError(f"{name} is not in the store: {before[-1].text()}", hint="there is nothing to remove")
    raise InputError(f"there is no bundle {name} in the store", hint="bundlekeeper store list shows what is there")


def _insist_unneeded(bundle: StoredBundle, needed_by: Sequence[Need], ask: RemoveRequest) -> None:
    if needed_by and not ask.anyway:
        raise RefusedError(
            f"{bundle.family} {bundle.version} is still needed: {'; '.join(need.text() for need in needed_by)}",
            where=bundle.place,
            hint=f"bundlekeeper where --bundle {bundle.family}/{bundle.version}; to remove it anyway: --anyway REASON",
        )
