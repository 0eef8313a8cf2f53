"""A packing that is written long after it was made: what the manifest in force has withdrawn since does not go out."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from bundlekeeper.errors import RefusedError
from bundlekeeper.media.set.still_in_force import check_in_force
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.model.manifest.types import Manifest
from tests.conftest import Keeper, World
from tests.kits.main_sites import MainSite
from tests.kits.media_kit import Bundle, manifest_text
from tests.kits.media_write_kit import World as Made
from tests.kits.media_write_kit import packing_of_one


@pytest.fixture
def main_site(keeper: Keeper, world: World, tmp_path: Path) -> MainSite:
    return MainSite(keeper, world, tmp_path)


def withdraw(main_site: MainSite, count: int) -> list[str]:
    """Take a newer manifest that withdraws the first bundles of the packing; returns their files' names."""
    text = main_site.world.manifest.read_text()
    text = re.sub(r"^sequence = (\d+)", lambda m: f"sequence = {int(m[1]) + 1}", text, count=1, flags=re.M)
    rows = [f for f in json.loads((main_site.base / "packing.json").read_text())["files"] if f["role"] == "bundle"][
        :count
    ]
    for row in rows:
        table = re.search(rf'sha256 = "{row["sha256"]}".*?(^lifecycle = "[a-z]+")', text, re.M | re.S)
        assert table is not None
        text = text[: table.start(1)] + 'lifecycle = "withdrawn"\nreason = "fans stop"' + text[table.end(1) :]
    main_site.world.manifest.write_text(text)
    took = main_site.keeper("store", "add", main_site.world.manifest, "--from", main_site.world.downloads, "--quiet")
    assert took.status in (0, 1), took.err
    return [row["path"].rpartition("/")[2] for row in rows]


def test_what_was_withdrawn_since_the_packing_does_not_go_out(main_site: MainSite) -> None:
    names = withdraw(main_site, 2)
    for extra in ((), ("--dry-run",), ("--only", "1")):
        done = main_site.write("--to", "stick", *extra)
        assert done.status == 4
        assert "2 bundles of the packing were withdrawn since it was made" in done.err
        assert all(name in done.err for name in names)
        assert "fans stop" in done.err
        assert "pack again" in done.err
    assert list((main_site.base / "stick").iterdir()) == []
    notice = main_site.keeper("media", "write", "--notice", "--to", "stick", "--key", "key")
    assert notice.status == 0, notice.err


def test_a_set_that_went_out_in_part_is_finished_and_reported(main_site: MainSite) -> None:
    """Half a set is of no use to anybody; what is wrong with it is reported each time."""
    main_site.write("--to", "stick", "--only", "1")
    (name,) = withdraw(main_site, 1)
    done = main_site.write("--to", "stick", "--json")
    assert done.status == 1
    assert [f["subject"] for f in done.json["findings"] if f["code"] == "withdrawn" and name in f["subject"]]
    (older,) = [f for f in done.json["findings"] if f["code"] == "input-changed"]
    assert older["level"] == "warning"
    assert set(done.json["finished"]) == set(range(1, main_site.volumes + 1))


def manifest(sequence: int, withdrawn: str = "", platform: str = "marram") -> Manifest:
    text = manifest_text([Bundle("blade", "6.1.0", b"a" * 20, withdrawn=withdrawn)], sequence).decode()
    text = text.replace('"marram"', f'"{platform}"', 1).replace("[[bundle]]", 'families = ["blade"]\n\n[[bundle]]', 1)
    return read(text.encode(), name="m", today=date(2026, 8, 20)).manifest


def test_a_packing_with_manifests_older_newer_and_of_another_platform(tmp_path: Path) -> None:
    made = Made(tmp_path)
    packing = packing_of_one(made.kit.root, made.pieces[0].path, "infrastructure", "6.1.0")
    due = manifest(3)
    assert check_in_force(packing, None, signed=False) == ()
    assert check_in_force(replace(packing, manifest_sequence=3), due, signed=False) == ()
    assert check_in_force(replace(packing, manifest_sequence=4), due, signed=False) == ()
    assert [f.code for f in check_in_force(replace(packing, manifest_sequence=2), due, signed=False)] == [
        "input-changed"
    ]
    assert check_in_force(replace(packing, manifest_sequence=2), manifest(3, platform="lyme"), signed=False) == ()


def test_a_withdrawal_in_the_manifest_of_the_packing_counts_too(tmp_path: Path) -> None:
    made = Made(tmp_path)
    packing = packing_of_one(made.kit.root, made.pieces[0].path, "infrastructure", "6.1.0")
    gone = manifest(3, "fans stop")
    digest = gone.bundle[0].sha256
    rows = tuple(
        replace(f, file=replace(f.file, sha256=digest)) if f.file.role == "bundle" else f for f in packing.files
    )
    packing = replace(packing, files=rows, manifest_sequence=3)
    with pytest.raises(RefusedError) as caught:
        check_in_force(packing, gone, signed=False)
    assert [f.code for f in caught.value.problems] == ["withdrawn"]
    assert [f.code for f in check_in_force(packing, gone, signed=True)] == ["withdrawn"]
