"""Reading inventories: the same content in every form, every problem at once, unknown kept apart from none."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.model.inventory.cells import INVENTORY_CODES
from bundlekeeper.model.inventory.read import Document, InventorySource, form_of, read_inventory
from bundlekeeper.model.inventory.types import Component, Inventory, Partition, Policy, SeparateWindows, identity
from bundlekeeper.model.inventory.write_json import to_json
from tests.kits.inventories import inventories

HEAD = 'inventory = 1\nread_at = 2026-03-01\nzone = "Europe/Lisbon"\n'
SKERRY = (
    HEAD
    + """
[[component]]
site = "skerry"
domain = "skerry-a"
kind = "fabric-switch"
model = "Reed-40"
serial = "MF40-0001"
active = "6.0.1"
pending = "-"
boot_files = ["6.0.1", "5.4.10"]
pair = "fabric"
half = "leading"
healthy = true

[[component]]
site = "skerry"
domain = "skerry-a"
chassis = "1"
slot = 3
parent = "MB4-0007"
kind = "bios"
model = "Tern-4"
active = "5.4.10"
policy = "-"

[[partition]]
component = "MF40-0001"
name = "images"
size_bytes = 8_000_000_000
free_bytes = 0

[[policy]]
name = "web"
versions = { blade = "6.0.1", bios = "6.0.1-b" }
applies = "immediate"
scope = ["skerry-a"]

[[separate_windows]]
domains = ["skerry-a", "holm-a"]
note = "both feed the office lights"
"""
)


def read(text: str | bytes, form: str = "toml", **more: object) -> Inventory:
    data = text.encode() if isinstance(text, str) else text
    return read_inventory([InventorySource(f"inv.{form}", data, form)], **more)


def problems(text: str | bytes, form: str = "toml", **more: object) -> tuple[Finding, ...]:
    with pytest.raises(InputError) as caught:
        read(text, form, **more)
    assert caught.value.problems
    assert all(p.code in INVENTORY_CODES for p in caught.value.problems)
    return caught.value.problems


def test_every_key_of_the_toml_form_is_read() -> None:
    """The tables and keys are those of the handbook."""
    found = read(SKERRY)
    assert found.read_at == date(2026, 3, 1)
    assert found.components[0] == Component(
        "fabric-switch", "skerry", "skerry-a", None, None, None, "Reed-40", "MF40-0001", active="6.0.1", pending="",
        boot_files=("6.0.1", "5.4.10"), pair="fabric", half="leading", healthy=True,
    )  # fmt: skip
    assert found.components[1].slot == "3"
    assert found.partitions == (Partition("MF40-0001", "images", 8_000_000_000, 0),)
    assert found.policies == (Policy("web", {"blade": "6.0.1", "bios": "6.0.1-b"}, "immediate", ("skerry-a",)),)
    assert found.separate_windows == (SeparateWindows(("skerry-a", "holm-a"), "both feed the office lights"),)


def test_an_empty_cell_is_not_known_and_a_dash_is_none() -> None:
    """Unknown is never zero and never good."""
    switch, bios = read(SKERRY).components
    assert (switch.pending, switch.spare) == ("", None)
    assert (bios.policy, bios.healthy, bios.boot_files) == ("", None, None)
    text = "site,domain,kind,serial,active,pending,healthy,boot_files,policy\nholm,holm-a,bios,S1,,-,,,\n"
    component = read(text, "csv", read_at=date(2026, 1, 1), zone="UTC").components[0]
    assert (component.active, component.pending, component.healthy, component.boot_files, component.policy) == (
        None,
        "",
        None,
        None,
        None,
    )


def test_a_component_is_its_serial_else_its_parent_kind_and_position() -> None:
    """A component *is* its hardware serial (else parent serial + kind + position)."""
    bios = Component("bios", "holm", "holm-a", "1", "3", "MB4-7")
    assert identity(bios) == "MB4-7:bios"
    adapter = Component("network-adapter", "holm", "holm-a", "1", "3/2", "MB4-7")
    moved = Component("network-adapter", "skerry", "skerry-a", "2", "5/2", "MB4-7")
    assert identity(adapter) == identity(moved) == "MB4-7:network-adapter:2"
    assert identity(Component("io-module", "holm", "holm-a", "1", "2", "MC8-1")) == "MC8-1:io-module:2"
    assert identity(Component("bios", "holm", "holm-a", "1", "3", "MB4-7", serial="S")) == "S"
    assert identity(Component("bios", "holm", "holm-a", "1", "3")) == "@holm/holm-a/1/3:bios"


CSV_HEAD = "site{d}domain{d}kind{d}serial{d}active{d}boot_files\n"
CSV_ROW = 'holm{d}holm-a{d}fabric-switch{d}MF40-2{d}6.0.1{d}"6.0.1, 5.4.10"\n'


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_csv_as_spreadsheets_write_it(delimiter: str, end: str, mark: bytes) -> None:
    """RFC 4180 and what spreadsheets make of it: byte-order mark, semicolons, tabs, any line ends, empty rows."""
    text = (CSV_HEAD + "\n" + CSV_ROW).replace("{d}", delimiter) + delimiter * 5 + "\n"
    preface = f"# inventory = 1{delimiter * 5}\n# read_at = 2026-02-03\n# zone = UTC\n"
    found = read(mark + (preface + text).replace("\n", end).encode(), "csv")
    assert found.read_at == date(2026, 2, 3)
    assert found.components == (
        Component("fabric-switch", "holm", "holm-a", serial="MF40-2", active="6.0.1", boot_files=("6.0.1", "5.4.10")),
    )


def test_several_files_make_one_inventory() -> None:
    """One table to a CSV; the partition's component is in the other file."""
    sources = [
        InventorySource("c.csv", (CSV_HEAD + CSV_ROW).replace("{d}", ",").encode(), "csv"),
        InventorySource("p.csv", b"component,name,size_bytes,free_bytes\nMF40-2,images,100,\n", "csv"),
        InventorySource("y.csv", b"name,versions,applies,scope\nweb,blade=6.0.1|bios=6.0.1-b,on-reset,*\n", "csv"),
        InventorySource("a.csv", b"domains\nholm-a|holm-b\n", "csv"),
    ]
    found = read_inventory(sources, read_at=datetime(2026, 1, 1, tzinfo=UTC), zone="UTC")
    assert found.partitions == (Partition("MF40-2", "images", 100, None),)
    assert found.policies == (Policy("web", {"blade": "6.0.1", "bios": "6.0.1-b"}, "on-reset", ("*",)),)
    assert found.separate_windows == (SeparateWindows(("holm-a", "holm-b")),)


def test_all_problems_at_once_with_their_places_in_toml() -> None:
    """Errors per row and column, all at once; nothing half-loaded."""
    text = (
        SKERRY.replace('"bios"\n', '"bois"\n')
        .replace('half = "leading"', 'half = "left"')
        .replace("free_bytes = 0", "")
    )
    text = text.replace('active = "5.4.10"', "active = 5.4").replace("size_bytes = 8_000", "sizebytes = 8_000")
    found = problems(text)
    lines = text.split("\n")
    codes = ["inventory-value", "inventory-value", "inventory-value", "inventory-key"]
    assert [p.code for p in found] == codes
    for problem, value in zip(found, ['"left"', '"bois"', "5.4", "8_000_000_000"], strict=True):
        name, line, column = problem.where.split(":")
        assert name == "inv.toml"
        assert lines[int(line) - 1][int(column) - 1 :] == value
        assert problem.excerpt.split("\n")[0] == lines[int(line) - 1]
    assert "did you mean 'bios'?" in found[1].hint
    assert "final zeros" in found[2].hint
    assert "did you mean 'size_bytes'?" in found[3].hint


def test_all_problems_at_once_with_their_places_in_csv() -> None:
    """Row and column as a person counts them, the lines of quoted cells included."""
    text = (
        "site,domain,kind,serial,active,haelthy,note\r\n"
        'holm,holm-a,bios,S1,5.4,,"two\r\nlines"\r\n'
        "\r\n"
        ",holm-a,bios,S1,5.4,,\r\n"
        "holm,,bios,S3,-,yes,\r\n"
    )
    found = problems(text, "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert [(p.code, p.where) for p in found] == [
        ("inventory-key", "inv.csv:1:6"),
        ("inventory-missing", "inv.csv:5:1"),
        ("inventory-value", "inv.csv:6:5"),
        ("inventory-missing", "inv.csv:6:2"),
    ]
    assert "did you mean 'healthy'?" in found[0].hint


def test_all_problems_at_once_with_json_pointers() -> None:
    """RFC 6901 §6: the pointer as a fragment."""
    rows = [{"site": "holm", "domain": "holm-a", "kind": "disk", "serial": 7, "a/b": "x"}]
    found = problems(json.dumps({"inventory": 1, "read_at": "2026-13-01", "zone": "UTC", "component": rows}), "json")
    assert [(p.code, p.where) for p in found] == [
        ("inventory-value", "inv.json#/component/0/serial"),
        ("inventory-key", "inv.json#/component/0/a~1b"),
        ("inventory-value", "inv.json#/read_at"),
    ]


def _csv_rows(*rows: str) -> str:
    return "site,domain,chassis,slot,parent,kind,serial,pair\n" + "".join(f"{row}\n" for row in rows)


@pytest.mark.parametrize(
    ("rows", "code", "word"),
    [
        (["holm,a,1,1,,bios,S1,", "holm,a,1,2,,disk,S1,"], "inventory-twice", "server's own serial belongs in parent"),
        (["holm,a,1,1,P,disk,,", "holm,a,1,1,P,disk,,"], "inventory-twice", "its position"),
        (["holm,a,1,2,,bios,P2,", "holm,a,1,2,,bios,P3,"], "inventory-twice", 'slot = "2/1", "2/2"'),
        (["holm,a,1,1,,bios,,"], "inventory-missing", "parent"),
        (["holm,a,1,1,,bios,-,"], "inventory-missing", "parent"),
        ([f"holm,a,,,,fabric-switch,S{i},fabric" for i in range(3)], "inventory-twice", "its own name"),
        (["holm,a,1,1,,bios,S1,,extra"], "inventory-syntax", "quotes"),
        ([], "inventory-missing", ""),
    ],
)
def test_rows_that_contradict_each_other(rows: list[str], code: str, word: str) -> None:
    """Each is one problem with a hint."""
    found = problems(_csv_rows(*rows), "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert [p.code for p in found] == [code]
    assert word in found[0].hint
    if "twice" in code and "pair" not in found[0].message:
        assert found[0].message.rpartition(" ")[2].startswith("inv.csv:2:")


def test_positions_in_a_slot_and_slots_of_no_chassis_are_no_problem() -> None:
    """A rack server has no chassis; a slot of a chassis may have several components of one kind by position."""
    rows = ["holm,a,1,2/1,,disk,P2,", "holm,a,1,2/2,,disk,P3,", "holm,a,1,2,,bios,P4,", "holm,a,2,2,,bios,P5,"]
    rows += ["holm,a,,2,,bios,P6,", "holm,a,,2,,bios,P7,"]
    assert len(read(_csv_rows(*rows), "csv", read_at=date(2026, 1, 1), zone="UTC").components) == 6


def test_an_inventory_that_was_loaded_once_stays_readable() -> None:
    """A store's kept readings are read again under the rules of their own time."""
    text = _csv_rows("holm,a,1,2,,bios,P2,", "holm,a,1,2,,bios,P3,")
    source = InventorySource("inv.csv", text.encode(), "csv")
    never = datetime(2026, 3, 29, 2, 30)  # noqa: DTZ001  (local on purpose; skipped by the clocks)
    assert len(read_inventory([source], read_at=never, zone="Europe/Oslo", kept=True).components) == 2
    with pytest.raises(InputError) as caught:
        read_inventory([source], read_at=never, zone="Europe/Oslo")
    assert [p.code for p in caught.value.problems] == ["inventory-value", "inventory-twice"]


def test_rows_that_cannot_be_read_hide_no_other_problem() -> None:
    """ "Errors per row and column, all at once": too many cells, a bad kind, and a strange partition."""
    rows = _csv_rows(
        "holm,a,1,1,,bios,S1,,extra", "holm,a,1,2,,boss,S2,", "holm,a,1,3,,bios,S3,", "holm,a,1,4,,bios,S4,,,5"
    )
    components = "component,name\nS1,a\nS2,a\nS3,a\nS9,a\n"
    sources = [
        InventorySource("inv.csv", rows.encode(), "csv"),
        InventorySource("components.csv", components.encode(), "csv"),
    ]
    with pytest.raises(InputError) as caught:
        read_inventory(sources, read_at=date(2026, 1, 1), zone="UTC")
    assert [(p.code, p.where) for p in caught.value.problems] == [
        ("inventory-syntax", "inv.csv:2:9"),
        ("inventory-syntax", "inv.csv:5:9"),
        ("inventory-value", "inv.csv:3:6"),
        ("inventory-reference", "components.csv:5:1"),
    ]


def test_every_wrong_column_name_is_reported() -> None:
    """All at once; and no row is judged by columns with the same name."""
    found = problems("site,site,,kind\nholm,a,b,boss\n", "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert [(p.code, p.where) for p in found] == [
        ("inventory-syntax", "inv.csv:1:2"),
        ("inventory-syntax", "inv.csv:1:3"),
    ]


def test_a_column_that_is_missing_is_one_problem_and_not_one_of_each_row() -> None:
    """A sheet with `sight` on top: the name that is meant, the column that is missing, and nothing about the rows."""
    rows = "".join(f"holm,holm-a,bios,S{number}\n" for number in range(50))
    found = problems("sight,domain,kind,serial\n" + rows, "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert [(p.code, p.where) for p in found] == [
        ("inventory-key", "inv.csv:1:1"),
        ("inventory-missing", "inv.csv:1:1"),
    ]
    assert "did you mean 'site'?" in found[0].hint


def test_a_header_with_two_values_is_a_problem() -> None:
    """Two rows about the same thing are a problem, never a choice."""
    head = '# read_at = "2026-11-20"\n# zone = "UTC"\n# read_at = "2026-11-21"\n'
    found = problems(head + _csv_rows("holm,a,1,1,,bios,S1,"), "csv")
    assert [(p.code, p.where) for p in found] == [("inventory-syntax", "inv.csv:3:1")]
    assert "2026-11-21 here and 2026-11-20 above" in found[0].message


@pytest.mark.parametrize("form", ["toml", "csv"])
def test_an_option_that_contradicts_the_file_is_a_problem(form: str) -> None:
    """two rows about the same thing are a problem, never a choice: an option that counted for nothing misleads"""
    head = '# read_at = "2026-03-01"\n# zone = "UTC"\n'
    text = SKERRY if form == "toml" else head + _csv_rows("holm,a,1,1,,bios,S1,")
    stated = read(text, form)
    same = read(text, form, read_at=stated.read_at, zone=stated.zone)
    assert same == stated
    found = problems(text, form, read_at=date(2026, 3, 2), zone="Etc/GMT-1")
    assert [(p.code, p.subject) for p in found] == [("inventory-twice", "zone"), ("inventory-twice", "read_at")]
    assert f"{stated.read_at} here and 2026-03-02 by --read-at" in found[1].message
    assert "omit --read-at" in found[1].hint
    assert all(p.where.startswith(f"inv.{form}:") for p in found)


def test_nothing_is_called_missing_that_an_unparsed_file_may_have() -> None:
    """Its header may well be there: one problem, not three."""
    found = problems('inventory = 1\nread_at = 2026-03-01\nzone = "UTC"\nx = [\n')
    assert [p.code for p in found] == ["inventory-syntax"]


def test_a_time_of_day_is_no_time_of_a_reading() -> None:
    """TOML has local times; a day is required."""
    found = problems(SKERRY.replace("read_at = 2026-03-01", "read_at = 10:00:00"))
    assert [p.code for p in found] == ["inventory-value"]
    assert "a time without its day" in found[0].message


@pytest.mark.fault(48)
@pytest.mark.fault(51)
@pytest.mark.parametrize(
    ("text", "form", "code"),
    [
        ("inventory = 2\n" + SKERRY.removeprefix("inventory = 1\n"), "toml", "inventory-value"),
        (SKERRY.removeprefix("inventory = 1\n"), "toml", "inventory-missing"),
        (SKERRY.replace("read_at = 2026-03-01\n", ""), "toml", "inventory-missing"),
        (SKERRY.replace("Europe/Lisbon", "Moon/Base"), "toml", "inventory-value"),
        (SKERRY + "x = [\n", "toml", "inventory-syntax"),
        (SKERRY + "x = " + "[" * 100_000, "toml", "inventory-syntax"),
        (SKERRY + "x = " + "9" * 5000, "toml", "inventory-syntax"),
        ("", "csv", "inventory-syntax"),
        ("a,a\n1,2\n", "csv", "inventory-syntax"),
        ('a,b\n"x', "csv", "inventory-syntax"),
        ("site\n" + "x" * 200_000, "csv", "inventory-syntax"),
        ("[]", "json", "inventory-syntax"),
        ('{"inventory": 1, "inventory": 1}', "json", "inventory-syntax"),
        ('{"inventory": NaN}', "json", "inventory-syntax"),
        ('{"inventory": 1e999}', "json", "inventory-syntax"),
        ('{"inventory": ' + "1" * 5000 + "}", "json", "inventory-syntax"),
        ("[" * 100_000, "json", "inventory-syntax"),
        ("\udcff", "json", "inventory-syntax"),
    ],
)
def test_files_that_are_refused_whole(text: str, form: str, code: str) -> None:
    """A strict reader, our own error, versions named."""
    found = problems(text.encode("utf-8", "surrogateescape"), form, read_at=None)
    assert found[0].code == code


@pytest.mark.fault(49)
def test_a_gigantic_file_is_refused_before_it_is_parsed() -> None:
    """A byte cap before parsing."""
    found = problems(b"#" * (limits.INVENTORY_BYTES + 1), "toml")
    assert str(limits.INVENTORY_BYTES) in found[0].message


def test_utf16_is_named() -> None:
    """What some spreadsheets call Unicode text."""
    assert "CSV UTF-8" in problems("site\n".encode("utf-16"), "csv")[0].hint


def test_problems_are_counted_to_the_end() -> None:
    """A thousand are shown, all are counted."""
    text = "site,domain,kind,serial\n" + "".join(f"holm,a,bois,S{i}\n" for i in range(1500))
    with pytest.raises(InputError, match="1500 problems") as caught:
        read(text, "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert len(caught.value.problems) == 1000


def test_kinds_of_your_own_come_from_the_manifest() -> None:
    """Kinds (closed; extended by `[kind.X]`)."""
    text = SKERRY.replace('kind = "bios"', 'kind = "tide-gauge"')
    assert problems(text)[0].code == "inventory-value"
    assert read(text, own_kinds=["tide-gauge"]).components[1].kind == "tide-gauge"


def test_cells_of_a_sheet_that_a_spreadsheet_changed_are_refused() -> None:
    """A version typed as 5.4.2 became a date, 6.10 a number."""

    def locate(paths: Sequence[tuple[str | int, ...]]) -> list[tuple[str, str]]:
        return [(str(path), "") for path in paths]

    for cell in (6.1, date(2002, 4, 5)):
        row = {"site": "holm", "domain": "a", "kind": "bios", "serial": "S", "active": cell, "slot": 3}
        document = Document("inv.xlsx", {}, {"component": [row]}, locate, tuple(row))
        with pytest.raises(InputError) as caught:
            read_inventory([document], read_at=date(2026, 1, 1), zone="UTC")
        (problem,) = caught.value.problems
        shown = "is a number" if cell == 6.1 else "is the date 2002-04-05, not a version"
        assert shown in problem.message


def test_a_serial_that_is_a_number_has_lost_no_final_zeros() -> None:
    (problem,) = problems(HEAD + '[[component]]\nsite = "holm"\ndomain = "a"\nkind = "bios"\nserial = 7\n')
    assert "leading zeros" in problem.hint
    assert "final" not in problem.hint


@pytest.mark.fault(85)
def test_hostile_text_is_refused_where_it_could_move_the_cursor() -> None:
    """Controls and bidirectional characters are named, escaped."""
    for hostile in ("\x1b[2J", "a\u202eb", "a\x00b", "a\x9bb"):
        rows = [{"site": "holm", "domain": "a", "kind": "bios", "serial": hostile}]
        text = json.dumps({"inventory": 1, "read_at": "2026-01-01", "zone": "UTC", "component": rows})
        assert "\\" in problems(text, "json")[0].message


def test_the_form_follows_from_the_name() -> None:
    """An unknown ending is our own error."""
    assert form_of("Racks.CSV") == "csv"
    with pytest.raises(InputError):
        form_of("racks.xls")


@given(inventories())
def test_reading_what_was_written_gives_the_same_inventory(inventory: Inventory) -> None:
    """Round trip through JSON; the same bytes from the same inventory."""
    if (
        inventory.read_at > date(9999, 12, 30)
        if not isinstance(inventory.read_at, datetime)
        else inventory.read_at.year > 9998
    ):
        return
    text = to_json(inventory)
    assert read(text, "json") == inventory
    assert to_json(read(text, "json")) == text


def _as_csv(inventory: Inventory) -> str:
    out = io.StringIO()
    keys = sorted({k for row in json.loads(to_json(inventory))["component"] for k in row})
    writer = csv.DictWriter(out, keys)
    writer.writeheader()
    for row in json.loads(to_json(inventory))["component"]:
        writer.writerow({k: "|".join(v) or "|" if isinstance(v, list) else v for k, v in row.items()})
    return out.getvalue()


@given(inventories())
def test_csv_and_json_give_the_same(inventory: Inventory) -> None:
    """Same keys in TOML and JSON ... and as CSV columns."""
    if not all(c.site.isalnum() for c in inventory.components):  # keep clear of the preface's leading '#'
        return
    found = read(_as_csv(inventory), "csv", read_at=date(2026, 1, 1), zone="UTC")
    assert found.components == inventory.components


def _mutations(data: bytes, seed: int) -> Iterator[bytes]:
    import random

    source = random.Random(seed)
    for _ in range(60):
        mutated = bytearray(data)
        for _ in range(source.randint(1, 4)):
            at = source.randrange(len(mutated))
            choice = source.randrange(4)
            if choice == 0:
                mutated[at] = source.randrange(256)
            elif choice == 1:
                del mutated[at : at + source.randint(1, 40)]
            elif choice == 2:
                mutated[at:at] = mutated[source.randrange(len(mutated)) :][: source.randint(1, 40)]
            else:
                mutated[at:at] = source.choice(
                    [b'"', b"[", b"{", b"\n", b",", b"=", b"\x00", b"\xff", b"1e999", b"NaN", b"-"]
                )
            if not mutated:
                mutated = bytearray(b"x")
        yield bytes(mutated)


@pytest.mark.parametrize("form", ["toml", "json", "csv"])
@settings(max_examples=12)
@given(seed=st.integers(0, 2**32))
def test_nothing_but_our_own_error_comes_out(form: str, seed: int) -> None:
    """Seeded mutations of valid input at each parser."""
    whole = read(SKERRY)
    text = {"toml": SKERRY, "json": to_json(whole), "csv": _as_csv(whole)}[form]
    for data in _mutations(text.encode(), seed):
        try:
            read_inventory([InventorySource("m", data, form)], read_at=date(2026, 1, 1), zone="UTC")
        except InputError as e:
            assert e.problems


def test_servers_and_pairs_are_grouped_by_what_is_known() -> None:
    """Components of one server share a parent, else a place; a component with neither stands alone."""
    rows = (
        Component("bios", "holm", "a", "1", "3", "P1", serial="S1"),
        Component("disk", "holm", "a", "1", "3/1", "P1", serial="S2"),
        Component("disk", "holm", "a", "1", "4/1", None, serial="S3"),
        Component("bios", "holm", "a", "1", "4", None, serial="S4"),
        Component("bios", "holm", "a", "1", None, None, serial="S5"),
        Component("bios", "holm", "b", "1", "1", "P2", serial="S6"),
        Component("fabric-switch", "holm", "a", serial="S7", pair="fabric"),
        Component("fabric-switch", "holm", "a", serial="S8", pair="fabric"),
    )
    whole = Inventory(date(2026, 1, 1), "UTC", rows)
    assert [[p.serial for p in s.components] for s in whole.servers("a")] == [["S1", "S2"], ["S3", "S4"], ["S5"]]
    assert whole.servers("a")[0].place.slot == "3"
    assert [[p.serial for p in pair] for pair in whole.pairs("a").values()] == [["S7", "S8"]]
    assert whole.domains() == ("a", "b")
