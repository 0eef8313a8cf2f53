"""`media pack`: what a set must hold and lacks, on the command line by real processes, and the packing's own
document."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.media.set.packing import read_spare
from bundlekeeper.media.set.what_belongs import SetContents, contents_of, meant_by
from bundlekeeper.model.inventory.types import Inventory
from bundlekeeper.model.manifest.types import Manifest
from bundlekeeper.model.media.packing import SetPacking, read_packing, write_packing
from bundlekeeper.planning.fleet.domains import Fleet
from bundlekeeper.planning.fleet.stock import Holdings
from bundlekeeper.store.database.store_database import StoreDatabase
from tests.conftest import Keeper, Ran, World
from tests.kits.made_packings import made_packing
from tests.kits.planning_kit import blade, bundle, image, inventory, manifest, stored_all
from tests.kits.ssh_keys import admits, ssh_key, trusted, with_signature
from tests.kits.sure import only_our_errors, some

ROOT = Path(__file__).parents[3]
HARBOUR = ROOT / "manifests" / "marram-2026-11.toml"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
NAME = "marram-infrastructure-6.1.0.bin"


@pytest.fixture
def stocked(keeper: Keeper, world: World) -> Keeper:
    """A store with the tour's bundles."""
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    return keeper


@pytest.fixture
def office(stocked: Keeper) -> Keeper:
    """The same, and the office's inventory."""
    assert stocked("inventory", "load", HARBOUR, "--reported-by", "kim").status == 0
    return stocked


def packing_in(done: Ran) -> SetPacking:
    """The packing in a JSON envelope, read strictly."""
    assert done.status < 2, done.err
    return read_packing(json.dumps(done.json["packing"]).encode())


def versions(packing: SetPacking) -> set[str]:
    return {f"{f.file.family} {f.file.version}" for f in packing.files if f.file.role == "bundle"}


# What the set is for


def test_a_release_is_everything_that_it_names(stocked: Keeper, world: World) -> None:
    """ "`--for` RELEASE = everything of that release" (issue 6), with the accepted manifest on every volume"""
    done = stocked("media", "pack", "--for", "6.1", "--volume", "dvd", "--json")
    assert (done.status, done.json["ok"], done.json["for"]) == (0, True, "release 6.1")
    packing = packing_in(done)
    assert versions(packing) == {"infrastructure 6.1.0", "blade 6.1.0", "rack 6.1.0"}
    common = [f for f in packing.files if f.file.common]
    assert [(f.file.role, f.source) for f in common] == [("manifest", "manifests/marram-14.toml")]
    assert common[0].file.sha256 == packing.manifest == done.json["manifest"]["sha256"]
    assert common[0].file.size == world.manifest.stat().st_size


def test_a_domain_is_its_route_with_the_stops_on_the_way(office: Keeper, world: World) -> None:
    """ "a stop version on the route" (issue 6): skerry runs 5.4 and 6.1 is reached over 6.0; a site is its domains"""
    domain = packing_in(office("media", "pack", "--for", "skerry-a", "--to", "6.1", "--volume", "dvd", "--json"))
    assert {"infrastructure 6.0.1", "infrastructure 6.1.0"} <= versions(domain)
    site = office("media", "pack", "--for", "skerry", "--volume", "dvd", "--json")
    assert site.json["for"] == "site skerry to release 6.1"  # the newest
    assert versions(packing_in(site)) == versions(domain)
    route = office("route", "skerry-a", "--to", "6.1", "--json").json["route"]
    needed = {c["sha256"] for step in route["steps"] for c in step["changes"]}
    assert needed <= {f.file.sha256 for f in domain.files}


def test_a_domain_of_which_nothing_is_known_needs_a_release(stocked: Keeper) -> None:
    """When no inventory is known, release must be given by --to RELEASE."""
    assert stocked("media", "pack", "--for", "skerry-a", "--volume", "dvd").status == 2
    done = stocked("media", "pack", "--for", "skerry-a", "--to", "6.1", "--volume", "dvd", "--json")
    assert (done.status, done.codes) == (1, ["not-checked"])
    assert len(versions(packing_in(done))) == 3


def test_wrong_words_are_reported_with_what_is_meant(office: Keeper) -> None:
    for words, meant in (
        (("--for", "skery", "--volume", "dvd"), "did you mean 'skerry'?"),
        (("--for", "skerry", "--to", "6.11", "--volume", "dvd"), "did you mean '6.1'?"),
        (("--for", "release:skerry", "--volume", "dvd"), "one of 5.4, 6.0, 6.1"),
        (("--for", "6.1", "--to", "6.0", "--volume", "dvd"), "--for 6.1 is the whole release"),
        (("--for", "6.1", "--volume", "16GB:fat23"), "did you mean fat32?"),
        (("--for", "6.1", "--volume", "dvd", "--spare", "95%"), "--spare"),
        ((), "--for and --volume"),
    ):
        done = office("media", "pack", *words)
        assert done.status == 2
        assert meant in done.err


# What is missing


def test_a_bundle_that_is_not_in_the_store_is_reported_first_and_the_rest_is_packed(
    stocked: Keeper, tmp_path: Path
) -> None:
    """Exit 1 when something is missing; packing still written."""
    (tmp_path / f"store/infrastructure/6.1.0/{NAME}").unlink()
    done = stocked("media", "pack", "--for", "6.1", "--volume", "dvd", "--json", "--out", tmp_path / "p.json")
    assert (done.status, done.json["findings"][0]["code"]) == (1, "not-in-store")
    packing = read_packing((tmp_path / "p.json").read_bytes())
    assert versions(packing) == {"blade 6.1.0", "rack 6.1.0"}
    assert [f.code for f in packing.missing if f.level != "note"] == ["not-in-store"]
    text = stocked("media", "pack", "--for", "6.1", "--volume", "dvd").out.splitlines()
    assert text[0] == "release 6.1: 1 volume, 1 error"
    assert any(line.startswith(" !! not-in-store: infrastructure 6.1.0") for line in text)


def test_what_is_not_verified_or_was_verified_too_long_ago_is_reported(stocked: Keeper, tmp_path: Path) -> None:
    """Bundles not held or not verified/with stale verification."""
    file = tmp_path / f"store/infrastructure/6.1.0/{NAME}"
    os.utime(file, ns=(1, 1))
    done = stocked("media", "pack", "--for", "6.1", "--volume", "dvd", "--json")
    assert "unverified" in done.codes
    admits(tmp_path, 'max_verification_age = "30d"')
    aged = datetime.now(UTC) - timedelta(days=40)
    with StoreDatabase.open(tmp_path / "store/.keeper/store.sqlite", write=True) as database:
        database.record_verifications(
            {p: replace(each, verified_at=aged) for p, each in database.verifications().items()}
        )
    assert "stale-verification" in stocked("media", "pack", "--for", "6.1", "--volume", "dvd", "--json").codes


def test_a_withdrawn_bundle_is_reported_and_left_out_of_the_set(keeper: Keeper, world: World) -> None:
    """A release withdrawn after it was downloaded."""
    text = world.manifest.read_text("utf-8")
    at = text.index('lifecycle = "current"', text.index(f'file = "{NAME}"'))
    text = text[:at] + 'lifecycle = "withdrawn"\nreason = "ports flap"' + text[at + len('lifecycle = "current"') :]
    world.manifest.write_text(text, encoding="utf-8")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status < 2
    done = keeper("media", "pack", "--for", "6.1", "--volume", "dvd", "--json")
    assert "withdrawn" in done.codes
    assert versions(packing_in(done)) == {"blade 6.1.0", "rack 6.1.0"}


def test_signatures_go_with_their_bundles_and_are_missed(keeper: Keeper, world: World, tmp_path: Path) -> None:
    """ "signatures stay on their bundle's volume", "signatures (where stated or wanted by store.toml)" """
    key = ssh_key(tmp_path)
    trusted(keeper, key, "bundles", "marram-2026")
    with_signature(world, NAME, "sshsig", "marram-2026")
    assert keeper("manifest", "sign", world.downloads / NAME, "--key", key, "--for", "bundles").status == 0
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    words = ("media", "pack", "--for", "6.1", "--volume", "2100kB:folder", "--json")
    packing = packing_in(keeper(*words))
    by_path = {f.file.path: f for f in packing.files}
    signature = by_path[f"infrastructure/6.1.0/{NAME}.sig"]
    of = by_path[f"infrastructure/6.1.0/{NAME}"]
    assert signature.file.role == "signature"
    assert {p.volume for p in signature.file.parts} <= {p.volume for p in of.file.parts}
    data = (world.downloads / f"{NAME}.sig").read_bytes()
    assert signature.file.size == len(data)
    (tmp_path / "store" / signature.source).unlink()
    assert "missing" in keeper(*words).codes
    admits(tmp_path, 'signed_families = ["infrastructure", "blade"]')
    assert keeper(*words).codes.count("unsigned") == 2


def _world(*releases: dict[str, Any], **more: Any) -> Manifest:
    """Two infrastructure bundles with tables t1 and t2; the second blade bundle is the first to know Tern-4."""
    rows = []
    for n, models in ((1, ("Tern-2",)), (2, ("Tern-2", "Tern-4"))):
        table = image("model-list", "Reed-40", f"t{n}")
        rows.append(bundle("infrastructure", f"{n}.0", image("domain-manager", "Reed-40", f"{n}.0"), table))
        rows.append(bundle("blade", f"{n}.0", image("bios", models, f"{n}.0")))
    named = releases or tuple({"name": f"{n}", "infrastructure": f"{n}.0", "blade": f"{n}.0"} for n in (1, 2))
    return manifest(*rows, release=named, families=("infrastructure", "blade"), **more)


def _domain(model: str) -> Inventory:
    from bundlekeeper.model.inventory.types import Component

    base = Component("domain-manager", "holm", "holm-a", "", model="Reed-40", serial="M", active="1.0", healthy=True)
    table = replace(base, kind="model-list", serial="T", active="t1")
    return inventory([base, table, *blade("1", "1.0", model=model)[:1]])


def _contents(rules: Manifest, there: Inventory, name: str, to: str, stored: Holdings | None = None) -> SetContents:
    fleet = Fleet(rules, there)
    return contents_of(fleet, meant_by(fleet, name, to), stored or stored_all(rules), NOW)


def test_the_model_table_that_a_new_model_needs_is_named() -> None:
    """ "the model list that new models need" (issue 6): Tern-4 came with t2, and release 1 brings t1"""
    rules = _world()
    new = _contents(rules, _domain("Tern-4"), "holm-a", "1")
    tables = [f for f in new.missing if f.code == "model-unlisted"]
    assert [("t2" in f.message, "release 2" in f.hint) for f in tables] == [(True, True)]
    assert not [f for f in _contents(rules, _domain("Tern-2"), "holm-a", "1").missing if f.code == "model-unlisted"]
    assert not [f for f in _contents(rules, _domain("Tern-4"), "holm-a", "2").missing if f.code == "model-unlisted"]


def test_a_table_that_is_not_known_does_not_count_as_good() -> None:
    """ "Unknown is never zero and never good": no model list in the inventory, or one of no version"""
    there = _domain("Tern-4")
    for lacking in (there.components[:1] + there.components[2:], [replace(c, active=None) for c in there.components]):
        found = _contents(_world(), inventory(list(lacking)), "holm-a", "2")
        assert [f for f in found.missing if f.code == "not-checked" and "model-list" in f"{f.subject} {f.message}"]


def test_a_family_that_the_release_does_not_name_is_missing() -> None:
    """ "Forgetting one is the commonest gap": of a release whole, and of a domain that has the family"""
    rules = _world({"name": "1", "infrastructure": "1.0"})
    for name, there in (("1", inventory([])), ("holm-a", _domain("Tern-2"))):
        found = _contents(rules, there, name, "" if name == "1" else "1")
        assert [f.subject.rpartition(" ")[2] for f in found.missing if f.code == "family-missing"] == ["blade"]
        assert {b.family for b in found.bundles} == {"infrastructure"}


def test_a_set_for_which_there_is_no_route_reports_it() -> None:
    """ "A jump that isn't allowed: the release notes ask for a stop", here for one that is no bundle"""
    rule = {"what": {"family": "infrastructure"}, "to": ">=2.0", "from": ">=1.5", "source": "notes 2, table 1"}
    found = _contents(_world(jump=(rule,)), _domain("Tern-2"), "holm-a", "2")
    refused = [f for f in found.missing if f.code == "jump-refused"]
    assert refused
    assert "notes 2, table 1" in refused[0].message
    assert {b.version for b in found.bundles} == {"2.0"}


def test_a_word_that_names_two_things_asks_which() -> None:
    rules = _world({"name": "holm-a", "infrastructure": "1.0", "blade": "1.0"})
    fleet = Fleet(rules, _domain("Tern-2"))
    with pytest.raises(InputError, match="a release and a domain") as caught:
        meant_by(fleet, "holm-a", "")
    assert "--for release:holm-a" in caught.value.hint
    assert meant_by(fleet, "release:holm-a", "").kind == "release"


# What goes where


@pytest.mark.fault(56)
def test_a_file_over_a_volume_is_split_into_parts_that_make_it_up(stocked: Keeper, tmp_path: Path) -> None:
    """ "a file over the file system's limit … or over the volume is split", and each volume's files fit on it"""
    words = ("media", "pack", "--for", "6.1", "--volume", "1750kB:folder", "--json")
    packing = packing_in(stocked(*words))
    split = [f.file for f in packing.files if f.file.split]
    assert [f.path for f in split] == [f"infrastructure/6.1.0/{NAME}"]
    assert [p.path.rpartition(".")[2] for p in split[0].parts] == ["part-01of02", "part-02of02"]
    assert [p.sha256 for p in split[0].parts] == ["", ""]
    for volume in packing.volumes:
        assert volume.used + volume.reserved <= volume.usable
        assert sum(p.size for _, p in packing.on(volume.number)) < volume.usable
    assert packing == packing_in(stocked(*words))  # deterministic
    spared = packing_in(stocked(*words[:-1], "--spare", "12.5%", "--json"))
    assert all(v.reserved >= v.usable // 8 for v in spared.volumes)


def test_too_few_volumes_are_reported_with_the_bytes(stocked: Keeper, tmp_path: Path) -> None:
    out = tmp_path / "p.json"
    for volumes in (("2x1500kB:folder",), ("100kB:folder",)):
        done = stocked("media", "pack", "--for", "6.1", "--volume", *volumes, "--json", "--out", out)
        assert (done.status, done.json["packing"], out.exists()) == (1, None, False)
        assert "not-enough-space" in done.codes
    two = ("--volume", "2x1500kB:folder", "--volume", "2MB:folder")
    assert packing_in(stocked("media", "pack", "--for", "6.1", *two, "--json")).volumes


def test_names_that_no_volume_can_have_are_reported_all_at_once_and_nothing_is_packed(
    keeper: Keeper, world: World, tmp_path: Path
) -> None:
    """`%` needs an escape in a bag (RFC 8493 §2.1.3), about which libraries disagree: not first reported when
    writing."""
    text = world.manifest.read_text("utf-8")
    names = {name: name.replace(".bin", "-100%.bin") for name in (NAME, "marram-blade-6.1.0.bin")}
    for name, other in names.items():
        text = text.replace(f'"{name}"', f'"{other}"')
        (world.downloads / name).rename(world.downloads / other)
    world.manifest.write_text(text, encoding="utf-8")
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    out = tmp_path / "p.json"
    done = keeper("media", "pack", "--for", "6.1", "--volume", "dvd", "--json", "--out", out)
    assert (done.status, done.json["packing"], out.exists()) == (1, None, False)
    reported = [f["subject"] for f in done.json["findings"] if f["code"] == "name-unsafe"]
    assert reported == [f"infrastructure/6.1.0/{names[NAME]}", "blade/6.1.0/marram-blade-6.1.0-100%.bin"]


def test_the_packing_is_a_new_file_unless_it_is_forced(stocked: Keeper, tmp_path: Path) -> None:
    out = tmp_path / "p.json"
    words = ("media", "pack", "--for", "6.1", "--volume", "dvd", "--out", out)
    assert stocked(*words).status == 0
    first = out.read_bytes()
    assert stocked(*words).status == 2
    assert stocked(*words, "--force").status == 0
    assert out.read_bytes() == first
    assert stocked(*words[:-1], "-").out.encode() == first
    assert write_packing(read_packing(first)) == first


def test_a_manifest_that_is_named_is_carried_from_where_it_is(stocked: Keeper, world: World, tmp_path: Path) -> None:
    later = tmp_path / "later.toml"
    later.write_text(world.manifest.read_text("utf-8").replace("sequence = 14", "sequence = 15"), encoding="utf-8")
    packing = packing_in(stocked("media", "pack", "--for", "6.1", "--volume", "dvd", "--manifest", later, "--json"))
    common = [f for f in packing.files if f.file.common]
    assert [(f.file.path, f.source) for f in common] == [("manifests/marram-15.toml", str(later))]
    assert packing.manifest_sequence == 15


def test_the_answer_fits_a_terminal_of_80_columns(office: Keeper) -> None:
    done = office("media", "pack", "--for", "skerry", "--to", "6.1", "--volume", "3MB:folder", "--volume", "bd-25")
    assert done.status == 0, done.out
    rows = [row for row in done.out.splitlines() if not row.startswith(("warning", "error", "note"))]
    assert max(map(len, rows)) <= 80
    assert "this is the minimum" in done.out


def test_room_for_the_tool_is_kept_where_it_is_to_come_along(stocked: Keeper) -> None:
    words = ("media", "pack", "--for", "6.1", "--volume", "1GB:fat32", "--json")
    plain, tool = packing_in(stocked(*words)), packing_in(stocked(*words, "--with-tool"))
    assert (plain.with_tool, tool.with_tool) == (False, True)
    assert tool.volumes[0].reserved - plain.volumes[0].reserved > 64 * 2**20


def test_no_sets_yet(stocked: Keeper) -> None:
    done = stocked("media", "list", "--json")
    assert (done.status, done.json["sent"], done.json["received"]) == (0, [], [])
    assert stocked("media", "list").out == "no set was written or received here\n"


def test_sets_that_went_are_listed_with_their_receipts(stocked: Keeper, tmp_path: Path) -> None:
    """ "the printed page never came back": a set without a receipt is reported"""
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.store.contents.store import Store

    with Store.open(tmp_path / "store", write=True) as store:
        sets = Sets(store)
        sent = sets.begin(
            issuer="ab" * 16,
            packing="1" * 64,
            platform="marram",
            meant_for="skerry",
            volumes=2,
            manifest="2" * 64,
            at=NOW,
        )
        assert stocked("media", "list").status == 0  # nothing left the house yet
        sets.wrote(sent, 1, NOW)
        done = stocked("media", "list")
        assert done.status == 1
        assert "marram-set0001" in done.out
        assert "1 of 2 written, no receipt" in done.out
        sets.keep_receipt(sent.set_id, "3" * 64, [b"{}"], b"")
    done = stocked("media", "list", "--json")
    assert (done.status, len(done.json["sent"][0]["receipts"])) == (3, 1)
    assert set(done.codes) == {"unreadable", "receipt-missing"}, "what is kept is no answer before it can be read"


# The document


def test_what_is_written_is_read_again() -> None:
    data = write_packing(made_packing())
    assert read_packing(data) == made_packing()
    assert [p.path for _, p in made_packing().on(2)] == [
        "manifests/marram-14.toml",
        made_packing().files[0].file.parts[1].path,
    ]
    assert sum(each.file.size for each in made_packing().files) == 15


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("schema",), "bundlekeeper.packing/2", "packing/1"),
        (("volumes", 1, "number"), 3, "is not 2"),
        (("volumes", 0, "largest_file"), 5, "larger than a file on volume 1"),
        (("files", 0, "source"), "../secret", "out of the store"),
        (("files", 0, "path"), "../x", "folder"),
        (("files", 0, "parts", 1, "offset"), 5, "does not follow"),
        (("files", 0, "parts", 1, "volume"), 3, "whole number"),
        (("files", 0, "parts", 0, "sha256"), "x", "hexadecimal"),
        (("files", 0, "parts", 0, "sha256"), "1" * 64, "before the part was read"),
        (("files", 0, "parts", 0, "through"), "1" * 64, "unknown key through"),
        (("files", 1, "parts", 0, "sha256"), "", "empty"),
        (("missing", 0, "code"), "fine", "does not exist"),
        (("exact",), 1, "neither true nor false"),
        (("extra",), 1, "unknown key"),
    ],
)
def test_everything_else_is_refused(path: tuple[str | int, ...], value: object, message: str) -> None:
    document = json.loads(write_packing(made_packing()))
    place = document
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(InputError, match=message):
        read_packing(json.dumps(document).encode())


def test_only_our_errors_come_out_of_bytes_that_were_altered() -> None:
    """Nothing but our own error family may come out."""
    data = write_packing(made_packing())
    for at in some(range(0, len(data), 3)):
        for change in (data[:at], data[:at] + b"9" + data[at + 1 :], data[:at] + b"}" + data[at:]):
            only_our_errors(read_packing, change)


@pytest.mark.parametrize(
    ("text", "share"), [("5%", 500), ("2.5", 250), ("0%", 0), (" 12.05% ", 1205), ("89.99%", 8999)]
)
def test_shares_are_read(text: str, share: int) -> None:
    assert read_spare(text) == share


@pytest.mark.parametrize("text", ["", "-5%", "90%", "1.234%", "5 %%", "five", "१%"])
def test_what_is_no_share_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        read_spare(text)


def test_a_stop_that_is_not_in_the_store_is_named_and_the_other_stops_are_packed(
    office: Keeper, tmp_path: Path
) -> None:
    """ "names first what is missing: ... a stop version on the route", although another version of it is held."""
    whole = packing_in(office("media", "pack", "--for", "skerry", "--to", "6.1", "--volume", "dvd", "--json"))
    for family in ("blade", "rack", "infrastructure"):
        bundle = next((tmp_path / f"store/{family}/6.0.1").glob("*.bin"))
        data = bundle.read_bytes()
        bundle.unlink()
        done = office("media", "pack", "--for", "skerry", "--to", "6.1", "--volume", "dvd", "--json")
        assert [f["subject"].split(" (")[0] for f in done.json["findings"] if f["code"] == "not-in-store"] == [
            f"{family} 6.0.1"
        ]
        assert versions(packing_in(done)) == versions(whole) - {f"{family} 6.0.1"}
        ways = office("route", "skerry-a", "--to", "6.1", "--json")
        assert (ways.status, "not-in-store" in ways.codes) == (1, True)
        bundle.write_bytes(data)
        office("verify", "--quiet")
