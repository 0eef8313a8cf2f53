"""Receipts: what came and what was done, signed, carried back, merged; twice is once, in any order; on paper too."""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.receipt.document import read_header, receipt_of, write_header
from bundlekeeper.media.set import signer as vouch
from bundlekeeper.media.set.records import ReceivedSet
from tests.kits import trips as shared
from tests.kits.media_kit import MADE, Site, make_set, now, sha, signed, write_set
from tests.kits.signing_world import private, ssh_line
from tests.kits.trips import BUNDLES, INVENTORY, SKERRY, Trip, code_of, lying

trip = shared.trip


def test_what_happened_there_is_known_here_and_twice_is_once(trip: Trip, tmp_path: Path) -> None:
    """Issue 6: "merges it into the ledger, twice is the same as once, in any order"."""
    made = trip.send()
    ran = trip.at(trip.skerry, "media", "receive", *write_set(made, tmp_path / "media"), "--json", process=True)
    assert (ran.status, ran.json["complete"]) == (0, True), ran.out + ran.err
    trip.work()
    out = trip.receipt("skerry.receipt", process=True)
    assert trip.at(trip.main_site, "media", "list").status == 1, "a set without a receipt is shown"
    first = trip.read(out, process=True)
    assert first.status == 0, first.out + first.err
    assert first.json["events"]["new"] == first.json["receipt"]["ledger"]["count"] > 0
    assert [row["how"] for row in first.json["receipt"]["arrived"]] == ["verified at the destination"] * 4
    assert first.json["known_set"] and first.json["new"]
    assert trip.where(trip.main_site) == trip.where(trip.skerry)
    assert trip.at(trip.main_site, "media", "list").status == 0
    again = trip.read(out)
    assert (again.json["events"]["new"], again.json["new"]) == (0, False)
    assert again.json["ledger"] == first.json["ledger"]


def test_receipts_in_any_order_end_in_the_same_list(trip: Trip, tmp_path: Path) -> None:
    made = trip.send()
    media = write_set(made, tmp_path / "media")
    trip.at(trip.skerry, "media", "receive", media[0])
    one = trip.receipt("one")
    trip.work(1)
    trip.at(trip.skerry, "media", "receive", media[1])
    two = trip.receipt("two")
    trip.work(2)
    count = json.loads(two.read_bytes().partition(b"\n")[0])["ledger"]["count"]
    three = trip.receipt("three", "--after", str(count))
    wanted = trip.where(trip.skerry)
    fresh = tmp_path / "fresh"
    shutil.copytree(trip.main_site.root, fresh)
    for order in itertools.permutations((one, two, three)):
        shutil.rmtree(trip.main_site.root)
        shutil.copytree(fresh, trip.main_site.root)
        for path in (*order, order[0]):
            ran = trip.read(path)
            assert ran.status in (0, 1), ran.out + ran.err
            assert "altered" not in ran.codes
        assert trip.where(trip.main_site) == wanted


def test_what_a_receipt_carried_is_undone_by_the_next_one_in_either_order(trip: Trip, tmp_path: Path) -> None:
    """The batch has its name at the main site, too; an undo there and one at the site that recorded it are the same."""
    made = trip.send()
    trip.at(trip.skerry, "media", "receive", *write_set(made, tmp_path / "media"))
    trip.work()
    one = trip.receipt("one")
    mistaken = trip.at(trip.skerry, "where", "S-1", "--history", "--json").json["history"][-1]
    assert mistaken["event"]["what"] == "staged"
    undone = trip.at(trip.skerry, "ledger", "undo", mistaken["batch"][:8], "--reason", "another switch", "--json")
    assert undone.json["undone"] == [mistaken["id"]]
    two = trip.receipt("two")
    wanted = trip.where(trip.skerry)
    fresh = tmp_path / "fresh"
    shutil.copytree(trip.main_site.root, fresh)
    for order in ((one, two), (two, one)):
        shutil.rmtree(trip.main_site.root)
        shutil.copytree(fresh, trip.main_site.root)
        for path in order:
            ran = trip.read(path)
            assert ran.status in (0, 1), ran.out + ran.err
            assert bool(ran.json["batch"]) == (ran.json["events"]["new"] > 0)
        assert trip.where(trip.main_site) == wanted
        history = trip.at(trip.main_site, "where", "S-1", "--history", "--json").json["history"]
        by_id = {entry["id"]: entry for entry in history}
        assert by_id[mistaken["id"]]["void"]
        assert by_id[mistaken["id"]]["batch"] == mistaken["batch"]
    again = trip.at(trip.main_site, "ledger", "undo", mistaken["batch"], "--reason", "x", "--json")
    assert again.status == 2
    assert "undone already" in again.json["error"]["message"]


def test_what_is_missing_is_reported_with_its_volume(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", write_set(trip.send(), tmp_path / "media")[0])
    ran = trip.read(trip.receipt("part"))
    assert ran.status == 1
    missing = {f["subject"]: f["message"] for f in ran.json["findings"] if f["code"] == "missing"}
    assert set(missing) == {BUNDLES[1].path, BUNDLES[2].path}
    assert "volume 2" in missing[BUNDLES[2].path], "its other part came"


def test_a_receipt_by_an_unknown_key_is_refused_and_merges_nothing(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    trip.work()
    out = tmp_path / "stranger"
    data = trip.receipt("right").read_bytes()
    out.write_bytes(data)
    Path(f"{out}.sig").write_bytes(signed(data, 5, "receipts"))
    ran = trip.read(out)
    assert (ran.status, ran.codes) == (4, ["unknown-key"])
    assert "SHA256:" in ran.json["error"]["hint"]
    assert "trust add NAME KEY.pub --form sshsig --for receipts" in ran.json["error"]["hint"]
    Path(f"{out}.sig").write_bytes(signed(data, SKERRY, "indexes"))
    assert trip.read(out).status == 4, "a signature for an index is none for a receipt"
    Path(f"{out}.sig").unlink()
    assert trip.read(out).status == 4
    with Ledger.open(trip.main_site.root / ".keeper" / "ledger.sqlite", write=False) as ledger:
        assert ledger.head().count == 0


@pytest.mark.parametrize("harm", ["cut", "bit", "event", "more", "empty", "fifo", "deep"])
def test_a_changed_receipt_is_refused_and_merges_nothing(trip: Trip, tmp_path: Path, harm: str) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    trip.work()
    out = trip.receipt("receipt")
    data = out.read_bytes()
    harms: dict[str, Callable[[], bytes]] = {
        "cut": lambda: data[:-20],
        "bit": lambda: data.replace(b"skerry", b"sKerry", 1),
        "event": lambda: data.replace(b"6.1.0", b"6.9.0"),
        "more": lambda: data + b"{}\n",
        "empty": lambda: b"",
        "deep": lambda: b"[" * 100_000,
        "fifo": lambda: b"",
    }
    out.write_bytes(harms[harm]())
    if harm == "fifo":
        out.unlink()
        os.mkfifo(out)
    ran = trip.read(out)
    assert ran.status in (2, 4)
    with Ledger.open(trip.main_site.root / ".keeper" / "ledger.sqlite", write=False) as ledger:
        assert ledger.head().count == 0


def test_a_receipt_signed_rightly_whose_events_were_exchanged_is_refused_whole(trip: Trip, tmp_path: Path) -> None:
    """The chain's head in the events is held against the header's, whoever signed."""
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    trip.work()
    data = trip.receipt("receipt").read_bytes()
    header, _, events = data.partition(b"\n")
    for wrong in (header.replace(b'"count":', b'"count":1'), header):
        lines = events.splitlines(keepends=True)
        body = wrong + b"\n" + (events if wrong != header else b"".join(lines[:1] + lines[2:]))
        out = tmp_path / f"wrong{len(wrong)}"
        out.write_bytes(body)
        Path(f"{out}.sig").write_bytes(signed(body, SKERRY, "receipts"))
        assert trip.read(out).status == 2


def test_a_receipt_is_written_once_and_needs_a_key(trip: Trip, tmp_path: Path) -> None:
    assert trip.at(trip.skerry, "receipt", "write", "--printed").status == 2, "no set came yet"
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    assert trip.at(trip.skerry, "receipt", "write", "--out", tmp_path / "x").status == 2
    out = trip.receipt("receipt")
    before = out.read_bytes()
    ran = trip.at(trip.skerry, "receipt", "write", "--out", out, "--key", tmp_path / "skerry.key")
    assert ran.status == 2
    assert out.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []


def test_ssh_keygen_verifies_a_receipt(trip: Trip, tmp_path: Path) -> None:
    """Checked against OpenSSH's own program."""
    from tests.kits.signing_world import program, run

    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    out = trip.receipt("receipt")
    allowed = tmp_path / "allowed"
    allowed.write_bytes(b"skerry " + ssh_line(private("ed25519", SKERRY)) + b"\n")
    done = run(
        program("ssh-keygen"),
        *("-Y", "verify", "-f", str(allowed), "-I", "skerry", "-n", "bundlekeeper-receipt", "-s", f"{out}.sig"),
        data=out.read_bytes(),
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("key", [False, True])
def test_a_printed_receipt_is_typed_in_any_case_and_a_wrong_line_is_named(
    trip: Trip, tmp_path: Path, key: bool
) -> None:
    """Issue 6: "`receipt --printed` prints a short checksummed code and a QR code, typed or scanned back"."""
    trip.at(trip.skerry, "media", "receive", write_set(trip.send(), tmp_path / "media")[0])
    trip.work()
    options = ("--key", str(tmp_path / "skerry.key")) if key else ()
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", *options, process=True)
    assert ran.status == 0, ran.err
    assert all(len(line) <= 80 for line in ran.out.splitlines())
    assert "█" in ran.out
    typed = code_of(ran.out).lower()
    assert len(typed.splitlines()) <= (14 if key else 7)
    back = trip.at(trip.main_site, "receipt", "read", "-", "--json", stdin=typed, process=True)
    assert back.status == 1, back.out + back.err
    assert back.json["signed_by"] == ("skerry" if key else None)
    assert back.json["missing"] == [BUNDLES[1].path, BUNDLES[2].path]
    assert [d["domain"] for d in back.json["slip"]["domains"]] == ["skerry-a"]
    assert back.json["slip"]["domains"][0]["staged"] == 1
    rows = typed.splitlines()
    rows[1] = rows[1][:-1] + ("2" if rows[1][-1] != "2" else "3")
    wrong = trip.at(trip.main_site, "receipt", "read", "-", stdin="\n".join(rows))
    assert wrong.status == 2
    assert "line 2" in wrong.err
    assert trip.at(trip.main_site, "media", "list", "--json").json["sent"][0]["receipts"] != []


def test_a_printed_receipt_by_an_unknown_key_is_refused(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", "--key", tmp_path / "holm.key")
    back = trip.at(trip.main_site, "receipt", "read", "-", "--json", stdin=code_of(ran.out))
    assert back.status == 4


def test_a_printed_page_has_everything_and_needs_nothing(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    out = tmp_path / "receipt.html"
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", "--out", out, "--site", "<skerry> & co")
    assert ran.status == 0, ran.err
    page = out.read_text()
    assert "<svg" in page and "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    assert "&lt;skerry&gt; &amp; co" in page
    assert trip.at(trip.main_site, "receipt", "read", "-", stdin=code_of(page)).status == 0


@given(cut=st.integers(0, 10_000), put=st.binary(max_size=6), length=st.integers(0, 40))
@settings(max_examples=300)
def test_nothing_but_our_own_error_comes_out_of_a_header(cut: int, put: bytes, length: int) -> None:
    made = make_set(BUNDLES)
    received = ReceivedSet(made.index.set_id, 1, made.index.issuer, sha(made.data), now())
    right = receipt_of(
        made.index,
        received,
        made=now(),
        site="skerry",
        reported_by="me",
        ledger="ab",
        count=0,
        head="0" * 64,
        after=0,
        events=True,
    )
    line = write_header(right)
    assert read_header(line) == right
    at = cut % len(line)
    wrong = line[:at] + put + line[at + length :]
    try:
        found = read_header(wrong)
    except KeeperError:
        return
    assert write_header(found) == wrong, "what is read is what is written, byte for byte"


def test_a_header_in_another_spelling_is_none() -> None:
    """One receipt has one form, so that what is signed is what is read."""
    made = make_set(BUNDLES)
    received = ReceivedSet(made.index.set_id, 1, made.index.issuer, sha(made.data), MADE)
    line = write_header(
        receipt_of(
            made.index, received, made=MADE, site="skerry", reported_by="me", ledger="ab", count=0, head="0" * 64,
            after=0,
            events=True,
        )
    )  # fmt: skip
    for wrong in (
        line.replace(b",", b", ", 1), line.replace(b"+00:00", b"Z"), line.replace(b"skerry", b"\\u0073kerry"),
    ):  # fmt: skip
        assert wrong != line
        with pytest.raises(InputError):
            read_header(wrong)


def test_what_a_receipt_states_about_files_is_compared_with_what_was_sent(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    other = lying(trip, tmp_path / "index", lambda r: replace(r, index="0" * 64))
    assert trip.read(other).codes == ["altered"]
    (tmp_path / "true").unlink()
    bent = lying(
        trip, tmp_path / "file", lambda r: replace(r, arrived=(replace(r.arrived[0], sha256="0" * 64), *r.arrived[1:]))
    )
    ran = trip.read(bent)
    assert [f["subject"] for f in ran.json["findings"] if f["code"] == "altered"] == [BUNDLES[0].path]
    (tmp_path / "true").unlink()
    silent = lying(trip, tmp_path / "silent", lambda r: replace(r, arrived=r.arrived[1:]))
    assert trip.read(silent).codes == ["altered"]


def test_a_receipt_that_changes_between_its_two_reads_is_not_merged(
    trip: Trip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bytes that are merged are those whose signature was verified: a text that no event's id covers is dropped."""
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    trip.work()
    out = trip.receipt("receipt")
    real = vouch.require_trusted

    def require_trusted(*words: Any, **named: Any) -> Any:
        found = real(*words, **named)
        lines = out.read_bytes().splitlines(keepends=True)
        with out.open("r+b") as file:
            file.writelines(line for line in lines if not line.startswith(b'{"document":'))
            file.truncate()
        return found

    monkeypatch.setattr(vouch, "require_trusted", require_trusted)
    assert trip.read(out).status == 2
    with Ledger.open(trip.main_site.root / ".keeper" / "ledger.sqlite", write=False) as ledger:
        assert ledger.head().count == 0


def test_a_printed_receipt_by_a_key_that_was_removed_since_is_refused(trip: Trip, tmp_path: Path) -> None:
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", "--key", tmp_path / "skerry.key")
    back = ("receipt", "read", "-", "--json")
    assert trip.at(trip.main_site, *back, stdin=code_of(ran.out)).status == 0
    assert trip.at(trip.main_site, "trust", "remove", "skerry", "--reason", "lost").status == 0
    assert trip.at(trip.main_site, *back, stdin=code_of(ran.out)).status == 4


def test_the_header_is_bounded_before_it_is_parsed() -> None:
    with pytest.raises(InputError, match="header is larger"):
        read_header(b" " * (64 * 1024 * 1024 + 1))


def test_a_fork_is_reported(trip: Trip, tmp_path: Path) -> None:
    """A copy of the site's store that went on apart answers too: both are merged, and it is reported."""
    trip.at(trip.skerry, "media", "receive", *write_set(trip.send(), tmp_path / "media"))
    trip.work(1)
    copy = Site.__new__(Site)
    copy.root = tmp_path / "copy"
    shutil.copytree(trip.skerry.root, copy.root)
    trip.work(2)
    one = trip.receipt("one")
    other = tmp_path / "other"
    path = tmp_path / "inventory-3.toml"
    path.write_text(INVENTORY.format(serial=3))
    trip.at(copy, "inventory", "load", path)
    trip.at(copy, "stage", "S-3", "--version", "6.1.0", "--bank", "pending")
    trip.at(copy, "receipt", "write", "--out", other, "--key", tmp_path / "skerry.key")
    assert trip.read(one).status == 0
    ran = trip.read(other)
    assert (ran.status, ran.codes) == (1, ["altered"])
