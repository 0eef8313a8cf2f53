"""Merging ledgers: in any order, any number of times, whole or not at all; forks are reported."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import random
import shutil
import tracemalloc
import zlib
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.exchange.merge import export, merge
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.record.verify import verify
from tests.kits.ledger_history import DAY0, MEMORY, ON, at, everything, learn, read, records, stated

Maker = Callable[[str], Ledger]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Maker]:
    """Makes or opens ledgers by name."""
    opened: list[Ledger] = []

    def maker(name: str) -> Ledger:
        opened.append(Ledger.open(tmp_path / f"{name}.sqlite", write=True))
        return opened[-1]

    yield maker
    for ledger in opened:
        ledger.close()


def carried(ledger: Ledger, after: int = 0) -> list[bytes]:
    return list(export(ledger, after))


@settings(max_examples=12)
@given(st.lists(records(), min_size=3, max_size=3), ON)
def test_merging_is_commutative_associative_and_idempotent(learned: list[list[Event]], on: Any) -> None:
    """ "Merging ledgers of several sites is idempotent and order-free"; exchanged stores give the same answers."""
    with TemporaryDirectory(dir=MEMORY) as folder:
        ledgers = [Ledger.open(Path(folder, f"{i}.sqlite"), write=True) for i in range(3)]
        for ledger, events in zip(ledgers, learned, strict=True):
            learn(ledger, events)
        files = [carried(ledger) for ledger in ledgers]
        answers = []
        for order in itertools.permutations(range(3)):
            with Ledger.open(Path(folder, f"m{''.join(map(str, order))}.sqlite"), write=True) as merged:
                for i in order:
                    merge(merged, files[i], DAY0)
                assert merge(merged, files[order[0]], DAY0).new == 0
                answers.append((everything(merged), everything(merged, on)))
        # associative: one side of a merge that was itself merged before
        merge(ledgers[0], files[1], DAY0)
        merge(ledgers[2], carried(ledgers[0]), DAY0)
        answers.append((everything(ledgers[2]), everything(ledgers[2], on)))
        merge(ledgers[0], carried(ledgers[2]), DAY0)
        answers.append((everything(ledgers[0]), everything(ledgers[0], on)))
        assert all(answer == answers[0] for answer in answers)
        for ledger in ledgers:
            assert verify(ledger).ok
            ledger.close()


def test_documents_travel_with_their_readings(make: Maker) -> None:
    """The inventory itself is there where its events are."""
    text = "an inventory\n"
    digest = hashlib.sha256(text.encode()).hexdigest()
    scope = (("holm", "holm-a", "bios"),)
    one, two = make("one"), make("two")
    one.record(
        [Event(what=EventKind.INVENTORY, at=at(0), reported_by="x", document=digest, scope=scope)],
        DAY0,
        documents={digest: text},
    )
    merge(two, carried(one), DAY0)
    assert two.document(digest) == text
    assert two.document("0" * 64) is None


def test_a_part_continues_what_was_merged_before(make: Maker) -> None:
    """Only what is new is carried, and compared with the chain that was met before."""
    one, two = make("one"), make("two")
    one.record([read(0, "6.0")], DAY0)
    first = merge(two, carried(one), DAY0)
    one.record([read(1, "6.1"), read(2, "6.1")], DAY0)
    component = carried(one, after=first.theirs.count)
    assert len(component) == 5  # header, two events, their batch, end
    second = merge(two, component, DAY0)
    assert (second.new, second.fork) == (2, None)
    assert everything(one) == everything(two)
    with pytest.raises(InputError):
        carried(one, after=4)


def fork(make: Maker, tmp_path: Path, common: int, here: int, there: int) -> tuple[Ledger, Ledger]:
    """A ledger and its copy that went on separately."""
    one = make("one")
    one.record([read(i, "6.0") for i in range(common)], DAY0)
    shutil.copyfile(tmp_path / "one.sqlite", tmp_path / "copy.sqlite")
    copy = make("copy")
    one.record([read(i, "6.1") for i in range(here)], DAY0)
    copy.record([read(i, "6.2") for i in range(there)], DAY0)
    return one, copy


def test_a_restored_copy_that_went_on_is_reported_by_the_other_copy(make: Maker, tmp_path: Path) -> None:
    """A restored copy that forked its chain is reported."""
    one, copy = fork(make, tmp_path, 3, 1, 2)
    merged = merge(one, carried(copy), DAY0)
    assert merged.fork is not None
    assert merged.fork.common == 3
    assert "agree on 3 events, then 1 more came here and 2 there" in merged.fork.message
    assert merged.new == 2  # what was said was said
    component = merge(one, carried(copy, after=4), DAY0)
    assert component.fork is not None


def test_a_restored_copy_that_went_on_is_reported_by_a_third_store(make: Maker, tmp_path: Path) -> None:
    """It remembers the head of the chain that it met before."""
    one, copy = fork(make, tmp_path, 3, 1, 2)
    third = make("third")
    assert merge(third, carried(one), DAY0).fork is None
    merged = merge(third, carried(copy), DAY0)
    assert merged.fork is not None
    one.record([read(9, "6.1")], DAY0)
    assert merge(third, carried(one), DAY0).fork is not None  # it remembers both
    component = merge(make("fourth"), carried(copy, after=4), DAY0)
    assert component.fork is None  # it never met the chain: nothing can be said


def test_a_copy_that_only_lags_behind_is_no_fork(make: Maker, tmp_path: Path) -> None:
    """A backup that is put back and brought up to date is the same chain again."""
    one, copy = fork(make, tmp_path, 3, 2, 0)
    assert merge(one, carried(copy), DAY0).fork is None
    caught_up = merge(copy, carried(one), DAY0)
    assert (caught_up.fork, caught_up.new) == (None, 2)
    assert copy.head() == one.head()
    assert merge(one, carried(copy, after=2), DAY0).fork is None


def test_a_shorter_copy_that_went_on_is_reported_after_a_longer_one(make: Maker, tmp_path: Path) -> None:
    """ "a restored copy that forked its chain is reported": every event of the chain is compared, not its ends alone"""
    one, copy = fork(make, tmp_path, 3, 4, 1)
    third = make("third")
    third.record([read(2, "6.0"), read(1, "6.1"), read(0, "6.1")], DAY0)  # known before, in another order
    assert merge(third, carried(one), DAY0).fork is None
    merged = merge(third, carried(copy), DAY0)
    assert merged.fork is not None
    assert merged.fork.common == 3
    assert "they agree on 3 events" in merged.fork.message
    assert (
        merge(third, carried(copy, after=4), DAY0).fork is not None
    )  # a component with nothing in it components before it
    assert merge(third, carried(one, after=5), DAY0).fork is None


def test_a_gap_after_a_copys_file_begins_where_that_file_ended(make: Maker, tmp_path: Path) -> None:
    """Events that came from the copy are not reported as missing, though only the other chain is followed."""
    one, copy = fork(make, tmp_path, 3, 1, 4)
    third = make("third")
    merge(third, carried(one), DAY0)
    merge(third, carried(copy), DAY0)
    copy.record([read(day, "6.3") for day in range(3)], DAY0)
    assert merge(third, carried(copy, after=9), DAY0).gaps == ((8, 9),)


@cache
def parts() -> dict[tuple[int, int], list[bytes]]:
    """Files of one ledger at every length, whole and in parts, by their count and after which event they begin."""
    files = {}
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "one"), write=True) as one:
        for count in range(7):
            files.update({(count, after): carried(one, after) for after in range(count + 1)})
            one.record([read(count, "6.0")], DAY0)
    return files


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)), min_size=1, max_size=7))
def test_events_that_never_came_are_reported_until_they_have_come(carry: list[tuple[int, int]]) -> None:
    """Events before a part that never came are reported until they have come, in any order of parts."""
    files = parts()
    came: set[int] = set()
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "third"), write=True) as third:
        for one, other in carry:
            after, count = sorted((one, other))
            merged = merge(third, files[count, after], DAY0)
            missing = {n for first, last in merged.gaps for n in range(first, last + 1)}
            assert missing == set(range(1, after + 1)) - came
            assert ["not-checked"] * bool(missing) == [f.code for f in merged.findings("x")]
            came |= set(range(after + 1, count + 1))


def test_a_gap_is_reported_in_words(make: Maker) -> None:
    one, two = make("one"), make("two")
    one.record([read(day, "6.0") for day in range(5)], DAY0)
    (found,) = merge(two, carried(one, after=3), DAY0).findings("skerry")
    assert (found.level, found.message) == ("warning", "events 1 to 3 of that ledger never came here")
    assert "without --after" in found.hint
    assert merge(two, carried(one, after=3), DAY0).gaps == ((1, 3),), "reported again until they came"
    assert merge(two, carried(one), DAY0).gaps == ()
    assert merge(two, carried(one, after=3), DAY0).findings("skerry") == []


@cache
def branches(common: int) -> dict[tuple[str, int, int], list[bytes]]:
    """Files of a ledger and of its copy, which part after `common` events: whole and in parts, of every length."""
    files = {}
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "one"), write=True) as one:
        one.record([read(day, "6.0") for day in range(common)], DAY0)
        shutil.copyfile(Path(folder, "one"), Path(folder, "copy"))
        with Ledger.open(Path(folder, "copy"), write=True) as copy:
            for branch, ledger in (("one", one), ("copy", copy)):
                for count in range(common, 7):
                    files.update({(branch, count, after): carried(ledger, after) for after in range(count + 1)})
                    ledger.record([stated(EventKind.ACTIVATED, count, f"{branch} {count}")], DAY0)
    return files


FILES = st.tuples(st.sampled_from(["one", "copy"]), st.integers(0, 6), st.integers(0, 6) | st.just(0))


@settings(max_examples=60)
@given(common=st.integers(0, 4), carry=st.lists(FILES, min_size=2, max_size=6), known=st.sets(st.integers(0, 6)))
def test_a_store_that_followed_one_chain_reports_every_other(
    common: int, carry: list[tuple[str, int, int]], known: set[int]
) -> None:
    """ "a later file, longer or shorter, is compared with it event by event", from its first event without a gap"""
    files = branches(common)
    met: set[str] = set()  # copies of which anything after the parting came, as far as heads can say
    followed, covered = "", 0
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "third"), write=True) as third:
        third.record([stated(EventKind.ACTIVATED, n, f"one {n}") for n in sorted(known, reverse=True)], DAY0)
        for branch, count, after in carry:
            count = max(count, common)
            after = min(after, count)
            fork = merge(third, files[branch, count, after], DAY0).fork
            apart = count > common
            if apart and followed not in ("", branch) and after <= covered:
                assert fork is not None
                assert fork.common in ({common} if after <= common else {None})
            elif not met - {branch}:
                assert fork is None
            if apart:
                met.add(branch)
            if after <= covered and (not apart or followed in ("", branch)):
                covered = max(covered, count)
                followed = branch if apart else followed


def test_a_file_is_kept_packed_until_it_is_recorded(make: Maker) -> None:
    """ "50,000 components, under 100 MB": the lines of a whole file are never all there at once."""
    from bundlekeeper.ledger.exchange import merge as exchange

    one = make("one")
    one.record((read(0, "6.0", component=f"C{n}", parent=f"P{n}") for n in range(5200)), DAY0)
    size = sum(map(len, export(one)))
    tracemalloc.start()
    try:
        kept = exchange._read(export(one), "x")
        assert tracemalloc.get_traced_memory()[0] < size / 4  # beside the last piece, of 256 KiB
        assert len(kept.lines) == 5200
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("length", [0, 1, 300 * 1024])
def test_lines_come_back_as_they_were(length: int) -> None:
    """They are compressed while they wait, whatever their bytes and wherever they end."""
    from bundlekeeper.ledger.exchange.merge import _Lines

    lines, packed = [b"x\n" * 3, b"", bytes(range(256)) * (length // 256), b"no end", b"\r\n"] * 3, _Lines()
    for line in lines:
        packed.append(line)
    assert len(packed) == len(lines)
    assert list(packed) == lines


def test_a_document_that_is_cut_short_or_followed_is_refused(make: Maker) -> None:
    """It is kept as it came, so it must be whole and nothing else."""
    text = b"an inventory\n"
    packed = zlib.compress(text)
    reading = Event(
        what=EventKind.INVENTORY, at=at(0), reported_by="x", document=hashlib.sha256(text).hexdigest(),
        scope=(("holm", "holm-a", "bios"),),
    )  # fmt: skip
    one, two = make("one"), make("two")
    one.record([reading], DAY0, documents={reading.document: text.decode()})
    whole = carried(one)
    for bad in (packed[:-5], packed + b"more", packed[:4], b"", zlib.compress(b"\xff")):
        line = json.dumps({"document": base64.b64encode(bad).decode()}, separators=(",", ":")).encode() + b"\n"
        refused(two, [*whole[:2], line, whole[-1]], "decompressed")


def refused(ledger: Ledger, lines: Sequence[bytes], word: str) -> None:
    before = ledger.head()
    with pytest.raises(InputError, match=word) as caught:
        merge(ledger, lines, DAY0, "x.jsonl")
    assert caught.value.where.startswith("x.jsonl:")
    assert ledger.head() == before


def test_a_file_that_is_not_whole_is_refused_whole(make: Maker) -> None:
    """Cut short, changed, swapped, doubled, longer, of another form: nothing of it is merged."""
    one, two = make("one"), make("two")
    one.record([read(0, "6.0"), stated(EventKind.ACTIVATED, 1, "6.1"), read(2, "6.1")], DAY0)
    whole = carried(one)
    refused(two, [], "not a ledger export")
    refused(two, whole[:-1], "its last line is missing")
    refused(two, [*whole[:2], *whole[3:]], "not of events of this file")
    refused(two, [whole[0], whole[2], whole[1], *whole[3:]], "chain's head")
    refused(two, [*whole, whole[1]], "lines after its end")
    refused(two, [whole[0], whole[1].replace(b'"6.0"', b'"6.9"'), *whole[2:]], "chain's head")
    refused(two, [whole[0].replace(b"exchange/1", b"exchange/2"), *whole[1:]], "exchange/2")
    refused(two, [whole[0], whole[1].replace(b'"observed"', b'"forgotten"'), *whole[2:]], "not an event")
    refused(two, [whole[0], whole[1].replace(b'"reported_by"', b'"reporter"'), *whole[2:]], "unknown keys")
    refused(two, [whole[0].replace(b'"after":0', b'"after":true'), *whole[1:]], "number of events")
    *_, batch, end = whole
    refused(two, [*whole[:-2], batch.replace(b"[[1,3]]", b"[[1,2]]"), end], "not of the events that it was")
    refused(two, [*whole[:-2], batch.replace(b"[[1,3]]", b"[[1,4]]"), end], "not of events of this file")
    refused(two, [*whole[:-2], batch.replace(b"[[1,3]]", b"3"), end], "not of events of this file")
    refused(two, [*whole[:-2], batch.replace(b'"runs"', b'"of"'), end], "cannot be read")
    refused(two, [*whole[:-2], *[batch] * 65, end], "more batches")
    unnamed = b'{"document":"' + b"eJzzSM3JyQcABYwB9Q==" + b'"}\n'
    refused(two, [*whole[:-1], unnamed, whole[-1]], "no event names")
    refused(two, [*whole[:-1], b'{"document":"%%%%"}\n', whole[-1]], "decompressed")


@settings(max_examples=25)
@given(seed=st.integers(0, 2**32))
def test_nothing_but_our_own_error_comes_out(seed: int) -> None:
    """Seeded mutations of a valid file."""
    with TemporaryDirectory(dir=MEMORY) as folder:
        with Ledger.open(Path(folder, "one"), write=True) as one:
            one.record([read(0, "6.0", boot_files=("6.0",)), stated(EventKind.STAGED, 1, "6.1", bank="pending")], DAY0)
            whole = b"".join(export(one))
        source = random.Random(seed)
        with Ledger.open(Path(folder, "two"), write=True) as two:
            for _ in range(30):
                data = bytearray(whole)
                for _ in range(source.randint(1, 3)):
                    place = source.randrange(len(data))
                    new = source.choice(
                        [b"", bytes([source.randrange(256)]), b"[" * 5000, b"null", b'"', b"9" * 30, b"\n"]
                    )
                    data[place : place + source.randint(0, 9)] = new
                try:
                    merge(two, bytes(data).splitlines(keepends=True), DAY0)
                except InputError:
                    assert two.head().count in {0, 2}


def test_every_stored_word_of_an_event_is_carried(make: Maker) -> None:
    """What is carried is what was recorded, field by field."""
    one, two = make("one"), make("two")
    full = stated(
        EventKind.STAGED, 1, "6.1", bank="pending", done_by="bo", approved_by="cy", change="118", plan="b" * 64,
        source="paper 12", parent="MB4-7", method="two-bank", family="blade", bundle="6.1.0", sha256="a" * 64,
        before=(("paths", "4"),), after=(("paths", "4"), ("watts", "")), deviations="none; späť",
        anyway="asked the maker", note="by night", order=3,
    )  # fmt: skip
    one.record([full, read(2, None, pending="", boot_files=())], DAY0 + timedelta(days=1))
    merge(two, carried(one), DAY0)
    assert [e.event for e in two.entries()] == [full, read(2, None, pending="", boot_files=())]
    assert json.loads(carried(one)[1])["deviations"] == "none; späť"
    shutil.copy(one.path, one.path.with_name("plain-copy.sqlite"))
    with Ledger.open(one.path.with_name("plain-copy.sqlite"), write=False) as copy:
        assert copy.head() == one.head()
