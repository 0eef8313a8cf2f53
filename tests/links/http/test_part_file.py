"""Part files and their records: what is gone on from, and what never is."""

from __future__ import annotations

import hashlib
import json
import os
import resource
import signal
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import StoppedError, UnfinishedError
from bundlekeeper.formats import limits
from bundlekeeper.links.http.part_file import PartFile, RecordPlace, Resume
from bundlekeeper.verification.hashing.read import Stop

URL = "https://mirror.example/a.bin"
WHOLE = 1000


@dataclass
class Bench:
    """A folder with a part file in it."""

    folder: Path
    fd: int
    folder_fd: int
    reported: int = 0

    def count(self, n: int) -> None:
        self.reported += n

    def part(self, stop: Stop | None = None) -> PartFile:
        self.reported = 0
        os.lseek(self.fd, 0, os.SEEK_SET)
        return PartFile(self.fd, RecordPlace(self.folder_fd, "record"), whole=WHOLE, on_bytes=self.count, stop=stop)

    @property
    def data(self) -> bytes:
        return (self.folder / "part").read_bytes()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    fd = os.open(tmp_path / "part", os.O_RDWR | os.O_CREAT, 0o600)
    folder_fd = os.open(tmp_path, os.O_RDONLY)
    yield Bench(tmp_path, fd, folder_fd)
    os.close(fd)
    os.close(folder_fd)


def _add(part: PartFile, data: bytes) -> None:
    with part.receiving() as joined:
        joined.add(data)


def _kept(bench: Bench, data: bytes = b"x" * 400, etag: str = '"one"') -> None:
    part = bench.part()
    assert part.resume([URL]) == ""
    part.begin(URL, etag)
    _add(part, data)
    part.keep()


def test_goes_on_where_it_was_kept(bench: Bench) -> None:
    _kept(bench)
    part = bench.part()
    assert part.resume(["https://other.example/", URL]) == URL
    assert (part.size, part.validator, bench.reported) == (400, '"one"', 400)
    _add(part, b"y" * 600)
    assert part.sha256() == hashlib.sha256(b"x" * 400 + b"y" * 600).hexdigest()
    assert bench.data == b"x" * 400 + b"y" * 600


def test_what_was_written_after_the_last_sync_is_cut_off(bench: Bench) -> None:
    """'what the ledger counts as kept was synced before the ledger said so' (the module's own rule)."""
    _kept(bench)
    os.write(bench.fd, b"?" * 100)
    part = bench.part()
    part.resume([URL])
    assert part.size == 400 and bench.data == b"x" * 400


@pytest.mark.parametrize(
    "reason", ["other address", "other size", "no record", "fewer bytes", "no strong tag", "broken"]
)
def test_starts_again(bench: Bench, reason: str) -> None:
    _kept(bench, etag="" if reason == "no strong tag" else '"one"')
    urls = ["https://other.example/a.bin"] if reason == "other address" else [URL]
    record = bench.folder / "record"
    if reason == "no strong tag":
        assert not record.exists()
    elif reason == "other size":
        record.write_text(record.read_text().replace("1000", "1001"))
    elif reason == "no record":
        record.unlink()
    elif reason == "fewer bytes":
        os.ftruncate(bench.fd, 399)
    elif reason == "broken":
        record.write_bytes(record.read_bytes()[:-5])
    part = bench.part()
    assert part.resume(urls) == ""
    assert (part.size, part.validator, bench.data) == (0, "", b"")
    assert not record.exists()


def test_a_finished_part_is_kept_without_a_tag(bench: Bench) -> None:
    _kept(bench, b"x" * WHOLE, etag="")
    part = bench.part()
    assert part.resume([URL]) == URL
    assert part.sha256() == hashlib.sha256(b"x" * WHOLE).hexdigest()


def test_beginning_again_subtracts_the_counted_bytes(bench: Bench) -> None:
    _kept(bench)
    part = bench.part()
    part.resume([URL])
    part.begin(URL, '"two"')
    assert bench.reported == 0
    _add(part, b"z")
    assert bench.reported == 1 and bench.data == b"z"


def test_stops_while_hashing_again(bench: Bench) -> None:
    _kept(bench)
    stop = Stop()
    stop.set()
    with pytest.raises(StoppedError):
        bench.part(stop).resume([URL])
    assert bench.part().resume([URL]) == URL


def test_no_room_drops_the_part(bench: Bench) -> None:
    """'no bytes or no inodes mid-copy: temp gone, clear error' (EFBIG by a limit stands for every write error)."""
    _kept(bench)
    part = bench.part()
    part.resume([URL])
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    quiet = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (500, old[1]))
    try:
        with pytest.raises(UnfinishedError, match="part file"):
            _add(part, b"y" * 600)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, quiet)
    assert bench.data == b"" and not (bench.folder / "record").exists()
    assert bench.reported == 0


@pytest.mark.fault(8)
def test_a_failed_sync_drops_the_part(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """'an error of the disk drops the part, and a failed sync is never tried again' (the module's own rule)."""
    calls = []

    def fail(fd: int) -> None:
        calls.append(fd)
        raise OSError(5, "Input/output error")

    part = bench.part()
    part.resume([URL])
    part.begin(URL, '"one"')
    _add(part, b"x")
    monkeypatch.setattr(os, "fdatasync", fail)
    with pytest.raises(UnfinishedError):
        part.keep()
    part.keep()
    assert len(calls) == 1 and part.size == 0 and bench.data == b""


def test_the_record_is_private_and_no_link_is_followed(bench: Bench) -> None:
    _kept(bench)
    record = bench.folder / "record"
    assert record.stat().st_mode & 0o777 == 0o600
    record.rename(bench.folder / "elsewhere")
    record.symlink_to("elsewhere")
    assert bench.part().resume([URL]) == ""
    _kept(bench)
    assert not record.is_symlink()


def test_a_huge_record_is_none(bench: Bench) -> None:
    _kept(bench)
    record = bench.folder / "record"
    record.write_bytes(record.read_bytes() + b" " * limits.DOWNLOAD_RECORD_BYTES)
    assert bench.part().resume([URL]) == ""


GOOD = json.loads(Resume(URL, '"one"', WHOLE, 400).as_bytes())
ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)


@given(st.sampled_from([*GOOD, "extra"]), ANY)
def test_a_record_that_is_wrong_in_any_detail_is_none(key: str, value: object) -> None:
    """'None for anything that is not one in every detail' (its docstring)."""
    row = GOOD | {key: value}
    record = Resume.from_bytes(json.dumps(row).encode())
    if record is not None:
        assert key != "extra" and type(value) is type(GOOD[key])
        assert 0 < record.kept <= record.whole


@given(st.binary(max_size=200))
def test_any_bytes_as_a_record(data: bytes) -> None:
    assert Resume.from_bytes(data) is None
    assert Resume.from_bytes(b"[" * 50_000) is None
