"""How `where` is shown: one line a component, one server under its name, and everything with --details."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Keeper
from tests.kits.sure import some

ROWS = """site,domain,chassis,slot,kind,model,parent,name,tags,active,staged,spare
holm,holm-a,1,3,bios,Tern-4,B3,host-holm-14,4711,6.0.1,6.1.0,6.1.0
holm,holm-a,1,3,management-controller,Tern-4,B3,host-holm-14,4711,6.0.1,-,5.4.10
holm,holm-a,1,4,bios,Tern-4,B4,host-holm-15,4712,6.0.1,-,5.4.10
"""
NARROW = {"COLUMNS": "80"}


@pytest.fixture
def loaded(keeper: Keeper, tmp_path: Path) -> Keeper:
    sheet = tmp_path / "rows.csv"
    sheet.write_text(ROWS)
    head = ("--read-at", "2026-11-20", "--zone", "UTC", "--reported-by", "kim")
    assert keeper("inventory", "load", sheet, *head).status == 0
    return keeper


def test_one_server_is_named_above_its_components(loaded: Keeper) -> None:
    assert loaded("where", "host-holm-14", env=NARROW).out.splitlines() == [
        "host-holm-14 · 4711 · holm/holm-a/1/3 · Tern-4 · serial B3",
        "component              active  staged  previous  since       reported  evidence",
        "                                                             by",
        "bios                   6.0.1   6.1.0   -         2026-11-20  kim       reading",
        "management-controller  6.0.1   -       5.4.10    2026-11-20  kim       reading",
        "2 components; 1 staged; only read: no activation was recorded",
    ]


def test_history_and_a_head_are_whole_within_80_columns(loaded: Keeper) -> None:
    told = loaded("where", "B3:bios", "--history", env=NARROW).out.splitlines()
    head = loaded("ledger", "verify", env=NARROW).out.splitlines()
    assert max(map(len, [*told, *head])) <= 80
    (wide,) = (line for line in loaded("where", "B3:bios", "--history").out.splitlines() if "observed" in line)
    assert " ".join(told[:-1]).split() == wide.split()
    assert loaded("ledger", "verify", "--json").json["chain"]["head"] in head[-1]


def test_several_servers_have_a_line_for_each_component_names_first(loaded: Keeper) -> None:
    lines = loaded("where", "holm-a", env=NARROW).out.splitlines()
    assert lines[0].split() == ["name", "or", "place", "component", "active", "staged", "previous"]
    assert len(lines) == 5
    assert [line.split()[0] for line in lines[1:4]] == ["host-holm-14", "host-holm-14", "host-holm-15"]
    assert max(map(len, lines)) <= 80
    details = loaded("where", "holm-a", "--details").out
    assert {"spare", "boot_files", "healthy", "record"} <= set(details.splitlines()[0].split())


def test_what_is_not_settled_is_shown_without_details(loaded: Keeper) -> None:
    assert loaded("observe", "B4:bios", "--no-answer", "--at", "2026-11-21T01:00Z").status == 0
    (head, *_) = loaded("where", "holm-a", env=NARROW).out.splitlines()
    assert head.split()[-1] == "record"


def test_two_of_a_kind_in_one_place_are_told_apart(keeper: Keeper, tmp_path: Path) -> None:
    sheet = tmp_path / "rows.csv"
    rows = "holm,holm-a,disk,D1,6.0\nholm,holm-a,disk,D2,6.0\nholm,holm-a,bios,D3,6.0\n"
    sheet.write_text(f"site,domain,kind,serial,active\n{rows}")
    assert keeper("inventory", "load", sheet, "--read-at", "2026-11-20", "--zone", "UTC").status == 0
    assert {"D1", "D2"} <= set(keeper("where", "holm-a").out.split())


def test_plain_reads_every_table_from_top_to_bottom(loaded: Keeper) -> None:
    for words in (("--plain", "where", "holm-a"), ("where", "holm-a", "--plain")):
        first, second, *_ = loaded(*words, env=NARROW).out.split("\n\n")
        assert first.splitlines() == [
            "name or place: host-holm-14", "component: bios", "active: 6.0.1", "staged: 6.1.0", "previous: -",
        ]  # fmt: skip
        assert second.startswith("name or place: host-holm-14\n")
    assert "reading: " in loaded("inventory", "list", "--plain").out
    assert "\t" in loaded("inventory", "list", env={"COLUMNS": ""}).out  # one command's, not the next one's


def test_what_nobody_has_and_what_cannot_be_compared_is_told(office: Keeper, tmp_path: Path) -> None:
    """A word that is nearly one is suggested in the same family; an empty answer says why it is empty."""
    assert "did you mean infrastructure/6.0.1?" in office("where", "--bundle", "infra/6.0.1").err
    nobody = office("where", "--version", "9", "--json")
    assert (nobody.status, nobody.codes, nobody.json["components"]) == (0, ["version-unknown"], [])
    assert office("where", "--version", "6.0.1", "--json").codes == []
    office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0")
    office("activate", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0")
    bundles = office("store", "list", "--family", "infrastructure", "--json").json["bundles"]
    digest = next(bundle["sha256"] for bundle in bundles if bundle["version"] == "6.1.0")
    by_digest = office("where", "holm-a", "--kind", "io-module", "--sha256", digest, "--json")
    assert [row["component"] for row in by_digest.json["components"]] == ["HOLMA-IO1"]
    (note,) = by_digest.json["findings"]
    assert note["message"].startswith("1 component has an image whose digest no entry states")
    early = office("report", "--site", "holm", "--on", "2020-01-01", "--out", tmp_path / "holm.html", "--json")
    assert (early.status, early.codes) == (1, ["not-checked"])
    assert "nothing is known of 2020-01-01" in (tmp_path / "holm.html").read_text()


def test_equal_versions_are_found_with_and_without_the_kept_listing(office: Keeper, tmp_path: Path) -> None:
    """The orders of the manifest in force are in the listing that the store keeps of it."""
    asked = (("--version", "6.0.1.0"), ("--bundle", "infrastructure/6.0.1"))
    kept = [office("where", *words, "--json").out for words in asked]
    assert all('"version": "6.0.1"' in answer for answer in kept)
    for listing in some((tmp_path / "store" / ".keeper" / "listings").iterdir()):
        listing.unlink()
    assert [office("where", *words, "--json").out for words in asked] == kept
