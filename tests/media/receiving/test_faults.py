"""Receiving breaks off: killed at every change, the stick pulled, no space, two at once; FAT and exFAT media."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import KeeperError, LockedError, StoppedError, UnfinishedError
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.store.adding import add
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.media_kit import Bundle, MadeSet, Site, make_set, no_room, write_set, write_volume
from tests.kits.mounts import mounted

BUNDLES = (
    Bundle("infrastructure", "6.1.0", b"infrastructure " * 900, (1,)),
    Bundle("blade", "6.1.0", b"blade " * 2000, (2,)),
    Bundle("rack", "6.1.0", os.urandom(300_001), (1, 2)),
)
#: Every call of Python's by which a receive changes what others can see; SQLite's own calls are killed by take's tests.
CALLS = ("rename", "link", "unlink", "mkdir", "fsync", "ftruncate", "fchmod", "utime")
WHOLE = {each.path: each.data for each in BUNDLES}


@pytest.fixture
def made() -> MadeSet:
    """A set of two volumes with a split file."""
    return make_set(BUNDLES)


def whole_or_absent(site: Site) -> None:
    """Nothing in a family's folder but whole bundles."""
    for path, data in site.bundles().items():
        assert WHOLE[path] == data, f"{path} is not whole"


def in_child(work: Callable[[], object], at: int | None) -> int:
    """Run `work` in a forked child, killed at its `at`th change; returns how many it made, -1 when it was killed."""
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            count = 0

            def counted(call: Callable[..., Any]) -> Callable[..., Any]:
                def run(*args: Any, **options: Any) -> Any:
                    nonlocal count
                    count += 1
                    if count == at:
                        os.kill(os.getpid(), signal.SIGKILL)
                    return call(*args, **options)

                return run

            for name in CALLS:
                setattr(os, name, counted(getattr(os, name)))
            work()
            os.write(writable, str(count).encode())
        finally:
            os._exit(0)
    os.close(writable)
    reported = b""
    while piece := os.read(readable, 100):
        reported += piece
    os.close(readable)
    status = os.waitpid(child, 0)[1]
    assert reported or os.WIFSIGNALED(status), "the child failed"
    return int(reported) if reported else -1


@pytest.mark.parametrize("every", [6, pytest.param(1, marks=pytest.mark.slow)])
def test_killed_at_any_change_it_goes_on_with_the_next_run(made: MadeSet, tmp_path: Path, every: int) -> None:
    """ "old state or whole file"; issue 7: "SIGKILL at every step of … receive"."""
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    site.receive(media[0])  # a part is in: the kill may come while the other joins it
    fresh = tmp_path / "fresh"
    shutil.copytree(site.root, fresh)
    total = in_child(lambda: site.receive(*media), None)
    assert total > 40
    for at in range(1, total + 1, every):
        shutil.rmtree(site.root)
        shutil.copytree(fresh, site.root)
        assert in_child(lambda: site.receive(*media), at) == -1
        whole_or_absent(site)
        came = site.receive(*media, wait_s=10.0)
        assert came.complete, f"killed at change {at}"
        assert site.bundles() == WHOLE


@pytest.mark.fault(53)
def test_a_stick_pulled_while_a_bundle_is_read(made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """ "stick pulled mid-receive: nothing published"."""
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    opened: set[int] = set()
    real_open, real_readv = WalkEntry.open, os.readv

    def open_and_note(self: WalkEntry) -> int:
        fd = real_open(self)
        if self.path.startswith("data/") and not self.path.startswith("data/manifests/"):
            opened.add(os.fstat(fd).st_ino)
        return fd

    def gone(fd: int, buffers: Any) -> int:
        if os.fstat(fd).st_ino in opened:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real_readv(fd, buffers)

    monkeypatch.setattr(WalkEntry, "open", open_and_note)
    monkeypatch.setattr(os, "readv", gone)
    came = site.receive(*media)
    assert {f.code for f in came.findings} == {"unreadable"}
    assert site.bundles() == {}
    assert not came.received.arrived.keys() & WHOLE.keys()
    monkeypatch.undo()
    assert site.receive(*media).complete
    assert site.bundles() == WHOLE


@pytest.mark.fault(53)
def test_the_medium_vanishes_between_the_look_and_the_read(
    made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    real = add.add_bundles

    def add_late(*args: Any, **options: Any) -> Any:
        shutil.rmtree(media[0])
        shutil.rmtree(media[1])
        return real(*args, **options)

    monkeypatch.setattr("bundlekeeper.media.receiving.receive.add_bundles", add_late)
    came = site.receive(*media)
    whole_or_absent(site)
    assert "unreadable" in {f.code for f in came.findings}
    assert not came.complete


def test_stopped_in_the_middle_it_goes_on_later(made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    stop = Stop()
    stop.set(130)
    with pytest.raises(StoppedError):
        site.receive(*media, stop=stop)
    whole_or_absent(site)
    assert site.receive(*media).complete


def test_two_receive_at_once_and_one_waits(made: MadeSet, tmp_path: Path) -> None:
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    with Store.open(site.root, write=True) as store, Sets(store).receiving(), pytest.raises(LockedError):
        site.receive(media[0])
    done: list[bool] = []
    errors: list[KeeperError] = []

    def one(number: int) -> None:
        try:
            done.append(site.receive(media[number], wait_s=30.0).complete)
        except KeeperError as error:
            errors.append(error)

    threads = [threading.Thread(target=one, args=(n,)) for n in (0, 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert sorted(done) == [False, True]
    assert site.bundles() == WHOLE


def test_no_space_is_reported_before_the_first_byte(
    made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    no_room(monkeypatch)
    with pytest.raises(UnfinishedError, match="not enough space"):
        site.receive(*media)
    assert site.bundles() == {}
    monkeypatch.undo()
    assert site.receive(*media).complete


@pytest.mark.fault(57)
@pytest.mark.parametrize("kind", ["exfat-fuse", "fat-fuse", "tmpfs"])
def test_volumes_on_media_without_links_and_modes(made: MadeSet, tmp_path: Path, kind: str) -> None:
    """ "no hard links, modes or O_TMPFILE on the medium"."""
    site = Site(tmp_path / "skerry")
    with mounted(kind, tmp_path) as point:
        for number in (1, 2):
            write_volume(made, number, point)
        came = site.receive(point)
        assert came.complete, [f.message for f in came.findings]
        assert not [f for f in came.findings if f.level != "note"]
    assert site.bundles() == WHOLE


@pytest.mark.fault(57)
@pytest.mark.parametrize("kind", ["exfat-fuse", "fat-fuse"])
def test_a_receipt_is_written_to_a_medium_without_links(made: MadeSet, tmp_path: Path, kind: str) -> None:
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.receipt import compose
    from bundlekeeper.media.receipt import write as receipt_write
    from tests.kits.media_kit import now, signed
    from tests.kits.signing_world import private

    site = Site(tmp_path / "skerry")
    site.receive(*write_set(made, tmp_path))
    with (
        mounted(kind, tmp_path) as point,
        Store.open(site.root, write=True) as store,
        Ledger.open(site.root / ".keeper" / "ledger.sqlite", write=True) as ledger,
    ):
        received, index = compose.chosen(store, "")
        receipt = compose.compose(store, ledger, received, index, made=now(), site="skerry", reported_by="me", after=0)
        from bundlekeeper.verification.signatures.sign import sign_document

        key = private("ed25519", 1)
        out = point / "skerry.receipt"
        receipt_write.write(out, receipt, ledger, lambda sha512: sign_document(key, "receipts", {"sha512": sha512}))
        data = out.read_bytes()
        assert Path(f"{out}.sig").read_bytes() == signed(data, 1, "receipts")
        assert sorted(p.name for p in point.iterdir() if "receipt" in p.name) == [
            "skerry.receipt",
            "skerry.receipt.sig",
        ]
        with pytest.raises(KeeperError):
            receipt_write.write(out, receipt, ledger, lambda _: b"")
        assert out.read_bytes() == data


def test_a_device_that_fails_at_the_close_does_not_hide_what_was_read(
    made: MadeSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.kits.store_kit import unclosable

    media = write_set(made, tmp_path)
    site = Site(tmp_path / "skerry")
    inodes = {p.stat().st_ino for m in media for p in (m / "data").rglob("*") if p.is_file()}
    monkeypatch.setattr(os, "close", unclosable(inodes))
    assert site.receive(*media).complete
    assert site.bundles() == WHOLE
