"""`store remove`: refused while needed, agreed to by name, recorded, done; cut off, finished by the next run."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.conftest import Keeper, World
from tests.kits import forked

UNNEEDED = "blade/6.1.0"
KEPT = "marram-14.toml"
FILE = "blade/6.1.0/marram-blade-6.1.0.bin"
REMOVE = ("store", "remove", UNNEEDED, "--reason", "not for us", "--reported-by", "kim")

_KILLED = """
import os, signal, sys
from bundlekeeper.jobs.store import removed
from bundlekeeper.store.database.store_database import StoreDatabase
def die(*_, **__): os.kill(os.getpid(), signal.SIGKILL)
{place} = die
from bundlekeeper.cli.screen.run import run
sys.exit(run(sys.argv[1:]))
"""


def test_it_is_agreed_to_by_its_name_alone(office: Keeper, tmp_path: Path) -> None:
    """Without a terminal only by --confirm; another name agrees to nothing; --yes is no option."""
    for words, status in (((), 4), (("--confirm", "blade/6.0.1"), 4), (("--yes",), 2)):
        assert office(*REMOVE, *words).status == status
    assert (tmp_path / "store" / FILE).exists()
    unknown = office("store", "remove", "blade/9.9", "--reason", "r", "--confirm", "blade/9.9")
    assert (unknown.status, "blade/6" in unknown.err) == (2, False)  # what cannot be taken back is not guessed
    done = office(*REMOVE, "--confirm", UNNEEDED, "--json")
    assert (done.status, done.json["family"], len(done.json["batch"]) >= 4) == (0, "blade", True)
    assert not (tmp_path / "store" / FILE).parent.exists()


def test_what_is_needed_is_refused_and_anyway_is_recorded(office: Keeper) -> None:
    """Active on components: by the images that the bundle lists."""
    needed = {
        b["version"]: b["needed_by"] for b in office("store", "list", "--family", "blade", "--json").json["bundles"]
    }
    version = next(version for version, needs in needed.items() if any("active on" in need for need in needs))
    words = ("store", "remove", f"blade/{version}", "--reason", "r", "--confirm", f"blade/{version}")
    refused = office(*words)
    assert (refused.status, "still needed: active on" in refused.err) == (4, True)
    unneeded = office("store", "list", "--unneeded", "--json").json["bundles"]
    assert ("blade", version) not in {(bundle["family"], bundle["version"]) for bundle in unneeded}
    assert office(*words, "--anyway", "a bad build").status == 0
    (removal,) = office("store", "list", "--json").json["removed"]
    assert (removal["version"], removal["anyway"], removal["reason"]) == (version, "a bad build", "r")


def test_a_removed_bundle_is_not_missing_and_comes_back_only_by_name(office: Keeper, world: World) -> None:
    assert office(*REMOVE, "--confirm", UNNEEDED).status == 0
    for words in (("store", "list"), ("verify", "--quick", "--quiet"), ("verify", "--quiet"), ("status",)):
        assert office(*words).status == 0, words
    assert "removed on" in office("verify", "--quick", "--quiet").out
    add = ("store", "add", world.manifest, "--from", world.downloads, "--quiet")
    again = office(*add)
    assert (again.status, "8 already there, 1 removed" in again.out) == (0, True)
    assert office(*add, "--again", "blade/6.0.1").status == 2
    assert "1 added" in office(*add, "--again", UNNEEDED).out
    assert office("store", "list", "--json").json["removed"] == []
    assert office("verify", "--quick", "--quiet").status == 0


def test_rm_by_hand_stays_missing_in_both(office: Keeper, world: World, tmp_path: Path) -> None:
    """Only an entry of the ledger says that somebody meant it; each says how it comes back, and that works."""
    (tmp_path / "store" / FILE).unlink()
    refused = office(*REMOVE, "--confirm", UNNEEDED)
    assert (refused.status, "its file is missing" in refused.err) == (4, True)
    listed = office("store", "list", "--json")
    counts = {"in_store": 8, "verified": 8, "unverified": 0, "missing": 1}
    assert (listed.codes, {key: listed.json["counts"][key] for key in counts}) == (["missing"], counts)
    assert "8 of 9 bundles verified" in office("status").out
    verified = office("verify", "--quick", "--json", "--quiet")
    assert verified.codes == ["missing"]
    for ran in (listed, verified):
        (found,) = ran.json["findings"]
        command = found["hint"].partition("where it came from: bundlekeeper ")[2]
        assert command == f"store add {tmp_path / 'store/manifests'}/{KEPT} --from {world.downloads}"
    assert "1 added" in office(*command.split(), "--quiet").out
    assert office("status").status == 0


def test_what_went_to_quarantine_stays_missing_when_that_is_emptied(
    office: Keeper, world: World, tmp_path: Path
) -> None:
    """Of a file that was moved there no row is left: the manifest in force still names it."""
    file = tmp_path / "store" / FILE
    file.unlink()
    file.write_bytes(b"wrong")
    refused = office(*REMOVE, "--confirm", UNNEEDED)
    assert (refused.status, "touched after its last verification" in refused.err) == (4, True)
    (found,) = office("verify", "--json", "--quiet").json["findings"]
    assert (found["code"], found["hint"].endswith(f"--from {world.downloads}")) == ("truncated", True)
    for path in (tmp_path / "store/quarantine").iterdir():
        path.unlink()
    assert office("store", "list", "--json").codes == ["missing"]
    assert office("store", "list", "--family", "rack").status == 0
    assert "missing" in office("status", "--json").codes
    assert office("verify", "--quick", "--json", "--quiet").codes == ["missing"]


def test_what_a_release_prefers_and_the_store_lacks_is_told(office: Keeper) -> None:
    """Where a release lists two versions, the store's one is taken, and never without a word."""
    assert office(*REMOVE, "--confirm", UNNEEDED).status == 0
    told = "release 6.1 prefers it, and it is not in the store: 6.0.1 is taken"
    pack = ("media", "pack", "--for", "skerry-a", "--to", "6.1", "--volume", "16GB:folder", "--out", "set.json")
    for words in (("gaps", "skerry-a", "--to", "6.1"), ("route", "skerry-a", "--to", "6.1"), pack):
        answer = office(*words, "--json")
        problems = [(p["level"], p["subject"]) for p in answer.json["findings"] if told in p["message"]]
        assert (answer.status, problems) == (1, [("warning", "blade 6.1.0")]), words
        assert "the release has 6.0.1" not in answer.out


def test_an_undo_brings_no_file_back(office: Keeper) -> None:
    """Else neither the file nor who removed it would be known."""
    assert office(*REMOVE, "--confirm", UNNEEDED).status == 0
    undone = office("ledger", "undo", "--last", "--yes", "--reason", "oops", "--reported-by", "kim")
    assert (undone.status, f"--again {UNNEEDED}" in undone.err) == (4, True)
    again = office(*REMOVE, "--confirm", UNNEEDED)
    assert (again.status, "removed on" in again.err) == (2, True)
    assert office("store", "list").status == 0
    counts = office("verify", "--quick", "--quiet", "--json").json["counts"]
    assert counts["unverified"] == 0


@pytest.mark.parametrize(
    ("place", "is_there"), [("removed._take_out", True), ("StoreDatabase.forget", False)], ids=["entry", "file"]
)
def test_cut_off_it_is_finished_by_the_next_run(
    office: Keeper, world: World, tmp_path: Path, place: str, is_there: bool
) -> None:
    """Killed between the entry and the file, and between the file and its row; readers answer as if it were done."""
    environment = {**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "store")}
    words = ["-c", _KILLED.format(place=place), *REMOVE, "--confirm", UNNEEDED]
    assert forked.run(words, env=environment, cwd=tmp_path).returncode == -9
    file = tmp_path / "store" / FILE
    assert file.exists() is is_there
    listed = office("store", "list", "--json")
    assert (listed.status, [r["version"] for r in listed.json["removed"]]) == (0, ["6.1.0"])
    finished = office("verify", "--quick", "--quiet")
    assert (finished.status, "is removed now" in finished.err, file.exists()) == (0, True, False)
    assert office("store", "list").status == 0
    assert "is removed now" not in office("verify", "--quick", "--quiet").err


def test_an_entry_that_was_taken_back_removes_nothing(office: Keeper, tmp_path: Path) -> None:
    """Killed before the file went, and then undone: the file stays, and counts as before."""
    environment = {**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "store")}
    words = ["-c", _KILLED.format(place="removed._take_out"), *REMOVE, "--confirm", UNNEEDED]
    assert forked.run(words, env=environment, cwd=tmp_path).returncode == -9
    undone = office("ledger", "undo", "--last", "--yes", "--reason", "not this one", "--reported-by", "kim")
    assert undone.status == 0, undone.err
    assert office("verify", "--quick", "--quiet").status == 0
    assert (tmp_path / "store" / FILE).exists()
    assert office("store", "list", "--json").json["removed"] == []


def test_a_merged_ledger_removes_nothing_here(office: Keeper, world: World, tmp_path: Path) -> None:
    """The other site removed it there: here it is still in the store, and is no removed bundle."""
    there = tmp_path / "other"
    assert office("store", "add", world.manifest, "--from", world.downloads, "--quiet", "--store", there).status == 0
    assert office(*REMOVE, "--confirm", UNNEEDED, "--store", there).status == 0
    assert office("ledger", "export", "-o", tmp_path / "there.jsonl", "--store", there).status == 0
    assert office("ledger", "merge", tmp_path / "there.jsonl").status == 0
    assert office("verify", "--quick", "--quiet").status == 0
    assert (tmp_path / "store" / FILE).exists()
    assert office("store", "list", "--json").json["removed"] == []
    assert office("ledger", "verify").status == 0
    assert office("ledger", "rebuild").status == 0
    (tmp_path / "store" / FILE).unlink()
    (tmp_path / "store" / FILE).write_bytes(b"wrong")
    assert office("verify", "--quiet").status == 1  # to quarantine: no row of it is left
    assert office("verify", "--quick", "--json", "--quiet").codes == ["missing"]


def test_a_second_name_of_the_same_bytes_stays_verified(keeper: Keeper, tmp_path: Path) -> None:
    """The names are links of one file: removing one changes the other's change time, and nothing else."""
    import hashlib

    source = tmp_path / "downloads"
    source.mkdir()
    text = 'manifest = 1\nplatform = "marram"\nsequence = 1\nissued = 2026-08-14\nfamilies = ["blade"]\n'
    for version in ("6.0.1", "6.1.0"):
        (source / f"b-{version}.bin").write_bytes(b"same")
        text += f'[[bundle]]\nfamily = "blade"\nversion = "{version}"\nfile = "b-{version}.bin"\nsize = 4\n'
        text += f'sha256 = "{hashlib.sha256(b"same").hexdigest()}"\ndigest_from = "publisher: page"\n'
    (tmp_path / "m.toml").write_text(text)
    assert keeper("store", "add", "m.toml", "--from", source, "--quiet").status == 0
    assert keeper("store", "remove", "blade/6.0.1", "--reason", "r", "--confirm", "blade/6.0.1").status == 0
    (left,) = keeper("store", "list", "--json").json["bundles"]
    assert (left["version"], left["state"]) == ("6.1.0", "verified")
