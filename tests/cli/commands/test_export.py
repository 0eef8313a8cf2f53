"""Tables for spreadsheets, and the way back: what is exported is loaded and observed again."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Keeper
from tests.kits.ledger_commands import MARRAM

LOADED = ["--read-at", "2026-11-25", "--zone", "UTC", "--quiet"]


@pytest.fixture
def office(keeper: Keeper) -> Keeper:
    """A store with the office's inventory, and with what was recorded since."""
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    assert keeper("observe", "HOLMA-IO1", "--active", "=cmd|x", "--spare", "'+1").status == 0
    assert keeper("observe", "HOLMA-IO2", "--pending", "-", "--spare", "-").status == 0
    assert keeper("stage", "HOLMB-IO1", "--version", "6.0.1", "--bank", "spare").status == 0
    return keeper


def table(text: str) -> list[dict[str, str]]:
    """The rows of a table."""
    return list(csv.DictReader(io.StringIO(text), strict=True))


def known(keeper: Keeper, *words: str | Path) -> dict[str, Any]:
    """What is known of each component, but for since when and by whom."""
    banks = ("active", "pending", "spare")
    facts = ("kind", "model", "parent", "site", "domain", "chassis", "slot", "boot_files_whole")
    return {
        c["component"]: (
            [c[key] for key in facts],
            [c[bank] and c[bank]["version"] for bank in banks],
            [file["version"] for file in c["boot_files"]],
        )
        for c in keeper("where", *words, "--json").json["components"]
    }


@pytest.mark.parametrize("exported", ["where", "inventory"])
def test_what_is_exported_is_loaded_again(office: Keeper, tmp_path: Path, exported: str) -> None:
    """ "What `export csv where` writes, `inventory load` … read[s] again" (issue 15, point 10): equal answers."""
    file, fresh = tmp_path / "all.csv", tmp_path / "fresh"
    assert office("export", "csv", exported, "-o", file).status == 0
    loaded = office("inventory", "load", file, "--read-at", "2026-11-25", "--zone", "UTC", "--store", fresh)
    assert loaded.status == 0, loaded.err
    before = known(office)
    assert known(office, "--store", fresh) == before
    assert before["HOLMA-IO1"][1] == ["=cmd|x", None, "'+1"]
    assert before["HOLMA-IO2"][1][1:] == ["", ""]
    assert table(file.read_text())[0]["site"] == "holm"
    cells = {cell for row in csv.reader(io.StringIO(file.read_text())) for cell in row}
    assert {"'=cmd|x", "''+1"} <= cells
    assert not [cell for cell in cells if cell != "-" and cell.startswith(("=", "+", "-", "@"))]


def test_what_is_exported_is_observed_again_as_far_as_it_differs(office: Keeper, tmp_path: Path) -> None:
    """ "…and `observe --file` read again" (issue 15, point 10): what the ledger has is no reading of anybody."""
    file = tmp_path / "all.csv"
    events = office("ledger", "verify", "--json").json["chain"]["events"]
    file.write_text(office("export", "csv", "where").out)
    same = office("observe", "--file", file)
    assert (same.status, "57 components as the ledger has it already" in same.err) == (0, True)
    assert office("ledger", "verify", "--json").json["chain"]["events"] == events
    staged = next(row for row in table(file.read_text()) if row["component"] == "HOLMB-IO1")
    assert (staged["spare"], staged["active"]) == ("6.0.1", "5.4.10")
    rows = [row | ({"active": "6.0.1"} if row == staged else {}) for row in table(file.read_text())]
    with file.open("w", newline="") as written:
        writer = csv.DictWriter(written, [*staged])
        writer.writeheader()
        writer.writerows(rows)
    done = office("observe", "--file", file, "--json").json["events"]
    assert [event["message"] for event in done] == ["HOLMB-IO1 (holm/holm-b/1/io-1): active 6.0.1"]


def test_a_row_that_says_more_than_observe_records_is_refused(office: Keeper, tmp_path: Path) -> None:
    """A move in an edited table would be lost in silence."""
    file = tmp_path / "all.csv"
    text = office("export", "csv", "where", "HOLMA-IO1").out
    file.write_text(text.replace(",io-1,", ",io-9,"))
    moved = office("observe", "--file", file)
    assert (moved.status, "slot is io-9, and io-1 here" in moved.err) == (2, True)
    file.write_text(text.replace("HOLMA-IO1", "HOLMA-IO2", 1))
    other = office("observe", "--file", file)
    assert (other.status, "component is HOLMA-IO1 and serial is HOLMA-IO2" in other.err) == (2, True)
    file.write_text("serial,pair,active\nHOLMA-IO1,io,6.1.0\n")
    noted = office("observe", "--file", file, "--dry-run")
    assert (noted.status, "not recorded by this command: pair" in noted.err) == (0, True)
    file.write_text("serial,active\nHOLMA-IO1,=cmd|x\n")
    assert len(office("observe", "--file", file, "--json").json["events"]) == 1  # no export: somebody read it back


def test_what_is_left_out_is_named(office: Keeper, tmp_path: Path) -> None:
    """Nothing is dropped in silence, and an old file is not overwritten."""
    partial = office("export", "csv", "inventory")
    assert "left out: 6 of partition, 3 of policy, 1 of separate_windows" in partial.err
    file = tmp_path / "all.csv"
    assert office("export", "csv", "where", "holm-a", "-o", file).status == 0
    assert "next: bundlekeeper inventory load" in office("export", "csv", "where", "-o", tmp_path / "b.csv").err
    assert office("export", "csv", "where", "-o", file).status == 2
    assert {row["domain"] for row in table(file.read_text())} == {"holm-a"}
    assert office("export", "csv", "where", "nobody").status == 2


def test_history_is_a_row_for_each_event(office: Keeper) -> None:
    """Of what `where` takes, entries that were taken back as well."""
    event = office("stage", "HOLMA-IO1", "--version", "6.1.0", "--bank", "spare", "--json").json["events"][0]["id"]
    office("ledger", "undo", event, "--reason", "it was the other module")
    rows = table(office("export", "csv", "history", "--kind", "io-module").out)
    assert {row["kind"] for row in rows} == {"io-module"}
    assert [row["taken_back"] for row in rows if row["event"] == event] == ["yes"]
    assert [row["read_active"] for row in rows if row["component"] == "HOLMA-IO1"] == [
        "6.0.1",
        "'=cmd|x",
        "",
        "",
    ]  # staged, taken back
