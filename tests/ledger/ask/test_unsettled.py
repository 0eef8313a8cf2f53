"""What is still to be done or found out is what `where` of everything shows to be so, now and by an earlier clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.ask.unsettled import OPEN_AGREEMENTS, unsettled
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits.ledger_history import DAY0, MEMORY, learn, read, records, stated


def insist(ledger: Ledger, clock: datetime) -> None:
    """Insist that both questions have the same answers."""
    everything = where(ledger, Selector(), clock=clock)
    open_ones = [a for a in everything if a.agreement in OPEN_AGREEMENTS or (a.staged is not None and a.staged.version)]
    assert unsettled(ledger, clock) == open_ones


@settings(max_examples=120)
@given(records(), st.lists(st.integers(1, 14), max_size=3), st.integers(0, 6))
def test_what_is_unsettled_is_what_where_shows(events: list[Event], cuts: list[int], day: int) -> None:
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "l.sqlite"), write=True) as ledger:
        learn(ledger, events, cuts)
        insist(ledger, DAY0 + timedelta(days=30))
        insist(ledger, DAY0 + timedelta(days=day))


def test_the_same_version_activated_again_is_unread_until_it_is_read_again(tmp_path: Path) -> None:
    """Also while the reading that confirms it is dated beyond the clock."""
    clock = datetime(2026, 1, 20, tzinfo=UTC)
    with Ledger.open(tmp_path / "l.sqlite", write=True) as ledger:
        ledger.record([stated(EventKind.ACTIVATED, 1, "6.1"), read(2, "6.1")], DAY0)
        assert unsettled(ledger, clock) == []
        ledger.record([stated(EventKind.ACTIVATED, 3, "6.1")], DAY0)
        assert [answer.component for answer in unsettled(ledger, clock)] == ["B7"]
        ledger.record([read(9, "6.1")], DAY0)
        assert unsettled(ledger, clock) == []
        insist(ledger, DAY0 + timedelta(days=5))
        assert [answer.component for answer in unsettled(ledger, DAY0 + timedelta(days=5))] == ["B7"]
