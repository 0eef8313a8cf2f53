"""A plan that goes out on media, is followed at a site without a link, and comes back with the receipt."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from tests.conftest import MARRAM, Keeper, Ran
from tests.kits.plan_commands import NAME, kept_plan
from tests.kits.signing_world import private, private_pem, ssh_line


def _keys(base: Path) -> None:
    for which, name in enumerate(("main", "site")):
        path = base / f"{name}.key"
        path.write_bytes(private_pem(private("ed25519", which), ssh=True))
        path.chmod(0o600)
        (base / f"{name}.pub").write_bytes(ssh_line(private("ed25519", which)))


def _outcomes(progress: Any) -> Any:
    """What of a progress is about the plan's work, and not about what is in a store."""
    return {key: progress[key] for key in ("plan", "sha256", "counts", "next_window", "windows", "due")}


def test_a_plan_goes_out_and_its_outcomes_come_back(office: Keeper, tmp_path: Path) -> None:
    """ "the receipt brings outcomes back, and `plan progress` is then equal at both sites" (issue 16, point 1)"""
    digest = kept_plan(office, tmp_path)
    _keys(tmp_path)
    (out := tmp_path / "out").mkdir()
    there = {"BUNDLEKEEPER_STORE": str(tmp_path / "site")}

    def site(*words: str | Path) -> Ran:
        return office(*words, env=there)

    assert office("trust", "add", "crew", tmp_path / "site.pub", "--form", "sshsig", "--for", "receipts").status == 0
    assert site("trust", "add", "main", tmp_path / "main.pub", "--form", "sshsig", "--for", "indexes").status == 0
    where = ("--volume", "1GB:folder", "--to", out, "--quiet", "--key", tmp_path / "main.key", "--plan", NAME)
    for domain, release in (("holm-a", "6.1"), ("holm-b", "6.0")):
        other = office("media", "write", "--for", domain, "--release", release, *where)
        told = f"of domain holm-b to release 6.1, and the set is for domain {domain} to release {release}"
        assert (other.status, told in other.err) == (2, True), other.err
    assert not list(out.iterdir())
    written = office("media", "write", "--for", "holm-b", "--release", "6.1", *where)
    assert written.status < 2, written.out + written.err
    (volume,) = out.iterdir()
    carried = {path.name: path for path in (volume / "data" / "plans").iterdir()}
    assert sorted(carried) == [f"{NAME}.about.json", f"{NAME}.html", f"{NAME}.json"]
    assert carried[f"{NAME}.json"].read_bytes() == (tmp_path / "holm-b.json").read_bytes()
    assert b"Run-book" in carried[f"{NAME}.html"].read_bytes()

    received = site("media", "receive", out, "--quiet", "--json")
    assert (received.status < 2, received.json["plans"]) == (True, [NAME]), received.out + received.err
    assert site("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    assert site("plan", "progress", NAME, "--json").json["sha256"] == digest
    assert site("plan", "check", NAME).status < 2
    key = site("plan", "progress", NAME, "--json").json["due"][0]
    done = site("plan", "record", NAME, "--window", "1", "--yes", "--except", f"{key}=failed:dead")
    assert done.status == 0, done.out + done.err
    skipped = site("plan", "record", NAME, "--window", "2", "--yes", "--except", f"{_second(site)}=skipped:no spare")
    assert skipped.status == 0, skipped.out + skipped.err

    receipt = tmp_path / "receipt.json"
    words = ("--out", receipt, "--key", tmp_path / "site.key", "--site", "holm")
    assert site("receipt", "write", *words).status == 0
    read = office("receipt", "read", receipt)
    assert read.status < 2, read.out + read.err
    here, away = (run("plan", "progress", NAME, "--json").json for run in (office, site))
    assert _outcomes(here) == _outcomes(away)
    assert (here["counts"]["failed"], here["counts"]["skipped"] > 0) == (1, True)

    _closed_there_is_closed_here(office, site, tmp_path, words)
    altered = carried[f"{NAME}.json"]
    os.chmod(altered, 0o644)
    altered.write_bytes(altered.read_bytes().replace(b"6.1", b"6.2"))
    again = office("media", "receive", out, "--quiet", "--json", env={"BUNDLEKEEPER_STORE": str(tmp_path / "site")})
    assert again.json["plans"] == [], "a plan that is not the index's is not kept"


def _closed_there_is_closed_here(office: Keeper, site: Any, tmp_path: Path, words: tuple[str | Path, ...]) -> None:
    """The entry that closes a plan comes with the receipt; one that takes it back goes with an export."""
    assert site("plan", "close", NAME, "--reason", "the site is done", "--reported-by", "kim").status == 0
    assert len(office("plan", "list", "--json").json["plans"]) == 1
    second = tmp_path / "second.json"
    assert site("receipt", "write", "--out", second, *words[2:]).status == 0
    assert office("receipt", "read", second).status < 2
    here, away = (run("plan", "list", "--all", "--json").json["plans"][0] for run in (office, site))
    assert here["closed"] == away["closed"]
    assert (here["closed"]["reported_by"], here["closed"]["reason"]) == ("kim", "the site is done")
    assert office("plan", "list", "--json").json["plans"] == []
    assert office("plan", "close", NAME, "--reason", "again").status == 2
    assert site("ledger", "undo", "--last", "--yes", "--reason", "it goes on").status < 2
    assert len(site("plan", "list", "--json").json["plans"]) == 1
    lines = tmp_path / "lines.jsonl"
    assert site("ledger", "export", "--output", lines).status == 0
    assert office("ledger", "merge", lines).status < 2
    assert len(office("plan", "list", "--json").json["plans"]) == 1


def _second(site: Any) -> str:
    windows = site("plan", "progress", NAME, "--json").json["windows"]
    return str(next(part["server"] for part in windows[1]["components"]))
