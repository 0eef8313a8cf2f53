"""What several tests share with those of media/receipt/test_answers.py."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Keeper
from tests.kits.media_kit import write_set
from tests.kits.trips import Trip, code_of


@pytest.fixture
def trip(keeper: Keeper, tmp_path: Path) -> Trip:
    """A main site and a site that received a whole set."""
    found = Trip(keeper, tmp_path)
    ran = found.at(found.skerry, "media", "receive", *write_set(found.send(), tmp_path / "media"))
    assert ran.status == 0, ran.out + ran.err
    return found


def reported(found: Any, code: str) -> list[str]:
    """What the findings of a code say, of an error or of an answer as JSON."""
    return [f["message"] for f in found["findings"] if f["code"] == code]


def printed(trip: Trip, *options: str) -> str:
    """The code of a receipt printed at skerry."""
    ran = trip.at(trip.skerry, "receipt", "write", "--printed", *options)
    assert ran.status == 0, ran.err
    return code_of(ran.out)


def typed(trip: Trip, code: str) -> Any:
    """Type a code at the main site."""
    return trip.at(trip.main_site, "receipt", "read", "-", "--json", stdin=code)
