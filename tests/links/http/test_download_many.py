"""Several files from one mirror at a time: counted at the server, and everything else as with one after the other."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest

from bundlekeeper.errors import EXIT_TERMINATED, StoppedError, UnfinishedError
from bundlekeeper.links.http.download import DownloadRules
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding import fetch_ahead
from bundlekeeper.store.adding.sources import Fetched, FileOffer, SourceError
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop
from bundlekeeper.verification.hashing.threads import Helper
from tests.kits.local_server import Authority, Connection, LocalServer, Request, Served, Site
from tests.kits.mirrors import Bench

SIZE = 100_000
HALF = 60_000
PATIENCE_S = 30.0  # for what must come; a test that waits so long fails


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def bench(tmp_path: Path, authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(tmp_path, authority, stack, _bundles(6))


def _bundles(count: int) -> dict[str, bytes]:
    return {f"{n}.bin": random.Random(n).randbytes(SIZE) for n in range(count)}


def _site(bundles: dict[str, bytes], **how: str) -> Site:
    return Site({f"/{name}": Served(data, **how) for name, data in bundles.items()})  # type: ignore[arg-type]


class Together:
    """Answers no GET before `count` of them are open."""

    def __init__(self, site: Site, count: int) -> None:
        self.site = site
        self.barrier = threading.Barrier(count)

    def __call__(self, request: Request, connection: Connection) -> None:
        if request.method == "GET":
            try:
                self.barrier.wait(PATIENCE_S)
            except threading.BrokenBarrierError:
                connection.answer(404)
                return
        self.site(request, connection)


def _gets(server: LocalServer) -> list[str]:
    return [r.path for r in server.requests if r.method == "GET"]


def test_four_files_of_a_host_come_at_a_time_and_no_more(bench: Bench) -> None:
    bench.bundles = _bundles(8)
    server = bench.serve(Together(_site(bench.bundles), fetch_ahead.FROM_ONE_HOST))
    result = bench.add(server.url)
    assert [r.status for r in result.rows] == ["added"] * 8 and not result.findings
    assert server.most["GET"] == fetch_ahead.FROM_ONE_HOST == 4 and server.most["HEAD"] == 1


def test_two_mirrors_of_one_host_share_its_limit(bench: Bench) -> None:
    bench.bundles = _bundles(8)
    names = list(bench.bundles)
    first, second = (
        {f"/{at}/{name}": Served(bench.bundles[name]) for name in names[n::2]} for n, at in enumerate("ab")
    )
    server = bench.serve(Together(Site({**first, **second}), 4))
    assert [r.status for r in bench.add(f"{server.url}/a", f"{server.url}/b").rows] == ["added"] * 8
    assert server.most["GET"] == 4


def test_a_second_host_has_files_of_its_own_on_the_way(bench: Bench) -> None:
    """Four of each: the barrier lets nobody through before all eight are open."""
    bench.bundles = _bundles(8)
    names = list(bench.bundles)
    barrier = threading.Barrier(8)
    servers = []
    for half in (names[:4], names[4:]):
        handler = Together(_site({name: bench.bundles[name] for name in half}), 1)
        handler.barrier = barrier
        servers.append(bench.serve(handler))
    assert [r.status for r in bench.add(*(s.url for s in servers)).rows] == ["added"] * 8
    assert [s.most["GET"] for s in servers] == [4, 4]


def test_all_hosts_together_have_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve files of three hosts: eight begin, and one more when the first has ended."""
    begun: list[Helper] = []
    eight, go_on = threading.Semaphore(0), threading.Event()
    start = Helper.start

    def counted(helper: Helper) -> bool:
        begun.append(helper)
        return start(helper)

    def fetch(number: int, stop: Stop) -> Fetched:
        eight.release()
        for _ in range(8 if number == 0 else 0):
            assert eight.acquire(timeout=PATIENCE_S)
        assert number == 0 or go_on.wait(PATIENCE_S)
        raise SourceError(f"{number}")

    monkeypatch.setattr(Helper, "start", counted)
    offers = [FileOffer("", "", None, True) for _ in range(12)]
    jobs = (fetch_ahead.Job(f"{n}", offers[n], f"{n // 4}", "", partial(fetch, n)) for n in range(12))
    with fetch_ahead.AheadFetches(jobs, None) as several:
        with pytest.raises(SourceError, match="0"):
            several.result("0", offers[0])
        assert len(begun) == fetch_ahead.AT_ONCE + 1 == 9
        go_on.set()
        for number in range(1, 12):
            with pytest.raises(SourceError, match=f"{number}"):
                several.result(f"{number}", offers[number])


def test_connections_are_shared(bench: Bench) -> None:
    """Six questions and six files by no more connections than files come at a time; one where there is one file."""
    server = bench.serve(Together(_site(bench.bundles), 2), keep_alive=True)
    assert [r.status for r in bench.add(server.url).rows] == ["added"] * 6
    assert len(server.requests) == 12 and 2 <= server.connections <= fetch_ahead.FROM_ONE_HOST
    bench.bundles = {"one.bin": b"one"}
    one = bench.serve(_site(bench.bundles), keep_alive=True)
    bench.root.rename(bench.folder / "before")
    assert bench.add(one.url).rows[0].status == "added"
    assert (len(one.requests), one.connections) == (2, 1)


def test_an_unused_answer_leaves_its_connection(bench: Bench) -> None:
    """A file that is not there, and a redirect with a body, each on the connection of the one before."""
    bench.bundles = {"a.bin": b"a" * 10, "b.bin": b"b" * 10}
    site = Site({"/there/b.bin": Served(bench.bundles["b.bin"])})

    def handler(request: Request, connection: Connection) -> None:
        if request.path == "/b.bin":
            connection.answer(302, {"Location": "/there/b.bin"}, b"" if request.method == "HEAD" else b"moved" * 100)
        else:
            site(request, connection)

    server = bench.serve(handler, keep_alive=True)
    assert [r.status for r in bench.add(server.url).rows] == ["missing", "added"]
    assert (len(server.requests), server.connections) == (5, 1)


def test_a_kept_connection_that_the_server_let_go_is_no_failure(bench: Bench) -> None:
    """RFC 9112 §9.3.1: asked again on a new connection, at once, and not counted as a try."""
    seen: set[int] = set()
    dropped: list[str] = []
    site = _site(bench.bundles)

    def handler(request: Request, connection: Connection) -> None:
        if id(connection) in seen and len(dropped) < 3:
            dropped.append(request.method)
            connection.gone = True  # closed without an answer
            return
        seen.add(id(connection))
        site(request, connection)

    server = bench.serve(handler, keep_alive=True)
    connections: list[Connection] = []  # kept, so that no second has the id of a first
    original = handler

    def keeping(request: Request, connection: Connection) -> None:
        connections.append(connection)
        original(request, connection)

    server.handler = keeping
    assert [r.status for r in bench.add(server.url, rules=DownloadRules(tries=1)).rows] == ["added"] * 6
    assert len(dropped) == 3 and bench.waits == []


def test_the_order_is_the_manifests_whichever_comes_first(bench: Bench) -> None:
    """The first file ends last; rows, the store database's times and the ledger are as if they had come in turn."""
    others = threading.Event()
    left = set(list(bench.bundles)[1:4])
    site = _site(bench.bundles)

    def handler(request: Request, connection: Connection) -> None:
        if request.method == "GET" and request.path == "/0.bin":
            assert others.wait(PATIENCE_S)
        site(request, connection)
        if request.method == "GET":
            left.discard(request.path[1:])
            if not left:
                others.set()

    result = bench.add(bench.serve(handler).url)
    assert [(r.name, r.status, r.read_bytes) for r in result.rows] == [(n, "added", SIZE) for n in bench.bundles]
    with Store.open(bench.root, write=False) as store, store.database(write=False) as database:
        assert [row.name for row in database.stored()] == sorted(bench.bundles)
    assert bench.states() == ["verified"] * 6 and bench.incoming == set()


def test_one_after_the_other_gives_the_same(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no thread can be had, all the same comes of it."""
    monkeypatch.setattr(Helper, "start", lambda self: False)
    server = bench.serve(_site(bench.bundles))
    assert [r.status for r in bench.add(server.url).rows] == ["added"] * 6
    assert server.most["GET"] == 1 and bench.incoming == set()


class Reported(Silent):
    """Counts what progress is reported."""

    def __init__(self) -> None:
        self.total = self.done_bytes = 0
        self._lock = threading.Lock()

    def begin(self, title: str, total_bytes: int, files: int) -> None:
        self.total = total_bytes

    def advance(self, count: int) -> None:
        with self._lock:
            self.done_bytes += count


def test_progress_is_right_with_several_at_a_time_that_break_and_begin_again(bench: Bench) -> None:
    site = _site(bench.bundles, etag="")
    for number, served in enumerate(site.files.values()):
        served.cuts = [HALF] * (number % 3)  # without a validator each try begins from nothing
    server = bench.serve(Together(site, 1))
    reported = Reported()
    result = bench.add(server.url, progress=reported)
    assert [(r.status, r.read_bytes) for r in result.rows] == [("added", SIZE)] * 6
    assert reported.done_bytes == reported.total == 6 * SIZE


def test_bundles_of_the_same_bytes_are_fetched_once(bench: Bench) -> None:
    same = random.Random(9).randbytes(SIZE)
    bench.bundles = {"a.bin": same, "b.bin": same, "c.bin": same, "d.bin": b"d" * SIZE}
    server = bench.serve(_site(bench.bundles))
    assert [r.status for r in bench.add(server.url).rows] == ["added", "same bytes", "same bytes", "added"]
    assert sorted(_gets(server)) == ["/a.bin", "/d.bin"]


def test_the_same_bytes_that_a_broken_file_in_place_waits_for_are_fetched_once(bench: Bench) -> None:
    """A wrong file in the store is fetched in its turn, and another bundle of its bytes is not fetched beside it."""
    same = random.Random(9).randbytes(SIZE)
    bench.bundles = {"a.bin": same, "b.bin": same}
    place = bench.root / "infrastructure" / "6.0.0"
    with Store.open(bench.root, write=True):
        place.mkdir(parents=True)
    (place / "a.bin").write_bytes(b"wrong" * 20_000)
    server = bench.serve(_site(bench.bundles))
    assert [r.status for r in bench.add(server.url).rows] == ["added", "same bytes"]
    assert _gets(server) == ["/a.bin"]


@pytest.mark.parametrize("bad", ["0.bin", "2.bin", "5.bin"])
def test_one_that_fails_is_one_bundles(bench: Bench, bad: str) -> None:
    site = _site(bench.bundles)

    def handler(request: Request, connection: Connection) -> None:
        if request.path == f"/{bad}" and request.method == "GET":
            connection.answer(403)
        else:
            site(request, connection)

    result = bench.add(bench.serve(handler).url)
    assert [r.name for r in result.rows if r.status != "added"] == [bad]
    [finding] = result.findings
    assert (finding.code, finding.subject) == ("unreadable", bad) and "403" in finding.message


class Stuck:
    """Gives half of each file and waits, but for those that are `free`; counts the files that wait."""

    def __init__(self, site: Site, free: frozenset[str] = frozenset()) -> None:
        self.site, self.free = site, free
        self.half = threading.Semaphore(0)
        self.go_on = threading.Event()

    def __call__(self, request: Request, connection: Connection) -> None:
        served = self.site.files[request.path]
        if request.method == "HEAD" or self.go_on.is_set() or request.path[1:] in self.free:
            self.site(request, connection)
            return
        connection.answer(200, {"ETag": served.etag, "Content-Length": str(len(served.data))}, served.data[:HALF])
        self.half.release()
        self.go_on.wait(PATIENCE_S)

    def wait_for(self, count: int) -> None:
        for _ in range(count):
            assert self.half.acquire(timeout=PATIENCE_S)


def _part(bench: Bench, name: str) -> Path:
    return bench.root / ".keeper" / "incoming" / f".part-{hashlib.sha256(bench.bundles[name]).hexdigest()}"


def _wait_for_parts(bench: Bench, sizes: dict[str, int]) -> None:
    while any(not _part(bench, n).exists() or _part(bench, n).stat().st_size < size for n, size in sizes.items()):
        signal.sigtimedwait([], 0.01)


def test_a_stop_keeps_all_that_came(bench: Bench) -> None:
    """Halves of the files on their way, and the whole of those that came before their turn: only the rest is asked."""
    names = list(bench.bundles)
    stuck = Stuck(_site(bench.bundles), frozenset(names[1:3]))
    server = bench.serve(stuck)
    stop = Stop()

    def tell() -> None:
        stuck.wait_for(4)  # the first, and those that came up when the second and the third were there
        _wait_for_parts(bench, {names[0]: HALF, names[1]: SIZE, names[2]: SIZE, names[3]: HALF})
        stop.set(EXIT_TERMINATED)

    teller = threading.Thread(target=tell)
    teller.start()
    with pytest.raises(StoppedError) as caught:
        bench.add(server.url, stop=stop)
    teller.join()
    assert caught.value.exit_code == EXIT_TERMINATED and bench.published_or_nothing() == []
    assert not [t for t in threading.enumerate() if t.name.startswith(("fetch", "hash"))]
    stuck.go_on.set()
    before = server.body_bytes
    result = bench.add(server.url)
    assert [r.status for r in result.rows] == ["added"] * 6 and not result.findings
    assert server.body_bytes - before == 4 * (SIZE - HALF) and bench.incoming == set()


def test_kill_9_with_several_on_their_way_then_only_the_rest(bench: Bench) -> None:
    names = list(bench.bundles)
    stuck = Stuck(_site(bench.bundles))
    server = bench.serve(stuck)
    process = bench.start(server.url)
    stuck.wait_for(4)
    _wait_for_parts(bench, dict.fromkeys(names[:4], HALF))
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    assert bench.published_or_nothing() == []
    stuck.go_on.set()
    result = bench.add(server.url)
    assert [r.status for r in result.rows] == ["added"] * 6 and not result.findings
    assert bench.incoming == set() and bench.states() == ["verified"] * 6


def test_a_store_that_fails_ends_the_adding_and_the_threads(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    stuck = Stuck(_site(bench.bundles), frozenset({"0.bin"}))
    server = bench.serve(stuck)
    link = os.link

    def full(source: str, target: str, **folders: int) -> None:
        if target != "0.bin":
            return link(source, target, **folders)  # type: ignore[arg-type]  # follow_symlinks is among them
        stuck.wait_for(3)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "link", full)
    with pytest.raises(UnfinishedError, match=r"0\.bin could not be stored"):
        bench.add(server.url)
    monkeypatch.setattr(os, "link", link)
    assert not [t for t in threading.enumerate() if t.name.startswith(("fetch", "hash"))]
    stuck.go_on.set()
    assert [r.status for r in bench.add(server.url).rows] == ["added"] * 6
