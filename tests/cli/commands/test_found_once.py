"""One finding once: what a manifest reports of its bundles, by store add, verify and store list, in text and JSON.

Common practice: whoever reads thirty equal lines misses the one that is different.
"""

from __future__ import annotations

import hashlib
import io
from collections import Counter
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.cli.screen import output
from bundlekeeper.findings import Finding, Level
from tests.conftest import Keeper, Ran

EMPTY = hashlib.sha256(b"").hexdigest()
HEAD = 'manifest = 1\nplatform = "marram"\nsequence = 1\nissued = 2026-08-14\nfamilies = ["blade"]\n'


def written(folder: Path, files: dict[str, bytes], digest_from: str = "publisher: page") -> Path:
    """A folder with these files, and beside it a manifest that names them, each at a version of its own."""
    source = folder / "downloads"
    source.mkdir()
    text = HEAD
    for number, (name, data) in enumerate(files.items()):
        (source / name).write_bytes(data)
        text += f'[[bundle]]\nfamily = "blade"\nversion = "6.1.{number}"\nfile = "{name}"\nsize = {len(data)}\n'
        text += f'sha256 = "{hashlib.sha256(data).hexdigest()}"\n'
        text += f'digest_from = "{digest_from}"\n' if digest_from else ""
    manifest = folder / "m.toml"
    manifest.write_text(text)
    return manifest


def codes(ran: Ran) -> Counter[tuple[str, str]]:
    return Counter((f["code"], f["level"]) for f in ran.json["findings"])


# --- the same bytes under two names, and an empty file: a warning in lint only ------------------------------------


@pytest.mark.parametrize(
    ("files", "code", "count"),
    [
        ({"a.bin": b"same", "b.bin": b"same", "c.bin": b"same"}, "digest-shared", 2),
        ({"a.bin": b"bytes", "b.bin": b""}, "digest-empty", 1),
    ],
)
def test_lint_warns_and_all_else_says_a_note(
    files: dict[str, bytes], code: str, count: int, keeper: Keeper, tmp_path: Path
) -> None:
    """The store and the folder, with the manifest named or by the store's own, have one verdict."""
    manifest = written(tmp_path, files)
    linted = keeper("manifest", "lint", manifest, "--json")
    assert (linted.status, codes(linted)) == (1, {(code, "warning"): count})
    source = tmp_path / "downloads"
    for words in (
        ["store", "add", manifest, "--from", source, "--dry-run"],
        ["store", "add", manifest, "--from", source],
        ["verify", manifest],
        ["verify"],
        ["verify", manifest, "--at", source],
        ["verify", "--at", source],
        ["verify", "--quick"],
    ):
        ran = keeper(*words, "--json")
        assert (ran.status, ran.json["ok"], codes(ran)) == (0, True, {(code, "note"): count}), words


def test_the_list_says_of_a_second_name_that_it_is_of_the_same_bytes(keeper: Keeper, tmp_path: Path) -> None:
    """And of the first, or of a bundle alone, that it is not."""
    manifest = written(tmp_path, {"a.bin": b"same", "b.bin": b"same", "c.bin": b"other"})
    keeper("store", "add", manifest, "--from", tmp_path / "downloads")
    assert keeper("store", "list").out.count("same bytes") == 1


def test_verifying_by_the_stores_own_manifest_reports_the_same_as_by_the_file(keeper: Keeper, tmp_path: Path) -> None:
    """Other warnings of the manifest, too: here a table of a kind that nothing uses."""
    manifest = written(tmp_path, {"a.bin": b"bytes"})
    manifest.write_text(manifest.read_text() + '[kind.tide-gauge]\norder = "natural"\n')
    source = tmp_path / "downloads"
    assert keeper("store", "add", manifest, "--from", source).status == 1
    verdicts = [
        (ran.status, codes(ran))
        for words in ([manifest], [], [manifest, "--at", source], ["--at", source])
        for ran in [keeper("verify", *words, "--json")]
    ]
    assert verdicts == [(1, {("kind-unused", "warning"): 1})] * 4


# --- one finding once ---------------------------------------------------------------------------------------------

TWELVE = {f"marram-{number:02}.bin": f"bundle {number}".encode() for number in range(12)}


@pytest.mark.parametrize(("digest_from", "code"), [("own copy", "self-digest"), ("", "not-checked")])
def test_twelve_bundles_of_one_doubt_are_reported_in_three_lines(
    digest_from: str, code: str, keeper: Keeper, tmp_path: Path
) -> None:
    manifest = written(tmp_path, TWELVE, digest_from)
    commands: list[list[Any]] = [
        ["store", "add", manifest, "--from", tmp_path / "downloads", "--dry-run"],
        ["store", "add", manifest, "--from", tmp_path / "downloads"],
        ["verify", manifest],
        ["verify"],
        ["verify", manifest, "--at", tmp_path / "downloads"],
    ]
    commands += [["store", "list"]] if code == "self-digest" else []
    for words in commands:
        ran = keeper(*words)
        about = [line for line in ran.out.splitlines() if "digest" in line and "marram-00" in line]
        about += [line for line in ran.out.splitlines() if "more like it" in line]
        assert len(about) == 2, (words, ran.out)
        what, names = about[1].rsplit(": ", 1)
        assert (what, sorted(names.split(", "))) == (f"warning: {code}: 11 more like it", list(TWELVE)[1:])
        assert ran.out.count("  hint: ") == 1, words
        # In JSON each file keeps its own finding, and each is there once.
        assert codes(keeper(*words, "--json")) == {(code, "warning"): 12}, words


def shown(*findings: Finding) -> list[str]:
    with redirect_stdout(io.StringIO()) as out:
        output.folded_text(findings)
    return out.getvalue().splitlines()


def warning(subject: str, message: str = "not named by the manifest", hint: str = "") -> Finding:
    return Finding("extra", Level.WARNING, subject, message, hint)


def test_what_differs_in_anything_but_its_subject_is_reported_whole() -> None:
    rows = [warning("a"), warning("b", "another"), warning("c", hint="do this"), warning("d"), warning("e", "another")]
    assert shown(*rows) == [
        "warning: extra: a: not named by the manifest",
        "warning: extra: b: another",
        "warning: extra: c: not named by the manifest",
        "  hint: do this",
        "warning: extra: 1 more like it: d",
        "warning: extra: 1 more like it: e",
    ]


def test_an_error_is_always_reported_whole() -> None:
    rows = [Finding("missing", Level.ERROR, name, "named by the manifest, not there") for name in "ab"]
    assert shown(*rows) == [f"error: missing: {name}: named by the manifest, not there" for name in "ab"]


def test_a_warning_with_a_place_is_reported_whole_and_notes_are_folded_by_their_places() -> None:
    """As lint does: a place in the file is what a person goes to."""
    rows = [Finding("repeated", Level.WARNING, "x", "twice", "", f"m.toml:{n}:1") for n in (1, 2)]
    rows += [Finding("own-copy", Level.NOTE, "x", f"of {n}", "", f"m.toml:{n}:9") for n in (3, 4, 5)]
    assert shown(*rows) == [
        "m.toml:1:1: warning: repeated: x: twice",
        "m.toml:2:1: warning: repeated: x: twice",
        "m.toml:3:9: note: own-copy: x: of 3",
        "note: own-copy: 2 more like it, at 4:9, 5:9",
    ]


def test_a_hostile_name_stays_in_its_line() -> None:
    assert shown(warning("a"), warning("b\x1b[2J\nerror: x"))[1:] == [
        r"warning: extra: 1 more like it: b\x1b[2J\nerror: x"
    ]
