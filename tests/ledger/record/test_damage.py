"""A ledger of which a row, an index, a kept text is not what was written: reported, never answered from.

What a disk does to one page is made here by SQLite itself: a row is taken from the table or from one index alone
while the schema hides the others (sqlite.org/pragma.html, `writable_schema`).
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Collection
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError
from bundlekeeper.ledger.ask import where as questions
from bundlekeeper.ledger.ask.as_inventory import readings
from bundlekeeper.ledger.ask.find import find
from bundlekeeper.ledger.ask.future_events import ahead
from bundlekeeper.ledger.ask.types import BundleOf, Selector
from bundlekeeper.ledger.ask.where import history, summary, where
from bundlekeeper.ledger.event import seals
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.event.rows import Words
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import rebuild
from bundlekeeper.ledger.record.salvage import salvage
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.model.inventory.types import Place
from tests.conftest import MARRAM, Keeper
from tests.kits.ledger_history import DAY0, at, everything, read, stated

NOW = DAY0 + timedelta(days=10)
Ask = Callable[[Ledger], object]
HERE = Place("holm", "holm-a", "1", "3")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with everything that an answer is made from, two rows of every kind."""
    found = tmp_path / "ledger.sqlite"
    scope = (("holm", "holm-a", "bios"),)
    reading = Event(what=EventKind.INVENTORY, at=at(0), reported_by="list", document="0" * 64, scope=scope)
    components = {"B7": "MB4-7", "B8": "MB4-7", "B9": "MB4-9"}
    listed = [
        Event(
            what=EventKind.OBSERVED, at=at(0), reported_by="list", component=name, kind="bios", model="Tern-4",
            parent=parent, reading=reading.id(), place=HERE, seen=Seen("6.0", "", "5.4"),
        )
        for name, parent in components.items()
    ]  # fmt: skip
    switch = {"component": "S1", "kind": "fabric-switch", "place": Place("holm", "holm-a", None, "a")}
    more = [
        stated(EventKind.STAGED, 1, "6.1", bank="pending", family="blade", bundle="6.1"),
        stated(EventKind.ACTIVATED, 2, "6.1"),
        read(3, "6.1", place=HERE),
        read(1, "6.0", boot_files=("6.0", "5.4"), **switch),
        read(2, "6.0", boot_files=("6.0",), **switch),
    ]
    slip = read(4, "9.9", place=HERE)
    undoing = Event(
        what=EventKind.UNDONE, at=at(5), reported_by="ada", undoes=slip.id(), reason="a slip", component="B7"
    )
    with Ledger.open(found, write=True) as ledger:
        ledger.record([reading, *listed], DAY0)
        ledger.record([*more, slip], DAY0 + timedelta(days=4))
        ledger.record([undoing, read(60, "7.0", component="B9", place=HERE)], DAY0 + timedelta(days=5))
    return found


def component(ledger: Ledger) -> object:
    return where(ledger, Selector(component="B7"), clock=NOW)


def site(ledger: Ledger) -> object:
    return where(ledger, Selector(site="holm"), clock=NOW)


def parent(ledger: Ledger) -> object:
    return where(ledger, Selector(parent="MB4-7"), clock=NOW)


def by_kind(ledger: Ledger) -> object:
    return where(ledger, Selector(kind="bios"), clock=NOW)


def running(ledger: Ledger) -> object:
    return where(ledger, Selector(version="6.0"), clock=NOW)


def holding(ledger: Ledger) -> object:
    return where(ledger, Selector(version="5.4", bank="boot_files"), on=date(2026, 1, 2))


def running_here(ledger: Ledger) -> object:
    return where(ledger, Selector(version="6.0", site="holm", kind="bios"), clock=DAY0)


def bundle(ledger: Ledger) -> object:
    return where(ledger, Selector(bundles=(BundleOf("blade", "6.1"),)), clock=NOW)


def counted(ledger: Ledger) -> object:
    return summary(ledger, ["kind", "active"], Selector(site="holm"))


def past(ledger: Ledger) -> object:
    return where(ledger, Selector(site="holm"), on=date(2026, 1, 2))


def past_component(ledger: Ledger) -> object:
    return where(ledger, Selector(component="B7"), on=date(2026, 1, 2))


def known(ledger: Ledger) -> object:
    return where(ledger, Selector(site="holm"), known=date(2026, 1, 3))


def past_events(ledger: Ledger) -> object:
    return history(ledger, "B7")


def beyond(ledger: Ledger) -> object:
    return ahead(ledger, NOW)


def carried(ledger: Ledger) -> object:
    return list(export(ledger))


ASKS: tuple[Ask, ...] = (
    component, site, parent, by_kind, running, running_here, holding, bundle, counted, past, past_component, known,
    past_events, beyond, readings, carried,
)  # fmt: skip


def answer(path: Path, ask: Ask) -> object:
    with Ledger.open(path, write=False) as ledger:
        return ask(ledger)


@pytest.mark.parametrize("ask", ASKS)
def test_a_whole_ledger_answers(path: Path, ask: Ask) -> None:
    """Nothing below is refused for another reason."""
    assert answer(path, ask)


CELLS = {
    "UPDATE state SET model = model + 1 WHERE component = {B7}": (component, site, past_component),
    "UPDATE state SET site = site + 1 WHERE component = {B8}": (running, parent),
    "UPDATE state SET seen_event = 1 WHERE component = {B7}": (component, by_kind),
    "UPDATE state SET since = since - 1 WHERE before IS NOT NULL": (past_component, past),
    "UPDATE word SET text = 'Tern-5' WHERE text = 'Tern-4'": (component, known),
    "UPDATE word SET text = 'B8' || text WHERE id = {list}": (known, carried),
    "UPDATE image SET sha256 = sha256 + 2": (component, running),
    "UPDATE boot_files SET event = 1": (holding, site),
    "UPDATE boot_files SET since = since + 1": (holding, past),
    "UPDATE event SET evidence = 1 WHERE seq = 4": (by_kind, carried),
    "UPDATE event SET void = 0 WHERE void = 1": (past_events, known),
    "UPDATE event SET void = 1 WHERE seq = 5": (past_events, carried, known),
    "UPDATE learning SET at = at + 1": (known, past_events),
    "DELETE FROM learning WHERE first = 5": (known, past_events),
    "UPDATE ledger SET latest = 0": (beyond, carried),
    "UPDATE ledger SET readings = 2": (known, readings),
}


def numbered(connection: sqlite3.Connection, statement: str) -> str:
    """The statement with the numbers of the words in braces."""
    number = "SELECT id FROM word WHERE text = ?"
    return re.sub(r"\{(\w+)\}", lambda found: str(connection.execute(number, (found[1],)).fetchone()[0]), statement)


@pytest.mark.fault(89)
@pytest.mark.parametrize(("statement", "asks"), CELLS.items())
def test_a_cell_that_is_not_what_was_written_is_reported(path: Path, statement: str, asks: Collection[Ask]) -> None:
    """A value that another statement than ours wrote is in no answer; `ledger verify` reports it."""
    with closing(sqlite3.connect(path)) as raw, raw:
        assert raw.execute(numbered(raw, statement)).rowcount
    for ask in asks:
        with pytest.raises(DamagedError, match="damaged") as caught:
            answer(path, ask)
        assert "ledger salvage FILE" in caught.value.hint
    with Ledger.open(path, write=False) as ledger:
        found = verify(ledger)
    assert found.wrong
    assert found.damaged


Statement = tuple[str, tuple[object, ...]]


def change(path: Path, table: str, shown: Collection[str], statements: Collection[Statement]) -> None:
    """Run statements of which the table and the indexes that are shown learn, and no other index or trigger."""
    with closing(sqlite3.connect(path)) as raw, raw:
        select = "SELECT * FROM sqlite_schema WHERE tbl_name = ? AND type IN ('index', 'trigger') AND sql NOT NULL"
        hidden = [each for each in raw.execute(select, (table,)).fetchall() if each[1] not in shown]
        raw.execute("PRAGMA writable_schema = ON")
        raw.executemany("DELETE FROM sqlite_schema WHERE name = ?", [(each[1],) for each in hidden])
        raw.commit()
        with closing(sqlite3.connect(path)) as inner, inner:
            for statement, values in statements:
                assert inner.execute(statement, values).rowcount
        raw.executemany("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", hidden)


def lose(path: Path, table: str, row: str, index: str | None) -> None:
    """Take the rows that the condition means from one index alone, or from the table alone."""
    with closing(sqlite3.connect(path)) as raw:
        condition = numbered(raw, row)
        rows = raw.execute(f"SELECT * FROM {table} WHERE {condition}").fetchall()  # noqa: S608 - of this test
    delete: Statement = (f"DELETE FROM {table} WHERE {condition}", ())  # noqa: S608 - of this test
    if index is None:
        change(path, table, (), [delete])
    else:
        change(path, table, (index,), [delete])
        marks = ", ".join("?" * len(rows[0]))
        change(path, table, (), [(f"INSERT INTO {table} VALUES ({marks})", each) for each in rows])  # noqa: S608


B8 = "component = {B8}"
LOST = {
    ("state", B8, None): (site, by_kind, running, past, known),
    ("state", "component = {B7} AND before IS NULL", None): (past_component, component),
    ("state", B8, "state_place"): (site, by_kind, counted, past, running_here),
    ("state", B8, "state_site"): (site, by_kind, counted, past),
    ("state", B8, "state_active"): (running, running_here),
    ("state", B8, "state_active_too"): (running,),
    ("state", B8, "state_spare"): (lambda ledger: where(ledger, Selector(version="5.4", bank="spare"), clock=NOW),),
    ("state", B8, "state_parent"): (parent,),
    ("state", B8, "state_parent_too"): (parent,),
    ("state", "parent = {MB4-9}", "state_parent"): (lambda ledger: where(ledger, find(ledger, "MB4-9"), clock=NOW),),
    ("boot_files", "until < 9223372036854775807", None): (holding, past),
    ("boot_files", "until < 9223372036854775807", "boot_files_image"): (holding,),
    ("event", "seq = 5", "event_component"): (past_events,),
    ("event", "seq = 5", "event_learned"): (past_events,),
    ("event", "component IS NULL", "event_other"): (known, readings),
    ("event", "undoes IS NOT NULL", "event_undoes"): (known,),
    ("event", "seq = 12", "event_at"): (beyond,),
    ("event", "seq = 5", None): (carried, past_events),
    ("word", "text = 'MB4-7'", None): (component,),
}


@pytest.mark.fault(89)
@pytest.mark.parametrize(("lost", "asks"), LOST.items(), ids=[str(lost) for lost in LOST])
def test_a_row_that_vanished_is_reported(path: Path, lost: tuple[str, str, str | None], asks: Collection[Ask]) -> None:
    """ "so that a vanished row is seen, too": from the table or from any index that an answer is found by."""
    before = [answer(path, ask) for ask in asks]
    table, row, index = lost
    if "{MB4-9}" in row:
        with closing(sqlite3.connect(path)) as raw:
            (number,) = raw.execute("SELECT id FROM word WHERE text = 'MB4-9'").fetchone()
        row = row.replace("{MB4-9}", str(number))
    lose(path, table, row, index)
    assert all(before)
    for ask in asks:
        with pytest.raises(DamagedError) as caught:
            answer(path, ask)
        assert caught.value.hint
    with Ledger.open(path, write=False) as ledger:
        assert verify(ledger).damaged


@pytest.mark.parametrize("ask", [site, by_kind, running, running_here, parent, component])
def test_a_place_that_differs_in_the_table_alone_is_no_answer(path: Path, ask: Ask) -> None:
    """No component is passed over as standing elsewhere: it is reported, or the indexes that agree are read instead."""
    before = answer(path, ask)
    with closing(sqlite3.connect(path)) as raw:
        update = numbered(raw, "UPDATE state SET site = {list}, kind = {list} WHERE component IN ({B7}, {B8})")
    change(path, "state", (), [(update, ())])
    if ask in (site, by_kind):
        assert answer(path, ask) == before
    else:
        with pytest.raises(DamagedError):
            answer(path, ask)


@pytest.mark.fault(89)
@pytest.mark.parametrize(
    ("name", "condition"), [("state_active", "active > 1"), ("event_other", "component IS NOT NULL")]
)
def test_a_schema_that_is_not_ours_is_refused(path: Path, name: str, condition: str) -> None:
    """An index that stands for another condition than the one that is meant leaves rows out without an error."""
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("PRAGMA writable_schema = ON")
        update = "UPDATE sqlite_schema SET sql = substr(sql, 1, instr(sql, 'WHERE') + 5) || ? WHERE name = ?"
        assert raw.execute(update, (condition, name)).rowcount == 1
    with pytest.raises(DamagedError, match="schema") as caught:
        answer(path, running)
    assert "ledger salvage FILE" in caught.value.hint


def test_two_indexes_are_asked_about_a_text_that_was_never_recorded(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The index that UNIQUE makes cannot be hidden: here it finds nothing."""
    monkeypatch.setattr(Words, "find", lambda *_: None)
    with pytest.raises(DamagedError, match="words lacks one"):
        answer(path, site)
    with Ledger.open(path, write=False) as ledger:
        assert ledger.words.surely("nowhere") is None


def test_what_is_derived_is_repaired_by_rebuild(path: Path) -> None:
    """The hint names the way that works; how many rows had been wrong is reported, of seals alone, too."""
    with Ledger.open(path, write=False) as ledger:
        before = everything(ledger)
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE state SET seal = seal + 1 WHERE component = (SELECT max(component) FROM state)")
        raw.execute("UPDATE event SET void = 1, seal = seal + 1 WHERE seq = 4")
        raw.execute("UPDATE boot_files SET event = 1")
    with Ledger.open(path, write=False) as ledger, pytest.raises(DamagedError) as caught:
        everything(ledger)
    assert caught.value.hint.startswith("bundlekeeper ledger rebuild")
    with Ledger.open(path, write=True) as ledger:
        assert rebuild(ledger).differing >= 3
        assert everything(ledger) == before
        assert verify(ledger).ok
        assert rebuild(ledger).differing == 0


def test_a_bug_stays_a_bug_and_damage_is_none(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What else is raised while the ledger is read is ours, unless the ledger verifies to be damaged."""

    def fail(*_: object) -> None:
        raise LookupError("ours")

    monkeypatch.setattr(questions, "place_order", fail)
    with Ledger.open(path, write=False) as ledger, pytest.raises(LookupError):
        component(ledger)
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE boot_files SET event = 1")
    with Ledger.open(path, write=False) as ledger, pytest.raises(DamagedError, match="boot_files"):
        component(ledger)


def test_nothing_is_folded_from_an_event_that_is_not_what_it_was(path: Path) -> None:
    """A writing command would put a seal on what a damaged event says."""
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE event SET void = 1 WHERE seq = 4")
    with Ledger.open(path, write=True) as ledger, pytest.raises(DamagedError, match="event 4 is not what it was"):
        ledger.record([read(0, "5.0", component="B9", place=HERE)], NOW)


def test_damaged_rows_about_other_ledgers_are_reported(path: Path, tmp_path: Path) -> None:
    """A head that was met earlier and reads otherwise would call an honest file a fork."""
    with Ledger.open(path, write=False) as ledger:
        lines = list(export(ledger))
    for number, statement in enumerate(
        ("UPDATE peer SET count = count - 1", "UPDATE followed SET length = 3", "DELETE FROM followed")
    ):
        other = tmp_path / f"other{number}"
        with Ledger.open(other, write=True) as ledger:
            merge(ledger, lines, NOW)
            assert merge(ledger, lines, NOW).fork is None
        with closing(sqlite3.connect(other)) as raw, raw:
            raw.execute(statement)
        with Ledger.open(other, write=True) as ledger:
            with pytest.raises(DamagedError, match="other ledgers"):
                merge(ledger, lines, NOW)
            assert verify(ledger).damaged


def test_a_seal_is_the_same_everywhere() -> None:
    """Kept in files: another machine computes the same. By hand: CRC-32 over little-endian words."""
    import zlib

    data = (7).to_bytes(8, "little") + (-(2**63)).to_bytes(8, "little", signed=True) + b"x"
    assert seals.seal((7, None), b"x") == zlib.crc32(data)
    assert zlib.crc32(b"123456789") == 0xCBF43926  # the check value of this CRC (ISO/IEC 3309)
    assert not seals.is_whole((7, "6.0"), 0)


def damage_text(path: Path) -> None:
    """Turn one bit in the middle of every kept text."""
    with closing(sqlite3.connect(path)) as raw, raw:
        for digest, packed in raw.execute("SELECT sha256, text FROM document").fetchall():
            turned = bytearray(packed)
            turned[len(turned) // 2] ^= 4
            raw.execute("UPDATE document SET text = ? WHERE sha256 = ?", (bytes(turned), digest))


@pytest.mark.fault(89)
def test_a_damaged_text_is_reported_and_repaired_by_loading_it_again(keeper: Keeper, tmp_path: Path) -> None:
    """Check, rebuild and salvage read every document; loading the same inventory again heals it."""
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    ledger = tmp_path / "store" / ".keeper" / "ledger.sqlite"
    damage_text(ledger)
    for words in (["ledger", "verify"], ["ledger", "verify"], ["ledger", "rebuild"]):
        ran = keeper(*words, "--json")
        assert ran.status == 3, words
        assert ran.codes == ["damaged"]
        assert "inventory load FILE" in ran.json["findings"][0]["hint"]
        assert keeper(*words).status == 3
    assert keeper("where").status == 0  # it answers from no text
    saved = keeper("ledger", "salvage", tmp_path / "new", "--json")
    assert saved.status == 1
    assert (saved.json["lost"], len(saved.json["lost_texts"])) == ([], 1)
    assert "1 text of inventories lost" in keeper("ledger", "salvage", tmp_path / "other").out
    refused = keeper("ledger", "export")
    assert refused.status == 3
    assert "inventory load FILE" in refused.err
    again = keeper("inventory", "load", MARRAM, "--reported-by", "kim", "--json")
    assert again.status == 0, again.out
    assert again.json["counts"]["new_events"] == 0
    assert keeper("ledger", "verify").status == 0
    assert keeper("ledger", "export").status == 0


def test_what_cannot_be_read_is_reported_while_events_are_walked(path: Path) -> None:
    """`verify` raises nothing for damage: what it meets on its way through the events is a line like any other."""
    with closing(sqlite3.connect(path)) as raw:
        (page,) = raw.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'event'").fetchone()
    data = bytearray(path.read_bytes())
    data[(page - 1) * 4096 : (page - 1) * 4096 + 100] = b"\xff" * 100
    path.write_bytes(data)
    with Ledger.open(path, write=False) as ledger:
        found = verify(ledger)
        assert found.damaged
        assert found.head == ledger.head()
        assert any("malformed" in line for line in found.wrong)


def test_salvage_needs_no_seal(path: Path, tmp_path: Path) -> None:
    """Every event is held against its id: one whose seal, or whose words' seals, are damaged is not lost."""
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE word SET seal = seal + 1")
        raw.execute("UPDATE event SET seal = seal + 2")
        raw.execute("UPDATE event SET reported_by = reported_by + 1 WHERE seq = 3")
    assert salvage(path, tmp_path / "new", NOW).lost == (3,)
