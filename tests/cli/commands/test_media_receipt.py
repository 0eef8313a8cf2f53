"""`receipt write` as a command: which site answers, where the files go, what may not be given together."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import Keeper, Ran
from tests.kits.media_kit import signed, write_set
from tests.kits.printed_receipts import printed, reported, typed
from tests.kits.signing_world import private, private_pem, ssh_line
from tests.kits.trips import SKERRY, Trip, code_of


def arrived(keeper: Keeper, tmp_path: Path, meant_for: str = "skerry") -> Trip:
    """A main site and a site that received a whole set, which was meant for somebody."""
    found = Trip(keeper, tmp_path)
    media = write_set(found.send(meant_for=meant_for), tmp_path / "media")
    assert found.at(found.skerry, "media", "receive", *media).status == 0
    return found


@pytest.fixture
def trip(keeper: Keeper, tmp_path: Path) -> Trip:
    """A main site and a site that received a whole set."""
    return arrived(keeper, tmp_path)


def write(trip: Trip, out: str | Path, *options: str) -> Ran:
    """Write a receipt at skerry, whatever comes of it."""
    words = ("receipt", "write", "--out", out, "--key", trip.base / "skerry.key", *options)
    return trip.at(trip.skerry, *words)


# Which site answers


@pytest.mark.parametrize("form", ["--printed", "--out"])
def test_a_site_that_is_not_recorded_is_refused_where_others_are(trip: Trip, form: str) -> None:
    """A printed receipt of a misspelt site would leave out its domains."""
    words = ("receipt", "write", "--printed", "--site")
    assert trip.at(trip.skerry, *words, "skery").status == 0, "nothing is recorded yet that could tell"
    trip.work()
    file = trip.base / "x"
    ran = trip.at(trip.skerry, *words, "skery") if form == "--printed" else write(trip, file, "--site", "skery")
    assert ran.status == 2
    assert "--site skery: no site of this name is recorded here" in ran.err
    assert "did you mean skerry?" in ran.err
    assert trip.at(trip.skerry, *words, "skerry").status == 0


@pytest.mark.parametrize("meant_for", ["domain nord-a to release 6.1", "release 6.1"])
def test_where_nothing_says_which_site_it_is_nothing_is_taken_for_one(
    keeper: Keeper, tmp_path: Path, meant_for: str
) -> None:
    """Else the title of the set would be a site at home."""
    trip = arrived(keeper, tmp_path, meant_for)
    refused = write(trip, tmp_path / "x")
    assert (refused.status, "name it with --site" in refused.err) == (2, True)
    assert write(trip, tmp_path / "x", "--site", "skerry").status == 0


@pytest.mark.parametrize("option", ["--site", "--reported-by"])
@pytest.mark.parametrize("word", ["sker\nry", "sker\x1b[31mry", "sker\u202ery", "\udcff"])
def test_a_name_that_is_not_one_line_of_text_is_refused(trip: Trip, option: str, word: str) -> None:
    for ran in (trip.at(trip.skerry, "receipt", "write", "--printed", option, word), write(trip, "x", option, word)):
        assert ran.status == 2
        assert f"{option} " in ran.err
        assert "plain text" in ran.err


@pytest.mark.parametrize(
    ("meant_for", "message"),
    [
        ("site skerry to release 6.1", ""),
        ("site holm to release 6.1", "the set was meant for site holm; the receipt is of skerry"),
        ("site north holm to release 6.1", "the set was meant for site north holm; the receipt is of skerry"),
        ("domain skerry-a to release 6.1", ""),
        ("domain holm-a to release 6.1", ""),
        ("release 6.1", ""),
    ],
)
def test_a_receipt_of_another_site_than_the_set_was_meant_for_is_reported(
    keeper: Keeper, tmp_path: Path, meant_for: str, message: str
) -> None:
    trip = arrived(keeper, tmp_path, meant_for)
    trip.work()
    ran = trip.read(trip.receipt("out"))
    assert (ran.status, reported(ran.json, "not-checked")) == (1 if message else 0, [message] if message else [])
    back = typed(trip, printed(trip, "--key", str(tmp_path / "skerry.key")))
    assert (back.status, reported(back.json, "not-checked")) == (1 if message else 0, [message] if message else [])


def test_a_receipt_of_a_site_without_the_domain_is_reported(keeper: Keeper, tmp_path: Path) -> None:
    """By the main site's own record, where it knows the domain."""
    trip = arrived(keeper, tmp_path, "domain holm-a to release 6.1")
    trip.work()
    out, slip = trip.receipt("out"), printed(trip, "--key", str(tmp_path / "skerry.key"))
    inventory = tmp_path / "holm.toml"
    inventory.write_text((tmp_path / "inventory-1.toml").read_text().replace("skerry", "holm").replace("S-1", "H-1"))
    assert trip.at(trip.main_site, "inventory", "load", inventory).status == 0
    message = ["the set was meant for domain holm-a, which is at holm; the receipt is of skerry"]
    ran, back = trip.read(out), typed(trip, slip)
    assert (ran.status, reported(ran.json, "not-checked")) == (1, message)
    assert (back.status, reported(back.json, "not-checked")) == (1, message)


def test_a_long_site_is_the_same_when_printed(keeper: Keeper, tmp_path: Path) -> None:
    long = "ö" * 30  # 60 bytes, of which 40 fit
    trip = arrived(keeper, tmp_path, f"site {long} to release 6.1")
    assert typed(trip, printed(trip, "--site", long, "--key", str(tmp_path / "skerry.key"))).status == 0


# Where the files go


@pytest.mark.parametrize("what", ["text", "other", "link", "folder", "large"])
def test_a_file_of_somebody_else_under_the_signatures_name_is_left_alone(trip: Trip, what: str) -> None:
    """No file of anybody else is replaced or removed."""
    out, beside = trip.base / "x", trip.base / "x.sig"
    texts = {"text": b"my own notes\n", "other": signed(b"x", SKERRY, "indexes"), "large": signed(b"x") + b" " * 99999}
    if what == "folder":
        beside.mkdir()
    elif what == "link":
        (trip.base / "target").write_bytes(signed(b"x", SKERRY, "receipts"))
        beside.symlink_to(trip.base / "target")
    else:
        beside.write_bytes(texts[what])
    ran = write(trip, out)
    assert ran.status == 2
    assert "no signature of a receipt" in ran.err
    assert str(beside) in ran.err
    assert not out.exists()
    assert what not in texts or beside.read_bytes() == texts[what]


def test_a_signature_that_a_killed_run_left_is_replaced(trip: Trip) -> None:
    Path(trip.base / "x.sig").write_bytes(signed(b"another", SKERRY, "receipts"))
    assert write(trip, trip.base / "x").status == 0
    assert trip.read(trip.base / "x").status == 0


@pytest.mark.parametrize("printed_one", [False, True])
@pytest.mark.parametrize("name", [".", "/", "..", "media", "media/", "none/", "none/.", "none/x", "file/x"])
def test_what_cannot_be_a_new_file_is_refused(
    trip: Trip, name: str, printed_one: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(trip.base)
    (trip.base / "file").write_bytes(b"")
    before = sorted(path.name for path in trip.base.rglob("*"))
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", "--out", name) if printed_one else write(trip, name)
    assert ran.status == 2, ran.out + ran.err
    word = {"none/x": "the folder is not there", "file/x": "this is no folder"}.get(name, "names a folder, not a file")
    assert word in ran.err
    assert "hint: " in ran.err
    assert sorted(path.name for path in trip.base.rglob("*")) == before


def test_a_page_that_is_there_already_hints_at_nothing_that_is_not_there(trip: Trip) -> None:
    page = trip.base / "page.html"
    page.write_text("mine")
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", "--out", page)
    assert (ran.status, page.read_text()) == (2, "mine")
    assert "--force" not in ran.err
    assert "name another" in ran.err


_KILLED = """
import os, signal, sys
from pathlib import Path
from datetime import UTC, datetime
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.receipt import compose as composing, write as receipt_write
from bundlekeeper.store.contents.store import Store
root, out = Path(sys.argv[1]), Path(sys.argv[2])
with Store.open(root, write=True) as store, Ledger.open(root / ".keeper" / "ledger.sqlite", write=True) as ledger:
    received, index = composing.chosen(store, "")
    now = datetime.now(UTC)
    made = composing.compose(store, ledger, received, index, made=now, site="skerry", reported_by="me", after=0)
    receipt_write.write(out, made, ledger, lambda _: os.kill(os.getpid(), signal.SIGKILL))
"""


def hidden(folder: Path) -> list[str]:
    """The names in a folder that begin with a dot."""
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


def test_what_a_killed_run_left_is_swept_by_the_next_one_for_the_same_name(trip: Trip, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    for name in ("K1", "K2"):
        done = subprocess.run([sys.executable, "-c", _KILLED, trip.skerry.root, stick / name], check=False)
        assert done.returncode == -signal.SIGKILL
    left = hidden(stick)
    assert len(left) == 4
    assert write(trip, stick / "K1").status == 0
    assert hidden(stick) == [name for name in left if name.startswith(".K2.")]


def test_nothing_is_swept_that_is_not_provably_a_dead_runs(trip: Trip, tmp_path: Path) -> None:
    stick = tmp_path / "stick"
    stick.mkdir()
    live = os.open(stick / ".K1.0123456789ab", os.O_CREAT | os.O_WRONLY)
    fcntl.flock(live, fcntl.LOCK_EX)
    (stick / ".K1.00000000000a").write_bytes(b"my own notes")
    (stick / ".K1.sig.00000000000b").mkdir()
    (stick / ".K1.short").write_bytes(b"")
    (stick / ".K10.00000000000c").write_bytes(b"")
    (stick / ".K1.00000000000d").symlink_to(stick / ".K1.short")
    before = hidden(stick)
    assert write(trip, stick / "K1").status == 0
    assert hidden(stick) == before
    os.close(live)
    assert write(trip, stick / "K2").status == 0
    (stick / "K1").unlink()
    assert write(trip, stick / "K1").status == 0
    assert hidden(stick) == [name for name in before if name != ".K1.0123456789ab"]


# What may not be given together


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("write", "--printed", "--after", "0"), "--after"),
        (("write", "--printed", "--passphrase-fd", "0"), "--passphrase-fd"),
        (("read", "-", "--signature", "x"), "--signature"),
    ],
)
def test_an_option_that_would_be_ignored_is_refused(trip: Trip, words: tuple[str, ...], names: str) -> None:
    ran = trip.at(trip.skerry, "receipt", *words)
    assert ran.status == 2
    assert f"hint: leave out {names}" in ran.err


def test_a_set_is_named_in_any_case(trip: Trip) -> None:
    set_id = trip.at(trip.skerry, "media", "list", "--json").json["received"][0]["set"]
    assert write(trip, trip.base / "x", "--set", set_id.upper()).status == 0


def test_no_events_after_a_number_is_reported(trip: Trip, tmp_path: Path) -> None:
    trip.work()
    count = trip.at(trip.skerry, "ledger", "verify", "--json").json["chain"]["events"]
    for after, words in ((count, "no new events"), (count - 1, f"event {count}"), (0, f"events 1 to {count}")):
        ran = write(trip, trip.base / f"x{after}", "--after", str(after))
        assert f"  {words}, head " in ran.out
        part = tmp_path / f"part{after}"
        ran = trip.at(trip.skerry, "ledger", "export", "--after", str(after), "-o", part)
        assert f": {words}, head " in ran.out


# Whose receipt it is


def test_a_printed_receipt_by_a_key_that_is_no_longer_good_is_reported_as_a_file_is(trip: Trip, tmp_path: Path) -> None:
    slip = printed(trip, "--key", str(tmp_path / "skerry.key"))
    assert typed(trip, slip).status == 0
    trip.at(trip.main_site, "trust", "remove", "skerry", "--reason", "lost")
    ran, file = typed(trip, slip), trip.read(trip.receipt("file"))
    assert (ran.status, ran.codes, file.codes) == (4, ["removed-key"], ["removed-key"])
    assert "lost" in reported(ran.json, "removed-key")[0]


@pytest.mark.parametrize(
    ("purpose", "dates", "code"),
    [("receipts", ("--until", "2026-01-01"), "expired-key"), ("indexes", (), "unknown-key")],
)
def test_a_printed_receipt_by_a_key_that_is_not_for_receipts_is_reported(
    trip: Trip, tmp_path: Path, purpose: str, dates: tuple[str, ...], code: str
) -> None:
    key, public = tmp_path / "key", tmp_path / "key.pub"
    key.write_bytes(private_pem(private("ed25519", 6), ssh=True))
    key.chmod(0o600)
    public.write_bytes(ssh_line(private("ed25519", 6)) + b"\n")
    added = trip.at(trip.main_site, "trust", "add", "k", public, "--form", "sshsig", "--for", purpose, *dates)
    assert added.status == 0
    ran = typed(trip, printed(trip, "--key", str(key)))
    assert (ran.status, set(ran.codes)) == (4, {code})


def test_one_component_is_one_component(trip: Trip) -> None:
    trip.work()
    printed = trip.at(trip.skerry, "receipt", "write", "--printed").out
    assert "skerry-a: 1 component, 1 with something staged, 0 differ from the ledger" in printed
    ran = trip.at(trip.main_site, "receipt", "read", "-", stdin=code_of(printed))
    assert "1 component, 1 with something staged" in ran.out
    text = trip.at(trip.main_site, "receipt", "read", trip.receipt("out")).out
    assert "skerry/skerry-a: 1 component, 1 with something staged, 0 differ\n" in text
