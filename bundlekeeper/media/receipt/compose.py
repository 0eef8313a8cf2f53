"""Makes the receipt of a set at the receiving site, from what is recorded and what is in the store now.

Rules: a file that arrived and is no longer in the store is not called verified; the receipt's site is one that the
ledger knows, where it knows any.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats.escape import counted, meant, visible
from bundlekeeper.ledger.ask import where as questions
from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.media.receipt import slip
from bundlekeeper.media.receipt.document import NOT_IN_STORE, DomainSummary, Receipt, receipt_of
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.withdrawal_notice import Withdrawn
from bundlekeeper.model.media.index import SetIndex, read_index

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.set.records import ReceivedSet
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import StoredBundle


def chosen(store: Store, set_id: str) -> tuple[ReceivedSet, SetIndex]:
    """The received set whose id begins so, with its index; for an empty id the one that was begun last.

    Raises InputError when there is none, or several.
    """
    sets = Sets(store)
    matching = [received for received in sets.received() if received.set_id.startswith(set_id.lower())]
    if not matching:
        message = f"no set {set_id} was received here" if set_id else "no set was received here yet"
        raise InputError(message, hint="bundlekeeper media list shows the sets that were received")
    if set_id and len(matching) > 1:
        raise InputError(f"the ids of {len(matching)} sets begin with {set_id}", hint="give the whole id")
    received = max(matching, key=lambda received: (received.began, received.sequence))
    kept = sets.received_index(received)
    if kept is None or hashlib.sha256(kept[0]).hexdigest() != received.index:
        raise InputError("the set's index is not kept here", hint="receive any of its volumes again")
    return received, read_index(kept[0], where=received.set_id)


def site_of(ledger: Ledger, option: str, index: SetIndex, clock: datetime) -> str:
    """The receipt's site: the one given, the only one recorded, or the one that the set is for.

    Raises InputError where that leaves a choice, and for a site that the ledger does not know although it knows others:
    a printed receipt would then lack its domains.
    """
    places = {group.values for group in questions.summary(ledger, ["site", "domain"], clock=clock)}
    sites = sorted({site for site, _ in places if site})
    if option:
        if sites and option not in sites:
            message = f"--site {visible(option)}: no site of this name is recorded here"
            raise InputError(message, hint=meant(option, sites))
        return option
    if len(sites) == 1:
        return sites[0]
    kind, name = meant_place(index.meant_for)
    fitting = {site for site, domain in places if site and (name == site if kind == "site" else name == domain)}
    if len(fitting) == 1:
        return fitting.pop()
    if not sites and (kind == "domain" or index.meant_for.startswith("release ")):
        raise InputError("the site is not known: nothing is recorded here", hint="name it with --site")
    if not sites:
        return name or index.meant_for
    raise InputError(f"{len(sites)} sites are recorded here: {', '.join(sites[:5])}", hint="name one with --site")


def meant_place(meant_for: str) -> tuple[str, str]:
    """Kind and name of the site or domain that a set is for; both empty for a release, or for another text.

    For example "site" and "skerry" for `site skerry to release 6.1`.
    """
    kind, _, rest = meant_for.partition(" ")
    name, to, _ = rest.rpartition(" to release ")
    return (kind, name) if to and kind in ("site", "domain") else ("", "")


def check_site(
    ledger: Ledger | None, meant_for: str, site: str, now: datetime, *, is_printed: bool = False
) -> list[Finding]:
    """A warning where a receipt comes from another site than the one that its set was meant for, as our ledger knows
    it.

    In a printed receipt a long name is cut. Raises as `where.summary`.
    """
    kind, name = meant_place(meant_for)
    sites = [name] if kind == "site" else []
    if kind == "domain" and ledger is not None:
        groups = questions.summary(ledger, ["site"], Selector(domain=name), clock=now)
        sites = sorted({group.values[0] for group in groups if group.values[0]})
    if not sites or site in [visible(slip.cut(name)) if is_printed else name for name in sites]:
        return []
    where = f"site {name}" if kind == "site" else f"domain {name}, which is at {', '.join(sites[:5])}"
    message = f"the set was meant for {where}; the receipt is of {site}"
    return [finding("not-checked", site, message, "ask there which set arrived, and whether the site's name is right")]


def domain_summaries(ledger: Ledger, clock: datetime) -> tuple[DomainSummary, ...]:
    """Each domain now: its components, how many have something staged in whatever bank, how many differ
    from their record."""
    found: dict[tuple[str, str], list[int]] = {}
    for group in questions.summary(ledger, ["site", "domain", "staged"], Selector(), clock=clock):
        site, domain, staged = group.values
        counts = found.setdefault((site or "", domain or ""), [0, 0, 0])
        counts[0] += group.count
        counts[1] += group.count if staged else 0
        counts[2] += group.differs
    return tuple(DomainSummary(site, domain, *counts) for (site, domain), counts in sorted(found.items()))


def compose(
    store: Store,
    ledger: Ledger,
    received: ReceivedSet,
    index: SetIndex,
    *,
    made: datetime,
    site: str,
    reported_by: str,
    after: int,
) -> Receipt:
    """The receipt of a set, from what is recorded now; the events after number `after` follow it.

    Raises InputError when the ledger has fewer events; else as `Store.database` and `holdings`.
    """
    from bundlekeeper.store.contents.right_now import holdings

    head = ledger.head()
    if not 0 <= after <= head.count:
        raise InputError(f"this ledger has {counted(head.count, 'event')}: there is no event number {after}")
    with store.database(write=True) as database:  # a missing one is rebuilt from the tree
        admitted, holding = database.admitted(), holdings(store, database, made)
    events: dict[str, Any] = {"ledger": head.ledger, "count": head.count, "head": head.digest, "after": after}
    return receipt_of(
        index,
        _still_stored(received, index, {row.stored.sha256 for row in holding if _is_whole(store, row)}),
        made=made,
        site=site,
        reported_by=reported_by,
        manifest=(admitted[-1].sequence, admitted[-1].sha256) if admitted else None,
        withdrawn=tuple(_withdrawn(row.stored) for row in holding if row.stored.lifecycle == "withdrawn"),
        domains=domain_summaries(ledger, made),
        events=True,
        **events,
    )


def _still_stored(received: ReceivedSet, index: SetIndex, stored: Collection[str]) -> ReceivedSet:
    """The set, with files marked that arrived and are no longer in the store: deleted, cut short or in quarantine.

    `stored` are the SHA-256 of the files that are whole in the store.
    """
    bundles = {file.path for file in index.files if file.role == "bundle"}
    arrived = {
        path: replace(file, how=NOT_IN_STORE) if path in bundles and file.sha256 not in stored else file
        for path, file in received.arrived.items()
    }
    return replace(received, arrived=arrived)


def _is_whole(store: Store, holding: Holding) -> bool:
    """True for a file of the right size in the store; its bytes are not read here."""
    try:
        status = os.stat(holding.stored.place, dir_fd=store.fd, follow_symlinks=False)
    except OSError:
        return False
    return holding.state != "missing" and status.st_size == holding.stored.size


def _withdrawn(stored: StoredBundle) -> Withdrawn:
    return Withdrawn(stored.family, stored.version, stored.name, stored.sha256, stored.reason)
