"""The map that a user writes for firmware items: its format, every problem at once, what fits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.links.redfish import user_map
from bundlekeeper.links.redfish.user_map import GIVE, MAP_CODES, MATCH, MapEntry, matches, read_map

GOOD = b"""redfish = 1

[[map]]
service = "https://bmc-3.holm.example"
odata_id = "/redfish/v1/UpdateService/FirmwareInventory/CPLD*"
id = "CPLD-1"
name = "Board logic*"
software_id = "MB4-CPLD"
kind = "board-logic"
of = "/redfish/v1/Systems/1"
model = " Tern-4 "
serial = "S"
parent = "P"
slot = "3/1"
bank = "pending"
site = "holm"
domain = "holm-a"
chassis = "1"
note = "as read off the board"

[[map]]
name = "Driver*"
skip = "no firmware"
"""


def test_a_good_map() -> None:
    first, second = read_map(GOOD, name="map.toml")
    assert all(getattr(first, key) for key in (*MATCH, *GIVE, "note")) and first.model == "Tern-4"
    assert second == MapEntry(name="Driver*", skip="no firmware")
    assert read_map(b"redfish = 1", name="map.toml") == ()


def test_the_documented_example_is_read() -> None:
    """The module's docstring shows every key; what it shows is read."""
    text = user_map.__doc__ or ""
    lines = text.partition("::\n")[2].partition("\nRules:")[0].splitlines()
    entries = read_map("\n".join(line.removeprefix("    ") for line in lines).encode(), name="example")
    assert len(entries) == 2 and all(getattr(entries[0], key) for key in (*MATCH, *GIVE))


def test_every_problem_at_once_each_at_its_place() -> None:
    """ "every problem at once", with a did-you-mean"""
    data = b"""redfish = 2
maps = 1
[[map]]
nam = "x"
kind = "boardlogic"
[[map]]
id = 7
kind = "disk"
bank = "activ"
skip = "why"
[[map]]
name = ""
[[map]]
kind = "disk"
"""
    with pytest.raises(InputError) as caught:
        read_map(data, name="map.toml")
    found = [(p.where, p.subject, p.code) for p in caught.value.problems]
    assert found == [
        ("map.toml:1:11", "redfish", "map-value"),
        ("map.toml:2:1", "maps", "map-key"),
        ("map.toml:3:1", "map[0]", "map-missing"),
        ("map.toml:4:1", "map[0].nam", "map-key"),
        ("map.toml:5:8", "map[0].kind", "map-value"),
        ("map.toml:7:6", "map[1].id", "map-value"),
        ("map.toml:8:8", "map[1].kind", "map-value"),
        ("map.toml:9:8", "map[1].bank", "map-value"),
        ("map.toml:9:8", "map[1].bank", "map-value"),
        ("map.toml:11:1", "map[2]", "map-missing"),
        ("map.toml:12:8", "map[2].name", "map-value"),
        ("map.toml:13:1", "map[3]", "map-missing"),
    ]
    hints = {p.subject: p.hint for p in caught.value.problems}
    assert hints["maps"] == "did you mean 'map'?" and hints["map[0].nam"] == "did you mean 'name'?"
    assert hints["map[0].kind"] == "did you mean 'board-logic'?"
    assert all(p.level is MAP_CODES[p.code].level and p.excerpt for p in caught.value.problems)
    assert "12 problems" in caught.value.message


@pytest.mark.parametrize(
    "data", [b"", b"map = 1\nredfish = 1", b"redfish = 1\nmap = [1]", b"[[map", b"\xff", b"a = 1e"]
)
def test_what_is_no_map(data: bytes) -> None:
    with pytest.raises(InputError) as caught:
        read_map(data, name="map.toml")
    assert caught.value.problems and "map.toml" in caught.value.where


def test_what_a_draft_leaves_open_is_no_value() -> None:
    """A serial "…" that somebody forgot to fill in would be the serial of a part."""
    data = 'redfish = 1\n[[map]]\nid = "x"\nkind = "disk"\nserial = "…"\nof = "…"'.encode()
    with pytest.raises(InputError) as caught:
        read_map(data, name="m")
    assert [(p.subject, p.code) for p in caught.value.problems] == [
        ("map[0].serial", "map-value"),
        ("map[0].of", "map-value"),
    ]


def test_own_kinds_are_kinds() -> None:
    data = b'redfish = 1\n[[map]]\nid = "x"\nkind = "fan-controller"'
    assert read_map(data, name="m", own_kinds=["fan-controller"])[0].kind == "fan-controller"
    with pytest.raises(InputError):
        read_map(data, name="m")


@given(st.integers(0, len(GOOD) - 1), st.binary(max_size=3))
def test_mutated_maps(at: int, new: bytes) -> None:
    """Nothing but our own error family may come out."""
    try:
        read_map(GOOD[:at] + new + GOOD[at + 1 :], name="m")
    except KeeperError as error:
        assert error.problems


def test_what_fits() -> None:
    assert matches("CPLD*", "CPLD-1") and matches("C?LD", "CPLD") and matches("a[1]*", "a[1] b")
    assert not matches("cpld", "CPLD") and not matches("*", None) and not matches("a[1]", "a1")
    assert matches("/redfish/v1/Systems/1/", "/redfish/v1/Systems/1") and matches("*", "anything")
    entry = MapEntry(name="Board*", software_id="X")
    assert entry.fits({"name": "Board logic", "software_id": "X"})
    assert not entry.fits({"name": "Board logic", "software_id": None})


@given(st.text(max_size=20))
def test_a_text_without_wildcards_fits_itself_only(text: str) -> None:
    """ "* stands for anything, ? for one character" (the module's own words)"""
    plain = text.replace("*", "").replace("?", "").rstrip("/")
    assert matches(plain, plain) and not matches(plain, plain + "x")
