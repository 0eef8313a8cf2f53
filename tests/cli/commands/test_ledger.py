"""What is where, on the command line: real processes, the example inventory, refusals, undone entries, exchange."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.ledger.event.rows import EVENT_COLUMNS, marked
from tests.conftest import Keeper, World
from tests.kits.ledger_commands import MARRAM


@pytest.fixture
def office(keeper: Keeper, world: World) -> Keeper:
    """A store with the tour's bundles and the office's inventory."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    loaded = keeper("inventory", "load", MARRAM, "--reported-by", "kim", "--json")
    assert loaded.status == 0, loaded.out + loaded.err
    assert loaded.json["counts"].items() >= {"components": 57, "new": 57, "changes": 57, "new_events": 58}.items()
    return keeper


def test_loading_again_changes_nothing_and_a_new_reading_shows_what_changed(office: Keeper, tmp_path: Path) -> None:
    """Loading again shows what changed since: added, gone, replaced components, other versions."""
    again = office("inventory", "load", MARRAM, "--reported-by", "kim", "--json").json
    assert again["counts"]["new_events"] == 0
    assert again["changes"] == []
    text = MARRAM.read_text().replace("read_at = 2026-11-20", "read_at = 2026-11-22")
    text = text.replace('serial = "HOLMA-IO2"', 'serial = "NEW-IO2"').replace('active = "6.0.1"', 'active = "6.0.2"', 1)
    newer = tmp_path / "newer.toml"
    newer.write_text(text)
    dry = office("inventory", "load", newer, "--dry-run", "--json").json
    wet = office("inventory", "load", newer, "--json").json
    assert dry["changes"] == wet["changes"]
    assert dry["counts"]["new_events"] == 0
    assert [(c["change"], c["component"]) for c in wet["changes"]] == [
        ("replaced", "NEW-IO2"),
        ("version", "HOLMA-SW1"),
    ]


def test_a_bad_inventory_is_refused_whole_with_every_problem(office: Keeper, tmp_path: Path) -> None:
    """ "Errors per row and column, all at once; nothing half-loaded" (issue 4, point 1)"""
    bad = tmp_path / "bad.csv"
    bad.write_text(
        "site,domain,kind,serial,active,healthy\nholm,holm-a,boss,S1,1.0,yes\nholm,holm-a,bios,S2,1.0,perhaps\n"
    )
    ran = office("inventory", "load", bad, "--read-at", "2026-11-21", "--zone", "UTC", "--json")
    assert ran.status == 2
    assert len(ran.json["findings"]) >= 2
    assert all(f["where"].startswith("bad.csv:") for f in ran.json["findings"])
    assert office("where", "S2").status == 2


def test_staged_activated_read_back_and_the_difference_is_reported(office: Keeper) -> None:
    """ "disagreement between ledger and inventory" (issue 4, point 5)"""
    staged = office(
        "stage",
        "HOLMA-IO1",
        "--bundle",
        "infrastructure/6.1.0",
        "--evidence",
        "digest-read-back",
        "--reported-by",
        "kim",
    )
    assert staged.status == 0, staged.err
    answer = office("where", "HOLMA-IO1", "--json").json["components"][0]
    assert (answer["active"]["version"], answer["spare"]["version"]) == ("6.0.1", "6.1.0")
    assert answer["spare"]["since"]["evidence"] == "digest-read-back"
    assert answer["spare"]["since"]["reported_by"] == "kim"
    assert len(answer["spare"]["sha256"]) == 64
    assert office("activate", "HOLMA-IO1").status == 0
    answer = office("where", "HOLMA-IO1", "--json").json["components"][0]
    assert (answer["active"]["version"], answer["spare"]["version"]) == ("6.1.0", "6.0.1")
    assert answer["agreement"] == "not-read-back"
    assert office("observe", "HOLMA-IO1", "--active", "6.0.1").status == 0
    answer = office("where", "HOLMA-IO1", "--json").json["components"][0]
    assert answer["agreement"] == "differs"
    assert answer["active"]["version"] == "6.0.1"
    past = office("where", "HOLMA-IO1", "--on", "2026-11-21", "--json").json["components"][0]
    assert past["spare"]["version"] == "5.4.2"
    known = office("where", "HOLMA-IO1", "--known", "2026-11-20", "--json").json["components"]
    assert known == []


@pytest.mark.parametrize(
    ("words", "because"),
    [
        (["stage", "HOLMA-B1:bios", "--bundle", "infrastructure/6.1.0"], "has no image for a bios"),
        (["stage", "HOLMA-R1:bios", "--bundle", "blade/6.1.0"], "not Gull-1"),
        (["stage", "HOLMA-IO1", "--bundle", "infrastructure/6.2.0"], "is not in this store"),
        (
            ["stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--bank", "boot_files"],
            "has no bank 'boot_files'",
        ),
        (["stage", "HOLMA-MT", "--bundle", "infrastructure/6.1.0"], "overwritten in place"),
        (["activate", "HOLMA-SW1"], "no image is known to be staged"),
        (["activate", "HOLMA-IO1", "--version", "9.9"], "is not known to be staged"),
    ],
)
def test_a_contradiction_is_refused_and_can_be_overruled_for_a_reason(
    office: Keeper, words: list[str], because: str
) -> None:
    """ "refuse what can't be ... unless `--anyway "why"`, which is recorded" (issue 4, point 4)"""
    before = office("ledger", "verify", "--json").json["chain"]["events"]
    refused = office(*words)
    assert refused.status == 4
    assert because in refused.err
    assert office("ledger", "verify", "--json").json["chain"]["events"] == before
    assert office(*words, "--anyway", "").status == 2
    assert office(*words, "--anyway", "  ").status == 2
    if "no image is known" in because:
        return  # without any image there is nothing that could be recorded
    overruled = office(*words, "--anyway", "seen on the console", "--json")
    unknown = ["version-unknown"] if {"infrastructure/6.2.0", "9.9"} & set(words) else []
    assert (overruled.status, overruled.codes) == (1 if unknown else 0, unknown), overruled.out
    history = office("where", words[1], "--history", "--json").json["history"]
    assert because in history[-1]["event"]["anyway"]
    assert "seen on the console" in history[-1]["event"]["anyway"]


def test_a_bundle_that_is_in_the_store_but_not_verified_is_refused(office: Keeper, tmp_path: Path) -> None:
    """ "a bundle not in the store or not verified" (issue 4, point 4)"""
    file = tmp_path / "store" / "infrastructure" / "6.1.0" / "marram-infrastructure-6.1.0.bin"
    file.touch()
    refused = office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0")
    assert refused.status == 4
    assert "not verified" in refused.err
    assert office("verify", "--quiet").status == 0
    assert office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0").status == 0


def test_many_at_once_by_selector_and_by_file(office: Keeper, tmp_path: Path) -> None:
    """ "for one component, a selector (...), or a file" (issue 4, point 4); all of it or nothing."""
    dry = office(
        "stage",
        "--site",
        "skerry",
        "--kind",
        "bios",
        "--model",
        "Tern-2",
        "--bundle",
        "blade/6.1.0",
        "--dry-run",
        "--json",
    )
    assert len(dry.json["events"]) == 2
    assert dry.json["head"] is None
    wet = office(
        "stage", "--site", "skerry", "--kind", "bios", "--model", "Tern-2", "--bundle", "blade/6.1.0", "--json"
    )
    assert len(wet.json["events"]) == 2
    rows = tmp_path / "night.csv"
    rows.write_text(
        "name,bundle,at,reported_by,change,before\n"
        "HOLMA-IO1,infrastructure/6.1.0,2026-11-23T02:10:00Z,kim,C-17,paths=4\n"
        "HOLMA-IO2,infrastructure/6.1.0,2026-11-23T02:40:00Z,kim,C-17,paths=4\n"
    )
    assert office("stage", "--file", rows, "--json").status == 0
    event = office("where", "HOLMA-IO2", "--history", "--json").json["history"][-1]["event"]
    assert (event["change"], event["before"], event["reported_by"]) == ("C-17", {"paths": "4"}, "kim")
    rows.write_text("name,bundle\nHOLMA-CC1,infrastructure/6.1.0\nHOLMA-CC2,infrastructure/9\n")
    assert office("stage", "--file", rows).status == 4
    assert office("where", "HOLMA-CC1", "--json").json["components"][0]["spare"]["version"] == "5.4.2"
    rows.write_text("name,bundel\nx\n")
    assert office("stage", "--file", rows).status == 2


def test_every_row_that_is_wrong_is_reported_at_once(office: Keeper, tmp_path: Path) -> None:
    """ "Errors ... all at once; nothing half-loaded": unknown names, bad times, cells and refusals in one answer."""
    rows = tmp_path / "night.csv"
    rows.write_text(
        "name,bundle,at\nHOLMA-IO1,infrastructure/6.1.0,2026-11-23\nHOLMA-IO9,infrastructure/6.1.0,2026-11-23\n"
        "HOLMA-IO2,infrastructure/6.1.0,yesterday\nx,y\nHOLMA-IO2,infrastructure/9,2026-11-23\nnobody,blade/6.1.0,\n"
    )
    before = office("ledger", "verify", "--json").json["chain"]["events"]
    ran = office("stage", "--file", rows, "--json")
    assert ran.status == 2
    message = ran.json["error"]["message"]
    for part in (
        ":3: nothing called 'HOLMA-IO9'",
        ":4: 'yesterday'",
        ":5: 2 cells, but 3 columns",
        ":7: nothing called",
        "is not in this store",
    ):
        assert part in message
    assert ":2:" not in message
    assert office("ledger", "verify", "--json").json["chain"]["events"] == before


def test_a_wrong_entry_is_undone_by_a_later_one(office: Keeper) -> None:
    """ "Wrong entries are undone by a later event, never changed" (issue 4, point 3)"""
    event = office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--json").json["events"][0]["id"]
    assert office("ledger", "undo", event[:12], "--reason", "it was the other module").status == 0
    assert office("where", "HOLMA-IO1", "--json").json["components"][0]["spare"]["version"] == "5.4.2"
    history = office("where", "HOLMA-IO1", "--history", "--json").json["history"]
    assert [row["void"] for row in history if row["id"] == event] == [True]
    assert office("ledger", "undo", "ffffffffffff", "--reason", "x").status == 2
    events = office("ledger", "verify", "--json").json["chain"]["events"]
    again = office("ledger", "undo", event, "--reason", "really")
    assert again.status == 2
    assert "undone already" in again.err
    assert "it was the other module" in again.err
    assert office("ledger", "verify", "--json").json["chain"]["events"] == events
    undoing = again.err.partition("bundlekeeper ledger undo ")[2].split()[0]
    assert office("ledger", "undo", undoing, "--reason", "it was this one").status == 0
    assert office("where", "HOLMA-IO1", "--json").json["components"][0]["spare"]["version"] == "6.1.0"
    reading = office("inventory", "load", MARRAM, "--reported-by", "kim", "--json").json["reading"]
    assert office("ledger", "undo", reading, "--reason", "another site's").status == 0
    observed = history[0]["id"]
    whole = office("ledger", "undo", observed, "--reason", "x")
    assert whole.status == 2
    assert "with its whole reading" in whole.err


def test_history_lists_places_and_moves(office: Keeper, tmp_path: Path) -> None:
    """Its place is an attribute with dates ... known serial elsewhere = moved, and its history follows."""
    rows = tmp_path / "moved.csv"
    rows.write_text(
        "# read_at = 2026-11-22\n# zone = UTC\nsite,domain,chassis,slot,kind,model,serial,active\n"
        "holm,holm-b,2,io-1,io-module,Rush-4,HOLMA-IO1,6.0.1\n"
    )
    assert office("inventory", "load", rows).status == 0
    lines = office("where", "HOLMA-IO1", "--history").out.splitlines()
    assert " at holm/holm-a/1/io-1  " in lines[0]
    assert " at holm/holm-b/2/io-1, moved from holm/holm-a/1/io-1  " in lines[1]


def test_questions_by_bundle_digest_version_and_lifecycle(office: Keeper, world: World) -> None:
    """ "by component selector, by bundle, image version or SHA-256, by lifecycle" (issue 4, point 5)"""
    office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0")
    digest = next(
        b["sha256"]
        for b in office("store", "list", "--json").json["bundles"]
        if b["file"].endswith("structure-6.1.0.bin")
    )
    for words in (["--bundle", "infrastructure/6.1.0"], ["--sha256", digest], ["--version", "6.1.0"]):
        found = office("where", *words, "--json").json["components"]
        assert [c["component"] for c in found] == ["HOLMA-IO1"], words
    nothing = office("where", "--withdrawn", "--json")
    assert (nothing.status, nothing.json["components"]) == (0, [])
    text = world.manifest.read_text().replace("sequence = 14", "sequence = 15")
    text = text.replace('version = "6.0.1"', 'version = "6.0.1"\nreason = "bad pages"', 1).replace(
        'lifecycle = "superseded"', 'lifecycle = "withdrawn"', 4
    )
    old = text.split("[[bundle]]")
    fixed = [t if '"withdrawn"' not in t or "reason" in t else t.replace('"withdrawn"', '"superseded"') for t in old]
    world.manifest.write_text("[[bundle]]".join(fixed))
    assert office("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 1
    found = office("where", "--withdrawn", "--bank", "active", "--json").json["components"]
    assert found
    assert {c["domain"] for c in found} == {"holm-a"}


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["--kind", "bioss"], "did you mean --kind bios?"),
        (["--site", "hulm"], "did you mean --site holm?"),
        (["--site", "bios"], "shows what is known"),  # a word, but no site
        (["--domain", "holm-c"], "did you mean --domain holm-"),
        (["--chassis", "77"], "shows what is known"),
        (["--slot", "77"], "shows what is known"),
        (["--model", "Tern-9"], "did you mean --model Tern-"),
        (["--bundle", "blade/6.1.9"], "did you mean blade/6.1.0"),
        (["--bundle", "tide"], "family/version"),
        (["--site", "hulm", "--kind", "bioss"], "--site holm, --kind bios"),
    ],
)
def test_a_word_that_was_never_recorded_is_no_empty_answer(office: Keeper, words: list[str], hint: str) -> None:
    """Whoever mistypes must not read "nothing" and believe it."""
    ran = office("where", *words, "--json")
    assert ran.status == 2, ran.out
    assert hint in ran.json["error"]["hint"]
    if words[0] != "--bundle":
        assert office("observe", *words, "--active", "1").status == 2


def test_what_is_known_and_matches_nothing_is_an_empty_answer(office: Keeper) -> None:
    """A kind that exists, a bundle that is only listed, a bundle that only an event names."""
    for words in (["--kind", "port-extender"], ["--site", "skerry", "--model", "Reed-40", "--kind", "bios"]):
        ran = office("where", *words, "--json")
        assert (ran.status, ran.json["components"]) == (0, [])
    anyway = ["--anyway", "by another store"]
    assert office("stage", "HOLMA-IO1", "--bundle", "infrastructure/9.9", *anyway).status == 1  # no manifest knows it
    found = office("where", "--bundle", "infrastructure/9.9", "--json").json["components"]
    assert [c["component"] for c in found] == ["HOLMA-IO1"]


@pytest.mark.fault(74)
def test_of_an_option_that_is_given_twice_one_value_suffices(office: Keeper) -> None:
    """Recorded for both, and asked of both; a wrong one among good ones is named, and nothing is recorded."""
    places = ["--site", "holm", "--kind", "fabric-switch", "--kind", "io-module"]
    assert len(office("observe", *places, "--active", "6.0.1", "--dry-run", "--json").json["events"]) == 8
    wrong = office("observe", *places, "--kind", "io-modul", "--active", "6.0.1")
    assert (wrong.status, "did you mean --kind io-module?" in wrong.err) == (2, True)
    counts = office("where", *places, "--count", "kind", "--count", "site", "--json").json["groups"]
    assert [(group["kind"], group["components"]) for group in counts] == [("fabric-switch", 4), ("io-module", 4)]
    bundles = ["--bundle", "infrastructure/6.0.1", "--bundle", "blade/6.0.1"]
    each = [
        {c["component"] for c in office("where", *bundles[at : at + 2], "--json").json["components"]} for at in (0, 2)
    ]
    both = {c["component"] for c in office("where", *bundles, "--json").json["components"]}
    assert both == each[0] | each[1] != each[0]
    families = office("store", "list", "--family", "blade", "--family", "rack", "--json").json["bundles"]
    assert {bundle["family"] for bundle in families} == {"blade", "rack"}
    assert (
        office("where", "holm-a", "--domain", "holm-a", "--domain", "holm-b", "--count", "domain").out.count("holm")
        == 1
    )


def test_sorts_are_found_by_their_names_and_recorded_only_by_options(office: Keeper) -> None:
    """A kind's, a model's, a family's name, and the history of all that is found; no recording is about everything."""
    for name, count in (("io-module", 6), ("Gull-1", 6), ("infrastructure", 27), ("board-logic", 0), ("holm-a/1/3", 2)):
        found = office("where", name, "--json").json["components"]
        assert len(found) == count, name
        history = office("where", name, "--history", "--json").json
        assert history["history_of"] == [component["component"] for component in found]
        assert {row["event"]["component"] for row in history["history"]} == set(history["history_of"])
    assert {c["domain"] for c in office("where", "blade", "--domain", "holm-a", "--json").json["components"]} == {
        "holm-a"
    }
    for name in ("io-module", "Gull-1", "blade"):
        refused = office("observe", name, "--active", "6.1.0")
        assert (refused.status, "no place and no component" in refused.err) == (2, True)
    missing = office("ledger", "merge", "nope")
    assert "where: nope\n" in missing.err


def test_counts_and_picture(office: Keeper) -> None:
    """ "Output: table, JSON … and a chassis picture in the terminal" (issue 4, point 5)"""
    groups = office("where", "--count", "site,kind,active", "--json").json["groups"]
    assert sum(g["components"] for g in groups) == 57
    picture = office("where", "holm-b", "--picture").out
    assert "+- holm/holm-b/1 -" in picture
    assert all(len(line) <= 80 for line in picture.splitlines()[:-1])


def test_exchange_is_idempotent_and_answers_alike(office: Keeper, tmp_path: Path) -> None:
    """ "two stores that exchanged give the same answers to every question but `--known`" (issue 4, point 6)"""
    office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0")
    file, other = tmp_path / "out.jsonl", tmp_path / "other"
    assert office("ledger", "export", "-o", file).status == 0
    for new in (59, 0):
        merged = office("ledger", "merge", file, "--store", other, "--json")
        assert merged.status == 0, merged.out
        assert merged.json["files"][0]["new"] == new
    for words in ([], ["--on", "2026-11-20"], ["--count", "kind,active"]):
        ours, theirs = (
            office("where", *words, "--json").json,
            office("where", *words, "--json", "--store", other).json,
        )
        assert ours == theirs


def test_the_chain_finds_an_old_head_and_a_copy_that_went_on(office: Keeper, tmp_path: Path) -> None:
    """ "the chain's head is printed ... and `ledger verify --head HEX` compares" (issue 4, point 3)"""
    head = office("ledger", "verify", "--json").json["chain"]["head"]
    office("observe", "HOLMA-IO1", "--active", "6.0.1")
    assert office("ledger", "verify", "--head", head).status == 0
    assert office("ledger", "verify", "--head", "0" * 64).status == 1
    assert office("ledger", "verify", "--head", "xyz").status == 2
    path = tmp_path / "store" / ".keeper" / "ledger.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE event SET reported_by = reported_by + 1 WHERE seq = 3")
    raw.close()
    damaged = office("ledger", "verify", "--json")
    assert damaged.status == 3
    assert damaged.codes == ["damaged"]
    with sqlite3.connect(path) as raw:  # by someone who knows of the seal, too
        row = raw.execute(f"SELECT {EVENT_COLUMNS} FROM event WHERE seq = 3").fetchone()  # noqa: S608
        raw.execute("UPDATE event SET void = ?, seal = ? WHERE seq = 3", marked(row, False))
    raw.close()
    altered = office("ledger", "verify", "--json")
    assert altered.status == 1
    assert altered.codes == ["altered"]
    saved = office("ledger", "salvage", tmp_path / "saved.sqlite", "--json")
    assert saved.status == 1
    assert saved.json["lost"] == [3]
    for words in (
        ["observe", "HOLMA-IO1", "--active", "6.0.2"],
        ["inventory", "load", MARRAM],
        ["ledger", "merge", path],
    ):
        refused = office(*words)
        assert refused.status == 3
        assert "event 3 is not what it was" in refused.err
        assert "ledger salvage FILE" in refused.err
    assert office("ledger", "verify", "--json").json["chain"]["events"] == 59


def test_what_is_derived_is_rebuilt_and_the_events_are_not_changed(office: Keeper, tmp_path: Path) -> None:
    """`ledger rebuild`: whatever was wrong beside the events is right again, and their chain is what it was."""
    office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--anyway", "a test")
    wrong = office("observe", "HOLMA-IO2", "--active", "9.9", "--json").json["events"][0]["id"]
    office("ledger", "undo", wrong, "--reason", "a slip")
    questions = (["where", "--json"], ["where", "HOLMA-IO2", "--history", "--json"])
    asked = [office(*words).out for words in questions]
    head = office("ledger", "verify", "--json").json["chain"]
    path = tmp_path / "store" / ".keeper" / "ledger.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE state SET active = NULL, differs = 1 WHERE component % 2")
        raw.execute("DELETE FROM boot_files")
        raw.execute("UPDATE event SET void = 1 - void WHERE seq > 3 AND seq % 5 = 0 OR seq = 60")
    raw.close()
    assert all(office(*words).out != before for words, before in zip(questions, asked, strict=True))
    rebuilt = office("ledger", "rebuild", "--json")
    assert rebuilt.status == 0, rebuilt.err
    assert rebuilt.json["counts"]["differing"] > 57 // 2
    assert [office(*words).out for words in questions] == asked
    assert office("ledger", "verify", "--json").json["chain"] == head
    again = office("ledger", "rebuild")
    assert again.status == 0
    assert "nothing was wrong" in again.out


def test_nothing_is_rebuilt_from_an_event_that_was_altered(office: Keeper, tmp_path: Path) -> None:
    """Refused with a hint, and with nothing deleted; a store without a ledger gets none."""
    path = tmp_path / "store" / ".keeper" / "ledger.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute("UPDATE event SET reported_by = reported_by + 1 WHERE seq = 3")
        raw.execute("UPDATE state SET differs = 1")
    raw.close()
    before = path.read_bytes()
    refused = office("ledger", "rebuild")
    assert refused.status == 3
    assert "event 3 is not what it was" in refused.err
    assert "ledger salvage FILE" in refused.err
    assert path.read_bytes() == before
    path.unlink()
    assert office("ledger", "rebuild").status == 2
    assert not path.exists()


@pytest.mark.parametrize("size", [0, 10, 100, 4096, 60_000])
def test_a_ledger_that_cannot_be_opened_is_reported_lost_with_a_hint(office: Keeper, tmp_path: Path, size: int) -> None:
    """Salvage that can save nothing does not suggest salvage: it suggests a copy, or what other stores have."""
    path = tmp_path / "store" / ".keeper" / "ledger.sqlite"
    with path.open("r+b") as file:
        file.truncate(size)
    ran = office("ledger", "salvage", tmp_path / "saved.sqlite")
    assert ran.status == 3
    assert "no event of this file can be read, all are lost" in ran.err
    assert "ledger merge" in ran.err
    assert "salvage" not in ran.err
    assert not (tmp_path / "saved.sqlite").exists()


def test_two_processes_at_once_lose_and_double_nothing(office: Keeper, tmp_path: Path) -> None:
    """ "Two processes at once never lose or double an event (test with real processes)" (issue 4, scale)"""
    before = office("ledger", "verify", "--json").json["chain"]["events"]
    code = (
        "import sys; from bundlekeeper.cli.screen.run import run\n"
        "for n in range(10):\n"
        "    assert run(['observe', 'HOLMA-IO1', '--active', f'{sys.argv[1]}.{n}', '--json']) == 1\n"
    )
    env = {"BUNDLEKEEPER_STORE": str(tmp_path / "store"), "PATH": "/usr/bin:/bin", "USER": "kim"}
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(n)], env=env, stdout=subprocess.DEVNULL) for n in range(3)
    ]
    assert [process.wait() for process in running] == [0, 0, 0]
    verified = office("ledger", "verify", "--json")
    assert verified.status == 0
    assert verified.json["chain"]["events"] == before + 30


def test_nothing_recorded_yet_is_reported_with_a_hint(keeper: Keeper, world: World) -> None:
    """A question to a store without a ledger gets a clear error, not a traceback."""
    keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet")
    ran = keeper("where", "--json")
    assert ran.status == 2
    assert "inventory load" in json.dumps(ran.json["error"])


def test_the_future_is_not_believed_today(office: Keeper, tmp_path: Path) -> None:
    """A mistyped year is refused before it hides everything that comes after it."""
    rows = tmp_path / "rows.csv"
    rows.write_text("site,domain,chassis,slot,kind,serial,active\nholm,holm-a,1,1,bios,Z1,9.9\n")
    far = ["--read-at", "2999-11-20", "--zone", "UTC"]
    refused = office("inventory", "load", rows, *far, "--json")
    assert refused.status == 2
    assert "in the future" in refused.json["findings"][0]["message"]
    staged = office("stage", "HOLMA-IO1", "--bundle", "infrastructure/6.1.0", "--at", "2999-01-01")
    assert staged.status == 2
    assert "in the future" in staged.err
    assert office("observe", "HOLMA-IO1", "--active", "9", "--at", "2999-01-01").status == 2
    never = office("observe", "HOLMA-IO1", "--active", "9", "--at", "2026-03-29T02:30", "--zone", "Europe/Oslo")
    assert never.status == 2
    assert "never is" in never.err
    twice = office("where", "--on", "2026-10-25T02:30", "--zone", "Europe/Oslo")
    assert twice.status == 2
    assert "+02:00, or +01:00" in twice.err


_BYTE = os.fsdecode(b"\xff")  # an argument that is no UTF-8


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["where", _BYTE], "nothing called"),
        (["where", "--site", _BYTE], "no site of that name"),
        (["where", "--version", _BYTE], ""),
        (["where", "x" * 100_000], "…"),
        (["where", "--site", ""], "--site is empty"),
        (["where", "--site="], "--site is empty"),
        (["where", ""], "an argument is empty"),
        (["stage", "--site", "", "--kind", "bios", "--version", "1"], "--site is empty"),
        (["observe", "HOLMA-IO1", "--active", "6.0.1", "--reported-by", _BYTE], "cannot be printed"),
        (["stage", "HOLMA-IO1", "--version", "6.1.0", "--note", _BYTE], "cannot be printed"),
        (["where", "HOLMA-IO1", "--history", "--on", "2026-11-20"], "leave the other options out"),
        (["where", "--picture", "--count", "site"], "one of them"),
    ],
)
def test_odd_words_are_refused_in_words(office: Keeper, words: list[str], message: str) -> None:
    """An empty variable of a script would ask about everything; a stray byte is in no name."""
    ran = office(*words)
    assert ran.status == 2 or (ran.status == 0 and "nothing" in ran.out)
    assert message in ran.err
    assert len(ran.err) < 1000
    assert "Traceback" not in ran.err


def test_a_file_whose_name_is_no_unicode_can_be_loaded(keeper: Keeper, tmp_path: Path) -> None:
    """The name is in the ledger as a terminal shows it."""
    path = tmp_path / os.fsdecode(b"n\xff.toml")
    shutil.copy(MARRAM, path)
    assert keeper("inventory", "load", path, "--reported-by", "kim").status == 0
    source = keeper("where", "HOLMA-IO1", "--history", "--json").json["history"][0]["event"]["source"]
    assert source.endswith("n\\xff.toml")


def test_merging_several_files_reports_each_and_waits_for_none(office: Keeper, tmp_path: Path) -> None:
    """ "all problems at once": a good file is merged beside those that cannot be, and is named; a pipe is no wait."""
    exported = tmp_path / "export"
    assert office("ledger", "export", "-o", exported).status == 0
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    other = tmp_path / "other"
    assert office("inventory", "load", MARRAM, "--reported-by", "bo", "--store", other).status == 0
    ran = office("ledger", "merge", pipe, tmp_path / "nowhere", tmp_path, exported, "--store", other)
    assert ran.status == 2
    assert "3 of 4 files not merged" in ran.err
    assert f"{exported} (58 new events)" in ran.err
    assert all(word in ran.err for word in ("not a ledger export", "no such file", "not a regular file"))
    piped = subprocess.run(
        [sys.executable, "-m", "bundlekeeper", "ledger", "merge", "-", "--json", "--store", str(other)],
        input=exported.read_bytes(), capture_output=True, check=True,
    )  # fmt: skip
    assert json.loads(piped.stdout)["files"][0]["known"] == 58
