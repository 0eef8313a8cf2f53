"""What a receipt claims, and what reading one tells: what is held, what is missing, whose word it is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Keeper
from tests.media_kit import write_set
from tests.test_media_receipt import BUNDLES, Trip, code_of, lying


@pytest.fixture
def trip(keeper: Keeper, tmp_path: Path) -> Trip:
    """A depot and a site that received a whole set."""
    found = Trip(keeper, tmp_path)
    ran = found.at(found.skerry, "media", "receive", *write_set(found.send(), tmp_path / "media"))
    assert ran.status == 0, ran.out + ran.err
    return found


def told(found: Any, code: str) -> list[str]:
    """What the findings of a code say, of an error or of an answer as JSON."""
    return [f["says"] for f in found["findings"] if f["code"] == code]


def test_events_before_a_receipt_that_never_came_are_told_until_they_have_come(trip: Trip) -> None:
    trip.work(1)
    early = trip.receipt("early")
    count = trip.at(trip.skerry, "ledger", "check", "--json").json["chain"]["events"]
    trip.work(2)
    late = trip.receipt("late", "--after", str(count))
    for _ in range(2):
        ran = trip.read(late)
        assert (ran.status, ran.codes) == (1, ["not-checked"])
        assert told(ran.json, "not-checked") == [f"events 1 to {count} of that ledger never came here"]
    assert trip.read(early).json["events"]["new"] == count
    assert trip.read(late).status == 0


def test_merging_a_part_tells_it_too(trip: Trip, tmp_path: Path) -> None:
    trip.work(1)
    part = tmp_path / "part.jsonl"
    assert trip.at(trip.skerry, "ledger", "export", "--after", "1", "-o", part).status == 0
    ran = trip.at(trip.depot, "ledger", "merge", part, "--json")
    assert (ran.status, told(ran.json, "not-checked")) == (1, ["event 1 of that ledger never came here"])


@pytest.mark.parametrize("how", ["deleted", "quarantined", "catalogue"])
def test_what_is_not_held_any_more_is_not_claimed_as_proven(trip: Trip, how: str) -> None:
    """ "a receipt claims nothing that was not read here": a bundle that went since is told, with its date"""
    place = trip.skerry.root / BUNDLES[0].path
    place.chmod(0o644)
    if how == "quarantined":
        place.write_bytes(place.read_bytes()[:-1] + b"?")
        trip.at(trip.skerry, "check")
    else:
        place.unlink()
    if how == "catalogue":  # made again from the tree
        (trip.skerry.root / ".keeper" / "catalogue.sqlite").unlink()
    assert not place.exists()
    out = trip.receipt("late")
    ran = trip.read(out)
    assert (ran.status, ran.codes) == (1, ["not-held"])
    (row,) = (f for f in ran.json["findings"] if f["code"] == "not-held")
    assert (row["subject"], row["level"]) == (BUNDLES[0].path, "error")
    hows = {row["path"]: row["how"] for row in ran.json["receipt"]["arrived"]}
    assert hows.pop(BUNDLES[0].path) == "proven at the destination, not held there now"
    assert set(hows.values()) == {"proven at the destination"}
    text = trip.at(trip.depot, "media", "receipt", "--read", out).out
    assert "3 of 4 files proven at the destination\n" in text
    assert f"not held there now: {BUNDLES[0].path}" in text


def test_on_paper_what_is_not_held_any_more_is_among_the_missing(trip: Trip) -> None:
    (trip.skerry.root / BUNDLES[0].path).unlink()
    printed = trip.at(trip.skerry, "media", "receipt", "--paper")
    assert "files: 3 of 4 arrived" in printed.out
    ran = trip.at(trip.depot, "media", "receipt", "--read", "-", "--json", stdin=code_of(printed.out))
    assert ran.status == 1
    assert ran.json["missing"] == [BUNDLES[0].path]
    assert told(ran.json, "missing") == ["did not arrive, or is not held there now (skerry)"]


def test_every_way_of_proof_is_counted_by_its_word(trip: Trip, tmp_path: Path) -> None:
    word = "held before, proven at the destination"
    made = lying(
        trip, tmp_path / "made", lambda r: replace(r, arrived=(replace(r.arrived[0], how=word), *r.arrived[1:]))
    )
    text = trip.at(trip.depot, "media", "receipt", "--read", made)
    assert text.status == 0
    assert f"1 of 4 files {word}\n3 of 4 files proven at the destination\n" in text.out
