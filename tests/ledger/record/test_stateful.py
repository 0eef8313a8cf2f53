"""Several ledgers used at random, against a naive replay: record, correct, merge, reopen, rebuild, ask about any day.

The model of a store is the set of events that it has learned, and when; the replay is that of test_ledger_questions.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import rebuild
from bundlekeeper.ledger.record.verify import verify
from tests.kits.ledger_history import DAY0, MEMORY, ON, at, everything, naive, shown, site_zones, statements

SITES = ("holm", "skerry")
SITE = st.sampled_from(SITES)


class Ledgers(RuleBasedStateMachine):
    """Two stores that record for themselves and meet now and then."""

    @initialize()
    def begin(self) -> None:
        """Make two empty ledgers."""
        self.folder = Path(mkdtemp(dir=MEMORY))
        self.ledgers = {site: Ledger.open(self.folder / f"{site}.sqlite", write=True) for site in SITES}
        self.learned: dict[str, dict[str, tuple[int, Event]]] = {site: {} for site in SITES}  # by id: day, event
        self.day = 10

    def _learn(self, site: str, events: Iterable[Event], day: int) -> int:
        new = {event.id(): (day, event) for event in events if event.id() not in self.learned[site]}
        self.learned[site].update(new)
        return len(new)

    def _tomorrow(self) -> int:
        self.day += 1
        return self.day

    @rule(site=SITE, events=st.lists(statements(), min_size=1, max_size=4))
    def record(self, site: str, events: list[Event]) -> None:
        """The same statement is kept once."""
        day = self._tomorrow()
        recorded = self.ledgers[site].record(events, DAY0 + timedelta(days=day))
        assert recorded.new == self._learn(site, events, day)
        assert recorded.head.count == len(self.learned[site])

    @precondition(lambda self: any(self.learned.values()))
    @rule(site=SITE, data=st.data())
    def undo(self, site: str, data: st.DataObject) -> None:
        """ "Wrong entries are corrected by a later event" — also a correction, and one of an event not met yet."""
        known = sorted({event_id for each in self.learned.values() for event_id in each})
        fix = Event(
            what=EventKind.UNDONE,
            at=at(5),
            reported_by="ada",
            undoes=data.draw(st.sampled_from(known)),
            reason="wrong",
        )
        day = self._tomorrow()
        self.ledgers[site].record([fix], DAY0 + timedelta(days=day))
        self._learn(site, [fix], day)

    @rule(site=SITE)
    def meet(self, site: str) -> None:
        """Merging ledgers of several sites is idempotent and order-free."""
        (other,) = set(SITES) - {site}
        day = self._tomorrow()
        brought = merge(self.ledgers[site], list(export(self.ledgers[other])), DAY0 + timedelta(days=day))
        assert brought.fork is None
        assert brought.new == self._learn(site, [event for _, event in self.learned[other].values()], day)
        assert merge(self.ledgers[site], list(export(self.ledgers[other])), DAY0 + timedelta(days=day)).new == 0

    @rule(site=SITE)
    def reopen(self, site: str) -> None:
        """What was acknowledged is there."""
        self.ledgers[site].close()
        self.ledgers[site] = Ledger.open(self.folder / f"{site}.sqlite", write=True)

    @rule(site=SITE)
    def rebuild(self, site: str) -> None:
        """What is derived can be thrown away, and comes out equal."""
        assert rebuild(self.ledgers[site]).differing == 0

    @rule(site=SITE, on=ON)
    def ask_of_a_day(self, site: str, on: Any) -> None:
        """And on a given past day?"""
        events = [event for _, event in self.learned[site].values()]
        wanted = {name: shown(component) for name, component in naive(events, on, site_zones(events)).items()}
        assert everything(self.ledgers[site], on) == wanted

    @rule(site=SITE, back=st.integers(0, 5), on=ON)
    def ask_what_was_known(self, site: str, back: int, on: Any) -> None:
        """And what did *we know* on that day?"""
        day = self.day - back
        known = DAY0 + timedelta(days=day, hours=1)
        events = [event for learned, event in self.learned[site].values() if learned <= day]
        wanted = {n: shown(p) for n, p in naive(events, known if on is None else on, site_zones(events)).items()}
        assert everything(self.ledgers[site], on, known) == wanted

    @invariant()
    def whole(self) -> None:
        """Every event is there once, in the order in which it was learned, and all fits together."""
        for site, ledger in getattr(self, "books", {}).items():
            entries = list(ledger.entries())
            assert {entry.id for entry in entries} == set(self.learned[site])
            assert len(entries) == len(self.learned[site])
            days = [self.learned[site][entry.id][0] for entry in entries]
            assert days == sorted(days)

    def teardown(self) -> None:
        """Close and remove everything."""
        for ledger in getattr(self, "books", {}).values():
            assert verify(ledger).ok
            ledger.close()
        if hasattr(self, "folder"):
            shutil.rmtree(self.folder)


TestLedgers = Ledgers.TestCase
TestLedgers.settings = settings(max_examples=15, stateful_step_count=20)
