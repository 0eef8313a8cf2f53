"""What a receipt of a set is to say: composed at the receiving side from what is recorded and held there now.

Rules: a file that arrived and is not held any more is not claimed as verified; the site that answers is one that the
record knows, where it knows any.
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
from bundlekeeper.media.receipt.document import NOT_IN_STORE, Receipt, DomainSummary, receipt_of
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
    """The received set of this id or the beginning of one, or the one that began last for none, with its index.

    Raises InputError when there is none or several are meant.
    """
    sets = Sets(store)
    rows = [each for each in sets.received() if each.set_id.startswith(set_id.lower())]
    if not rows:
        message = f"no set {set_id} came here" if set_id else "no set came here yet"
        raise InputError(message, hint="bundlekeeper media list shows what came")
    if set_id and len(rows) > 1:
        raise InputError(f"{len(rows)} sets begin with {set_id}", hint="give the whole id")
    received = max(rows, key=lambda each: (each.began, each.sequence))
    kept = sets.received_index(received)
    if kept is None or hashlib.sha256(kept[0]).hexdigest() != received.index:
        raise InputError("the set's index is not kept here", hint="receive any volume of it again")
    return received, read_index(kept[0], where=received.set_id)


def site_of(ledger: Ledger, option: str, index: SetIndex, clock: datetime) -> str:
    """The site that answers: the one given, the only one recorded, or the one that the set is for.

    Raises InputError where that leaves a choice, and for one that the ledger does not know although it knows others:
    how its domains stand would be left out of a paper.
    """
    places = {group.values for group in questions.summary(ledger, ["site", "domain"], clock=clock)}
    sites = sorted({site for site, _ in places if site})
    if option:
        if sites and option not in sites:
            message = f"--site {visible(option)}: no site of that name is recorded here"
            raise InputError(message, hint=meant(option, sites))
        return option
    if len(sites) == 1:
        return sites[0]
    kind, name = meant_place(index.meant_for)
    fitting = {site for site, domain in places if site and (name == site if kind == "site" else name == domain)}
    if len(fitting) == 1:
        return fitting.pop()
    if not sites:
        return name if kind == "site" else index.meant_for
    raise InputError(f"{len(sites)} sites are recorded here: {', '.join(sites[:5])}", hint="name one with --site")


def meant_place(meant_for: str) -> tuple[str, str]:
    """Kind and name of the site or domain that a set is for; both empty for a release, or where it is said otherwise.

    For example "site" and "skerry", of `site skerry to release 6.1`.
    """
    kind, _, rest = meant_for.partition(" ")
    name, to, _ = rest.rpartition(" to release ")
    return (kind, name) if to and kind in ("site", "domain") else ("", "")


def elsewhere(
    ledger: Ledger | None, meant_for: str, site: str, now: datetime, *, on_paper: bool = False
) -> list[Finding]:
    """A warning where a receipt is of another site than its set was meant for, as far as our own record knows.

    On paper a long name is cut. Raises as `where.summary`.
    """
    kind, name = meant_place(meant_for)
    sites = [name] if kind == "site" else []
    if kind == "domain" and ledger is not None:
        groups = questions.summary(ledger, ["site"], Selector(domain=name), clock=now)
        sites = sorted({group.values[0] for group in groups if group.values[0]})
    if not sites or site in [visible(slip.cut(each)) if on_paper else each for each in sites]:
        return []
    where = f"site {name}" if kind == "site" else f"domain {name}, which is at {', '.join(sites[:5])}"
    message = f"the set was meant for {where}; the receipt is of {site}"
    return [finding("not-checked", site, message, "ask there which set came, and whether the site is named rightly")]


def domain_summaries(ledger: Ledger, clock: datetime) -> tuple[DomainSummary, ...]:
    """How each domain stands now: parts, those with something pending, those that differ from their record."""
    found: dict[tuple[str, str], list[int]] = {}
    for group in questions.summary(ledger, ["site", "domain", "pending"], Selector(), clock=clock):
        site, domain, pending = group.values
        row = found.setdefault((site or "", domain or ""), [0, 0, 0])
        row[0] += group.count
        row[1] += group.count if pending else 0
        row[2] += group.differs
    return tuple(DomainSummary(site, domain, *row) for (site, domain), row in sorted(found.items()))


def compose(
    store: Store,
    ledger: Ledger,
    received: ReceivedSet,
    index: SetIndex,
    *,
    made: datetime,
    site: str,
    by: str,
    after: int,
) -> Receipt:
    """The receipt of a set, by what is recorded now; events after number `after` are to follow it.

    Raises InputError when the ledger has fewer events; as `Store.store's database` and `holdings` otherwise.
    """
    from bundlekeeper.store.contents.right_now import holdings

    head = ledger.head()
    if not 0 <= after <= head.count:
        raise InputError(f"this ledger has {counted(head.count, 'event')}, none after {after}")
    with store.database(write=True) as database:  # one that is gone is made again from the tree
        admitted, holding = database.admitted(), holdings(store, database, made)
    events: dict[str, Any] = {"book": head.ledger, "count": head.count, "head": head.digest, "after": after}
    return receipt_of(
        index,
        _still_stored(received, index, {row.stored.sha256 for row in holding if _is_whole(store, row)}),
        made=made,
        site=site,
        by=by,
        manifest=(admitted[-1].sequence, admitted[-1].sha256) if admitted else None,
        withdrawn=tuple(_withdrawn(row.stored) for row in holding if row.stored.lifecycle == "withdrawn"),
        lifecycle=domain_summaries(ledger, made),
        events=True,
        **events,
    )


def _still_stored(received: ReceivedSet, index: SetIndex, stored: Collection[str]) -> ReceivedSet:
    """The set with what arrived and is not held any more called so: deleted, cut short or put into quarantine since.

    `stored` are the SHA-256 of the files that are held whole.
    """
    bundles = {file.path for file in index.files if file.role == "bundle"}
    arrived = {
        path: replace(each, how=NOT_IN_STORE) if path in bundles and each.sha256 not in stored else each
        for path, each in received.arrived.items()
    }
    return replace(received, arrived=arrived)


def _is_whole(store: Store, each: Holding) -> bool:
    """True for a held file of the right size; whether its bytes are right, `verify` tells."""
    try:
        status = os.stat(each.stored.place, dir_fd=store.fd, follow_symlinks=False)
    except OSError:
        return False
    return each.state != "missing" and status.st_size == each.stored.size


def _withdrawn(stored: StoredBundle) -> Withdrawn:
    return Withdrawn(stored.family, stored.version, stored.name, stored.sha256, stored.reason)
