"""`manifest lint`, `confirm` and `verify` as a user runs them: nothing is lost, whatever the others say."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from tests.conftest import Keeper, World


def test_one_manifest_that_cannot_be_read_hides_no_other(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "Every problem at once"; the worst exit status wins."""
    (tmp_path / "bad.toml").write_text("manifest = 1\n")
    (tmp_path / "no.toml").write_text("manifest = \n")
    words = ["manifest", "lint", world.manifest, "nosuch", "no.toml", "bad.toml"]
    ran = keeper(*words)
    assert ran.status == 2
    assert "marram.toml: no problems found" in ran.out
    assert "bad.toml:1:1" in ran.out
    assert "where: nosuch" in ran.err
    assert "not TOML" in ran.err
    inside = keeper(*words, "--json")
    assert inside.status == 2
    assert inside.json["ok"] is False
    assert {"unreadable", "not-toml", "missing-key"} <= set(inside.codes)


def test_what_is_no_toml_is_said_once(keeper: Keeper, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("manifest = 1\nissued = 03.02.2025\n")
    ran = keeper("manifest", "lint", "bad.toml")
    assert ran.err.splitlines() == [
        "error: not TOML: Expected newline or end of document after a statement",
        "where: bad.toml:2:11",
        "hint: a date is written year-month-day: 2026-08-14",
        "  issued = 03.02.2025",
        "            ^",
    ]


def test_what_a_draft_leaves_open_is_one_error_and_the_places_of_the_others(keeper: Keeper, world: World) -> None:
    assert keeper("manifest", "draft", world.downloads, "--platform", "marram", "-o", "first.toml").status == 0
    ran = keeper("manifest", "lint", "first.toml")
    assert ran.status == 1
    errors = [line for line in ran.out.splitlines() if "error: " in line]
    assert len(errors) == 2
    assert "8 more like it to be filled in: " in errors[1]
    assert ran.out.endswith("first.toml: 9 errors, 9 notes\n")


def test_a_manifest_that_is_too_large_says_so_by_its_code(keeper: Keeper, tmp_path: Path) -> None:
    """The table of codes: `too-large`, 'the file is larger than 16 MiB; it was not parsed'."""
    with (tmp_path / "large.toml").open("wb") as file:
        file.truncate(17 * 1024 * 1024)
    ran = keeper("manifest", "lint", "large.toml", "--json")
    assert (ran.status, ran.codes, ran.json["ok"]) == (2, ["too-large"], False)


@pytest.mark.parametrize("source", ["own copy", "Own Copy", " own copy, 2026-11-25", "", "  "])
def test_a_confirmed_digest_is_never_marked_own_copy(keeper: Keeper, world: World, source: str) -> None:
    """'A digest that was computed from the very file it is meant to verify.'"""
    names = world.names()
    (world.manifest.parent / "SUMS").write_text(f"{'1' * 64}  {names[0]}\n")
    before = world.manifest.read_bytes()
    ran = keeper("manifest", "confirm", world.manifest, "--against", "SUMS", "--source", source)
    assert ran.status == 2
    assert ("--source is empty" if not source else "does not name a publisher's list") in ran.err
    assert world.manifest.read_bytes() == before


def test_two_documents_are_not_mixed_on_stdout(keeper: Keeper, world: World, tmp_path: Path) -> None:
    ran = keeper("verify", world.manifest, "--at", world.downloads, "--json", "--junit", "-")
    assert ran.status == 2
    assert ran.json["error"]["hint"]
    assert keeper("verify", world.manifest, "--at", world.downloads, "--json", "--junit", "j.xml").status == 0
    assert (tmp_path / "j.xml").read_text().startswith("<?xml")


def test_json_has_no_lone_surrogate(keeper: Keeper, world: World) -> None:
    r"""RFC 8259 §8.2: lone surrogates make 'unpredictable' readers; names show their bytes as \xNN instead."""
    names = [b"caf\xe9", "\N{GRINNING FACE}".encode(), rb"back\udcff\slash"]
    for name in names:
        (world.downloads / os.fsdecode(name)).write_bytes(b"x")
    ran = keeper("verify", world.manifest, "--at", world.downloads, "--json")
    assert ran.status == 1
    extra = {f["subject"] for f in ran.json["findings"] if f["code"] == "extra"}
    assert extra == {"caf\\xe9", "\N{GRINNING FACE}", r"back\udcff\slash"}
    json.dumps(ran.json, ensure_ascii=False).encode("utf-8")
