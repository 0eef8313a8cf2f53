"""Bundles that were taken out of this store, by the entries that say so and count.

Rules: an entry is about the one file that was there: by its place, its digest and when it was added; one of another
store, which came by merging, says nothing about this one; one that was undone does not count.
"""

from __future__ import annotations

from bundlekeeper.formats.moments import Moment
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, WHAT_CODE, from_row, is_void, sealed
from bundlekeeper.ledger.record.ledger import Ledger

_PLACE, _ADDED = "place", "added"


@dataclass(frozen=True, slots=True)
class BundleRemoval:
    """One removal: the file by place and digest, when it was added (as text), who reported it, when and why."""

    place: str
    sha256: str
    added: str
    family: str
    version: str
    at: Moment
    reported_by: str
    reason: str
    anyway: str = ""

    def text(self) -> str:
        """When it was removed, reported by whom, and why."""
        return f"removed on {self.at.utc():%Y-%m-%d}, reported by {self.reported_by}: {self.reason}"

    def event(self, ledger: str) -> Event:
        """The entry of the ledger with this id."""
        return Event(
            what=EventKind.BUNDLE_REMOVED,
            at=self.at,
            reported_by=self.reported_by,
            source=ledger,
            family=self.family,
            bundle=self.version,
            sha256=self.sha256,
            before=((_ADDED, self.added), (_PLACE, self.place)),
            reason=self.reason,
            anyway=self.anyway,
        )


def removals(ledger: Ledger) -> list[BundleRemoval]:
    """The removals from this ledger's store that count, as they were learned.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    select = f"SELECT {EVENT_COLUMNS} FROM event WHERE component IS NULL AND what = ? ORDER BY seq"  # noqa: S608
    with ledger.reading():
        own = own_chain.read(ledger.connection).id.hex()
        rows = sealed(ledger.connection.execute(select, (WHAT_CODE[EventKind.BUNDLE_REMOVED],)))
        events = [from_row(row, ledger.words) for row in rows if not is_void(row)]
    return [_removal(event) for event in events if event.source == own]


def _removal(event: Event) -> BundleRemoval:
    before = dict(event.before)
    return BundleRemoval(
        before.get(_PLACE, ""),
        event.sha256,
        before.get(_ADDED, ""),
        event.family,
        event.bundle,
        event.at,
        event.reported_by,
        event.reason,
        event.anyway,
    )
