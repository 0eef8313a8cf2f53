"""What readings do not list: a component of a site or domain that a reading lists whole, and not listed, is not there.

Rules: only readings that are not undone count, and as of a state of knowledge only those known then; a reading says
nothing about components that are in other domains at its moment; whether a component is on a list follows from its
observations that name the reading, so the order of learning decides nothing. A site's time zone is that of its last
reading.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterable, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from bundlekeeper.ledger.event import own_chain
from bundlekeeper.ledger.event.database import DATABASE
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.event.places import by_place
from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, PLACE_OF, WHAT_CODE, Words, is_void, sealed
from bundlekeeper.ledger.state.fold import ANY, OPEN, Absence, Fact, absence
from bundlekeeper.model.inventory.types import DOMAIN_WHOLE, SITE_WHOLE

_INVENTORY, _OBSERVED = WHAT_CODE[EventKind.INVENTORY], WHAT_CODE[EventKind.OBSERVED]
Domain = tuple[int, int]


_CELLS = itemgetter(*(PLACE_OF[name] for name in ("seq", "id", "at", "turn", "zone", "extra")))


def reading_rows(connection: sqlite3.Connection) -> list[tuple[Any, ...]]:
    """The row of every reading's own event, void ones too, in the order of rows.COLUMNS, sorted by the events' order.

    Raises DamagedError where one is not what was written, or is missing; sqlite3.Error.
    """
    select = f"SELECT {EVENT_COLUMNS} FROM event WHERE component IS NULL AND what = ? ORDER BY at, turn, id"  # noqa: S608
    rows = list(sealed(connection.execute(select, (_INVENTORY,))))
    if len({row[0] for row in rows}) != own_chain.read(connection).readings:
        raise DATABASE.damaged("events of the kind inventory are missing")
    return rows


class _Listed(NamedTuple):
    absence: Absence
    word: int | None  # the reading's id as observations name it


class AbsenceReadings:
    """Every reading that is not undone, now or as of a state of knowledge, asked about what it does not list."""

    def __init__(
        self, connection: sqlite3.Connection, words: Words, known: int | None = None, void: Collection[bytes] = ()
    ) -> None:
        """With `known`, only what was learned up to that number counts, and `void` are the ids that were void then."""
        self.zones: dict[int, int] = {}  # site -> zone
        self._by_domain: dict[Domain, list[_Listed]] = {}
        self._at: dict[int | None, int] = {}  # reading's word -> its moment
        for row in reading_rows(connection):
            seq, event_id, at, turn, zone, extra = _CELLS(row)
            if is_void(row) if known is None else seq > known or event_id in void:
                continue
            more = json.loads(extra)
            for site, _, _ in more["scope"]:
                self.zones[words.find(site) or 0] = zone
            scope = scope_of(more, words)
            if not scope:
                continue
            listed = _Listed(Absence(seq, event_id, at, turn, scope), words.find(event_id.hex()))
            self._at[listed.word] = at
            for domain in scope:
                self._by_domain.setdefault(domain, []).append(listed)

    @property
    def list_whole(self) -> bool:
        """True when one of them lists a domain or a site whole."""
        return bool(self._by_domain)

    def absences_of(self, facts: Sequence[Fact]) -> list[Fact]:
        """The absences of a component: readings that do not list it. `facts` are all its events, in order."""
        places = {(fact.site, fact.domain) for fact in facts}
        observed = {fact.reading for fact in facts if fact.what == _OBSERVED}
        found: dict[bytes, Fact] = {}
        covers = {key for site, domain in places for key in ((site or 0, domain or 0), (site or 0, ANY))}
        for domain in covers:
            for listed in self._by_domain.get(domain, ()):
                if listed.word is None or listed.word not in observed:
                    fact = absence(listed.absence)
                    if fact.key() > facts[0].key():  # before its first event a component cannot be missing
                        found[fact.id] = fact
        return list(found.values())

    def may_have_missed(self, since: int, observed: Iterable[int | None]) -> bool:
        """True when one of the readings may have ended an interval before the one that began at `since`."""
        return any(self._at.get(reading, since + 1) <= since for reading in observed)

    def later(self, domains: Iterable[Domain], at: int, observed: Collection[int | None]) -> bool:
        """True when a reading of one of the domains is not earlier than `at` and not among those `observed` names."""
        return any(
            listed.absence.at >= at and (listed.word is None or listed.word not in observed)
            for site, domain in domains
            for key in ((site, domain), (site, ANY))
            for listed in self._by_domain.get(key, ())
        )


def scope_of(extra: dict[str, Any], words: Words) -> frozenset[Domain]:
    """What the reading lists whole, in numbers: (site, domain), the domain ANY for a whole site."""
    complete = set(extra.get("complete", ()))
    found: set[Domain] = set()
    for site, domain, _ in extra["scope"] if complete else ():
        if SITE_WHOLE + site in complete:
            found.add((words.find(site) or 0, ANY))
        if domain and DOMAIN_WHOLE + domain in complete:
            found.add((words.find(site) or 0, words.find(domain) or 0))
    return frozenset(found)


def in_scope(connection: sqlite3.Connection, words: Words, event_id: bytes) -> set[int]:
    """The components that are, at the moment of a reading, where it lists all that is there."""
    select = f"SELECT {EVENT_COLUMNS} FROM event WHERE id = ?"  # noqa: S608  (our own names)
    (row,) = sealed(connection.execute(select, (event_id,)))
    at, more = row[PLACE_OF["at"]], json.loads(row[PLACE_OF["extra"]])
    found: set[int] = set()
    # states of now and of before are asked separately, because the index begins with `until`
    times = (("until = ? AND since <= ?", (OPEN, at)), ("until > ? AND until < ? AND since <= ?", (at, OPEN, at)))
    for site, domain in scope_of(more, words):
        place, cells = ("site = ?", (site,)) if domain == ANY else ("site = ? AND domain = ?", (site, domain))
        for time, limits in times:
            rows = by_place(connection, "component", f"{time} AND {place}", (*limits, *cells))
            found.update(component for (component,) in rows)
    return found
