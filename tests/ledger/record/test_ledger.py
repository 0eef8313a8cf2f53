"""The ledger's file under fault: killed, damaged, replaced, copied, shared by many. SQLite's own check after each."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import DamagedError, InputError, KeeperError, LockedError, UnfinishedError
from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.ask.where import where
from bundlekeeper.ledger.event import database
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import rebuild
from bundlekeeper.ledger.record.salvage import salvage
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.model.inventory.types import Place
from bundlekeeper.model.vocabulary import METHODS
from tests.kits import forked
from tests.kits.ledger_history import DAY0, at, everything, naive, read, shown, stated

WRITER = """
import sys
from datetime import datetime, UTC
from pathlib import Path
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.event.events import Event, EventKind, Seen
from bundlekeeper.formats.moments import Moment
path, name, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
for number in range(count):
    at = Moment(number, False, "UTC")
    own = Event(what=EventKind.ACTIVATED, at=at, reported_by=name, component=name, version=f"1.{number}")
    shared = Event(what=EventKind.ACTIVATED, at=at, reported_by="all", component="shared", version=f"2.{number}")
    with Ledger.open(path, write=True) as ledger:
        recorded = ledger.record([own, shared], datetime.now(UTC))
    sys.stdout.write(" ".join(recorded.ids) + "\\n")
    sys.stdout.flush()
"""


def test_components_that_are_read_alike_for_the_first_time(tmp_path: Path) -> None:
    """Of one shape only the first is folded: what is stored of each is what folding it alone gives (`rebuild`)."""
    chance = random.Random(7)
    one_of, banks = chance.choice, (None, "", "6.0", "6.1")
    events = []
    for number in range(400):
        texts: dict[str, Any] = {
            "model": one_of(("", "Tern-4")),
            "name": one_of(("", f"host-{number}")),
            "component": f"C{number}",
        }
        texts |= {"kind": one_of(("bios", "fabric-switch", "other")), "method": one_of(("", *METHODS))}
        seen = Seen(one_of(banks) or None, one_of(banks), one_of(banks), one_of((None, None, (), ("6.0",))))
        seen = replace(seen, staged=one_of(banks), healthy=one_of((None, True, False)))
        place = Place(one_of(("holm", "skerry")), one_of((None, "holm-a")), None, str(number))
        tags, moment = one_of(((), ("rack-1", "rack-2"))), at(number % 3)
        events.append(
            Event(what=EventKind.OBSERVED, at=moment, reported_by="ada", tags=tags, seen=seen, place=place, **texts)
        )
    with Ledger.open(tmp_path / "ledger.sqlite", write=True) as ledger:
        assert ledger.record(events, DAY0).new == 400
        assert ledger.connection.execute("SELECT count(*) FROM state").fetchone() == (400,)
        assert rebuild(ledger).differing == 0


def start(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(path), name, str(count)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)


def insist_on_whole(path: Path, acknowledged: Sequence[str]) -> int:
    """Nothing acknowledged is lost, nothing is doubled, everything fits together; the number of events."""
    with Ledger.open(path, write=True) as ledger:
        assert ledger.connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        entries = list(ledger.entries())
        ids = [entry.id for entry in entries]
        assert set(acknowledged) <= set(ids)
        assert len(ids) == len(set(ids))
        assert verify(ledger).wrong == ()
        before = everything(ledger)
        assert before == {name: shown(component) for name, component in naive([e.event for e in entries], None).items()}
        assert rebuild(ledger).differing == 0
        assert everything(ledger) == before
    return len(ids)


@pytest.mark.parametrize(("writers", "each"), [(2, 25), pytest.param(8, 15, marks=pytest.mark.slow)])
def test_many_processes_never_lose_or_double_an_event(tmp_path: Path, writers: int, each: int) -> None:
    """ "Two processes at once never lose or double an event" — nor do eight, making the ledger together."""
    path = tmp_path / "ledger.sqlite"
    processes = [start(path, f"w{i}", each) for i in range(writers)]
    acknowledged: list[str] = []
    for process in processes:
        out, _ = process.communicate()
        assert process.returncode == 0
        acknowledged += out.split()
    assert insist_on_whole(path, acknowledged) == writers * each + each  # the shared ones are one each


@pytest.mark.fault(79)
def test_killed_at_any_moment_every_acknowledged_event_is_there(tmp_path: Path) -> None:
    """Killed at moments that chance chose."""
    path = tmp_path / "ledger.sqlite"
    Ledger.open(path, write=True).close()
    source = random.Random(20261125)
    acknowledged: list[str] = []
    for number in range(8):
        process = start(path, f"w{number}", 1000)
        assert process.stdout is not None
        for _ in range(source.randint(1, 40)):  # so that it is at work
            acknowledged += process.stdout.readline().split()
        os.kill(process.pid, signal.SIGKILL)
        acknowledged += [word for word in process.stdout.read().split() if len(word) == 64]
        process.wait()
        process.stdout.close()
    assert insist_on_whole(path, acknowledged) >= len(set(acknowledged))


@pytest.mark.fault(79)
@pytest.mark.slow
@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace to stop a process at a chosen call")
@pytest.mark.parametrize("call", ["pwrite64", "fdatasync", "fsync", "unlink", "openat", "fcntl"])
def test_killed_at_each_call_of_an_append(tmp_path: Path, call: str) -> None:
    """SIGKILL at the first, second, … call of its kind, until the append gets through."""
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path, write=True) as ledger:
        ledger.record([read(0, "6.0")], DAY0)
    acknowledged: list[str] = []
    step = {"fcntl": 3, "pwrite64": 3}.get(call, 1)
    for number in range(1, 400, step):
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        trace = ["strace", "-qq", "-o/dev/null", f"-etrace={call}", "-e", inject]
        done = forked.run(["-c", WRITER, path, f"{call}{number}", "1"], under=trace)
        acknowledged += [word for word in done.stdout.split() if len(word) == 64]
        if done.returncode == 0:
            break
    else:
        pytest.fail(f"no append got through 400 calls of {call}")
    assert insist_on_whole(path, acknowledged) >= len(set(acknowledged)) + 1


REBUILDER = """
import sys
from pathlib import Path
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.rebuild import rebuild
with Ledger.open(Path(sys.argv[1]), write=True) as ledger:
    rebuild(ledger)
"""


def answered(ledger: Ledger) -> object:
    """Everything, or "old" where every state is still the one that was spoilt, which nobody would answer from."""
    rows, spoilt = ledger.connection.execute(
        "SELECT count(*), sum(active IS NULL AND active_event IS NULL AND differs = 1) FROM state"
    ).fetchone()
    return "old" if rows == spoilt else everything(ledger)


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace to stop a process at a chosen call")
@pytest.mark.parametrize("call", ["pwrite64", "fdatasync", "unlink"])
def test_killed_while_answers_are_made_again_they_are_the_old_or_the_new(tmp_path: Path, call: str) -> None:
    """One transaction, so that what is asked is answered from the old or the new, never from half."""
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path, write=True) as ledger:
        ledger.record(
            [read(day, f"6.{day}", component=f"B{component}") for component in range(60) for day in range(3)], DAY0
        )
        new = everything(ledger)
        ledger.connection.execute("UPDATE state SET active = NULL, active_event = NULL, differs = 1")
        ledger.images.forget()
        assert answered(ledger) == "old"
    for number in range(1, 200, 3 if call == "pwrite64" else 1):
        inject = f"inject={call}:signal=SIGKILL:when={number}"
        trace = ["strace", "-f", "-qq", "-o/dev/null", f"-etrace={call}", "-e", inject]
        done = forked.run(["-c", REBUILDER, path], under=trace)
        with Ledger.open(path, write=True) as ledger:
            found = answered(ledger)
            assert ledger.connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert found in ("old", new)
        if done.returncode == 0:
            break
    assert found == new
    assert number > 1


@pytest.mark.fault(8)
@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace to make a call fail")
@pytest.mark.parametrize("call", ["pwrite64", "fdatasync"])
def test_a_device_that_fails_is_reported_and_nothing_is_acknowledged(tmp_path: Path, call: str) -> None:
    """An error on write or fsync is the end of that transaction."""
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path, write=True) as ledger:
        ledger.record([read(0, "6.0")], DAY0)
    trace = ["strace", "-qq", "-o/dev/null", f"-etrace={call}", "-e", f"inject={call}:error=EIO:when=1+"]
    done = forked.run(["-c", WRITER, path, "w", "1"], under=trace)
    assert done.returncode != 0
    assert "bundlekeeper.errors.UnfinishedError" in done.stderr
    assert done.stdout == ""
    assert insist_on_whole(path, []) == 1


def test_derived_pages_apart_an_altered_event_is_never_built_on(tmp_path: Path) -> None:
    """Every event is read before anything is thrown away, those too that opening does not look at."""
    path = tmp_path / "ledger.sqlite"
    with Ledger.open(path, write=True) as ledger:
        ledger.record([read(number, f"1.{number}") for number in range(1200)], DAY0)
        ledger.connection.execute("UPDATE event SET model = 1 WHERE seq = 2")
        before = everything(ledger)
        with pytest.raises(DamagedError, match="event 2 is not what it was") as caught:
            rebuild(ledger)
        assert "salvage" in caught.value.hint
        assert everything(ledger) == before


def test_an_append_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    """One wrong event among many: all of the call or nothing of it, and the ledger goes on."""
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        good, bad = read(0, "6.0"), stated(EventKind.ACTIVATED, 1)
        with pytest.raises(InputError):
            ledger.record([good, bad], DAY0)
        assert ledger.head().count == 0
        assert ledger.record([good], DAY0).new == 1
        assert ledger.connection.execute("SELECT count(*) FROM word WHERE text = 'B7'").fetchone() == (1,)
    assert insist_on_whole(tmp_path / "l", [good.id()]) == 1


def test_another_writer_is_waited_for_and_then_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own error, with what to do."""
    monkeypatch.setattr(database, "DATABASE", replace(database.DATABASE, busy_s=0.05))  # connections are made there
    path = tmp_path / "l"
    with Ledger.open(path, write=True) as one, Ledger.open(path, write=True) as two:
        one.connection.execute("BEGIN IMMEDIATE")
        with pytest.raises(LockedError, match="other processes"):
            two.record([read(0, "6.0")], DAY0)
        one.connection.execute("ROLLBACK")
        assert two.record([read(0, "6.0")], DAY0).new == 1


def test_events_can_be_neither_deleted_nor_changed(tmp_path: Path) -> None:
    """ "Wrong entries are corrected by a later event, never changed." — the database insists on it, too."""
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        ledger.record([read(0, "6.0")], DAY0)
        for statement in ("DELETE FROM event", "UPDATE event SET at = 0", "UPDATE event SET extra = '{}'"):
            with pytest.raises(sqlite3.IntegrityError):
                ledger.connection.execute(statement)


def ledger_of(path: Path, count: int) -> Path:
    """A ledger of so many readings of seven components, learned in a few batches."""
    events = [read(day, f"6.{day}", component=f"C{day % 7}", note="x" * 200) for day in range(count)]
    with Ledger.open(path, write=True) as ledger:
        for start in range(0, count, 40):
            ledger.record(events[start : start + 40], DAY0)
    return path


@pytest.mark.fault(81)
@pytest.mark.parametrize("content", [b"", b"not a database at all", b"\0" * 4096])
def test_a_ledger_that_was_replaced_is_refused(tmp_path: Path, content: bytes) -> None:
    """An empty file opens as fine in SQLite."""
    path = ledger_of(tmp_path / "l", 1)
    path.write_bytes(content)
    for write in (True, False):
        with pytest.raises(DamagedError) as caught:
            Ledger.open(path, write=write)
        assert caught.value.hint
    assert path.read_bytes() == content


@pytest.mark.fault(87)
def test_a_ledger_of_another_program_or_a_newer_one_is_refused(tmp_path: Path) -> None:
    """Versions named."""
    path = ledger_of(tmp_path / "l", 1)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(DamagedError, match="format 99"):
        Ledger.open(path, write=True)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 1")
    connection.execute("PRAGMA application_id = 7")
    connection.close()
    with pytest.raises(DamagedError, match="not a ledger of bundlekeeper's"):
        Ledger.open(path, write=True)


def test_an_absent_ledger_is_only_made_for_writing(tmp_path: Path) -> None:
    """Asking makes nothing."""
    with pytest.raises(DamagedError, match="no ledger"):
        Ledger.open(tmp_path / "l", write=False)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(UnfinishedError):
        Ledger.open(tmp_path / "nowhere" / "l", write=True)


@pytest.mark.fault(80)
@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_page_is_found_and_the_rest_can_be_saved(tmp_path: Path, seed: int) -> None:
    """300 bytes zeroed anywhere; found; nothing written; a way out."""
    path = ledger_of(tmp_path / "l", 120)
    with Ledger.open(path, write=False) as ledger:
        whole = [entry.id for entry in ledger.entries()]
    data = bytearray(path.read_bytes())
    place = random.Random(seed).randrange(100, len(data) - 300)
    changed = data[place : place + 300] != bytes(300)
    data[place : place + 300] = bytes(300)
    path.write_bytes(data)
    found = False
    try:
        with Ledger.open(path, write=False) as ledger:
            found = not verify(ledger).ok
    except KeeperError:
        found = True
    # the free end of a page may hold zeros already, or bytes that nothing points to
    if not found:
        assert not changed or _reads_the_same(path, whole)
        return
    assert path.read_bytes() == bytes(data)
    try:
        saved = salvage(path, tmp_path / "saved", DAY0)
    except (DamagedError, UnfinishedError) as error:  # the schema itself is gone: the last copy is the way out
        assert place < 4096 * 3 or "database schema" in error.message
        return
    with Ledger.open(tmp_path / "saved", write=True) as ledger:
        ids = [entry.id for entry in ledger.entries()]
        assert verify(ledger).ok
    assert set(ids) <= set(whole)
    assert saved.events == len(ids) == len(whole) - len(saved.lost)


def _reads_the_same(path: Path, whole: list[str]) -> bool:
    with Ledger.open(path, write=False) as ledger:
        return [entry.id for entry in ledger.entries()] == whole


def test_texts_of_a_transaction_that_was_rolled_back_are_forgotten(tmp_path: Path) -> None:
    """Their numbers are free again: what is recorded next has its own words, in this process and the next."""

    def fail(_: sqlite3.Connection) -> None:
        raise InputError("the file ends here")

    eighth, ninth = (
        stated(
            EventKind.ACTIVATED,
            1,
            f"{n}.0",
            component=f"C{n}",
            reported_by=f"the {n}th",
            kind=f"gauge-{n}",
            sha256=f"{n}" * 64,
        )
        for n in (8, 9)
    )
    path = tmp_path / "l"
    answers = []
    with Ledger.open(path, write=True) as ledger:
        with pytest.raises(InputError):
            ledger.record([eighth], DAY0, also=fail)
        assert ledger.words.find("the 8th") is None
        for event in (ninth, eighth):
            ledger.record([event], DAY0)
        answers += [where(ledger, Selector(component=name)) for name in ("C8", "C9")]
    with Ledger.open(path, write=False) as ledger:
        answers += [where(ledger, Selector(component=name)) for name in ("C8", "C9")]
        assert verify(ledger).ok
    for number, (answer,) in zip("8989", answers, strict=True):
        assert answer.active is not None
        found = (answer.kind, answer.active.version, answer.active.sha256, answer.active.since.reported_by)
        assert found == (f"gauge-{number}", f"{number}.0", number * 64, f"the {number}th")


def test_verifying_finds_what_was_done_behind_its_back(tmp_path: Path) -> None:
    """A changed event, a removed one, a removed last one, another order: each breaks the chain."""
    path = ledger_of(tmp_path / "l", 6)
    with Ledger.open(path, write=False) as ledger:
        assert verify(ledger).ok
        heads = verify(ledger).head
    meddling = {
        "UPDATE event SET version = NULL, seen_active = 1 WHERE seq = 3": "event 3 is not what it was",
        "UPDATE event SET at = at + 1 WHERE seq = 4": "event 4 is not what it was",
        "DELETE FROM event WHERE seq = 3": "event 3 is missing",
        "DELETE FROM event WHERE seq = 6": "does not end in the head",
        "UPDATE event SET seq = CASE seq WHEN 2 THEN -3 ELSE -2 END WHERE seq IN (2, 3)": "",
        "DELETE FROM word WHERE text = 'C1'": "event",
    }
    for statement, word in meddling.items():
        copy = tmp_path / "copy"
        shutil.copy(path, copy)
        connection = sqlite3.connect(copy)
        triggers = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement)
        if not word:
            connection.execute("UPDATE event SET seq = -seq WHERE seq < 0")
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()
        connection.close()
        with Ledger.open(copy, write=False) as ledger:
            found = verify(ledger)
            assert not found.ok, statement
            assert any(word in line for line in found.wrong), found.wrong
            assert found.head == heads
        before = copy.read_bytes()
        with pytest.raises(DamagedError, match="altered or is damaged") as caught:
            Ledger.open(copy, write=True)
        assert "ledger salvage FILE" in caught.value.hint
        assert copy.read_bytes() == before


def test_a_head_from_a_receipt_is_found_in_the_chain(tmp_path: Path) -> None:
    """`ledger verify --head HEX` compares."""
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        empty = ledger.head()
        first = ledger.record([read(0, "6.0")], DAY0).head
        ledger.record([read(1, "6.1")], DAY0)
        for head, place in ((empty, 0), (first, 1), (ledger.head(), 2)):
            found = verify(ledger, head.digest)
            assert (found.ok, found.at) == (True, place)
        stranger = verify(ledger, "ab" * 32)
        assert (stranger.ok, stranger.at, stranger.wrong) == (False, None, ())
        for wrong in ("xyz", "ab"):
            with pytest.raises(InputError):
                verify(ledger, wrong)


@pytest.mark.fault(82)
def test_a_copy_of_the_one_file_is_whole(tmp_path: Path) -> None:
    """Also while it is open for writing: there is no -wal to forget (sqlite.org/wal.html, a rollback journal)."""
    path = ledger_of(tmp_path / "l", 5)
    with Ledger.open(path, write=True) as ledger:
        ledger.record([read(9, "6.3")], DAY0)
        shutil.copyfile(path, tmp_path / "copy")
        with Ledger.open(tmp_path / "copy", write=False) as copy:
            assert copy.head() == ledger.head()
            assert everything(copy) == everything(ledger)
        assert sorted(p.name for p in tmp_path.iterdir()) == ["copy", "l"]


@pytest.mark.fault(18)
def test_asking_works_where_nothing_can_be_written(tmp_path: Path) -> None:
    """A read-only file; root is not stopped by modes, so the connection itself refuses."""
    path = ledger_of(tmp_path / "l", 2)
    path.chmod(0o444)
    with Ledger.open(path, write=False) as ledger:
        assert len(where(ledger, Selector())) == 2
        with pytest.raises(UnfinishedError, match="cannot be used"):
            ledger.record([read(9, "6.0")], DAY0)
    assert insist_on_whole(path, []) == 2 if os.access(path, os.W_OK) else True


HOSTILE = ["'; DROP TABLE event; --", '"', "%", "_", "\\", "{}", "NULL", "0", "’", "日本", "a" * 4096]


@pytest.mark.fault(85)
@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_are_only_texts(tmp_path: Path, text: str) -> None:
    """Parameters only."""
    event = read(0, "6.0", component=text, reported_by=text, model=text)
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        ledger.record([event], DAY0)
        (answer,) = where(ledger, Selector(component=text, model=text))
        assert (answer.component, answer.model) == (text, text)
        assert where(ledger, Selector(site=text)) == []


def test_asking_while_another_records(tmp_path: Path) -> None:
    """One answer is one snapshot; a reader that has not finished keeps nobody from recording."""
    path = ledger_of(tmp_path / "l", 3)
    with Ledger.open(path, write=False) as reader, Ledger.open(path, write=True) as writer:
        entries = reader.entries()
        next(entries)
        writer.record([read(50, "7.0")], DAY0)
        assert len(list(entries)) == 2
        assert reader.head() == writer.head()
        assert isinstance(DAY0, datetime)


def test_events_of_the_future_and_the_past_are_kept(tmp_path: Path) -> None:
    """Times at the ends of the calendar do not overflow."""
    far = [
        Event(what=EventKind.ACTIVATED, at=at(day), reported_by="x", component="C", version=str(day))
        for day in (-700_000, 2_900_000)
    ]
    with Ledger.open(tmp_path / "l", write=True) as ledger:
        ledger.record(far, DAY0)
        (answer,) = where(ledger, Selector())
        assert answer.active is not None
        assert answer.active.version == "2900000"
