"""What a receipt claims, and what reading one tells: what is held, what is missing, whose word it is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Keeper
from tests.media_kit import write_set
from tests.test_media_receipt import Trip


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
