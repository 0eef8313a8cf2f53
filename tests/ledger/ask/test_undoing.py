"""Taking entries back: what ends, what counts again, what rests on it, against a naive twin."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.ledger.ask.undoing import WholeLedger
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.record.ledger import Ledger
from tests.kits.ledger_history import (
    DAY0,
    MEMORY,
    at,
    everything,
    learn,
    naive_key,
    naive_void,
    read,
    records,
    stated,
)
from tests.kits.postgres import cluster, each_ledger

__all__ = ["cluster", "each_ledger"]  # fixtures
STAGED, ACTIVATED, REMOVED = EventKind.STAGED, EventKind.ACTIVATED, EventKind.REMOVED
FAILED, NO_ANSWER, OBSERVED = EventKind.FAILED, EventKind.NO_ANSWER, EventKind.OBSERVED


@pytest.fixture
def ledger(each_ledger: Ledger) -> Ledger:
    return each_ledger


def undoing(target: Event, day: int = 8) -> Event:
    return Event(
        what=EventKind.UNDONE, at=at(day), reported_by="ada", undoes=target.id(), reason="wrong",
        component=target.component,
    )  # fmt: skip


def states(event: Event, version: str) -> bool:
    """Whether an event states that this version, or any, is on its component."""
    if event.what in {STAGED, ACTIVATED}:
        return version in ("", event.version)
    seen = event.seen
    read = [v for v in (seen.active, seen.pending, seen.spare, seen.staged, *(seen.boot_files or ())) if v]
    return bool(read) if not version else version in read


def naive_later(events: Sequence[Event], ends: Collection[str], after: Collection[str]) -> set[str]:
    """The ids of those that count, rest on nothing but what ends, and are not among it; `after` are void then."""
    void = naive_void(events)
    found = set()
    for event in events:
        if event.what in {ACTIVATED, REMOVED, FAILED} and event.id() not in void and event.id() not in ends:
            grounds = {
                other.id()
                for other in events
                if other.component == event.component
                and naive_key(other) < naive_key(event)
                and states(other, event.version)
            }
            if grounds - void and not grounds - set(after):
                found.add(event.id())
    return found


@settings(max_examples=40)
@given(records(), st.data())
def test_what_ends_what_counts_again_and_what_rests_on_it(events: list[Event], data: st.DataObject) -> None:
    """By a twin that knows no numbers; and an undo that is undone leaves every answer as it was."""
    with (
        TemporaryDirectory(dir=MEMORY) as folder,
        Ledger.open(Path(folder) / "ledger.sqlite", write=True) as ledger,
    ):
        learn(ledger, events, data.draw(st.lists(st.integers(0, 20), max_size=3)))
        entries = list(ledger.entries())
        known = [entry.event for entry in entries]
        wanted = data.draw(st.lists(st.integers(1, len(entries)), min_size=1, max_size=4))
        before = everything(ledger)
        effect = WholeLedger.read(ledger).effect(wanted)
        undo = [undoing(entries[number - 1].event) for number in effect.targets]
        void, after = naive_void(known), naive_void([*known, *undo])
        assert {entries[number - 1].id for number in effect.ends} == after - void
        assert {entries[number - 1].id for number in effect.again} == void - after
        ids = {entries[number - 1].id for number in wanted}
        inner = {e.id() for e in known if e.undoes in ids and e.id() in ids}
        assert ids - inner <= after

        ends, later = after - void, set[str]()
        all_after = after
        while more := naive_later(known, ends, all_after):
            later |= more
            all_after = naive_void([*known, *undo, *(undoing(e) for e in known if e.id() in later)])
            ends = all_after - void
        assert {entries[number - 1].id for number in effect.later} == later

        if undo:
            ledger.record(undo, DAY0 + timedelta(days=30), arrange=True)
            whole = WholeLedger.read(ledger)
            back = whole.effect(range(len(entries) + 1, whole.events + 1))
            undone = list(ledger.entries(after=len(entries)))
            assert len(back.targets) == len(undone) == len(undo)
            ledger.record([undoing(entry.event, 9) for entry in undone], DAY0 + timedelta(days=31), arrange=True)
            assert everything(ledger) == before
            assert {e.id for e in ledger.entries() if e.void} == void | {entry.id for entry in undone}


def later_of(ledger: Ledger, events: Sequence[Event], wanted: Sequence[int]) -> list[int]:
    ledger.record(events, DAY0)
    numbers = {entry.id: entry.seq for entry in ledger.entries()}
    effect = WholeLedger.read(ledger).effect([numbers[events[place].id()] for place in wanted])
    return [place for place, event in enumerate(events) if numbers[event.id()] in effect.later]


@pytest.mark.parametrize(
    ("events", "wanted", "later"),
    [
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(ACTIVATED, 2, "6.1")], [0], [1]),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(ACTIVATED, 2, "6.1")], [1], []),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(ACTIVATED, 2, "6.0")], [0], []),
        (
            [
                stated(STAGED, 1, "6.1", bank="spare"),
                stated(STAGED, 2, "6.1", bank="spare"),
                stated(ACTIVATED, 3, "6.1"),
            ],
            [0],
            [],
        ),
        (
            [
                stated(STAGED, 1, "6.1", bank="spare"),
                stated(STAGED, 2, "6.1", bank="spare"),
                stated(ACTIVATED, 3, "6.1"),
            ],
            [0, 1],
            [2],
        ),
        ([read(1, "6.0", pending="6.1"), stated(ACTIVATED, 2, "6.1"), read(3, "6.1")], [0], [1]),
        ([stated(STAGED, 3, "6.1", bank="spare"), stated(ACTIVATED, 2, "6.1")], [0], []),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(REMOVED, 2, "", bank="spare")], [0], [1]),
        (
            [
                stated(STAGED, 1, "6.1", bank="spare"),
                stated(ACTIVATED, 2, "6.1"),
                stated(REMOVED, 3, "6.1", bank="spare"),
                stated(STAGED, 4, "6.1", bank="spare"),
            ],
            [0],
            [1, 2],
        ),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(FAILED, 2, "6.1", reason="no power")], [0], [1]),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(FAILED, 2, "", reason="no power")], [0], [1]),
        ([stated(OBSERVED, 1, seen=Seen(staged="6.1")), stated(FAILED, 2, "6.1", reason="no power")], [0], [1]),
        ([stated(STAGED, 1, "6.1", bank="spare"), stated(NO_ANSWER, 2)], [0], []),
    ],
    ids=[
        "an activation on its staging", "a staging on no activation", "another version", "one of two stagings",
        "both stagings", "a reading that saw it", "a later staging", "a removal without a version", "in turn",
        "a failure on its staging",
        "a failure of any image", "a failure on what was read as staged", "no answer on nothing",
    ],
)  # fmt: skip
def test_what_rests_on_what(ledger: Ledger, events: list[Event], wanted: list[int], later: list[int]) -> None:
    """A later entry rests on what is taken back when no other entry states the image that it speaks of."""
    assert later_of(ledger, events, wanted) == later


def test_an_activation_of_another_component_rests_on_nothing_here(ledger: Ledger) -> None:
    events = [stated(STAGED, 1, "6.1", bank="spare"), stated(ACTIVATED, 2, "6.1", component="B8")]
    assert later_of(ledger, events, [0]) == []
