"""Sheets from the command line: a column map, what a file covers whole, what is gone, the readings, an empty sheet."""

from __future__ import annotations

from pathlib import Path

from tests.conftest import Keeper

SERVERS = """Location,Serial No,Slot,BIOS,BMC,Owner
holm,S1,3,6.0,5.4,kim
holm,S2,4,6.0,5.4,kim
"""
HEAD = ("--read-at", "2026-11-20", "--zone", "UTC", "--reported-by", "kim")


def test_a_sheet_is_drafted_reviewed_and_loaded(keeper: Keeper, tmp_path: Path) -> None:
    """Without a map it is refused, and the hint names the command; header values come from options."""
    sheet, column_map = tmp_path / "servers.csv", tmp_path / "map.toml"
    sheet.write_text(SERVERS)
    refused = keeper("inventory", "load", sheet)
    assert refused.status == 2
    assert "bundlekeeper inventory columns" in refused.err
    assert "give --read-at" in refused.err
    assert keeper("inventory", "columns", sheet, "-o", column_map).status == 0
    assert keeper("inventory", "columns", sheet, "-o", column_map).status == 2  # it is there already
    unfilled = keeper("inventory", "load", sheet, "--columns", column_map, *HEAD)
    assert unfilled.status == 2
    assert "domain is still to be filled in" in unfilled.err
    text = column_map.read_text()
    text = text.replace("REVIEW: guessed", "it is").replace("REVIEW: is it", "is it")
    column_map.write_text(text.replace('domain = "REVIEW"', 'domain = "holm-a"\nchassis = "1"'))
    loaded = keeper("inventory", "load", sheet, "--columns", column_map, *HEAD)
    assert loaded.status == 0, loaded.err
    assert loaded.out.splitlines()[:2] == [
        "servers.csv: 2 rows, 4 components; 1 column ignored: Owner",
        "  new 4 · replaced 0 · moved 0 · changed 0 · same 0",
    ]
    sheet.write_text(SERVERS.replace("S2", "S9").replace("S1,3,6.0", "S1,3,6.1"))
    swapped = keeper("inventory", "load", sheet, "--columns", column_map, *HEAD)
    assert swapped.out.splitlines()[1:3] == [
        "  new 0 · replaced 2 · moved 0 · changed 1 · same 1",
        "  replaced: holm/holm-a/1/4  S2 -> S9",
    ]
    found = keeper("where", "--json").json["components"]
    assert sorted(c["component"] for c in found) == [
        "S1:bios", "S1:management-controller", "S9:bios", "S9:management-controller",
    ]  # fmt: skip


def test_a_model_one_letter_from_the_manifests_is_a_warning(office: Keeper, tmp_path: Path) -> None:
    """It is recorded, as it was read."""
    rows = tmp_path / "rows.csv"
    rows.write_text("site,domain,chassis,slot,kind,model,serial,active\nholm,holm-z,1,3,bios,Tern4,Z1,6.0.1\n")
    ran = office("inventory", "load", rows, *HEAD, "--json")
    assert (ran.status, ran.codes, ran.json["counts"]["new"]) == (1, ["model-unsupported"], 1)
    assert "did you mean Tern-4?" in office("inventory", "load", rows, *HEAD, "--dry-run").out


def test_what_would_be_gone_is_listed_and_asked(keeper: Keeper, tmp_path: Path) -> None:
    """Nobody is there to ask: refused (4), and nothing is recorded; --gone agrees; a partial file asks nothing."""
    rows = tmp_path / "rows.csv"
    head = "site,domain,chassis,slot,kind,serial,active\n"
    rows.write_text(head + "holm,holm-a,1,3,bios,B1,6.0\nholm,holm-a,1,4,bios,B2,6.0\n")
    assert keeper("inventory", "load", rows, *HEAD).status == 0
    rows.write_text(head + "holm,holm-a,1,3,bios,B1,6.0\n")
    partial = keeper("inventory", "load", rows, *HEAD, "--json")
    assert (partial.status, partial.json["counts"]["not_mentioned"], partial.json["counts"]["gone"]) == (0, 1, 0)
    newer = ("--read-at", "2026-11-21", *HEAD[2:])
    refused = keeper("inventory", "load", rows, *newer, "--complete", "domain:holm-a")
    assert refused.status == 4
    assert "1 component would be gone; nothing was recorded" in refused.err
    assert "bios B2 is gone from holm/holm-a/1/4" in refused.err
    assert len(keeper("where", "--json").json["components"]) == 2
    dry = keeper("inventory", "load", rows, *newer, "--complete", "site:holm", "--dry-run")
    assert (dry.status, "  gone: holm/holm-a/1/4  B2" in dry.out.splitlines()) == (0, True)
    agreed = keeper("inventory", "load", rows, *newer, "--complete", "domain:holm-a", "--gone", "--json")
    assert (agreed.status, agreed.json["counts"]["gone"], agreed.json["complete"]) == (0, 1, ["domain:holm-a"])
    assert [c["component"] for c in keeper("where", "--json").json["components"]] == ["B1"]
    wrong = keeper("inventory", "load", rows, *newer, "--complete", "domain:holm-b")
    assert (wrong.status, "did you mean 'domain:holm-a'?" in wrong.err) == (2, True)


def test_the_readings_are_listed_with_what_they_cover_and_whether_they_count(keeper: Keeper, tmp_path: Path) -> None:
    assert keeper("inventory", "list", "--json").json["readings"] == []
    rows = tmp_path / "rows.toml"
    rows.write_text(
        'inventory = 1\nread_at = 2026-11-20\nzone = "UTC"\ncomplete = ["site:holm"]\n'
        '[[component]]\nsite = "holm"\ndomain = "holm-a"\nkind = "bios"\nserial = "B1"\n'
    )
    assert keeper("inventory", "load", rows, "--reported-by", "kim").status == 0
    (reading,) = keeper("inventory", "list", "--json").json["readings"]
    assert {key: reading[key] for key in ("read_at", "reported_by", "components", "complete", "undone", "domains")} == {
        "read_at": "2026-11-20", "reported_by": "kim", "components": 1, "complete": ["site:holm"], "undone": False,
        "domains": ["holm/holm-a"],
    }  # fmt: skip
    assert reading["from"].endswith("rows.toml")
    assert keeper("ledger", "undo", reading["reading"], "--reason", "another site's").status == 0
    assert keeper("inventory", "list").out.split()[-1] == "undone"


def test_an_empty_sheet_and_a_schema(keeper: Keeper, tmp_path: Path) -> None:
    """CSV to stdout or a file, a workbook to a file only; it is read again, as an inventory of nothing."""
    assert keeper("inventory", "template").out.splitlines()[-1].startswith("site,domain,")
    assert keeper("inventory", "template", "--xlsx").status == 2
    book = tmp_path / "empty.xlsx"
    assert keeper("inventory", "template", "--xlsx", "-o", book).status == 0
    assert keeper("inventory", "template", "--xlsx", "-o", book).status == 2
    assert keeper("inventory", "template", "--xlsx", "-o", book, "--force").status == 0
    refused = keeper("inventory", "load", book, *HEAD)
    assert "no component is listed" in refused.err
    assert keeper("inventory", "schema").json["title"] == "bundlekeeper inventory"


def test_a_reading_that_comes_late_says_that_it_changes_nothing_today(keeper: Keeper, tmp_path: Path) -> None:
    """Of what was read later already; of anything else it is the newest reading."""
    new, old = tmp_path / "new.csv", tmp_path / "old.csv"
    new.write_text("site,domain,kind,serial,active\nholm,a,bios,B1,6.1\n")
    old.write_text("site,domain,kind,serial,active\nholm,b,bios,B1,6.0\nholm,b,bios,B2,6.0\n")
    load = ("inventory", "load", "--zone", "UTC", "--reported-by", "kim", "--read-at")
    assert keeper(*load, "2026-11-20", new, "--json").json["counts"]["seen_later"] == 0
    late = keeper(*load, "2026-11-15", old)
    assert "  1 component was read later already: nothing of those changes today" in late.out
    assert keeper("where", "B1", "--json").json["components"][0]["domain"] == "a"
    assert keeper(*load, "2026-11-16", old, "--json").json["counts"]["seen_later"] == 1


def test_only_a_sheet_has_columns(keeper: Keeper, tmp_path: Path) -> None:
    rows = tmp_path / "rows.toml"
    rows.write_text("inventory = 1\n")
    assert keeper("inventory", "columns", rows).status == 2
    twice = tmp_path / "twice.csv"
    twice.write_text("a,a\n1,2\n")
    refused = keeper("inventory", "columns", twice)
    assert (refused.status, "two columns are called 'a'" in refused.err) == (2, True)


def test_what_may_be_one_server_and_what_is_still_to_be_reviewed_is_a_warning(keeper: Keeper, tmp_path: Path) -> None:
    """It is loaded, and both names are there; a later sheet is held against what is known."""
    sheet, column_map = tmp_path / "servers.csv", tmp_path / "map.toml"
    head = "site,domain,chassis,slot,serial,BIOS,Owner\n"
    sheet.write_text(head + "holm,holm-a,1,3,Y-1,6.0,kim\n")
    first = keeper("inventory", "load", sheet, *HEAD)
    assert first.status == 0, first.err
    assert first.out.splitlines()[0] == "servers.csv: 1 row, 1 component; 1 column ignored: Owner"
    assert "warning" not in first.out
    sheet.write_text(head + "Holm,holm-a,1,4,y-1,6.0,kim\n")
    later = keeper("inventory", "load", sheet, "--read-at", "2026-11-21", *HEAD[2:], "--dry-run", "--json")
    assert later.status == 1
    assert [found["message"] for found in later.json["findings"]] == [
        "serial 'y-1' and serial 'Y-1' differ in case, blanks or leading zeros only; did you mean 'Y-1'?",
        "site 'Holm' and site 'holm' differ in case, blanks or leading zeros only; did you mean 'holm'?",
    ]
    sheet.write_text("Location,domain,chassis,slot,serial,BIOS\nholm,holm-a,1,3,Y-1,6.0\n")
    assert keeper("inventory", "columns", sheet, "-o", column_map).status == 0
    again = keeper("inventory", "load", sheet, "--columns", column_map, "--read-at", "2026-11-22", *HEAD[2:])
    line = next(n for n, text in enumerate(column_map.read_text().split("\n"), 1) if "REVIEW: guessed" in text)
    assert again.status == 1
    assert f"warning: not-checked: {column_map}: REVIEW is still beside line {line}\n" in again.out
