"""`gaps` on the command line: what vouches for the manifest and the bundles, JSON that stays small, wrong words."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.model.inventory.write_json import to_json
from tests.conftest import Keeper, World
from tests.kits.planning_worlds import large_fleet
from tests.kits.ssh_keys import admits, ssh_key, trusted, with_signature

ROOT = Path(__file__).parents[3]
HARBOUR = ROOT / "manifests" / "marram-2026-11.toml"
NAME = "marram-blade-6.1.0.bin"


@pytest.mark.parametrize("words", [("gaps", "holm-a", "--to", "6.1"), ("route", "holm-a", "--to", "6.1")])
def test_no_plan_is_made_by_a_manifest_that_the_store_would_not_take(
    office: Keeper, world: World, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """ "4 refused to act: a signature, a manifest or a medium is not trusted": named or kept"""
    assert office(*words).status < 2
    key = ssh_key(tmp_path)
    trusted(office, key)
    admits(tmp_path, "signed_manifests = true")
    for more in ((), ("--manifest", world.manifest)):
        done = office(*words, *more, "--json")
        assert (done.status, done.codes, done.json["error"]["exit"]) == (4, ["unsigned"], 4)
    assert office("manifest", "sign", world.manifest, "--key", key).status == 0
    done = office(*words, "--manifest", world.manifest, "--json")
    assert (done.status, done.json["manifest_signature"]["by"]) in ((0, "chief"), (1, "chief"))
    assert "manifest signed by chief" in office(*words, "--manifest", world.manifest).out
    world.manifest.write_bytes(world.manifest.read_bytes() + b"\n")
    done = office(*words, "--manifest", world.manifest, "--json")
    assert (done.status, done.codes) == (4, ["bad-signature"])
    elsewhere = tmp_path / "other.sig"
    elsewhere.write_bytes(Path(f"{world.manifest}.sig").read_bytes())
    assert office(*words, "--signature", elsewhere).status == 2


def test_a_bundles_signature_counts_as_its_last_proof_found_it(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "unsigned" among the gaps (issue 5, point 1): good is silent, a dropped key and an absent signature are
    reported"""
    key = ssh_key(tmp_path)
    trusted(keeper, key, "bundles", "marram-2026")
    with_signature(world, NAME, "sshsig", "marram-2026")
    sign = keeper("manifest", "sign", world.downloads / NAME, "--key", key, "--for", "bundles")
    assert sign.status == 0, sign.err
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    assert keeper("inventory", "load", HARBOUR).status == 0

    def about_blade() -> list[str]:
        rows = keeper("gaps", "holm-a", "--to", "6.1", "--json").json["findings"]
        return [f["code"] for f in rows if f["subject"].startswith("blade 6.1.0")]

    assert about_blade() == []
    admits(tmp_path, 'signed_families = ["blade", "rack"]')
    rows = keeper("gaps", "holm-a", "--to", "6.1", "--json").json["findings"]
    assert [f["subject"].split()[0] for f in rows if f["code"] == "unsigned"] == ["rack"]
    assert keeper("trust", "remove", "marram-2026", "--reason", "lost on a train").status == 0
    assert about_blade() == ["removed-key"]


def _fleet(folder: Path, domains: int) -> Path:
    file = folder / f"fleet-{domains}.json"
    file.write_text(to_json(large_fleet(domains, 20)), encoding="utf-8")
    return file


def test_the_json_of_a_fleet_grows_with_the_fleet_and_keeps_all_evidence(keeper: Keeper, tmp_path: Path) -> None:
    """ "policy … that is shared (naming every server and domain it touches)" (issue 5): once, and referred to"""
    sizes = []
    for domains in (5, 20):
        words = ("--manifest", ROOT / "manifests/marram-14.toml", "--inventory", _fleet(tmp_path, domains))
        done = keeper("gaps", "--all", "--to", "6.1", "--json", *words)
        assert done.status == 1, done.err
        sizes.append(len(done.out))
    assert sizes[1] < 4.4 * sizes[0]
    findings, shared = done.json["findings"], done.json["shared"]
    touched = []
    for domain in done.json["domains"]:
        assert len(domain["gaps"]) == domain["counts"]["gaps"]
        for gap in domain["gaps"]:
            told = findings[gap["finding"]]
            assert told["code"] == gap["code"]
            assert domain["domain"] in told["subject"] or gap["code"] in {"not-in-store", "not-checked", "withdrawn"}
            if gap["code"] == "policy-shared" and "silver" in told["subject"]:
                name = gap["evidence"]["servers"]["shared"]
                touched.append(sum(map(len, shared[name].values())))
    assert len(touched) == 20
    assert set(touched) == {7 * 20}  # every third of a domain's twenty servers, from the second


def test_the_gaps_of_all_domains_end_with_a_line_for_each(office: Keeper) -> None:
    """In short and in full; a domain with errors is counted as that."""
    short, whole = (office("gaps", "--all", "--to", "6.1", *words) for words in ((), ("--details",)))
    head, _, table = short.out.partition("\n\n")
    assert re.match(r"marram to 6.1: 2 with errors, 1 with warnings only; \d+ errors, \d+ warnings\n", head)
    assert [line.split()[0] for line in table.splitlines()] == ["domain", "holm-a", "holm-b", "skerry-a"]
    assert whole.out.endswith(f"\n\n{table}")


def test_a_wrong_word_is_told_with_the_one_that_is_meant(office: Keeper) -> None:
    for words, meant in (
        (("gaps", "holm-z", "--to", "6.1"), "did you mean 'holm-"),
        (("gaps", "holm-a", "--to", "6.11"), "6.1"),
        (("gaps", "--to", "6.1"), "--all"),
    ):
        done = office(*words)
        assert done.status == 2
        assert meant in done.err


_IN_AUGUST = """
import sys
from datetime import UTC, datetime
from bundlekeeper.cli import options
from bundlekeeper.cli.screen.run import run
august = datetime(2026, 8, 20, 12, tzinfo=UTC)
options.now, options.today = lambda: august, august.date
sys.exit(run(sys.argv[1:]))
"""


@pytest.mark.parametrize(
    "words",
    [
        ("gaps", "holm-a", "--to", "6.1"),
        ("route", "holm-a", "--to", "6.1"),
        ("route", "holm-a", "holm-b", "--to", "6.1"),
        ("report", "--runbook", "holm-a", "--to", "6.1", "--out", "book.txt"),
    ],
)
def test_a_clock_set_back_makes_no_expired_manifest_good_again(
    office: Keeper, world: World, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """A store that accepted a manifest today knows that it is not August: the later of the two judges an expiry."""
    text = world.manifest.read_text().replace("sequence = 14", "sequence = 15\nexpires = 2026-09-01", 1)
    (frozen := tmp_path / "frozen.toml").write_text(text)
    words = (*words, "--manifest", str(frozen), "--inventory", str(HARBOUR), "--json")
    done = subprocess.run(
        [sys.executable, "-c", _IN_AUGUST, *words],
        env={**os.environ, "BUNDLEKEEPER_STORE": str(tmp_path / "store")},
        capture_output=True,
        cwd=tmp_path,
        check=False,
    )
    codes = {found["code"] for found in json.loads(done.stdout)["findings"]}
    assert {"expired", "clock-doubtful"} <= codes
