"""What a receipt claims, and what reading one tells: what is held, what is missing, whose word it is."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bundlekeeper.media.receipt.slip import lines_of
from bundlekeeper.media.receipt.slip import read as slip
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.store.contents.store import Store
from tests.conftest import Keeper, Ran
from tests.kits import printed_receipts as shared
from tests.kits.media_kit import write_set
from tests.kits.printed_receipts import printed, reported, typed
from tests.kits.trips import BUNDLES, Trip, code_of, lying

trip = shared.trip


def test_events_before_a_receipt_that_never_came_are_reported_until_they_have_come(trip: Trip) -> None:
    trip.work(1)
    early = trip.receipt("early")
    count = trip.at(trip.skerry, "ledger", "verify", "--json").json["chain"]["events"]
    trip.work(2)
    late = trip.receipt("late", "--after", str(count))
    for _ in range(2):
        ran = trip.read(late)
        assert (ran.status, ran.codes) == (1, ["not-checked"])
        assert reported(ran.json, "not-checked") == [f"events 1 to {count} of that ledger never came here"]
    assert trip.read(early).json["events"]["new"] == count
    assert trip.read(late).status == 0


def test_merging_a_part_reports_it_too(trip: Trip, tmp_path: Path) -> None:
    trip.work(1)
    part = tmp_path / "part.jsonl"
    assert trip.at(trip.skerry, "ledger", "export", "--after", "1", "-o", part).status == 0
    ran = trip.at(trip.main_site, "ledger", "merge", part, "--json")
    assert (ran.status, reported(ran.json, "not-checked")) == (1, ["event 1 of that ledger never came here"])


@pytest.mark.parametrize("how", ["deleted", "quarantined", "store database", "cut"])
def test_what_is_no_longer_in_the_store_is_not_claimed_as_verified(trip: Trip, how: str) -> None:
    """ "a receipt claims nothing that was not read here": a bundle that went since is reported, with its date"""
    place = trip.skerry.root / BUNDLES[0].path
    place.chmod(0o644)
    if how == "quarantined":
        place.write_bytes(place.read_bytes()[:-1] + b"?")
        trip.at(trip.skerry, "verify")
    elif how == "cut":
        place.write_bytes(place.read_bytes()[:-1])
    else:
        place.unlink()
    if how == "store database":  # made again from the tree
        (trip.skerry.root / ".keeper" / "store.sqlite").unlink()
    assert place.exists() is (how == "cut")
    out = trip.receipt("late")
    ran = trip.read(out)
    assert (ran.status, ran.codes) == (1, ["not-in-store"])
    (row,) = (f for f in ran.json["findings"] if f["code"] == "not-in-store")
    assert (row["subject"], row["level"]) == (BUNDLES[0].path, "error")
    hows = {row["path"]: row["how"] for row in ran.json["receipt"]["arrived"]}
    assert hows.pop(BUNDLES[0].path) == "verified at the destination, not in the store there now"
    assert set(hows.values()) == {"verified at the destination"}
    text = trip.at(trip.main_site, "receipt", "read", out).out
    assert "3 of 4 files verified at the destination\n" in text
    assert f"not in the store there now: {BUNDLES[0].path}" in text


def test_printed_what_is_no_longer_in_the_store_is_among_the_missing(trip: Trip) -> None:
    (trip.skerry.root / BUNDLES[0].path).unlink()
    printed = trip.at(trip.skerry, "receipt", "write", "--printed")
    assert "files: 3 of 4 arrived" in printed.out
    ran = trip.at(trip.main_site, "receipt", "read", "-", "--json", stdin=code_of(printed.out))
    assert ran.status == 1
    assert ran.json["missing"] == [BUNDLES[0].path]
    assert reported(ran.json, "missing") == ["did not arrive, or is not in the store there now (skerry)"]


def test_every_level_of_verification_is_counted_by_its_text(trip: Trip, tmp_path: Path) -> None:
    word = "held before, verified at the destination"
    made = lying(
        trip, tmp_path / "made", lambda r: replace(r, arrived=(replace(r.arrived[0], how=word), *r.arrived[1:]))
    )
    text = trip.at(trip.main_site, "receipt", "read", made)
    assert text.status == 0
    assert f"1 of 4 files {word}\n3 of 4 files verified at the destination\n" in text.out


class Half(Trip):
    """A trip with printed receipts, unsigned and signed, of the time when half a set was there."""

    printed_ones: tuple[str, str]


def half(keeper: Keeper, tmp_path: Path) -> Half:
    """The main site, and a site that received the first volume of a set, and answered; then the second."""
    trip = Half(keeper, tmp_path)
    media = write_set(trip.send(), tmp_path / "more")
    trip.at(trip.skerry, "media", "receive", media[0])
    trip.receipt("first")
    trip.printed_ones = printed(trip), printed(trip, "--key", str(tmp_path / "skerry.key"))
    trip.at(trip.skerry, "media", "receive", media[1])
    return trip


def listed(trip: Trip) -> Ran:
    """What `media list` answers at the main site."""
    return trip.at(trip.main_site, "media", "list", "--json")


def test_an_older_receipt_after_a_newer_one_gives_notes(keeper: Keeper, tmp_path: Path) -> None:
    """What is missing is judged by the newest receipt of a set and a ledger, in whichever order they are read."""
    trip = half(keeper, tmp_path)
    second = trip.receipt("second")
    early = trip.read(tmp_path / "first")
    assert (early.status, set(early.codes), early.json["newer"]) == (1, {"missing"}, None)
    assert trip.read(second).status == 0
    late = trip.read(tmp_path / "first")
    assert (late.status, late.json["ok"]) == (0, True)
    assert {f["level"] for f in late.json["findings"]} == {"note"}
    assert sorted(set(late.codes)) == ["missing", "not-checked"]
    assert "a newer receipt, of 20" in reported(late.json, "not-checked")[0]
    assert "missing then: " in trip.at(trip.main_site, "receipt", "read", tmp_path / "first").out
    assert trip.read(second).status == 0


def test_a_receipt_of_another_ledger_is_not_judged_by(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    other = lying(trip, tmp_path / "other", lambda r: replace(r, ledger="ab" * 16, events=False))
    assert trip.read(other).status == 0
    assert trip.read(tmp_path / "first").status == 1


def test_the_list_reports_what_is_missing_by_the_newest_receipt(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    assert listed(trip).codes == ["receipt-missing"]
    trip.read(tmp_path / "first")
    ran = listed(trip)
    assert (ran.status, ran.codes) == (1, ["missing"])
    (row,) = ran.json["findings"]
    assert row["level"] == "error"
    assert row["message"].startswith(
        "2 of 4 files did not arrive at skerry, or are not in the store there: the receipt of 20"
    )
    (answer,) = ran.json["sent"][0]["newest_receipts"]
    assert (answer["site"], answer["missing"], answer["files"], answer["signed"]) == ("skerry", 2, 4, True)
    assert "from skerry: 2 of 4 files there" in trip.at(trip.main_site, "media", "list").out
    trip.read(trip.receipt("second"))
    assert listed(trip).status == 0
    trip.read(tmp_path / "first")
    assert listed(trip).status == 0, "the newest counts, not the one that was read last"


def test_a_signed_printed_receipt_counts_and_an_unsigned_one_is_a_note(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    assert typed(trip, printed(trip)).status == 0
    ran = listed(trip)
    assert (ran.status, ran.codes) == (0, ["unsigned"])
    assert "unsigned printed receipt of 20" in trip.at(trip.main_site, "media", "list").out
    assert typed(trip, printed(trip, "--key", str(tmp_path / "skerry.key"))).status == 0
    assert listed(trip).codes in ([], ["unsigned"])
    assert ("printed", True) in {(a["form"], a["signed"]) for a in listed(trip).json["sent"][0]["newest_receipts"]}


def test_an_unsigned_printed_receipt_never_hides_a_signed_one(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    trip.read(tmp_path / "first")
    newer = replace(slip(printed(trip)), made=datetime.now(UTC).replace(second=0, microsecond=0) + timedelta(hours=5))
    assert typed(trip, "".join(lines_of(newer))).status == 0
    assert listed(trip).codes == ["missing", "unsigned"]


@pytest.mark.parametrize("is_printed", [False, True])
def test_a_receipt_dated_later_than_the_clock_does_not_count_and_hides_none(
    keeper: Keeper, tmp_path: Path, is_printed: bool
) -> None:
    """A site's clock that was a year ahead must not silence every receipt that comes after."""
    trip = half(keeper, tmp_path)
    if is_printed:
        far = replace(slip(printed(trip)), made=datetime(2099, 1, 1, tzinfo=UTC))
        ran = typed(trip, "".join(lines_of(far)))
    else:
        ran = trip.read(lying(trip, tmp_path / "far", lambda r: replace(r, made=r.made.replace(year=2099))))
    assert (ran.status, "clock-doubtful" in ran.codes) == (1, True)
    assert sorted(listed(trip).codes) == ["clock-doubtful", "receipt-missing"], "and still no receipt came back"
    early = trip.read(tmp_path / "first")
    assert (early.status, set(early.codes), early.json["newer"]) == (1, {"missing"}, None)
    assert sorted(listed(trip).codes) == ["clock-doubtful", "missing"]


def test_of_one_ledger_more_events_are_newer_whatever_the_clock(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    trip.work(1)
    later = lying(trip, tmp_path / "later", lambda r: replace(r, made=r.made - timedelta(days=300)))
    assert trip.read(later).json["newer"] is None
    early = trip.read(tmp_path / "first")
    assert (early.status, {f["level"] for f in early.json["findings"]}) == (0, {"note"})
    assert listed(trip).status == 0


def test_receipts_of_two_ledgers_for_one_site_are_both_reported(keeper: Keeper, tmp_path: Path) -> None:
    """Else a receipt of another store, by any key that is trusted for receipts, would hide what is missing."""
    trip = half(keeper, tmp_path)
    trip.read(tmp_path / "first")
    other = lying(trip, tmp_path / "other", lambda r: replace(r, ledger="ab" * 16, events=False))
    assert trip.read(other).status == 0
    ran = listed(trip)
    assert (ran.status, sorted(ran.codes)) == (1, ["missing", "not-checked"])
    assert "receipts of 2 ledgers came from skerry" in reported(ran.json, "not-checked")[0]
    assert sorted(a["missing"] for a in ran.json["sent"][0]["newest_receipts"]) == [0, 2]


@pytest.mark.parametrize("harm", ["cut", "gone"])
def test_a_damaged_index_of_ours_is_not_called_the_site_s_fault(keeper: Keeper, tmp_path: Path, harm: str) -> None:
    trip = half(keeper, tmp_path)
    (index,) = (trip.main_site.root / ".keeper" / "sets" / "sent").glob("*/set-index.json")
    record = index.with_name("record.json").read_bytes()
    if harm == "cut":
        index.write_bytes(index.read_bytes()[:300])
    else:
        index.unlink()
    files = [trip.read(tmp_path / "first"), typed(trip, trip.printed_ones[1]), listed(trip)]
    for ran in files:
        assert ran.status == 1
        assert "altered" not in ran.codes
        message = " ".join(reported(ran.json, "not-checked"))
        if harm == "cut" or b'"written":{}' not in record:
            assert "cannot be compared with what was sent" in message, message
    assert trip.read(tmp_path / "first").json["new"] is False, "kept all the same"


def test_an_unsigned_printed_receipt_with_missing_files_is_reported(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    assert typed(trip, trip.printed_ones[0]).status == 1
    assert listed(trip).codes == ["missing", "unsigned"]
    assert "an unsigned printed receipt of" in reported(listed(trip).json, "missing")[0]


def test_a_printed_receipt_after_a_newer_one_does_not_count(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    trip.read(trip.receipt("second"))
    old = replace(slip(trip.printed_ones[0]), made=datetime(2026, 1, 1, tzinfo=UTC))
    ran = typed(trip, "".join(lines_of(old)))
    assert (ran.status, {f["level"] for f in ran.json["findings"]}) == (0, {"note"})


def test_a_printed_receipt_that_contradicts_what_was_sent_is_not_kept(keeper: Keeper, tmp_path: Path) -> None:
    trip = half(keeper, tmp_path)
    ran = typed(trip, "".join(lines_of(replace(slip(trip.printed_ones[0]), index="00000000"))))
    assert (ran.status, ran.json["kept"], ran.json["new"]) == (1, False, False)
    assert "altered" in ran.codes
    assert listed(trip).json["sent"][0]["receipts"] == []
    assert listed(trip).codes == ["receipt-missing"]


def test_a_receipt_about_another_index_does_not_count(trip: Trip, tmp_path: Path) -> None:
    assert trip.read(lying(trip, tmp_path / "bent", lambda r: replace(r, index="0" * 64))).status == 1
    assert listed(trip).codes == ["receipt-missing"]
    assert "about what was sent" in reported(listed(trip).json, "receipt-missing")[0]


def test_receipts_of_sets_that_were_not_sent_here_are_shown(trip: Trip, tmp_path: Path) -> None:
    shutil.rmtree(trip.main_site.root / ".keeper" / "sets")
    trip.read(trip.receipt("out"))
    ran = trip.at(trip.main_site, "media", "list", "--json")
    assert (ran.status, [row["site"] for row in ran.json["unsent"]]) == (0, ["skerry"])
    assert "receipt   of a set that was not sent here" in trip.at(trip.main_site, "media", "list").out


def test_a_kept_receipt_that_cannot_be_read_is_reported(trip: Trip) -> None:
    trip.read(trip.receipt("out"))
    (kept,) = (trip.main_site.root / ".keeper" / "sets" / "receipts").glob("*.json")
    kept.write_bytes(kept.read_bytes()[1:])
    ran = listed(trip)
    assert (ran.status, set(ran.codes)) == (3, {"unreadable", "receipt-missing"})


def test_the_list_of_received_sets_has_the_reason_why_an_older_one_was_allowed(trip: Trip, tmp_path: Path) -> None:
    text = trip.at(trip.skerry, "media", "list").out
    assert "complete 20" in text
    with Store.open(trip.skerry.root, write=True) as store:
        sets = Sets(store)
        sets.update(replace(sets.received()[0], rollback="the newer one was withdrawn"))
    assert "allowed for this reason: the newer one was withdrawn" in trip.at(trip.skerry, "media", "list").out
    assert trip.at(trip.skerry, "media", "list", "--json").json["received"][0]["rollback"] is not None
