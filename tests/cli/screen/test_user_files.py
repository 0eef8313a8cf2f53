"""A file named in the place of another: reported by what it is, and never overwritten."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.conftest import MARRAM, Keeper, World

MANIFESTS = Path(__file__).parents[3] / "manifests"


@pytest.mark.parametrize(
    "words",
    [
        ("verify", "--junit", "FILE"),
        ("gaps", "holm-a", "--to", "6.1", "--junit", "FILE"),
        ("report", "--site", "holm", "--out", "FILE.txt", "--force"),
        ("report", "--runbook", "holm-a", "--to", "6.1", "--out", "FILE.html", "--force"),
        ("route", "holm-a", "--to", "6.1", "--out", "FILE", "--force"),
        ("media", "pack", "--for", "6.1", "--volume", "dvd", "--out", "FILE", "--force"),
        ("manifest", "schema", "--output", "FILE", "--force"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_nothing_of_another_kind_is_written_over(
    office: Keeper, world: World, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """One wrong word of --out must not cost a manifest; a file of its own kind is overwritten, and an empty one."""
    out = next(word for word in words if word.startswith("FILE"))
    path = tmp_path / out.replace("FILE", "out")
    asked = [path if word == out else word for word in words]
    text = world.manifest.read_text("utf-8")
    path.write_text(text, encoding="utf-8")
    done = office(*asked)
    assert (done.status, path.read_text("utf-8")) == (2, text), done.err
    assert "--force" in done.err
    path.write_text("")
    assert office(*asked).status < 2
    first = path.read_text("utf-8")
    assert first
    assert office(*asked).status < 2
    assert [each.name for each in tmp_path.glob(".out*")] == []


def test_a_draft_is_written_over_a_manifest_only(keeper: Keeper, world: World, tmp_path: Path) -> None:
    out = tmp_path / "receipt.json"
    out.write_text('{"arrived":[]}')
    words = ("manifest", "draft", world.downloads, "--output", out, "--force")
    assert (keeper(*words).status, out.read_text()) == (2, '{"arrived":[]}')
    out.write_text(world.manifest.read_text("utf-8"))
    assert keeper(*words).status < 2
    assert 'platform = ""  # REVIEW' in out.read_text()
    assert keeper("manifest", "lint", out).status == 1


def test_a_file_of_another_kind_is_named_for_what_it_is(keeper: Keeper, world: World, tmp_path: Path) -> None:
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "-q").status == 0
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    stick = tmp_path / "stick"
    stick.mkdir()
    for words, message in (
        (("inventory", "load", world.manifest), "this is a manifest, not an inventory"),
        (("media", "write", world.manifest, "--to", stick, "--key", key), "this is not a packing file"),
        (("media", "receive", world.manifest), "this is a file"),
        (("manifest", "sign", world.manifest, "--key", f"{key}.pub"), "this is a public key, not a private one"),
        (("report", "--site", "holm", "--out", tmp_path / "x.pdf"), "neither .html nor .txt"),
        (("store", "add", world.manifest, "--from", "http://127.0.0.1:9/", "--store", tmp_path / "other"), ""),
    ):
        done = keeper(*words)
        assert done.status in (2, 3), words
        assert message in done.err, words
    reported = done.out + done.err
    others = [line for line in reported.splitlines() if "marram-blade-6.1.0.bin" in line and "5.4.10" in line]
    assert others == [], "each failure names its own address, or the mirror's"
    assert not (tmp_path / "x.pdf").exists()


def test_only_what_was_staged_is_activated_without_a_name(keeper: Keeper) -> None:
    """An image that was read in a spare bank may be the old one: activating it would be recorded as a way down."""
    assert keeper("inventory", "load", MARRAM, "--reported-by", "kim").status == 0
    done = keeper("activate", "holm-b", "--kind", "io-module")
    assert done.status == 4
    assert done.err.count("5.4.2 is in its spare bank, and may be the old image") == 1, "each reason once"
    assert "HOLMB-IO1" in done.err
    assert "HOLMB-IO2" in done.err
    assert keeper("stage", "HOLMB-IO1", "--version", "6.0.1").status == 0
    assert keeper("observe", "HOLMB-IO1", "--spare", "6.0.1").status == 0
    assert keeper("activate", "HOLMB-IO1").status == 0
    assert keeper("activate", "HOLMB-IO1").status == 4, "what it came from is in the spare bank now"


def test_a_bundle_that_is_not_in_the_store_is_named_with_those_that_are(office: Keeper) -> None:
    done = office("stage", "holm-b", "--kind", "io-module", "--bundle", "infrastructure/6.1")
    assert (done.status, "did you mean infrastructure/6.1.0?" in done.err) == (4, True)
