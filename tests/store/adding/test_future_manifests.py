"""Manifests that state a date of issue which has not come yet: refused, reported by their name, healed by a later one.

Clocks are set by faketime(1) where the command line is run, and given as an argument elsewhere.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError
from bundlekeeper.store.contents.manifest_dates import date_findings, doubts, latest
from bundlekeeper.store.database.rows import Admitted
from tests.conftest import Keeper, World
from tests.kits.store_kit import Kit, codes

NOW = datetime(2026, 11, 30, 12, tzinfo=UTC)


def admitted(sequence: int, issued: date, at: datetime, expires: date | None = None) -> Admitted:
    """A manifest as the store remembers it."""
    place = f"manifests/marram-{sequence}.toml"
    return Admitted("marram", sequence, f"{sequence:064x}", place, issued, expires, at)


FUTURE = admitted(14, date(2037, 1, 1), datetime(2037, 1, 2, tzinfo=UTC))
RIGHT = admitted(15, date(2026, 11, 20), NOW)


@pytest.mark.parametrize("days", [0, 1])
def test_a_date_of_issue_may_be_one_day_ahead(days: int, tmp_path: Path) -> None:
    """A day states no zone, and zones go up to UTC+14."""
    kit = Kit(tmp_path)
    loaded = kit.loaded(issued=NOW.date() + timedelta(days=days))
    assert codes(kit.add_loaded(loaded, clock=lambda: NOW)) == []


@pytest.mark.fault(93)
@pytest.mark.parametrize("dry_run", [False, True])
@pytest.mark.parametrize("day", [date(2026, 12, 2), date(2037, 1, 1), date.max])
def test_a_date_of_issue_further_ahead_is_refused(day: date, dry_run: bool, tmp_path: Path) -> None:
    """As any moment more than a day ahead of this machine's clock; nothing of the manifest stays."""
    kit = Kit(tmp_path)
    kit.add_loaded(kit.loaded(issued=date(2026, 8, 1)), clock=lambda: NOW)
    with pytest.raises(RefusedError, match=rf"issued on {day}.* clock says 2026-11-30") as caught:
        kit.add_loaded(kit.loaded(sequence=2, issued=day), clock=lambda: NOW, dry_run=dry_run)
    assert "marram, sequence 2" in caught.value.message
    assert [each.sequence for each in kit.admitted()] == [1]
    assert not (kit.root / "manifests/marram-2.toml").exists()


def test_no_clock_that_was_ahead_once_lets_a_future_manifest_in(tmp_path: Path) -> None:
    """The clock of now judges it, not the newest admission."""
    kit = Kit(tmp_path)
    kit.add_loaded(kit.loaded(issued=date(2036, 1, 1)), clock=lambda: FUTURE.admitted_at)
    with pytest.raises(RefusedError, match="issued on 2036-05-01"):
        kit.add_loaded(kit.loaded(sequence=2, issued=date(2036, 5, 1)), clock=lambda: NOW)


def test_the_message_names_the_manifest_and_one_that_corrects_it() -> None:
    (found,) = date_findings([FUTURE], NOW)
    assert found.code == "clock-doubtful"
    assert "marram, sequence 14 was issued on 2037-01-01" in found.message
    assert "later manifest" in found.hint
    assert not found.hint.startswith("set the clock")
    assert date_findings([FUTURE, RIGHT], NOW) == []
    # admitted in time: the date alone is wrong
    assert "sequence 14 was issued on 2037-01-01" in date_findings([replace(FUTURE, admitted_at=NOW)], NOW)[0].message


def test_a_manifest_that_is_named_is_judged_by_its_own_date() -> None:
    found = doubts("mine.toml", [RIGHT], NOW, date(2026, 12, 9))
    assert [(f.subject, "issued on 2026-12-09" in f.message) for f in found] == [("mine.toml", True)]
    assert doubts("mine.toml", [RIGHT], NOW, date(2026, 12, 1)) == []


@pytest.mark.attack("indefinite freeze")
def test_a_later_manifest_heals_only_what_it_corrects() -> None:
    """It must be of a higher number and of an earlier date: then the earlier one's date was wrong, and its clock."""
    early = datetime(2026, 8, 20, tzinfo=UTC)
    assert latest([FUTURE], NOW) == FUTURE.admitted_at
    assert latest([FUTURE, RIGHT], NOW) == NOW
    assert latest([FUTURE], NOW, RIGHT) == NOW
    # a clock set back: the date of the newer one is no earlier, so what was admitted still counts
    before = admitted(14, date(2026, 8, 14), NOW)
    for issued in (date(2026, 8, 14), date(2026, 8, 19)):
        newer = admitted(15, issued, early)
        assert latest([before, newer], early) == NOW
        assert latest([before], early, newer) == NOW
    # nor does going back to an older manifest correct anything
    older = admitted(13, date(2026, 1, 1), early)
    assert latest([FUTURE, older], NOW) == FUTURE.admitted_at


def test_an_admission_by_a_clock_that_was_ahead_names_the_manifest() -> None:
    """Its date of issue is right, so no later one corrects it: whose clock it was is for the user to say."""
    (found,) = date_findings([admitted(14, date(2026, 8, 14), datetime(2037, 1, 2, tzinfo=UTC))], NOW)
    assert "marram, sequence 14 was admitted on 2037-01-02" in found.message
    assert "2026-11-30" in found.message
    assert "judged by" not in found.hint


@pytest.mark.fault(93)
def test_a_future_manifest_from_adding_to_healing(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """Admitted by a clock that was ahead, reported by its name when it is right, healed by a later one that expires."""
    if not shutil.which("faketime"):
        pytest.skip("there is no faketime here to set a process's clock")
    text = world.manifest.read_text("utf-8")
    world.manifest.write_text(text.replace("issued = 2026-08-14", "issued = 2037-01-01"), "utf-8")
    words = ["store", "add", str(world.manifest), "--from", str(world.downloads), "--quiet"]
    assert keeper(*words).status == 4
    ahead = subprocess.run(
        ["faketime", "2037-01-02 12:00:00", sys.executable, "-m", "bundlekeeper", *words],
        env={**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "store")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ahead.returncode == 0, ahead.stderr
    # store list: a verification from the future counts for nothing; verify --quick reads such a file instead of
    # trusting it
    both = (keeper("store", "list", "--json"), keeper("verify", "--quick", "--json", "-q"))
    assert [(each.status, set(each.codes)) for each in both] == [
        (1, {"clock-doubtful", "unverified"}),
        (1, {"clock-doubtful"}),
    ]
    for each in both:
        assert any(
            "marram, sequence 14 was issued on 2037-01-01" in found["message"] for found in each.json["findings"]
        )
    again = keeper(*words)
    assert again.status == 4
    assert "2037-01-01" in again.err
    later = tmp_path / "later.toml"
    healed = text.replace("sequence = 14", "sequence = 15\nexpires = 2027-06-01", 1)
    later.write_text(healed, "utf-8")
    taken = keeper("store", "add", later, "--from", world.downloads, "--quiet", "--json")
    assert not any("sequence" in each["message"] for each in taken.json["findings"])
    keeper("verify", "-q")  # what that clock verified is verified by this one
    for reported in (keeper("store", "list", "--json"), keeper("verify", "--quick", "--json", "-q")):
        assert (reported.status, reported.codes) == (0, [])
