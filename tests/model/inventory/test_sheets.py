"""Sheets as people have them: headings, one row a component or a server, the csv module's dialects."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.model.inventory.alike import alike
from bundlekeeper.model.inventory.column_map import read_map
from bundlekeeper.model.inventory.headings import ColumnMap, joined
from bundlekeeper.model.inventory.read import FilesRead, InventorySource, read_files
from bundlekeeper.model.inventory.types import Component

MAP = """columns = 1
ignored = ["Owner"]
[keys]
"Location" = "site"
"Serial" = "serial"
"Slot" = "slot"
[versions]
"BIOS" = "bios"
"BIOS next" = "bios.pending"
"NIC 2" = "network-adapter/2"
[values]
domain = "holm-a"
chassis = "1"
"""


def load(text: str, column_map: str = "", **more: Any) -> FilesRead:
    made = read_map(column_map.encode(), name="map.toml") if column_map else None
    how = {"read_at": date(2026, 3, 1), "zone": "UTC", "column_map": made, **more}
    return read_files([InventorySource("servers.csv", text.encode(), "csv")], **how)


def problems(text: str, column_map: str = "", **more: Any) -> list[Finding]:
    with pytest.raises(InputError) as caught:
        load(text, column_map, **more)
    return list(caught.value.problems)


def test_headings_in_any_case_with_blanks_underscores_and_dashes() -> None:
    """What a person writes on top of a column, and words of the trade that mean nothing else."""
    text = "SITE;Do-main;Component Kind;Serial Number;Firmware Version;Boot_Files;Remarks\n"
    found = load(text + "holm;holm-a;fabric-switch;F1;6.10;6.10|5.4;lent\n")
    (component,) = found.inventory.components
    assert (component.site, component.domain, component.kind, component.serial) == (
        "holm",
        "holm-a",
        "fabric-switch",
        "F1",
    )
    assert (component.active, component.boot_files) == ("6.10", ("6.10", "5.4"))
    assert (found.rows, found.ignored) == (1, ())


def test_a_heading_that_is_not_understood_is_a_problem_that_names_the_way_out() -> None:
    """Nothing is guessed: the BIOS's date and a disk's size are no versions."""
    found = problems("site,domain,kind,serial,BIOS date\nholm,a,bios,B1,x\n")
    assert [(p.code, p.subject, p.where) for p in found] == [("inventory-key", "BIOS date", "servers.csv:1:5")]
    assert all("bundlekeeper inventory columns" in p.hint for p in found)
    found = problems("site,domain,serial,BIOS,Disk\nholm,a,SRV,6.0,4 TB\n")
    assert [p.subject for p in found] == ["Disk"]


def test_one_row_a_server_is_a_component_for_each_firmware_column() -> None:
    """An empty cell is a version that is not known, a dash is no such component; the serial is the server's."""
    head = "Site,Domain,Chassis,Slot,Serial,Model,BIOS,BMC version,NIC 1 firmware,NIC 2 firmware,BMC pending\n"
    found = load(head + "holm,holm-a,1,3,SRV1,Tern-4,6.0,5.4,1.1,-,6.1\nholm,holm-a,1,4,SRV2,Tern-4,6.0,,-,-,\n")
    place = ("holm", "holm-a", "1")
    assert found.inventory.components == (
        Component("bios", *place, "3", "SRV1", "Tern-4", active="6.0"),
        Component("management-controller", *place, "3", "SRV1", "Tern-4", active="5.4", pending="6.1"),
        Component("network-adapter", *place, "3/1", "SRV1", "Tern-4", active="1.1"),
        Component("bios", *place, "4", "SRV2", "Tern-4", active="6.0"),
        Component("management-controller", *place, "4", "SRV2", "Tern-4"),
    )
    assert found.rows == 2


def test_a_problem_of_a_server_is_at_its_cell() -> None:
    """Of the version's own column, and of the row."""
    head = "site,domain,slot,serial,BIOS,BMC\n"
    found = problems(head + f"holm,a,3,S1,6.0,5.4\nholm,,4,S2,6.0,{'x' * 300}\n")
    assert [(p.where, p.subject) for p in found] == [
        ("servers.csv:3:2", "domain"), ("servers.csv:3:6", "active"),
    ]  # fmt: skip


def test_one_row_is_a_component_or_a_server_and_never_both() -> None:
    """With a column `kind`, what BIOS means is not clear."""
    found = problems("site,domain,kind,serial,active,BIOS\nholm,a,bios,B1,6.0,6.1\n")
    assert [p.subject for p in found] == ["BIOS"]


def test_two_columns_that_hold_the_same_are_a_problem() -> None:
    """Which one counts is the user's to say, in a map."""
    found = problems("site,domain,kind,serial,Firmware,Version\nholm,a,bios,B1,6.0,6.1\n")
    assert "'Firmware' and 'Version' hold the same: active" in found[0].message


def test_lines_above_the_headings_are_passed_over_by_name() -> None:
    """A title, a date: people write them there."""
    found = load('Servers at Holm; as of March\n\nsite,domain,kind,serial,note\nholm,a,bios,B1,"a, b; c"\n')
    assert [c.key for c in found.inventory.components] == ["B1"]
    assert found.above == ("Servers at Holm; as of March",)


@pytest.mark.parametrize("dialect", ["excel", "excel-tab", "unix"])
@pytest.mark.parametrize("delimiter", [None, ";"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_what_the_csv_module_writes_is_read(dialect: str, delimiter: str | None, mark: str) -> None:
    """RFC 4180 by another hand: quotes, delimiters and line breaks in cells, with and without a byte-order mark."""
    rows = [
        ["Site", "Domain", "Kind", "Serial No", "Version", "Policy"],
        ["holm", "holm-a", "bios", 'B "7"', "6.10", "night; web, two"],
        ["holm", "holm-a", "bios", "B8", "", "x"],
    ]
    out = io.StringIO()
    writer = csv.writer(out, dialect, delimiter=delimiter) if delimiter else csv.writer(out, dialect)
    writer.writerows(rows)
    first, second = load(mark + out.getvalue()).inventory.components
    assert (first.serial, first.active, second.active) == ('B "7"', "6.10", None)
    assert first.policy == "night; web, two"


def test_a_map_states_what_columns_hold_and_the_rest_is_listed() -> None:
    """Also a column that the map does not mention: ignored, by name."""
    text = "Location,SERIAL,slot,BIOS,bios_next,NIC 2,Owner,Warranty\nholm,S1,3,6.0,6.1,1.1,kim,2027\n"
    found = load(text, MAP)
    assert found.ignored == ("Owner", "Warranty")
    assert found.inventory.components == (
        Component("bios", "holm", "holm-a", "1", "3", "S1", active="6.0", pending="6.1"),
        Component("network-adapter", "holm", "holm-a", "1", "3/2", "S1", active="1.1"),
    )


def test_a_map_of_another_sheet_is_a_problem() -> None:
    """A heading that it names is not there."""
    found = problems("Location,Serial,BIOS\nholm,S1,6.0\n", MAP)
    assert [p.subject for p in found] == ["Slot", "BIOS next", "NIC 2"]


@pytest.mark.parametrize(
    ("line", "code", "where"),
    [
        ('[keys]\n"Host" = "nmae"', "columns-key", "map.toml:3"),
        ('[versions]\n"BIOS" = "boss"', "columns-key", "map.toml:3"),
        ('[versions]\n"BIOS" = "bios.boot_files"', "columns-value", "map.toml:3"),
        ('[keys]\n"A" = "serial"\n"B" = "serial"', "columns-twice", "map.toml:4"),
        ('[keys]\n"A" = "serial"\n[versions]\n"a" = "bios"', "columns-twice", "map.toml:5"),
        ('[values]\nsite = "REVIEW"', "columns-value", "map.toml:3"),
        ('[values]\nsight = "holm"', "columns-key", "map.toml:3"),
        ('[keys]\n"K" = "kind"\n[versions]\n"B" = "bios"', "columns-twice", "map.toml:4"),
        ("ignored = 3", "columns-value", "map.toml:2"),
        ("keys = 3", "columns-value", "map.toml:2"),
        ("colums = 1", "columns-key", "map.toml:2"),
    ],
)
def test_what_is_wrong_with_a_map_is_at_its_line(line: str, code: str, where: str) -> None:
    with pytest.raises(InputError) as caught:
        read_map(f"columns = 1\n{line}\n".encode(), name="map.toml")
    assert [(p.code, p.where.rpartition(":")[0]) for p in caught.value.problems] == [(code, where)]


def test_two_columns_of_versions_are_told_how_to_state_another_bank() -> None:
    """What is staged is beside what runs: a reader who only knows `bios` must not be told to ignore it."""
    with pytest.raises(InputError) as caught:
        read_map(b'columns = 1\n[versions]\n"BIOS" = "bios"\n"Brought" = "bios"\n', name="map.toml")
    assert [p.hint for p in caught.value.problems] == ["where it is not what runs: bios.staged, .pending or .spare"]
    with pytest.raises(InputError) as caught:
        read_map(b'columns = 1\n[versions]\n"N" = "disk/2"\n"Brought" = "disk/2"\n', name="map.toml")
    assert [p.hint for p in caught.value.problems] == ["where it is not what runs: disk/2.staged, .pending or .spare"]


def test_a_map_is_the_one_that_was_written() -> None:
    found = read_map(MAP.encode(), name="map.toml")
    assert isinstance(found, ColumnMap)
    assert found.versions["nic2"] == ("network-adapter", "2", "active")
    assert found.values == {"domain": "holm-a", "chassis": "1"}


def test_cells_of_several_columns_for_one_key_are_joined() -> None:
    """An asset tag that a spreadsheet keeps as a number, a rack, two comments; nothing else is joined."""
    assert joined("tags", [4711, "R1"]) == "4711|R1"
    assert joined("note", ["lent", "to skerry"]) == "lent; to skerry"
    assert joined("name", [14]) == "14"
    assert joined("serial", [88]) == 88


PLAIN = "site,domain,kind,serial,active,pending,spare,staged,boot_files\n"


@pytest.mark.parametrize(
    "cell",
    ["N/A", "n/a", "TBD", "unknown", "?", "#REF!", "#N/A", "#VALUE!", "none", "--", '"6,0,1"'],
)
def test_what_is_no_version_is_no_version(cell: str) -> None:
    """A placeholder, what a spreadsheet writes for an error, a comma for a dot: refused in every bank."""
    for banks in (f"{cell},,,,", f"6.0,{cell},,,", f"6.0,,,,6.0|{cell}"):
        if "," in cell and "|" in banks:
            continue  # a comma divides boot files
        (problem,) = problems(PLAIN + f"holm,a,fabric-switch,F1,{banks}\n")
        assert problem.code == "inventory-value"
        assert cell.strip('"') in problem.message
        assert "leave it empty where it is not known" in problem.hint
        assert ("- where there is none" in problem.hint) == (problem.subject != "active")


@pytest.mark.parametrize(
    ("row", "subject", "message"),
    [
        ("bios,B1,6.0,6.1,5.4,,", "spare", "the bank that does not run is pending or spare, never both"),
        ("disk,D1,6.0,6.1,,,", "pending", "a disk has one bank"),
        ("disk,D1,6.0,,6.1,,", "spare", "a disk has one bank"),
        ("disk,D1,6.0,,,6.1,", "staged", "a disk has one bank"),
    ],
)
def test_a_component_has_no_more_banks_than_its_kind(row: str, subject: str, message: str) -> None:
    """Two banks are the one that runs and one other; of a manifest's own table of the kind nothing is known here."""
    (problem,) = problems(PLAIN + f"holm,a,{row}\n")
    assert (problem.code, problem.subject.split()[-1]) == ("inventory-value", problem.subject)
    assert message in problem.message
    assert subject in problem.message
    assert load(PLAIN + f"holm,a,{row}\n", own_kinds=["bios", "disk"]).rows == 1
    assert load(PLAIN + "holm,a,bios,B1,6.0,6.1,-,6.1,\nholm,a,disk,D1,6.0,-,-,-,\n").rows == 2


def test_what_differs_in_case_blanks_or_zeros_only_is_named() -> None:
    """Within one sheet, and against the serials and sites that are known already."""
    head = "site,domain,chassis,slot,serial,BIOS\n"
    found = load(head + "holm,a,1,3,Y-1,6.0\nholm,a,1,4,y-1,6.0\nHolm,a,1,5,Y-2,6.0\n")
    assert alike(found.inventory.components) == [
        "serial 'y-1' and serial 'Y-1' differ in case, blanks or leading zeros only; did you mean 'Y-1'?",
        "site 'Holm' and site 'holm' differ in case, blanks or leading zeros only; did you mean 'holm'?",
    ]
    found = load(head + "holm,a,1,01,Y-1,6.0\nholm,a,1,1,Z-1,6.0\nholm,a,1,11,0815,6.0\n")
    assert alike(found.inventory.components) == [
        "slot '1' and slot '01' of holm/a/1 differ in case, blanks or leading zeros only; did you mean '01'?"
    ]
    assert alike(found.inventory.components, [("serial", "", "815"), ("serial", "", "Z-1"), ("site", "", "holm")]) == [
        "slot '1' and slot '01' of holm/a/1 differ in case, blanks or leading zeros only; did you mean '01'?",
        "serial '0815' and serial '815' differ in case, blanks or leading zeros only; did you mean '815'?",
    ]
    assert alike(found.inventory.components[:1], [("site", "", "Holm"), ("slot", "holm/a/1", "1")]) == [
        "site 'holm' and site 'Holm' differ in case, blanks or leading zeros only; did you mean 'Holm'?",
        "slot '01' and slot '1' of holm/a/1 differ in case, blanks or leading zeros only; did you mean '1'?",
    ]


def test_one_server_in_two_rows_is_one_problem_that_names_both() -> None:
    found = problems(
        "site,domain,chassis,slot,Serial No,BIOS,BMC\nh,a,1,3,Z-2,6.0,5\nh,a,1,4,Z-3,6.0,5\nh,a,1,5,Z-2,6.0,5\n"
    )
    assert [(p.code, p.message, p.where) for p in found] == [
        ("inventory-twice", "serial Z-2 is in rows 2 and 4", "servers.csv:4:5")
    ]


def test_a_problem_names_the_heading_of_its_column() -> None:
    """As the person reads it in the sheet, with the key that it is."""
    found = problems("Datacenter,domain,kind,serial,Firmware version\n,a,boss,S1,n/a\n")
    assert [p.message.partition(" is ")[0] for p in found] == [
        "kind", "'Firmware version' (active)", "'Datacenter' (site)",
    ]  # fmt: skip
    found = problems("site,domain,slot,serial,BIOS\nholm,a,3,S1,?\n")
    assert found[0].message.startswith("'BIOS' (active of bios) is '?'")


def test_headings_that_are_not_needed_are_ignored_by_name() -> None:
    """But none that may hold a version, or is a key's but for a letter, and none where something needed is missing."""
    found = load("site,domain,kind,serial,Rack,Last check\nholm,a,bios,B1,R1,May\n")
    assert (found.rows, found.ignored) == (1, ("Rack", "Last check"))
    for heading in ("FW", "Patch version", "BIOS date", "Firmware of NIC", "haelthy", "Image"):
        (problem,) = problems(f"site,domain,kind,serial,Rack,{heading}\nholm,a,bios,B1,R1,6.0\n")
        assert problem.subject == heading
        assert "bundlekeeper inventory columns SHEET -o map.toml" in problem.hint
    needed = problems("domain,kind,serial,Rack\na,bios,B1,R1\n")
    assert [p.subject for p in needed] == ["Rack", "site"]
    assert "bundlekeeper inventory columns SHEET -o map.toml" in needed[1].hint
    text = "Location,SERIAL,slot,BIOS,bios_next,NIC 2,FW\nholm,S1,3,6.0,6.1,1.1,7\n"
    (problem,) = problems(text, MAP)
    assert (problem.subject, "map.toml" in problem.hint) == ("FW", True)
    assert load(text, MAP.replace('"Owner"', '"FW"')).ignored == ("FW",)


def test_the_lines_of_a_map_that_are_to_be_reviewed_are_counted() -> None:
    text = 'columns = 1\n# Review each line with REVIEW beside it\n[keys]\n"a # REVIEW" = "site"\n'
    assert read_map(text.encode(), name="map.toml").review == ()
    text += '"Host" = "name"  # REVIEW: guessed\n#"x" = "serial" # REVIEW\n'
    assert read_map(text.encode(), name="map.toml").review == (5, 6)
