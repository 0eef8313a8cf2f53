"""Sessions that reading a Redfish service makes and ends, counted by a local service; some have space for a handful.

Source: DMTF DSP0266, session login: the answer to the POST holds X-Auth-Token, Location and the new session resource.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.local_server import Authority
from tests.kits.redfish_bench import ITEMS, QUICK, Bench, codes
from tests.kits.redfish_desk import COMMAND, HOLM, Desk
from tests.kits.redfish_server import PASSWORD, SESSIONS, Handler, World
from tests.kits.redfish_server import documents as fixture
from tests.kits.sure import PATIENCE_S

ROOT = "/redfish/v1"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def bench(authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(authority, stack)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with ExitStack() as stack:
        yield Desk(tmp_path, Authority(tmp_path), stack)


def refused(handler: Handler) -> None:
    handler.answer(401)


def running_out(world: World, path: str, *, stays: bool = False) -> None:
    """The token runs out, once, when the resource is asked for; the session itself goes with it, or `stays`."""

    def answer(handler: Handler) -> None:
        if not stays:
            world.open -= set(world.tokens.values())
        world.tokens.clear()
        del world.faults[path]
        handler.do_GET()

    world.faults[path] = answer


# -- 401 -------------------------------------------------------------------------------------------------------------


@pytest.mark.fault(95)
def test_401_to_every_resource(bench: Bench) -> None:
    """A service answers 401 to every resource: one log-in, every session ended."""
    made = fixture("rack")
    server = bench.serve(World(made, faults={path: refused for path in made if path != ROOT}))
    error = bench.fails(server)
    assert isinstance(error, UnfinishedError) and "nothing but the root could be read" in error.message
    assert "this user" in error.message and {p.code for p in error.problems} == {"resource-unread"}
    assert server.world.count("POST") == 1 and not server.world.open and server.world.most_open == 1


def test_401_to_one_resource_is_not_for_this_user(bench: Bench) -> None:
    server = bench.serve("rack")
    server.world.faults[f"{ITEMS}/nic"] = refused
    reading = bench.read(server)
    (problem,) = [p for p in reading.problems if p.code == "resource-unread"]
    assert problem.subject == f"{ITEMS}/nic" and "this user" in problem.message
    assert server.world.count("POST") == 1 and not server.world.open and reading.complete


def test_401_to_many_resources_costs_no_log_in(bench: Bench) -> None:
    server = bench.serve("rack")
    server.world.faults = {path: refused for path in server.world.documents if path.startswith(f"{ITEMS}/")}
    reading = bench.read(server)
    assert reading.counts["items"] == 0 and len(reading.components) == 6 and len(codes(reading)) == 8
    assert server.world.count("POST") == 1 and not server.world.open


@pytest.mark.parametrize("stays", [False, True])
def test_a_token_that_ran_out_once(bench: Bench, stays: bool) -> None:
    """One more log-in; also a session that stays in its place after its token ran out is ended, with the new one's."""
    server = bench.serve("rack")
    running_out(server.world, f"{ITEMS}/nic", stays=stays)
    reading = bench.read(server)
    assert codes(reading) == [] and len(reading.components) == 6 and reading.counts["items"] == 8
    assert server.world.count("POST") == 2 and not server.world.open


def test_a_token_that_ran_out_twice(bench: Bench) -> None:
    """At most one more log-in: the reading ends there, and says so."""
    server = bench.serve("rack")
    world = server.world
    running_out(world, f"{ITEMS}/nic")
    running_out(world, "/redfish/v1/Managers")
    reading = bench.read(server)
    assert not reading.complete and reading.counts["items"] == 8
    assert [p.message for p in reading.problems if p.code == "unreadable"] == [
        "the reading ended early: the session ran out a second time"
    ]
    assert world.count("POST") == 2 and not world.open


def test_after_a_new_log_in_a_401_is_not_for_this_user(bench: Bench) -> None:
    server = bench.serve("rack")
    world = server.world

    def out_and_refused(handler: Handler) -> None:
        world.open -= set(world.tokens.values())
        world.tokens.clear()
        world.faults[f"{ITEMS}/nic"] = refused
        handler.answer(401)

    world.faults[f"{ITEMS}/nic"] = out_and_refused
    world.faults[f"{ITEMS}/raid"] = refused
    reading = bench.read(server)
    assert codes(reading) == [("resource-unread", "nic"), ("resource-unread", "raid")] and reading.complete
    assert world.count("POST") == 2 and not world.open and reading.counts["items"] == 6


def test_a_log_in_that_is_refused_the_second_time(bench: Bench) -> None:
    server = bench.serve("rack")
    world = server.world
    running_out(world, f"{ITEMS}/nic")

    def second(handler: Handler) -> None:
        world.sessions_exist = not (handler.command == "POST" and len(world.issued) == 1)

    world.before = second
    reading = bench.read(server)
    assert not reading.complete and ("unreadable", server.url.rpartition("/")[2]) in codes(reading)
    assert world.count("POST") == 2 and not world.open


# -- a log-in that is answered in part -------------------------------------------------------------------------------


def test_a_log_in_without_a_token(bench: Bench) -> None:
    server = bench.serve(World(fixture("rack"), login_token=False))
    error = bench.fails(server)
    assert isinstance(error, UnfinishedError) and "without a token" in error.message
    assert [p.code for p in error.problems] == ["session-left"] and f"{SESSIONS}/1" in error.problems[0].subject
    assert server.world.count("POST") == 1


def test_without_a_location_the_answers_body_has_the_address(bench: Bench) -> None:
    """DSP0266: the body of the answer is the new session resource."""
    server = bench.serve(World(fixture("rack"), login_location=None, login_body=True))
    assert codes(bench.read(server)) == [] and not server.world.open
    server = bench.serve(World(fixture("rack"), login_location="https://elsewhere.example/s/{id}", login_body=True))
    assert codes(bench.read(server)) == [] and not server.world.open


def test_a_log_in_that_breaks_off_may_have_made_a_session(bench: Bench) -> None:
    server = bench.serve("rack")

    def cut(handler: Handler) -> None:
        if handler.command == "POST":
            handler.close_connection = True
            raise ConnectionError

    server.world.before = cut
    error = bench.fails(server)
    assert [p.code for p in error.problems] == ["session-left"] and server.world.count("POST") == 1


# -- the end of a session --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [401, 403, 500, 503])
def test_an_end_that_fails_is_reported_and_nothing_more(bench: Bench, status: int) -> None:
    server = bench.serve(World(fixture("rack"), end_status=status))
    reading = bench.read(server)
    (problem,) = [p for p in reading.problems if p.code == "session-left"]
    assert str(status) in problem.message and problem.subject == f"{server.url}{SESSIONS}/1"
    assert len(reading.components) == 6 and reading.complete


def test_an_end_that_fails_is_reported_beside_an_error(bench: Bench) -> None:
    server = bench.serve(World(fixture("rack"), end_status=500))
    server.world.faults = {path: refused for path in server.world.documents if path != ROOT}
    error = bench.fails(server)
    assert "session-left" in {p.code for p in error.problems}


def test_a_session_is_ended_when_something_of_ours_breaks(bench: Bench) -> None:
    server = bench.serve("rack")
    with pytest.raises(ZeroDivisionError):
        bench.read(server, limits=QUICK, cache=Broken())
    assert server.world.count("POST") == 1 and not server.world.open


class Broken:
    """A cache that breaks when it is to keep an item."""

    def get(self, _user: str, url: str) -> None:
        if url.endswith("/nic"):
            raise ZeroDivisionError

    def put(self, *_: object) -> None:
        """Keep nothing."""


# -- signals ---------------------------------------------------------------------------------------------------------


def test_a_stop_during_the_log_in_waits_for_its_answer(bench: Bench) -> None:
    """A log-in that was sent makes a session; whoever does not wait for the answer can never end it."""
    server, stop = bench.serve("rack"), Stop()

    def stopping(handler: Handler) -> None:
        if handler.command == "POST":
            stop.set()
            select.select([handler.connection], [], [], 1.0)  # readable early only where the reader has hung up

    server.world.before = stopping
    assert isinstance(bench.fails(server, stop=stop), StoppedError)
    assert server.world.count("POST") == 1 and not server.world.open
    assert isinstance(bench.fails(server, stop=stop), StoppedError) and server.world.count("POST") == 1


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.parametrize("twice", [False, True])
def test_a_signal_ends_the_reading_and_every_session(
    desk: Desk, number: signal.Signals, status: int, twice: bool
) -> None:
    """ "every session that was made is ended, also on errors and signals": two services, a process of its own"""
    servers = [desk.serve(), desk.serve("chassis")]
    command = [sys.executable, "-c", COMMAND, *(s.url for s in servers), *HOLM, "-o", "read.toml"]
    command += ["--ca", str(desk.authority.path), "--user", "office-reader"]
    process = subprocess.Popen(
        command, env=desk.environment(PASSWORD), cwd=desk.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )

    first_is_read = threading.Event()

    def reading(handler: Handler) -> None:
        if handler.command == "GET" and handler.path.startswith(f"{ITEMS}/"):
            first_is_read.set()

    def interrupt(handler: Handler) -> None:
        if handler.command == "GET" and handler.path.startswith(f"{ITEMS}/"):
            first_is_read.wait(PATIENCE_S)  # both have logged in: a session that was never made proves nothing
            os.kill(process.pid, number)
            handler.server.closing.wait(PATIENCE_S)
        if handler.command == "DELETE" and twice:
            os.kill(process.pid, number)

    servers[0].world.before, servers[1].world.before = reading, interrupt
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == status and b"Traceback" not in out + err, err
    for server in servers:
        assert server.world.count("POST") == 1 and not server.world.open
    assert not (desk.folder / "read.toml").exists()
