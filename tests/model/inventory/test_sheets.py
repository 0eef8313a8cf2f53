"""Sheets as people have them: headings, one row a component or a server, the csv module's dialects."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
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
    """Nothing is dropped in silence, and nothing is guessed: the BIOS's date and a disk's size are no versions."""
    found = problems("site,domain,kind,serial,Owner,BIOS date\nholm,a,bios,B1,kim,x\n")
    assert [(p.code, p.subject, p.where) for p in found] == [
        ("inventory-key", "Owner", "servers.csv:1:5"),
        ("inventory-key", "BIOS date", "servers.csv:1:6"),
    ]
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
