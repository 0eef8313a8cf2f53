"""A hostile medium: what `media receive` reads before it trusts anybody is bounded, and it can be stopped.

Fault 96: "a volume text of 100 GB, sparse; 300,000 manifest lines | bounded, stoppable, seconds". Real processes, real
signals, real sparse files; that a test ends at all is its limit of time.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError, StoppedError
from bundlekeeper.media.receiving import find_volumes
from bundlekeeper.media.volume import bag, bag_text
from bundlekeeper.model.progress import Silent
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.media_kit import Bundle, Site, make_set, openings, write_set

BUNDLES = (
    Bundle("infrastructure", "6.1.0", b"i" * 900, (1,)),
    Bundle("blade", "6.1.0", b"b" * 900, (2,)),
    Bundle("rack", "6.1.0", b"r" * 900, (2,)),
)
HUGE = 100 << 30


@pytest.fixture
def sticks(tmp_path: Path) -> list[Path]:
    return write_set(make_set(BUNDLES), tmp_path)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path / "skerry")


def listed_again(volume: Path, name: str) -> None:
    """Make the tag manifest's line of a text again."""
    tag = volume / "tagmanifest-sha256.txt"
    rows = [line for line in tag.read_text().splitlines(keepends=True) if not line.endswith(f"  {name}\n")]
    tag.write_text("".join([*rows, f"{hashlib.sha256((volume / name).read_bytes()).hexdigest()}  {name}\n"]))


def grown(volume: Path, name: str) -> None:
    with (volume / name).open("ab") as file:
        file.truncate(HUGE)


@pytest.mark.fault(96)
@pytest.mark.attack("endless data")
@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize(
    "name", ["set-index.json", "set-index.json.sig", "manifest-sha256.txt", "tagmanifest-sha256.txt", "bagit.txt"]
)
def test_a_text_of_100_gb_is_refused_by_its_size(sticks: list[Path], site: Site, name: str, which: int) -> None:
    grown(sticks[which], name)
    came = site.receive(*sticks)
    assert came.refused
    assert any("larger than" in f.message for f in came.findings if f.code == "bad-volume")
    assert [row.number for row in came.volumes] == [2 - which], "what is wrong with one hides no other"


@pytest.mark.parametrize("name", ["READ-ME-FIRST.txt", "bag-info.txt", "SHA256SUMS", "more.txt", "tagmanifest-md5.txt"])
def test_a_text_of_100_gb_that_is_not_needed_for_trust(
    sticks: list[Path], site: Site, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reported or refused; no more of it is read than a text may have."""
    grown(sticks[1], name)
    read: list[int] = []
    monkeypatch.setattr(bag, "_read", _counting(read, bag._read))
    came = site.receive(*sticks)
    assert any(name in f.subject for f in came.findings)
    assert sum(read) < 1 << 20


def _counting(read: list[int], real: object) -> object:
    def counted(*args: object, **more: object) -> bytes:
        data: bytes = real(*args, **more)  # type: ignore[operator]
        read.append(len(data))
        return data

    return counted


def test_a_payload_file_of_100_gb_is_no_file_of_the_set(sticks: list[Path], site: Site) -> None:
    grown(sticks[0], f"data/{BUNDLES[0].path}")
    came = site.receive(*sticks)
    assert [f.code for f in came.findings if f.subject == BUNDLES[0].path] == ["extended"]


@pytest.mark.fault(96)
def test_more_lines_than_a_volume_may_have_files(sticks: list[Path], site: Site) -> None:
    manifest = sticks[0] / "manifest-sha256.txt"
    with manifest.open("a") as file:
        file.writelines(f"{n:064x}  data/b/{n:08d}.bin\n" for n in range(300_000))
    listed_again(sticks[0], manifest.name)
    came = site.receive(*sticks)
    assert came.refused
    assert ["more than 100000 lines" in f.message for f in came.findings if f.subject == manifest.name] == [True]


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_the_lines_are_counted_whatever_ends_them(end: str) -> None:
    text = f"{'0' * 64}  data/a{end}"
    assert bag_text.read_manifest(text * 2, "sha256", "1.0", most=2).problems == ("line 2: data/a is listed twice",)
    assert bag_text.read_manifest(text * 3, "sha256", "1.0", most=2).problems == ("has more than 2 lines",)


@pytest.mark.parametrize(
    "path",
    [
        *("data/a", "data/a b/c-d_e+f.g", "data/" + "x" * 200, "data/.hidden", "data/x" + "y" * 300, "data/../x"),
        *("data//x", "data/~x", "data/c:x", "/x", "data/x\\y", "data/x\x07", "data/ža", "data/x ", "data/-x", "", "."),
        *("..", "data/", "data/x\n", "data/x\x7f", "data/\u202ex", "data/" + "x" * 240, "data/" + "x" * 241),
    ],
)
def test_the_short_check_for_plain_names_equals_the_long_one(path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import re

    short = bag_text.unsafe(path), bag_text.path_key(path)
    monkeypatch.setattr(bag_text, "_PLAIN", re.compile(r"(?!)"))
    assert short == (bag_text.unsafe(path), bag_text.path_key(path))


# Stopped


class Stopping(Silent):
    """A progress that stops the work when a text is begun."""

    def __init__(self, stop: Stop) -> None:
        self.stop = stop

    def file(self, name: str) -> None:
        """Stop."""
        self.stop.set()


def test_looking_at_a_volume_can_be_stopped(sticks: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    stop = Stop()
    opened = openings(monkeypatch)
    with pytest.raises(StoppedError):
        find_volumes.find_volumes(sticks, progress=Stopping(stop), stop=stop)
    assert opened == []


@pytest.mark.fault(96)
@pytest.mark.parametrize("times", [1, 2])
def test_ctrl_c_while_a_volumes_texts_are_read(sticks: list[Path], site: Site, times: int) -> None:
    """A second Ctrl-C is no fault of the medium."""
    program = f"""
import os, signal, sys
from bundlekeeper.store.disk.walk import WalkEntry
real = WalkEntry.open
def opened(entry):
    if entry.path == "manifest-sha256.txt":
        for _ in range({times}):
            os.kill(os.getpid(), signal.SIGINT)
    if entry.path == "tagmanifest-sha256.txt":
        sys.stderr.write("READ ON")
    return real(entry)
WalkEntry.open = opened
sys.argv = ["bundlekeeper", "media", "receive", *sys.argv[1:]]
from bundlekeeper.__main__ import main
main()
"""
    command = [sys.executable, "-c", program, str(sticks[0]), "--store", str(site.root)]  # the last to be looked at
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 130, done.stderr
    assert "READ ON" not in done.stderr
    assert "stick" not in done.stdout + done.stderr, "the medium is not to blame"
    assert site.bundles() == {}


def test_a_medium_without_any_volume_that_can_be_read_is_still_refused(sticks: list[Path], site: Site) -> None:
    for stick in sticks:
        grown(stick, "set-index.json")
    with pytest.raises(RefusedError) as caught:
        site.receive(*sticks)
    assert sum("larger than" in f.message for f in caught.value.problems) == 2
