"""Several people, one ledger: nothing lost, nothing twice, every answer equal to the database's order in SQLite."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import psycopg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record import batches
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.ledger.shared.log import EventLog
from bundlekeeper.ledger.shared.verify_log import verify_log
from tests.kits.ledger_history import DAY0, MEMORY, ON, at, everything, read, records, stated
from tests.kits.postgres import RECORDERS, Cluster, SharedDatabase, cluster, database, new_database, opened
from tests.kits.sure import some

__all__ = ["cluster", "database"]


def whole(ledger: Ledger, on: Any = None) -> object:
    """What two ledgers of the same events in the same order have in common, whatever their ids."""
    ids = [entry.id for entry in ledger.entries()]
    own = [(batch.id, batch.runs) for batch in batches.batches(ledger.connection)]
    return ids, own, everything(ledger), everything(ledger, on)


def log_verified(shared: SharedDatabase) -> Any:
    log, _ = EventLog.open(shared.address(), write=False)
    try:
        return verify_log(log, b"")
    finally:
        log.close()


@settings(max_examples=6)
@given(st.lists(records(), min_size=3, max_size=3), ON, st.randoms(use_true_random=False))
def test_every_machine_answers_as_sqlite_in_the_databases_order(
    cluster: Cluster, learned: list[list[Event]], on: Any, rnd: random.Random
) -> None:
    """Three writers in turns; each copy, and one made afterwards, equals a ledger that recorded in that order."""
    with TemporaryDirectory(dir=MEMORY) as name:
        _play(new_database(cluster, Path(name)), learned, on, rnd)


def _play(shared: SharedDatabase, learned: list[list[Event]], on: Any, rnd: random.Random) -> None:
    with Ledger.open(shared.folder / "own.sqlite", write=True) as local:
        waiting = dict(zip(RECORDERS, learned, strict=True))
        with (
            opened(shared, RECORDERS[0]) as kim,
            opened(shared, RECORDERS[1]) as lee,
            opened(shared, RECORDERS[2]) as noor,
        ):
            ledgers = dict(zip(RECORDERS, (kim, lee, noor), strict=True))
            while any(waiting.values()):
                role = rnd.choice([role for role, events in waiting.items() if events])
                length = rnd.randint(1, 3)
                events, waiting[role] = waiting[role][:length], waiting[role][length:]
                theirs, ours = ledgers[role].record(events, DAY0), local.record(events, DAY0)
                assert (theirs.ids, theirs.new, theirs.batch) == (ours.ids, ours.new, ours.batch)
            for ledger in ledgers.values():
                ledger.catch_up(ledger.shared.state())
                assert whole(ledger, on) == whole(local, on)
        with opened(shared, copies="new machine") as later:
            assert whole(later, on) == whole(local, on)
            assert verify(later).wrong == ()
            verified = log_verified(shared)
            assert verified.wrong == ()
            assert verified.head == later.head()
            assert sum(writer.events for writer in verified.writers) == later.head().count
    shared.drop()


def test_both_of_two_contradicting_events_are_kept_and_the_second_names_the_first(database: SharedDatabase) -> None:
    """ "both of two contradicting events are recorded, in the database's order"."""
    with opened(database, "kim") as kim, opened(database, "lee") as lee:
        kim.record([read(0, "6.0")], DAY0)
        lee.catch_up(lee.shared.state())
        lee.see()
        first, second = stated(EventKind.ACTIVATED, 1, "6.1"), stated(EventKind.ACTIVATED, 1, "6.2")
        assert kim.record([first], DAY0, arrange=True).contradictions == ()
        recorded = lee.record([second], DAY0, arrange=True)
        ((one, other),) = recorded.contradictions
        assert (one.id(), other.id()) == (first.id(), recorded.ids[0])
        assert [entry.event.version for entry in lee.entries()][1:] == ["6.1", "6.2"]
        assert lee.record([second], DAY0, arrange=True).new == 0  # the same event is dropped


@pytest.mark.parametrize(
    ("first", "second", "contradict"),
    [
        (stated(EventKind.ACTIVATED, 1, "6.1"), read(2, "6.1"), False),
        (stated(EventKind.ACTIVATED, 1, "6.1"), read(2, "6.0"), True),
        (stated(EventKind.FAILED, 1, "6.1", reason="no power"), stated(EventKind.ACTIVATED, 1, "6.1"), True),
        (stated(EventKind.FAILED, 1, "6.1", reason="no power"), read(1, "6.0"), False),
        (stated(EventKind.STAGED, 1, "6.1", bank="pending"), stated(EventKind.ACTIVATED, 1, "6.0"), False),
        (stated(EventKind.GONE, 1, ""), read(1, "6.0"), True),
    ],
)
def test_what_contradicts_what(tmp_path: Path, first: Event, second: Event, contradict: bool) -> None:
    """Two sessions of a store's own ledger at the same time, too."""
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path, write=True) as kim, Ledger.open(path, write=True) as lee:
        kim.record([first], DAY0)
        assert bool(lee.record([second], DAY0).contradictions) == contradict
        assert lee.record([read(5, "7.0")], DAY0).contradictions == ()  # what it recorded itself


def test_a_merge_is_known_to_every_machine(database: SharedDatabase, tmp_path: Path) -> None:
    """The other ledger's chain, its batches and the texts of its inventories come along, and are in every copy."""
    with Ledger.open(tmp_path / "site.sqlite", write=True) as site:
        text = "inventory = 1\n"
        reading = read_text(text)
        site.record([reading, read(0, "6.0", reading=reading.id())], DAY0, documents={reading.document: text})
        site.record([stated(EventKind.STAGED, 1, "6.1", bank="pending")], DAY0)
        first, second = list(export(site)), None
        site.record([read(2, "6.1")], DAY0)
        second = list(export(site, 3))
        with opened(database, "kim") as kim:
            merged = merge(kim, first, DAY0)
            assert (merged.new, merged.fork, merged.gaps) == (3, None, ())
            assert merge(kim, first, DAY0).new == 0
        with opened(database, "lee") as lee:  # another machine: it knows the part before
            assert lee.document(reading.document) == text
            assert {batch.id for batch in batches.batches(site.connection)[:2]} <= {
                batch.id for batch in batches.batches(lee.connection)
            }
            assert merge(lee, second, DAY0).gaps == ()
            assert everything(lee) == everything(site)
            assert verify(lee).wrong == ()
        with Ledger.open(tmp_path / "back.sqlite", write=True) as back, opened(database, "noor") as noor:
            merge(back, list(export(noor)), DAY0)
            assert everything(back) == everything(site)
    assert len(some(database.run("SELECT number FROM bundlekeeper.batch"))) == 2  # what was known was sent once


def test_an_altered_event_is_not_copied(database: SharedDatabase) -> None:
    """A machine that comes later notices what an administrator changed, and answers nothing from it."""
    with opened(database) as ledger:
        ledger.record([read(0, "6.0"), stated(EventKind.ACTIVATED, 1, "6.1")], DAY0)
    database.run(
        "ALTER TABLE bundlekeeper.event DISABLE TRIGGER keep",
        "UPDATE bundlekeeper.event SET content = replace(content, '6.1', '6.2')",
        "ALTER TABLE bundlekeeper.event ENABLE TRIGGER keep",
    )
    with pytest.raises(DamagedError) as error, opened(database, copies="later"):
        pass
    assert "event 2 is not what it was" in error.value.message and "ledger verify" in error.value.hint


def test_an_event_in_another_form_is_not_copied(database: SharedDatabase) -> None:
    """A recorder who inserts by hand what is an event, but not as bundlekeeper writes it."""
    with opened(database) as ledger:
        ledger.record([read(0, "6.0")], DAY0)
    (content,) = database.run("SELECT content FROM bundlekeeper.event")[0]
    into = "INSERT INTO bundlekeeper.recording (token, own, events) VALUES (gen_random_uuid(), true, ARRAY[%s])"
    with psycopg.connect(database.address()) as connection:
        connection.execute(into, (content.replace(",", ", ", 1),))
    with pytest.raises(DamagedError) as error, opened(database, copies="later"):
        pass
    assert "event 2 is not what it was" in error.value.message
    assert "event 2 is not in its one form" in log_verified(database).wrong


def read_text(text: str) -> Event:
    """A reading whose document is this text."""
    digest = hashlib.sha256(text.encode()).hexdigest()
    return Event(what=EventKind.INVENTORY, at=at(0), reported_by="list", document=digest, scope=(("holm", "", ""),))
