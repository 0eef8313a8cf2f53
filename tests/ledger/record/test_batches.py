"""Batches: the same id and the same events in every store, after merging, rebuilding, saving; damage is reported."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.ask.undoing import WholeLedger
from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.batches import batches, names_of_events, shortened
from bundlekeeper.ledger.record.ledger import Ledger, Recorded
from bundlekeeper.ledger.record.rebuild import rebuild
from bundlekeeper.ledger.record.salvage import salvage
from bundlekeeper.ledger.record.verify import verify
from tests.kits.ledger_history import DAY0, read, stated
from tests.kits.sure import some

ONE = [read(0, "6.0"), stated(EventKind.STAGED, 1, "6.1", bank="pending")]
TWO = [stated(EventKind.ACTIVATED, 2, "6.1")]
OTHER = [read(0, "6.0", component="C1"), read(1, "6.0", component="C1")]


def events_of(ledger: Ledger) -> dict[str, list[str]]:
    """The ids of the events of every batch."""
    whole = WholeLedger.read(ledger)
    return {batch.id: [whole.id(number).hex() for number in whole.numbers_of(batch)] for batch in whole.batches}


def recorded(path: Path, *calls: list[Event]) -> list[Recorded]:
    with Ledger.open(path, write=True) as ledger:
        return [ledger.record(events, DAY0 + timedelta(days=day)) for day, events in enumerate(calls)]


def carry(source: Path, target: Path, after: int = 0) -> None:
    with Ledger.open(source, write=False) as one, Ledger.open(target, write=True) as two:
        merge(two, list(export(one, after)), DAY0)


def test_a_call_is_a_batch_of_what_was_new_and_nothing_new_is_none(tmp_path: Path) -> None:
    first, second, again = recorded(tmp_path / "one", ONE, [*ONE, *TWO], ONE)
    with Ledger.open(tmp_path / "one", write=False) as ledger:
        assert events_of(ledger) == {
            first.batch: [event.id() for event in ONE],
            second.batch: [event.id() for event in TWO],
        }
    assert (again.batch, again.batch_name) == ("", "")
    assert first.batch.startswith(first.batch_name)


def test_a_batch_is_the_same_in_every_store_that_has_its_events(tmp_path: Path) -> None:
    """Merged twice, by way of a third store, beside events that were there before: its id and its events stay."""
    names = [tmp_path / name for name in ("one", "two", "three")]
    first, second = recorded(names[0], ONE, TWO)
    recorded(names[1], OTHER, ONE[1:])  # one of its events is there already, so here they are in two runs
    recorded(names[2], TWO)
    for source, target in ((0, 1), (0, 1), (1, 2), (2, 0)):
        carry(names[source], names[target])
    wanted = {first.batch: [event.id() for event in ONE], second.batch: [event.id() for event in TWO]}
    for name in some(names):
        with Ledger.open(name, write=True) as ledger:
            assert wanted.items() <= events_of(ledger).items()
            assert verify(ledger).ok
            rebuild(ledger)
            assert wanted.items() <= events_of(ledger).items()
            named = names_of_events(ledger.connection, range(1, ledger.head().count + 1))
            of = {entry.event: named[entry.seq][0] for entry in ledger.entries()}
            assert of[ONE[0]] == first.batch
            assert of[TWO[0]] == second.batch


def test_a_part_carries_the_batches_that_are_whole_in_it(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    first, second = recorded(one, ONE, TWO)
    carry(one, two, after=1)
    with Ledger.open(two, write=False) as ledger:
        assert second.batch in events_of(ledger)
        assert first.batch not in events_of(ledger)


def test_salvage_keeps_the_batches_of_which_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "one"
    first, second = recorded(path, ONE, TWO)
    carry(path, tmp_path / "two")
    carry(tmp_path / "two", path)  # nothing new
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE event SET evidence = 3 WHERE seq = 1")
    salvage(path, tmp_path / "saved", DAY0)
    with Ledger.open(tmp_path / "saved", write=False) as ledger:
        assert verify(ledger).ok
        found = events_of(ledger)
    assert found[second.batch] == [TWO[0].id()]
    assert first.batch not in found


@pytest.mark.parametrize(
    "harm",
    [
        "UPDATE learning SET own = 0 WHERE first = 1",
        "UPDATE learning SET batch = zeroblob(32) WHERE first = 1",
        "UPDATE learning SET first = 5 WHERE first = 4",
        "UPDATE batch SET length = length - 1",
        "UPDATE batch SET seq = seq + 1",
        "UPDATE batch SET batch = zeroblob(32) WHERE batch = (SELECT max(batch) FROM batch)",
        "DELETE FROM batch",
        "UPDATE event SET evidence = 1 WHERE seq = 2",
    ],
)
def test_a_batch_that_is_not_what_it_was_is_damage_and_never_a_wrong_undo(tmp_path: Path, harm: str) -> None:
    """Each cell that says which events are together is under a seal, and rows are counted."""
    recorded(tmp_path / "one", ONE, TWO)
    recorded(tmp_path / "two", OTHER, [read(2, "6.0", component="C1")])
    carry(tmp_path / "one", tmp_path / "two")
    with closing(sqlite3.connect(tmp_path / "two")) as raw, raw:
        assert raw.execute(harm).rowcount
    with Ledger.open(tmp_path / "two", write=False) as ledger:
        with pytest.raises(DamagedError, match="damaged"):
            WholeLedger.read(ledger)
        assert not verify(ledger).ok


def test_a_batch_whose_row_was_forged_with_its_seal_is_reported(tmp_path: Path) -> None:
    """Its id is compared with its events before anything of it is undone."""
    first, _ = recorded(tmp_path / "one", ONE, TWO)
    forged = bytes(32)
    with closing(sqlite3.connect(tmp_path / "one")) as raw, raw:
        (moment,) = raw.execute("SELECT at FROM learning WHERE first = 1").fetchone()
        seal = seals.seal((1, moment, 1), forged)
        raw.execute("UPDATE learning SET batch = ?, seal = ? WHERE first = 1", (forged, seal))
    with Ledger.open(tmp_path / "one", write=False) as ledger:
        whole = WholeLedger.read(ledger)
        with pytest.raises(DamagedError, match="not of the events"):
            whole.numbers_of(whole.batches[0])
        assert any("batch" in message for message in verify(ledger).wrong)
    assert first.batch


def test_a_name_is_short_and_no_other_batch_has_it() -> None:
    """Compared with every other one of random ids, of which many share their first digits."""
    random = Random(7)
    for count in (1, 2, 50, 300):
        ids = sorted({f"{random.randrange(16**3):03x}{random.randrange(16**61):061x}" for _ in range(count)})
        for batch in some(ids):
            name = shortened(batch, ids)
            assert [other for other in ids if other.startswith(name)] == [batch]
            assert len(name) >= 4


def test_batches_come_in_their_order(tmp_path: Path) -> None:
    calls = [[read(day, "6.0")] for day in range(3)]
    ids = [done.batch for done in recorded(tmp_path / "one", *calls)]
    with Ledger.open(tmp_path / "one", write=False) as ledger:
        found = batches(ledger.connection)
    assert [batch.id for batch in found] == ids
    assert all(batch.own and not batch.brought for batch in found)
