"""Where a run or a download meets a second of a kind, the second counts: each test fails when it is ignored."""

from __future__ import annotations

import gc
import hashlib
import os
import random
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level
from bundlekeeper.links.http.client import check_headers, parse_origin
from bundlekeeper.links.http.mirror import mirror_source
from bundlekeeper.links.http.part_file import PartFile, RecordPlace
from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import add_bundles
from bundlekeeper.store.adding.sources import FolderSource
from bundlekeeper.store.contents.store import Store
from tests.kits.local_server import Authority, Served, Site, serving
from tests.kits.mirrors import A, Bench
from tests.kits.store_kit import Kit, codes, now
from tests.kits.vouching_kit import Signer, stated, trust

GOOD = b"a" * 100
URL = "https://mirror.example/a.bin"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def bench(tmp_path: Path, authority: Authority) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(tmp_path, authority, stack)


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    folder = tmp_path / "kit"
    folder.mkdir()
    return Kit(folder)


def _signer(tmp_path: Path, which: int = 0) -> Signer:
    folder = tmp_path / f"signer{which}"
    folder.mkdir()
    return Signer("sshsig", folder, which=which)


def test_the_second_allowed_host_while_adding(bench: Bench) -> None:
    elsewhere = bench.serve(Site({"/a.bin": Served(A)}))
    server = bench.serve(lambda _, c: c.answer(302, {"Location": f"{elsewhere.url}/a.bin"}))
    result = bench.add(server.url, allow=("https://files.example", elsewhere.url))
    assert [r.status for r in result.rows] == ["added"]


def test_the_second_mirror_that_fails_is_reported_with_the_first(bench: Bench) -> None:
    first = bench.serve(lambda _, c: c.answer(403))
    second = bench.serve(lambda _, c: c.answer(401))
    [found] = bench.add(first.url, second.url).findings
    assert found.code == "unreadable" and "403" in found.message and "401" in found.message


def test_the_second_mirror_of_a_dry_run_is_reported_with_the_first(bench: Bench, kit: Kit) -> None:
    """What kept a bundle from being found at each source."""
    sources = [FolderSource(kit.source), FolderSource(bench.folder / "other")]
    for source in (kit.source, bench.folder / "other"):
        source.mkdir(exist_ok=True)
        (source / "a.bin").symlink_to("elsewhere")
    loaded = kit.loaded(kit.bundle("a.bin", GOOD))
    with Store.open(kit.root, write=True) as store:
        result = add_bundles(store, loaded, sources, clock=now, progress=Silent(), dry_run=True)
        again = add_bundles(store, loaded, sources, clock=now, progress=Silent())
    for each in (result, again):
        [found] = each.findings
        assert found.code == "missing" and f"{kit.source}/a.bin is " in found.message
        assert f"{bench.folder}/other/a.bin is " in found.message


@pytest.mark.parametrize(("at", "beside"), [("", "/blade/6.1.0"), ("/blade/6.1.0", "")])
def test_a_signature_may_lie_at_the_mirrors_other_place(at: str, beside: str, kit: Kit, tmp_path: Path) -> None:
    """The bundle flat, its signature as in a store, and the other way round."""
    signer = _signer(tmp_path)
    trust(kit, signer.entry())
    bundle = kit.bundle("a.bin", GOOD, signature=stated("sshsig"))
    site = Site({f"{at}/a.bin": Served(GOOD), f"{beside}/a.bin.sig": Served(signer.sign(GOOD))})
    with serving(site) as server, Store.open(kit.root, write=True) as store:
        source = mirror_source(server.url, folders={bundle.sha256: "blade/6.1.0"})
        result = add_bundles(store, kit.loaded(bundle), [source], clock=now, progress=Silent())
    assert [(r.status, r.signature) for r in result.rows] == [("added", "good")]


def test_the_second_source_may_have_the_good_signature(kit: Kit, tmp_path: Path) -> None:
    """Beside the bundle lies one by an unknown key; the other source has one by the key that the manifest names."""
    signer = _signer(tmp_path)
    trust(kit, signer.entry())
    kit.offer("a.bin", GOOD)
    kit.offer("a.bin.sig", _signer(tmp_path, 1).sign(GOOD))
    other = tmp_path / "other"
    other.mkdir()
    (other / "a.bin.sig").write_bytes(signer.sign(GOOD))
    bundle = kit.bundle("a.bin", GOOD, signature=stated("sshsig"))
    with Store.open(kit.root, write=True) as store:
        sources = [FolderSource(kit.source), FolderSource(other)]
        result = add_bundles(store, kit.loaded(bundle), sources, clock=now, progress=Silent())
    assert [(r.status, r.signature) for r in result.rows] == [("added", "good")]


def test_every_badly_signed_offer_is_reported(kit: Kit, tmp_path: Path) -> None:
    """The right bytes in two folders: beside the one a signature of other bytes, beside the other what is none."""
    signer = _signer(tmp_path)
    trust(kit, signer.entry())
    for folder, signature in (("one", signer.sign(b"other")), ("two", b"<html>no such file</html>")):
        kit.offer(f"{folder}/a.bin", GOOD)
        kit.offer(f"{folder}/a.bin.sig", signature)
    result = kit.add(kit.bundle("a.bin", GOOD, signature=stated("sshsig")))
    assert result.rows[0].status == "quarantined"
    assert [(f.code, f.level) for f in result.findings] == [("bad-signature", Level.ERROR)] * 2


def test_the_second_digest_goes_on_with_the_first(tmp_path: Path) -> None:
    """A component that is gone on with in the next run has every digest of its kept start, too."""
    fd, folder = os.open(tmp_path / "component", os.O_RDWR | os.O_CREAT, 0o600), os.open(tmp_path, os.O_RDONLY)
    data = random.Random(5).randbytes(1000)
    try:
        for start, end in ((0, 400), (400, 1000)):
            os.lseek(fd, 0, os.SEEK_SET)
            part = PartFile(
                fd, RecordPlace(folder, "record"), whole=1000, on_bytes=lambda _: None, algorithms=("sha256", "sha512")
            )
            if part.resume([URL]) == "":
                part.begin(URL, '"one"')
            assert part.size == start
            with part.receiving() as joined:
                joined.add(data[start:end])
            part.keep()
        assert part.digest().hexes == {name: hashlib.new(name, data).hexdigest() for name in ("sha256", "sha512")}
    finally:
        os.close(fd)
        os.close(folder)


def test_the_second_name_of_stored_bytes_is_used_where_the_first_is_gone(tmp_path: Path) -> None:
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD), kit.bundle("b.bin", GOOD, version="6.2.0"))
    (kit.root / "blade/6.1.0/a.bin").unlink()
    (kit.source / "a.bin").unlink()
    result = kit.add(kit.bundle("c.bin", GOOD, version="6.3.0"), manifest=2)
    assert [(r.status, r.came_from) for r in result.rows] == [("same bytes", "blade/6.2.0/b.bin")]


def test_the_second_header_is_checked_by_the_rules_too() -> None:
    origin = parse_origin("https://mirror.example")
    for name, value in (("Host", "x"), ("X-A", "")):
        with pytest.raises(InputError, match=name):
            check_headers({"X-Token": "x", name: value}, origin)


def test_the_connections_of_every_mirror_and_origin_are_closed(bench: Bench) -> None:
    """An open socket that is let go of is a ResourceWarning, and that an error here."""
    bench.bundles = {"a.bin": GOOD, "b.bin": GOOD[::-1] + b"b"}
    elsewhere = bench.serve(Site({"/a.bin": Served(GOOD)}), keep_alive=True)
    first = bench.serve(lambda _, c: c.answer(302, {"Location": f"{elsewhere.url}{_.target}"}), keep_alive=True)
    second = bench.serve(Site({"/b.bin": Served(GOOD[::-1] + b"b")}), keep_alive=True)
    result = bench.add(first.url, second.url, allow=(elsewhere.url,))
    assert [r.status for r in result.rows] == ["added", "added"]
    gc.collect()


def test_a_conflicts_offered_file_is_kept_and_reported(tmp_path: Path) -> None:
    """Its place in quarantine is in the finding, its note has the reason; a wrong file met before is another
    finding."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", b"first")
    kit.add(kit.bundle("a.bin", b"first"))
    kit.offer("a.bin", b"secund")  # of the same name and size, and wrong
    kit.offer("z/a.bin", b"second")
    result = kit.add(kit.bundle("a.bin", b"second"), manifest=2)
    assert sorted(codes(result)) == ["altered", "not-in-store"]
    kept = {name: f"quarantine/a.bin.{hashlib.sha256(name).hexdigest()[:12]}" for name in (b"second", b"secund")}
    [conflict] = [f for f in result.findings if f.code == "not-in-store"]
    [wrong] = [f for f in result.findings if f.code == "altered"]
    reported = [" ".join((each.message, each.hint)) for each in (conflict, wrong)]
    assert kept[b"second"] in reported[0] and kept[b"secund"] not in reported[0] and kept[b"secund"] in reported[1]
    tree = kit.tree()
    assert {kept[name]: tree[kept[name]] for name in kept} == {kept[name]: name for name in kept}
    assert b"other bytes are at its place" in tree[f"{kept[b'second']}.note.txt"]
    assert tree["blade/6.1.0/a.bin"] == b"first"
