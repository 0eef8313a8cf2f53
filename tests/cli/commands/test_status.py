"""`status`: what needs attention today, each with its count, its worst and the command."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from tests.conftest import Keeper, World
from tests.kits.plan_commands import kept_plan
from tests.kits.sure import some


def items(keeper: Keeper) -> dict[str, Any]:
    """The items by the code of the worst, and the exit status."""
    ran = keeper("status", "--json")
    assert ran.status == (1 if any(item["level"] != "note" for item in ran.json["items"]) else 0)
    return {item["code"]: item for item in ran.json["items"]}


def test_a_store_in_order_needs_nothing(office: Keeper) -> None:
    assert items(office) == {}
    assert "nothing needs attention\n9 of 9 bundles verified\n" in office("status").out


def test_each_state_of_the_ledger_is_an_item_with_its_count(office: Keeper) -> None:
    """Staged, activated and not read back, failed, silent: until a reading settles each."""
    office("stage", "HOLMB-IO1", "--version", "6.0.1")
    office("stage", "HOLMB-IO2", "--version", "6.0.1")
    found = items(office)
    assert found["not-activated"]["count"] == 2
    assert found["not-activated"]["command"] == "bundlekeeper where --staged"
    office("activate", "HOLMB-IO1", "--version", "6.0.1")
    office("activate", "HOLMB-IO2", "--version", "6.0.1", "--failed", "it stopped at 40 %")
    found = items(office)
    assert found["not-read-back"]["count"] == 1
    assert (found["activation-failed"]["level"], found["activation-failed"]["count"]) == ("error", 1)
    assert found["not-activated"]["count"] == 1
    office("observe", "HOLMB-IO1", "--active", "6.0.1")
    office("observe", "HOLMB-IO2", "--no-answer")
    found = items(office)
    assert found.keys() == {"activation-failed", "not-activated"}  # a silent component's last try is still a failed one
    office("observe", "HOLMB-IO2", "--active", "6.0.1")
    office("observe", "HOLMB-IO1", "--no-answer")
    assert items(office).keys() == {"no-answer"}


def test_a_failure_and_a_silence_are_so_since_they_were_recorded(office: Keeper) -> None:
    """Not since the last reading, which was days before anybody tried."""
    for words in (
        ("activate", "HOLMB-IO2", "--version", "6.0.1", "--failed", "x", "--at", "2026-11-27", "--anyway", "told"),
        ("observe", "HOLMB-IO1", "--no-answer", "--at", "2026-11-28"),
    ):
        assert office(*words, "--zone", "UTC").status < 2
    found = items(office)
    assert found["activation-failed"]["since"] == "2026-11-27"
    assert found["no-answer"]["since"] == "2026-11-28"


def test_gaps_says_the_same_of_what_is_open_in_a_domain(office: Keeper) -> None:
    """Word for word, what was read back as another version too: so that one acceptance is of both."""
    codes = {"not-read-back", "activation-failed", "no-answer"}
    for words in (
        ("stage", "holm-b", "--kind", "io-module", "--version", "6.0.1"),
        ("activate", "HOLMB-IO1", "--version", "6.0.1"),
        ("activate", "HOLMB-IO2", "--version", "6.0.1", "--failed", "it stopped at 40 %"),
        ("observe", "HOLMB-IO1", "--active", "5.4.10"),
        ("observe", "HOLMB-CC1", "--no-answer"),
    ):
        assert office(*words).status == 0
    said, in_gaps = (
        [found for found in office(*words, "--json").json["findings"] if found["code"] in codes]
        for words in (("status",), ("gaps", "holm-b", "--to", "6.1"))
    )
    assert {found["code"] for found in said} == codes
    assert "and 5.4.10 was read since" in str(said)
    assert in_gaps == said


def test_what_runs_and_is_withdrawn_is_an_error(office: Keeper, world: World, tmp_path: Path) -> None:
    """By a newer manifest that withdraws what components run."""
    text = world.manifest.read_text()
    old = 'version = "5.4.10"'
    head, sep, tail = text.partition(old)
    later = head + sep + tail.replace('lifecycle = "superseded"', 'lifecycle = "withdrawn"\nreason = "it hangs"', 1)
    newer = tmp_path / "newer.toml"
    newer.write_text(later.replace("sequence = 14", "sequence = 15"))
    added = office("store", "add", newer, "--from", world.downloads, "--quiet")
    assert added.status in (0, 1), added.err
    office("observe", "HOLMB-IO1", "--active", "5.4.10")
    ran = office("status", "--json").json
    running = [item for item in ran["items"] if item["command"] == "bundlekeeper where --withdrawn"]
    assert [item["level"] for item in running] == ["error"]


def test_quarantine_without_a_good_copy_is_an_error_and_with_one_a_note(
    office: Keeper, world: World, tmp_path: Path
) -> None:
    """And `store list --quarantine` says where that is."""
    place = tmp_path / "store/rack/6.1.0/marram-rack-6.1.0.bin"
    place.unlink()
    place.write_bytes(b"wrong")
    assert office("verify", "--quiet").status == 1
    assert items(office)["quarantined"]["level"] == "error"
    assert "none in the store" in office("store", "list", "--quarantine").out
    assert office("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    assert items(office)["quarantined"]["level"] == "note"
    assert str(place) in office("store", "list", "--quarantine").out
    (kept,) = office("store", "list", "--json").json["quarantine"]
    assert (kept["kept_as"] or "").startswith("quarantine/marram-rack-6.1.0.bin.")


def test_an_empty_store_has_nothing_yet_and_none_is_an_error(keeper: Keeper, tmp_path: Path) -> None:
    """Nothing to show: 0; a mistyped store is not all well."""
    assert keeper("status").status == 2
    assert keeper("status", "--store", tmp_path / "downloads").status == 2
    inventory = Path(__file__).parents[3] / "manifests" / "marram-2026-11.toml"
    assert keeper("inventory", "load", inventory, "--reported-by", "kim").status == 0
    assert keeper("status").status == 0
    verified = keeper("verify", "--quiet", "--json")  # a timer on the wrong folder is not all well
    assert (verified.status, verified.codes) == (1, ["not-checked"])
    listed = keeper("store", "list")
    assert (listed.status, "nothing yet" in listed.out) == (0, True)


def test_it_is_one_screen_of_eighty_columns(office: Keeper, tmp_path: Path) -> None:
    office("stage", "holm-b", "--kind", "io-module", "--version", "6.0.1")
    out = office("status", env={**os.environ, "COLUMNS": "80", "BUNDLEKEEPER_STORE": str(tmp_path / "store")}).out
    assert all(len(line) <= 80 for line in some(out.splitlines()))
    assert len(out.splitlines()) <= 24


def test_a_ledger_that_is_gone_is_not_one_that_never_was(office: Keeper, tmp_path: Path) -> None:
    """Else nothing would need attention, and nothing be needed; a new one begins only when somebody says so."""
    keeper = tmp_path / "store/.keeper"
    (keeper / "ledger.sqlite").unlink()
    ran = office("status", "--json")
    assert (ran.status, [item["command"] for item in ran.json["items"]]) == (3, ["bundlekeeper ledger verify"])
    assert office("store", "list").status == 3
    for words in (
        ("store", "remove", "blade/6.1.0", "--reason", "r", "--confirm", "blade/6.1.0"),
        ("observe", "HOLMB-IO1", "--active", "6.0.1"),
        ("where",),
        ("ledger", "verify"),
    ):
        refused = office(*words)
        assert (refused.status, "ledger is gone" in refused.err) == (3, True), words
    assert not (keeper / "ledger.sqlite").exists()
    (keeper / "ledger.made").unlink()
    assert office("status").status == 0


def test_a_damaged_ledger_is_an_item_and_the_rest_is_still_asked(office: Keeper, tmp_path: Path) -> None:
    ledger = tmp_path / "store/.keeper/ledger.sqlite"
    data = bytearray(ledger.read_bytes())
    data[:100] = b"\0" * 100
    ledger.write_bytes(data)
    ran = office("status", "--json")
    assert ran.status == 3
    assert "damaged" in ran.codes
    assert ran.json["counts"]["in_store"] == 9
    commands = [item["command"] for item in ran.json["items"] if item["code"] == "damaged"]
    assert commands == ["bundlekeeper ledger verify"]  # one damage, once
    verified = office("verify", "--quick", "--quiet", "--json")
    assert (verified.status, verified.codes) == (3, ["damaged"]), "nobody can say what was removed"


def test_a_plan_under_way_is_an_item_and_its_stops_are_needed(office: Keeper, tmp_path: Path) -> None:
    """Until it is closed: then nothing of it is left to do, and its bundles may go."""
    kept_plan(office, tmp_path)
    assert "plan-due" not in items(office), "it was not begun"
    refused = office("store", "remove", "infrastructure/6.0.1", "--reason", "old", "--confirm", "infrastructure/6.0.1")
    assert (refused.status, "plan night" in refused.err) == (4, True), refused.err
    rows = {(row["family"], row["version"]): row for row in office("store", "list", "--json").json["bundles"]}
    assert rows["blade", "6.1.0"]["needed_by"] == ["plan night"]
    office("plan", "record", "night", "--window", "1", "--yes", "--except", "HOLMB-IO1=failed:dead")
    item = items(office)["plan-due"]
    assert (item["level"], item["command"]) == ("warning", "bundlekeeper plan progress night")
    text = office("status").out
    assert "  ! plan night: window 2 of 4 is next; 1 component failed in window 1, since " in text
    assert office("plan", "close", "night", "--reason", "given up").status == 0
    assert "plan-due" not in items(office)
    gone = office("store", "remove", "infrastructure/6.0.1", "--reason", "old", "--confirm", "infrastructure/6.0.1")
    assert "plan night" not in gone.err
