"""`media write` on the command line: real processes, exit codes, JSON, 80 columns, every way to say what goes out."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from bundlekeeper.media.volume.bag import read_bag, verify_bag
from tests.conftest import Keeper, World
from tests.kits.main_sites import PACKING, MainSite


@pytest.fixture
def main_site(keeper: Keeper, world: World, tmp_path: Path) -> MainSite:
    return MainSite(keeper, world, tmp_path)


def test_a_set_is_written_and_reported_again(main_site: MainSite) -> None:
    done = main_site.write("--to", "stick", "--label", "labels.html")
    assert done.status == main_site.packed.status, done.err
    assert f"set id {re.search(r'set id ([0-9a-f]{16})', done.out)[1]}" in done.out  # type: ignore[index]
    for number in range(1, main_site.volumes + 1):
        assert f"volume {number} of {main_site.volumes}: written" in done.out
        assert (
            verify_bag(read_bag(main_site.base / "stick" / f"marram-set0001-{number}of{main_site.volumes}")).findings
            == ()
        )
    assert "verification: read again" in done.out
    assert "every volume of the set was written and verified" in done.out
    assert "never on the media" in done.err
    assert "damage, not origin" in done.err
    assert [x for x in done.out.splitlines() if len(x) > 80 and not re.match(r"(error|warning|note|  hint)\b", x)] == []
    assert "<svg" in (main_site.base / "labels.html").read_text()
    again = main_site.keeper("media", "write", "packing.json", "--to", "stick", "--json")  # no key is needed any more
    assert again.status == main_site.packed.status
    assert {copy["state"] for copy in again.json["copies"]} == {"already there"}
    assert again.json["read_bytes"] == 0


def test_json_is_one_envelope(main_site: MainSite) -> None:
    done = main_site.write("--to", "stick", "--also", "sha512", "--json", "--quiet")
    said = done.json
    assert said["schema"] == "bundlekeeper.media-write/1"
    assert said["finished"] == list(range(1, main_site.volumes + 1))
    assert set(said["copies"][0]) == {
        *("volume", "folder", "state", "files", "kept", "bytes", "verification", "not_guaranteed"),
    }
    assert said["signed_by"].startswith("SHA256:")
    assert (main_site.base / said["copies"][0]["folder"] / "manifest-sha512.txt").exists()
    assert done.err == "" or "note" in done.err


def test_one_volume_and_then_the_rest(main_site: MainSite) -> None:
    """Volumes on sticks of their own, by N=DIR and by --only."""
    first = main_site.write("--to", "1=stick")
    assert "not finished yet: volume 2" in first.out
    os.mkdir(main_site.base / "other")
    rest = main_site.write("--to", "other", *(w for n in range(2, main_site.volumes + 1) for w in ("--only", str(n))))
    assert "every volume of the set was written and verified" in rest.out
    assert {p.name[-4:-3] for p in (main_site.base / "other").iterdir()} == {
        str(n) for n in range(2, main_site.volumes + 1)
    }


def test_a_dry_run_changes_nothing(main_site: MainSite) -> None:
    before = sorted(main_site.base.rglob("*"))
    done = main_site.write("--to", "stick", "--dry-run")
    assert "nothing was written" in done.out
    assert f"volume 1 of {main_site.volumes}: " in done.out
    said = main_site.write("--to", "stick", "--iso", "x.iso", "--dry-run", "--json").json
    assert len(said["targets"]) == len(said["images"]) == main_site.volumes
    assert sorted(main_site.base.rglob("*")) == before


def test_an_image_on_the_command_line(main_site: MainSite) -> None:
    done = main_site.write("--iso", "set.iso", "--only", "1", "--json")
    assert done.status == main_site.packed.status, done.err
    (image,) = done.json["images"]
    assert (main_site.base / image["file"]).stat().st_size == image["bytes"]
    again = main_site.write("--iso", "set.iso", "--only", "1")
    assert (again.status, "already there, image of" in again.out) == (done.status, True)


def test_without_a_packing_by_the_options_of_media_pack(main_site: MainSite) -> None:
    """The same set, whether its packing was kept in a file or not."""
    words = ("--for", "6.1", "--volume", "4MB:folder", "--to", "stick", "--key", "key", "--json")
    first = main_site.keeper("media", "write", *words).json
    second = main_site.write("--to", "stick", "--json").json
    assert first["set"]["id"] == second["set"]["id"]
    assert {copy["state"] for copy in second["copies"]} == {"already there"}


def test_withdrawals_alone(main_site: MainSite, keeper: Keeper) -> None:
    """Issue 6: "`media write --notice` carries withdrawals alone"; received like any set."""
    none = keeper("media", "write", "--notice", "--to", "stick", "--key", "key")
    text = main_site.world.manifest.read_text()
    if none.status == 2:
        assert "withdraws nothing" in none.err
    text = re.sub(r"^sequence = (\d+)", lambda m: f"sequence = {int(m[1]) + 1}", text, count=1, flags=re.M)
    text = re.sub(r'^lifecycle = "current"', 'lifecycle = "withdrawn"\nreason = "a fault"', text, count=1, flags=re.M)
    main_site.world.manifest.write_text(text)
    keeper("store", "add", main_site.world.manifest, "--from", main_site.world.downloads, "--quiet")
    done = keeper("media", "write", "--notice", "--to", "stick", "--key", "key", "--json")
    assert done.status == 0, done.err
    volume = main_site.base / done.json["copies"][0]["folder"]
    (notice,) = (volume / "data" / "notices").iterdir()
    assert json.loads(notice.read_text())["withdrawn"][0]["reason"] == "a fault"
    assert [p.name for p in (volume / "data").iterdir() if p.name not in {"notices", "manifests"}] == []
    (main_site.base / "pub").write_text(_public(main_site.base / "key"))
    far = {"BUNDLEKEEPER_STORE": str(main_site.base / "far")}
    keeper("trust", "add", "main-site", "pub", "--form", "sshsig", "--for", "indexes", env=far)
    came = keeper("media", "receive", volume, env=far)
    assert "withdrawn" in came.out


def _public(key: Path) -> str:
    if shutil.which("ssh-keygen") is None:
        pytest.skip("ssh-keygen is not installed")
    return subprocess.run(["ssh-keygen", "-y", "-f", key], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (("packing.json",), 2, "no target"),
        (("packing.json", "--to", "stick"), 2, "--key is missing"),
        (("packing.json", "--to", "absent", "--key", "key"), 2, "no such folder"),
        (("packing.json", "--to", "9=stick", "--key", "key"), 2, "no volume 9"),
        (("packing.json", "--notice", "--to", "stick"), 2, "one of"),
        (("--to", "stick"), 2, "one of"),
        (("packing.json", "--to", "stick", "--also", "md5", "--key", "key"), 2, "--also md5"),
        (("absent.json", "--to", "stick", "--key", "key"), 2, "is not there"),
        (("key", "--to", "stick", "--key", "key"), 2, "not a packing file"),
        (("packing.json", "--to", "stick", "--key", "key", "--volume-id", "no such id"), 4, "not no such id"),
        (("packing.json", "--to", "stick", "--key", "packing.json"), 4, "can be reached by others"),
        (("packing.json", "--to", "stick", "--key", "key", "--label", "packing.json"), 2, "no page of labels"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(
    main_site: MainSite, words: tuple[str, ...], status: int, message: str
) -> None:
    done = main_site.keeper("media", "write", *words)
    assert (done.status, message in done.err) == (status, True), done.err
    assert list((main_site.base / "stick").iterdir()) == []


def test_a_damaged_volume_on_the_command_line(main_site: MainSite) -> None:
    main_site.write("--to", "stick")
    file = next((main_site.base / "stick").rglob("*.bin"))
    data = bytearray(file.read_bytes())
    data[100] ^= 1
    file.write_bytes(data)
    done = main_site.write("--to", "stick", "--json")
    assert done.status == 1
    assert "altered" in done.codes
    assert "failed" in {copy["state"] for copy in done.json["copies"]}


def test_a_number_without_a_folder_is_no_target(main_site: MainSite) -> None:
    before = sorted(main_site.base.iterdir())
    for words in (("--to", "1="), ("--to", "stick", "--to", "2=")):
        done = main_site.write(*words)
        assert (done.status, "no folder is named" in done.err) == (2, True), done.err
        assert main_site.write(*words, "--dry-run").status == 2
    assert sorted(main_site.base.iterdir()) == before
    assert list((main_site.base / "stick").iterdir()) == []
    store = main_site.keeper("media", "write", "packing.json", "--key", "key", "--to", "store", "--dry-run")
    assert (store.status, "inside the store" in store.err) == (2, True), store.err


def test_what_the_report_depends_on_is_asked_before_anything_is_written(main_site: MainSite) -> None:
    (main_site.base / "there.iso").write_bytes(b"somebody else's")
    (main_site.base / f"there-1of{main_site.volumes}.iso").write_bytes(b"somebody else's")
    for words, message in (
        (("--label", "nodir/x.html"), "no folder for the page"),
        (("--label", "stick"), "a folder, not a file"),
        (("--label", "store/x.html"), "inside the store"),
        (("--iso", "there.iso"), "an image is there already"),
        (("--iso", "nodir/x.iso"), "no such folder to make images in"),
    ):
        done = main_site.write("--to", "stick", *words)
        assert (done.status, message in done.err.replace("\n", " ")) == (2, True), done.err
        assert list((main_site.base / "stick").iterdir()) == []


def test_two_documents_never_come_on_one_standard_output(main_site: MainSite) -> None:
    written = main_site.write("--to", "stick", "--label", "-", "--json")
    packed = main_site.keeper(*PACKING[:-1], "-", "--json")
    for done in (written, packed):
        assert (done.status, done.json["error"]["message"].endswith("two documents on stdout")) == (2, True)
    assert list((main_site.base / "stick").iterdir()) == []


@pytest.mark.parametrize("json_too", [False, True])
def test_a_label_that_fails_at_the_end_does_not_throw_the_report_away(main_site: MainSite, json_too: bool) -> None:
    """The folder goes away while hours are spent on writing: here a page that stands for it."""
    words = ["--to", "stick", "--label", "labels/x.html", *(["--json"] if json_too else [])]
    (main_site.base / "labels").mkdir()
    script = (
        "import sys, shutil\nfrom bundlekeeper.media.writing import write\nreal = write.write_set\n"
        "def then(*a):\n    shutil.rmtree('labels')\n    return real(*a)\nwrite.write_set = then\n"
        "from bundlekeeper.cli.screen.run import run\nsys.exit(run(sys.argv[1:]))"
    )
    env = {**os.environ, "BUNDLEKEEPER_STORE": "store", "COLUMNS": "80"}
    command = [sys.executable, "-c", script, "media", "write", "packing.json", "--key", "key", *words]
    done = subprocess.run(command, cwd=main_site.base, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 3, done.stderr
    if json_too:
        said = json.loads(done.stdout)
        assert (said["ok"], said["label"], said["error"]["where"]) == (False, None, "labels/x.html")
        assert {copy["state"] for copy in said["copies"]} == {"written"}
    else:
        assert f"volume 1 of {main_site.volumes}: written" in done.stdout
        assert "next:" not in done.stderr
        assert "error: cannot be written" in done.stderr
        assert "where: labels/x.html" in done.stderr


def test_force_replaces_an_older_packing_only(main_site: MainSite) -> None:
    manifest = main_site.world.manifest
    before = manifest.read_bytes()
    words = (*PACKING[:-1], manifest, "--force")
    done = main_site.keeper(*words)
    assert (done.status, "this is not a packing file" in done.err) == (2, True), done.err
    assert manifest.read_bytes() == before
    assert main_site.keeper(*PACKING, "--force").status == main_site.packed.status
    assert main_site.keeper(*PACKING).status == 2


def test_what_is_printed_at_the_end_is_true_of_this_run(main_site: MainSite) -> None:
    first = main_site.write("--to", "stick")
    assert "next: bring the volumes" in first.err
    file = next((main_site.base / "stick").glob("*-1of*/data/**/*.bin"))
    file.chmod(0o644)
    file.write_bytes(b"x" * file.stat().st_size)
    done = main_site.write("--to", "stick")
    assert done.status == 1
    assert "every volume of the set was written and verified" not in done.out
    assert "next: bring the volumes" not in done.err
    assert "volume 1 was finished before, but is not whole here" in done.out
