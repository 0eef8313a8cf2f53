"""`ledger undo` as a user has it: batches by the name that recording printed, later entries, twice, an undo undone."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from bundlekeeper.errors import LockedError
from bundlekeeper.jobs.recording.undo import UndoRequest, undo
from bundlekeeper.jobs.session import Session
from bundlekeeper.ledger.ask.undoing import Effect, WholeLedger
from bundlekeeper.ledger.event.events import Event, EventKind
from bundlekeeper.ledger.record.batches import batch_id
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.model.config import UserConfig
from tests.conftest import Keeper
from tests.kits.forked import ROOT
from tests.kits.ledger_commands import MARRAM
from tests.kits.ledger_history import DAY0, read, stated

_MODULES = ("--domain", "holm-a", "--kind", "io-module")


@pytest.fixture
def office(keeper: Keeper) -> Keeper:
    """A store with the office's inventory, and 6.1.0 staged on the two I/O modules of holm-a."""
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    return keeper


def batch_of(out: str) -> str:
    """The batch that was printed last."""
    undo = r"bundlekeeper ledger undo (?:--store \S+ )?\1 --reason TEXT"
    *_, name = re.findall(rf"^recorded as batch (\w+) \(to take it back: {undo}\)$", out, re.M)
    return str(name)


def stage(keeper: Keeper, *words: str) -> str:
    ran = keeper("stage", *(words or _MODULES), "--version", "6.1.0", "--reported-by", "kim")
    assert ran.status == 0, ran.err
    return batch_of(ran.out)


def state(keeper: Keeper) -> object:
    return keeper("where", "--json").json["components"]


def test_one_command_takes_back_what_one_command_recorded(office: Keeper) -> None:
    """Two commands, not two for each component; and nothing but the ledger is changed, which is reported."""
    before = state(office)
    batch = stage(office)
    staged = state(office)
    dry = office("ledger", "undo", batch, "--reason", "the wrong domain", "--dry-run")
    assert "nothing was recorded" in dry.out
    assert state(office) == staged != before
    done = office("ledger", "undo", batch, "--reason", "the wrong domain")
    assert done.status == 0, done.err
    assert "undone: staged 6.1.0 on HOLMA-IO1" in done.out
    assert "2 entries no longer count; every entry stays in the ledger. Reason: the wrong domain" in done.out
    assert "only the ledger changed: no component was touched" in done.out
    assert state(office) == before
    assert office("ledger", "undo", batch_of(done.out), "--reason", "it was right").status == 0
    assert state(office) == staged


def test_undone_twice_is_said_and_nothing_is_recorded(office: Keeper) -> None:
    batch = stage(office)
    assert office("ledger", "undo", batch, "--reason", "wrong", "--reported-by", "lee").status == 0
    events = office("ledger", "verify", "--json").json["chain"]["events"]
    again = office("ledger", "undo", batch, "--reason", "wrong")
    assert again.status == 2
    assert "it was undone already; nothing was recorded" in again.err
    assert "by lee, " in again.err
    assert office("ledger", "verify", "--json").json["chain"]["events"] == events


def test_an_activation_that_rests_on_it_is_listed_and_can_be_taken_back_too(office: Keeper) -> None:
    before = state(office)
    batch = stage(office)
    activated = office("activate", "HOLMA-IO2", "--json").json["events"][0]["id"]
    after = state(office)
    refused = office("ledger", "undo", batch, "--reason", "wrong")
    assert refused.status == 4
    assert "1 later entry rests on it" in refused.err
    assert "activated 6.1.0 on HOLMA-IO2, " in refused.err
    assert activated[:12] in refused.err
    assert "--with-later" in refused.err
    assert state(office) == after
    done = office("ledger", "undo", batch, "--reason", "wrong", "--with-later", "--json").json
    assert activated in done["undone"]
    assert len(done["undone"]) == done["counts"]["ended"] == 3
    assert state(office) == before


def test_several_at_once_and_a_whole_inventory(office: Keeper, tmp_path: Path) -> None:
    """An inventory is one entry to undo; what was recorded beside it stays."""
    newer = tmp_path / "newer.toml"
    newer.write_text(
        MARRAM.read_text().replace("read_at = 2026-11-20", "read_at = 2026-11-22").replace("6.0.1", "6.0.2")
    )
    before = state(office)
    loaded = office("inventory", "load", newer, "--json").json
    one, two = (stage(office, name) for name in ("HOLMA-IO1", "HOLMA-IO2"))
    done = office("ledger", "undo", one, two, loaded["batch"], "--reason", "another site's sheet", "--json").json
    assert len(done["undone"]) == len(done["events"]) == 3
    assert loaded["reading"] in done["undone"]
    assert done["counts"] == {"ended": loaded["counts"]["new_events"] + 2, "again": 0, "before": 0}
    assert done["batch"]
    assert state(office) == before


def test_last_is_the_last_batch_by_whomever_and_never_goes_further_back(office: Keeper) -> None:
    """Of two people at one store, the last batch is taken back, and whose it was is said."""
    older = stage(office, "HOLMA-IO1")
    before = state(office)
    assert office("observe", "HOLMA-SW1", "--active", "9.9", "--reported-by", "lee").status == 0
    undo = ("ledger", "undo", "--last", "--reason", "typed wrongly", "--reported-by", "kim")
    assert "reported by lee, not by kim" in office(*undo, "--dry-run").err
    after = state(office)
    unasked = office(*undo)
    assert (unasked.status, "observed on HOLMA-SW1" in unasked.err, "--yes agrees to it" in unasked.err) == (
        4,
        True,
        True,
    )
    assert state(office) == after
    done = office(*undo, "--yes")
    assert (done.status, "reported by lee, not by kim" in done.err) == (0, True)
    assert state(office) == before
    again = office(*undo, "--yes")
    assert again.status == 2
    assert "was undone already" in again.err
    assert f"bundlekeeper ledger undo {older}" in again.err
    assert state(office) == before


@pytest.mark.parametrize(
    ("words", "because"),
    [
        (("--reason", "x"), "no batch and no entry is named"),
        (("abcd", "--last", "--reason", "x"), "--last and names at once"),
        (("abcd",), "the reason is missing"),
        (("abcd", "--reason", "  "), "the reason is missing"),
        (("abc", "--reason", "x"), "no name of a batch"),
        (("HOLMA-IO1", "--reason", "x"), "no name of a batch"),
        (("ffffffffffffff", "--reason", "x"), "no id of a batch or of an entry begins with"),
    ],
)
def test_what_names_nothing_is_an_error_with_what_to_do(office: Keeper, words: tuple[str, ...], because: str) -> None:
    ran = office("ledger", "undo", *words)
    assert ran.status == 2
    assert because in ran.err
    assert "hint: " in ran.err


def test_digits_that_two_ids_begin_with_are_an_error_that_lists_both(keeper: Keeper, tmp_path: Path) -> None:
    """Batches are made until two of them share four digits, in a ledger of this process."""
    seen: dict[str, Event] = {}
    for number in range(10_000):
        event = read(0, f"6.{number}", component=f"C{number}")
        digits = batch_id([bytes.fromhex(event.id())])[:4]
        if digits in seen:
            break
        seen[digits] = event
    pair = [seen[digits], event]
    assert keeper("inventory", "load", MARRAM).status == 0
    with Ledger.open(tmp_path / "store" / ".keeper" / "ledger.sqlite", write=True) as ledger:
        names = [ledger.record([one], DAY0).batch_name for one in pair]
    ran = keeper("ledger", "undo", digits, "--reason", "x")
    assert ran.status == 2
    assert f"2 ids begin with {digits}" in ran.err
    assert ran.err.count(": batch observed on C") == 2
    assert len(names[1]) > 4
    assert keeper("ledger", "undo", names[1], "--reason", "x").status == 0


def test_every_command_that_records_prints_its_batch(office: Keeper, tmp_path: Path) -> None:
    """And one that recorded nothing new prints none."""
    batch_of(office("observe", "HOLMA-IO1", "--active", "6.0.1").out)
    stage(office)
    batch_of(office("activate", "HOLMA-IO1").out)
    assert office("ledger", "export", "-o", tmp_path / "events").status == 0
    assert "recorded as batch" not in office("ledger", "merge", tmp_path / "events").out
    batch_of(office("ledger", "merge", tmp_path / "events", "--store", tmp_path / "other").out)
    assert "recorded as batch" not in office("inventory", "load", MARRAM, "--reported-by", "kim").out
    assert "recorded as batch" not in office("stage", "HOLMA-IO2", "--version", "6.1.0", "--dry-run").out


def test_what_is_recorded_at_the_same_time_stops_an_undo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An activation that another process records after this one has looked would rest on what it takes back."""
    path = tmp_path / "ledger.sqlite"
    staged, activated = stated(EventKind.STAGED, 1, "6.1", bank="spare"), stated(EventKind.ACTIVATED, 2, "6.1")
    with Ledger.open(path, write=True) as ledger, Ledger.open(path, write=True) as other:
        ledger.record([staged], DAY0)
        effect = WholeLedger.effect

        def late(whole: WholeLedger, wanted: Sequence[int]) -> Effect:
            found = effect(whole, wanted)
            other.record([activated], DAY0)
            return found

        monkeypatch.setattr(WholeLedger, "effect", late)
        session = cast("Session", SimpleNamespace(ledger=ledger, now=lambda: DAY0, config=UserConfig()))
        with pytest.raises(LockedError, match="nothing was undone"):
            undo(session, UndoRequest((staged.id(),), "wrong", "ada"))
        assert [entry.event for entry in ledger.entries()] == [staged, activated]


def test_on_a_terminal_the_last_batch_is_shown_and_asked_for(office: Keeper, tmp_path: Path) -> None:
    stage(office, "HOLMA-IO1")
    leader, follower = pty.openpty()
    os.write(leader, b"y\n")  # the terminal keeps the line until it is read
    words = ["ledger", "undo", "--last", "--reason", "x", "--store", str(tmp_path / "store")]
    done = subprocess.run(
        [sys.executable, "-m", "bundlekeeper", *words], stdin=follower, capture_output=True, text=True, cwd=ROOT,
        check=False,
    )  # fmt: skip
    os.close(follower)
    os.close(leader)
    assert done.returncode == 0, done.stderr
    assert "1 entry would be undone. Is that what you mean?" in done.stderr
    assert "undone: staged" in done.stdout
