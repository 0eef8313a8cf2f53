"""What a store remembers of media sets."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import DamagedError, KeeperError, RefusedError
from bundlekeeper.media.set.records import Arrived, ReceivedSet, Sent
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.store.contents.store import Store

AT = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
ISSUER = "ab" * 16


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """An empty store."""
    with Store.open(tmp_path / "store", write=True) as opened:
        yield opened


def begin(sets: Sets, packing: str = "1" * 64) -> Sent:
    """Begin a set of two volumes."""
    return sets.begin(
        issuer=ISSUER, packing=packing, platform="marram", meant_for="skerry", volumes=2, manifest="2" * 64, at=AT
    )


def coming(set_id: str = "0123456789abcdef", sequence: int = 7) -> ReceivedSet:
    """A set that comes."""
    return ReceivedSet(set_id=set_id, sequence=sequence, issuer=ISSUER, index="3" * 64, began=AT)


def test_a_packing_that_was_begun_is_continued_as_its_set(store: Store) -> None:
    sets = Sets(store)
    first = begin(sets)
    assert begin(Sets(store)) == first
    other = begin(sets, "4" * 64)
    assert (first.sequence, other.sequence) == (1, 2)
    assert first.set_id != other.set_id
    assert [each.set_id for each in sets.sent()] == [first.set_id, other.set_id]


def test_a_set_is_whole_when_every_volume_was_written(store: Store) -> None:
    sets = Sets(store)
    sent = begin(sets)
    assert not sets.wrote(sent, 2, AT).whole
    assert sets.wrote(sent, 1, AT).whole
    assert sets.sent()[0].written == {1: AT, 2: AT}


def test_an_index_is_kept_once_and_never_exchanged(store: Store) -> None:
    sets = Sets(store)
    sent = begin(sets)
    assert sets.sent_index(sent) is None
    sets.keep_sent_index(sent, b"index", b"signature")
    sets.keep_sent_index(sent, b"index", b"signature")
    assert sets.sent_index(sent) == (b"index", b"signature")
    with pytest.raises(RefusedError):
        sets.keep_sent_index(sent, b"another", b"signature")


def test_what_came_is_read_back_as_it_was_written(store: Store) -> None:
    sets = Sets(store)
    whole = replace(
        coming(),
        volumes={1: AT},
        parts={"blade/6.1.0/x.bin.part-01of02": AT},
        arrived={"a/b": Arrived("a/b", "5" * 64, "read here", AT)},
        completed=AT,
        rollback="the newer one was withdrawn",
        receipts=((AT, 12),),
        signed_by="holm",
        signed_key="SHA256:x",
    )
    sets.receive(whole, b"index", b"signature")
    assert sets.received() == (whole,)
    assert sets.received("cd" * 16) == ()
    assert sets.received_index(whole) == (b"index", b"signature")
    assert sets.known(ISSUER) == ((7, "0123456789abcdef"),)


@pytest.mark.parametrize("harm", ["cut", "bit", "empty", "gone", "link", "json", "newer"])
def test_a_record_that_cannot_be_read_is_reported_and_the_hint_renames_it(store: Store, harm: str) -> None:
    sets = Sets(store)
    sent = begin(sets)
    sets.keep_sent_index(sent, b"index", b"signature")
    record = next((store.root / ".keeper" / "sets" / "sent").glob("*/record.json"))
    data = record.read_bytes()
    record.unlink()
    if harm == "link":
        record.symlink_to("/etc/hostname")
    elif harm != "gone":
        import hashlib

        newer = data.partition(b"\n")[2].replace(b"set-sent/1", b"set-sent/2")
        harms = {"cut": data[:-5], "empty": b"", "bit": data.replace(b'"volumes":2', b'"volumes":3'), "json": b"[" * 99}
        record.write_bytes(harms.get(harm, hashlib.sha256(newer).hexdigest().encode() + b"\n" + newer))
    with pytest.raises(DamagedError) as caught:
        begin(sets, "4" * 64)
    before, after = caught.value.hint.partition("mv ")[2].partition(";")[0].split(" ")
    Path(before).rename(after)
    assert begin(sets, "4" * 64).sequence == 2, "its number stays used"


def test_a_folder_whose_maker_was_killed_before_its_record_was_there_counts_as_nothing(store: Store) -> None:
    (store.root / ".keeper" / "sets" / "sent" / "000003-0123456789abcdef").mkdir(parents=True)
    sets = Sets(store)
    assert sets.sent() == ()
    assert begin(sets).sequence == 4


def test_twenty_at_once_get_twenty_numbers(store: Store) -> None:
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda n: begin(Sets(store), f"{n:064x}"), range(20)))
    assert sorted(each.sequence for each in found) == list(range(1, 21))


def test_a_receipt_is_kept_once(store: Store) -> None:
    sets = Sets(store)
    assert sets.receipts() == {}
    assert sets.keep_receipt("0123456789abcdef", "6" * 64, [b"rec", b"eipt"], b"signature")
    assert not sets.keep_receipt("0123456789abcdef", "6" * 64, [b"rec", b"eipt"], b"signature")
    (name,) = sets.receipts()["0123456789abcdef"]
    assert sets.receipt(name) == b"receipt"


def test_a_link_in_place_of_our_folder_is_not_followed(store: Store, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (store.root / ".keeper" / "sets").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(KeeperError):
        begin(Sets(store))
    assert list((tmp_path / "elsewhere").iterdir()) == []
