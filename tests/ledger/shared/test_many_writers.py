"""Twenty people recording at once, and a server that is killed or cut off while it commits."""

from __future__ import annotations

import fcntl
import json
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from bundlekeeper.errors import KeeperError
from bundlekeeper.ledger.event.events import EventKind
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import verify
from bundlekeeper.ledger.shared.log import EventLog
from bundlekeeper.ledger.shared.verify_log import verify_log
from tests.kits import forked
from tests.kits.ledger_history import DAY0, MEMORY, everything, read, stated
from tests.kits.postgres import RECORDERS, Cluster, SharedDatabase, cluster, database, opened
from tests.kits.sure import some, wait_until

__all__ = ["cluster", "database"]

WRITER = """
import fcntl, json, sys
from datetime import datetime, UTC
from pathlib import Path
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.formats.moments import Moment
address, folder, name, count = sys.argv[1], Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
(folder / f"ready-{name}").touch()
with (folder / "start").open() as start:
    fcntl.flock(start, fcntl.LOCK_SH)
for number in range(count):
    at = Moment(number, False, "UTC")
    own = Event(what=EventKind.ACTIVATED, at=at, reported_by=name, component=name, version=f"1.{number}")
    same = Event(what=EventKind.ACTIVATED, at=at, reported_by="all", component="same", version=f"2.{number}")
    against = Event(what=EventKind.ACTIVATED, at=at, reported_by=name, component="shared", version=f"{name}.{number}")
    with SharedLedger.connect(address, folder / name, write=True, tell=lambda note: None) as ledger:
        recorded = ledger.record([own, same, against], datetime.now(UTC))
    print(json.dumps({"ids": recorded.ids, "new": recorded.new, "head": recorded.head.digest}))
"""


def test_twenty_people_recording_at_once(database: SharedDatabase) -> None:
    """ "nothing lost, nothing twice, every answer equal to that order played in SQLite"."""
    people, times = 20, 3
    with TemporaryDirectory(dir=MEMORY) as name, ThreadPoolExecutor(people) as pool:
        folder = Path(name)
        with (folder / "start").open("w") as start:
            fcntl.flock(start, fcntl.LOCK_EX)
            addresses = [database.address(RECORDERS[number % len(RECORDERS)]) for number in range(people)]
            words: list[list[str | Path]] = [
                ["-c", WRITER, address, folder, f"w{n}", str(times)] for n, address in enumerate(addresses)
            ]
            running = [pool.submit(forked.run, command) for command in words]
            wait_until(lambda: len(list(folder.glob("ready-*"))) == people, "twenty people at the start")
            fcntl.flock(start, fcntl.LOCK_UN)
        ended = [run.result() for run in running]
        assert [(done.returncode, done.stderr) for done in ended] == [(0, "")] * people
        reports = [json.loads(line) for done in ended for line in done.stdout.splitlines()]
        acknowledged = {event_id for report in some(reports) for event_id in report["ids"]}
        assert sum(report["new"] for report in reports) == len(acknowledged) == people * times * 2 + times
        with opened(database, copies="later") as ledger, Ledger.open(folder / "own.sqlite", write=True) as own:
            entries = list(ledger.entries())
            assert {entry.id for entry in entries} == acknowledged and len(entries) == len(acknowledged)
            own.record([entry.event for entry in entries], DAY0)
            assert everything(ledger) == everything(own)
            assert verify(ledger).wrong == ()
            heads = {entry[0].hex() for entry in database.run("SELECT head FROM bundlekeeper.event")}
            assert {report["head"] for report in reports} <= heads  # what was printed stays true
        log, _ = EventLog.open(database.address(), write=False)
        verified = verify_log(log, b"")
        log.close()
        assert verified.wrong == ()
        assert [chain.writer for chain in verified.writers if chain.events] == [w.writer for w in verified.writers]
        assert sorted(chain.writer for chain in verified.writers) == sorted(RECORDERS)


RETRYING = """
import fcntl, json, sys
from datetime import datetime, UTC
from pathlib import Path
from bundlekeeper.errors import KeeperError
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.formats.moments import Moment
address, folder, name, count = sys.argv[1], Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
events = [Event(what=EventKind.ACTIVATED, at=Moment(part, False, "UTC"), reported_by=name, component=name,
    version=f"6.{part}") for part in range(count)]
while True:
    with (folder / "up").open() as up:
        fcntl.flock(up, fcntl.LOCK_SH)
    try:
        with SharedLedger.connect(address, folder / name, write=True, tell=lambda note: None) as ledger:
            print(json.dumps(ledger.record(events, datetime.now(UTC)).ids), flush=True)
            break
    except KeeperError as error:
        assert error.exit_code == 3, error
"""


@pytest.mark.parametrize(("how", "people"), [("the server is killed", 20), ("all connections are ended", 6)])
def test_many_people_while_it_happens_again_and_again(database: SharedDatabase, how: str, people: int) -> None:
    """What was acknowledged is there, once; each recording is whole or absent; the chains are right."""
    each = 40
    end = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename IN ('kim', 'lee', 'noor')"
    with TemporaryDirectory(dir=MEMORY) as name, ThreadPoolExecutor(people) as pool:
        folder = Path(name)
        (folder / "up").touch()
        words: list[list[str | Path]] = [
            ["-c", RETRYING, database.address(RECORDERS[n % len(RECORDERS)]), folder, f"w{n}", str(each)]
            for n in range(people)
        ]
        running = [pool.submit(forked.run, command) for command in words]
        for batches in (1, people // 4, people // 2):
            wait_until(lambda batches=batches: _batches(database) >= batches, "recordings")  # type: ignore[misc]
            if how == "all connections are ended":
                wait_until(lambda: bool(database.run(end)) or _batches(database) == people, "a connection")
                continue
            with (folder / "up").open() as up:
                fcntl.flock(up, fcntl.LOCK_EX)
                database.cluster.stop(kill=True)
                database.cluster.start()
        ended = [run.result() for run in running]
        assert [(done.returncode, done.stderr) for done in ended] == [(0, "")] * people
        acknowledged = [
            event_id for done in ended for line in done.stdout.splitlines() for event_id in json.loads(line)
        ]
        with opened(database, copies="later") as ledger:
            there = [entry.id for entry in ledger.entries()]
            assert sorted(there) == sorted(acknowledged) and len(set(there)) == people * each
            lengths = database.run("SELECT length FROM bundlekeeper.batch")
            assert {length for (length,) in some(lengths)} == {each}
            assert verify(ledger).wrong == ()
        log, _ = EventLog.open(database.address(), write=False)
        assert verify_log(log, b"").wrong == ()
        log.close()


def _batches(database: SharedDatabase) -> int:
    return int(database.run("SELECT batches FROM bundlekeeper.ledger")[0][0])


KILLED = """
import os, signal, sys
from datetime import datetime, UTC
from pathlib import Path
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from bundlekeeper.ledger.shared.log import EventLog
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.formats.moments import Moment
commit = EventLog.commit
def killed(self):
    commit(self)
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[3] == "killed":
    EventLog.commit = killed
event = Event(what=EventKind.ACTIVATED, at=Moment(1, False, "UTC"), reported_by="kim", component="io", version="6.1")
with SharedLedger.connect(sys.argv[1], Path(sys.argv[2]), write=True, tell=print) as ledger:
    print(ledger.record([event], datetime.now(UTC)).new, ledger.head().count)
"""


def test_a_client_killed_after_its_commit_records_nothing_twice(database: SharedDatabase) -> None:
    """The database has it, the copy there has not; the same command on the same machine says that it was there."""
    line: list[str | Path] = ["-c", KILLED, database.address(), database.folder / "kim"]
    assert forked.run([*line, "killed"]).returncode == -9
    assert _batches(database) == 1
    again = forked.run([*line, "whole"])
    assert (again.stdout, again.stderr) == ("0 1\n", "")
    with opened(database, copies="kim") as ledger:
        assert verify(ledger).wrong == ()


class Line:
    """A line to the server, which is cut when a COMMIT goes over it: before it arrives, or before its answer does."""

    def __init__(self, cluster: Cluster, folder: Path) -> None:
        self.cluster, self.folder, self.cut = cluster, folder, ""
        self.seen = threading.Event()
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(folder / f".s.PGSQL.{cluster.port}"))
        self._server.listen()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            server = socket.socket(socket.AF_UNIX)
            server.connect(str(self.cluster.folder / f".s.PGSQL.{self.cluster.port}"))
            for source, target, is_client in ((client, server, True), (server, client, False)):
                thread = threading.Thread(target=self._carry, args=(source, target, is_client), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _carry(self, source: socket.socket, target: socket.socket, is_client: bool) -> None:
        while data := _received(source):
            commits = is_client and b"COMMIT" in data and bool(self.cut)
            if commits and self.cut == "before":
                break
            if not is_client and self.cut == "after" and self.seen.is_set():
                break
            if commits:
                self.seen.set()
            if not _sent(target, data):
                break
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for thread in self._threads:
            thread.join()


def _received(source: socket.socket) -> bytes:
    try:
        return source.recv(65536)
    except OSError:
        return b""


def _sent(target: socket.socket, data: bytes) -> bool:
    try:
        target.sendall(data)
    except OSError:
        return False
    return True


@pytest.mark.parametrize("cut", ["before", "after"])
@pytest.mark.parametrize("killed", [False, True])
def test_cut_off_in_a_commit_it_is_said_to_be_unknown(database: SharedDatabase, cut: str, killed: bool) -> None:
    """What was acknowledged is there; of what was not, it is said that nobody knows; and it can be recorded again."""
    server = database.cluster
    with TemporaryDirectory(prefix="line", dir="/tmp") as name:
        line = Line(server, Path(name))
        try:
            address = database.address().replace(str(server.folder), name)
            far = SharedDatabase(server, database.name, database.folder)
            far.address = lambda role="kim": address  # type: ignore[method-assign]
            acknowledged, unsure = read(0, "6.0"), stated(EventKind.ACTIVATED, 1, "6.1")
            with opened(far) as ledger:
                assert ledger.record([acknowledged], DAY0).new == 1
                line.cut = cut
                with pytest.raises(KeeperError) as error:
                    ledger.record([unsure], DAY0)
                assert "it is not known whether this was recorded" in error.value.message
                assert error.value.exit_code == 3
        finally:
            line.close()
        if killed:
            server.stop(kill=True)
            server.start()
    with opened(database) as ledger:
        there = [entry.id for entry in ledger.entries()]
        assert there == [acknowledged.id()] + ([unsure.id()] if cut == "after" else [])
        assert ledger.record([unsure], DAY0).new == (0 if cut == "after" else 1)
        assert [entry.id for entry in ledger.entries()] == [acknowledged.id(), unsure.id()]
        assert verify(ledger).wrong == ()


def test_the_server_is_killed_while_one_records(database: SharedDatabase) -> None:
    """Between two events of one recording: nothing of it is there, what came before is."""
    with opened(database) as ledger:
        assert ledger.record([read(0, "6.0")], DAY0).new == 1

        def events() -> Iterator[object]:
            yield stated(EventKind.ACTIVATED, 1, "6.1")
            database.cluster.stop(kill=True)
            yield stated(EventKind.ACTIVATED, 2, "6.2")

        with pytest.raises(KeeperError) as error:
            ledger.record(events(), DAY0)  # type: ignore[arg-type]
        assert "cannot be reached" in error.value.message and "--offline" in error.value.hint
        assert len(list(ledger.entries())) == 1  # the copy has it no more than the server
    database.cluster.start()
    with opened(database) as ledger:
        assert len(list(ledger.entries())) == 1
