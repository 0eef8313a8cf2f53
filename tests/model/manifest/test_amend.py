"""Filling and confirming a manifest: what may change, what must not, and what is reported."""

from __future__ import annotations

import random
import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.model.manifest.amend import (
    CONFIRM_CODES,
    FILL_CODES,
    MAX_SEQUENCE,
    AmendedValue,
    AmendReport,
    confirm,
    fill,
)
from bundlekeeper.model.manifest.checksum_list import parse
from bundlekeeper.model.manifest.digest_origin import OWN_COPY
from bundlekeeper.model.manifest.draft_rows import DraftRow, bundle_lines

ONE, TWO, THREE = "1" * 64, "2" * 64, "3" * 64
TODAY = date(2026, 11, 25)

MANIFEST = f"""\
#:schema bundlekeeper-manifest.schema.json
manifest = 1
sequence = 14   # ours

[[bundle]]      # infrastructure first
file = "a.bin"  # as published
size = ""       # REVIEW
sha256 = ""
digest_from = "publisher: a page"

[[bundle]]
  family = "blade"
  file = 'b.bin'
  sha256 = "{TWO}"

[[bundle]]
file = "c.bin"
size = 7
sha256 = "{THREE.upper()}"
digest_from = "own copy"

[[release]]
name = "6.1"    # the end
"""


def bundles(text: str) -> list[dict[str, object]]:
    return list(tomllib.loads(text)["bundle"])


def codes(report: AmendReport) -> list[tuple[str, str]]:
    return [(f.code, f.subject) for f in report.findings]


# --- fill --------------------------------------------------------------------------------------------------------


def test_empty_and_missing_values_are_filled_and_all_else_is_kept() -> None:
    text, report = fill(
        MANIFEST, [DraftRow("a.bin", ONE, 1000), DraftRow("b.bin", TWO, 2000), DraftRow("c.bin", THREE, 7)]
    )
    wanted = (
        MANIFEST.replace('size = ""       # REVIEW', "size = 1_000")
        .replace('sha256 = ""', f'sha256 = "{ONE}"')
        .replace('"publisher: a page"', '"own copy"')
        .replace("  file = 'b.bin'\n", "  file = 'b.bin'\n  size = 2_000\n")
    )
    assert text == wanted
    assert report.changes == [
        AmendedValue("a.bin", "size", "", 1000),
        AmendedValue("a.bin", "sha256", "", ONE),
        AmendedValue("a.bin", "digest_from", "publisher: a page", OWN_COPY),
        AmendedValue("b.bin", "size", None, 2000),
    ]
    assert report.agreed == ["b.bin", "c.bin"]
    assert report.findings == []


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_was_filled_is_no_longer_marked_for_review(end: str) -> None:
    """Every mark of every value that is filled goes, and nothing else that a person wrote."""
    drafted = "\n".join(
        line
        for file in ("odd.bin", "even.bin")
        for line in ["[[bundle]]", *bundle_lines(DraftRow(file), ""), 'digest_from = ""  # REVIEW: whose?', ""]
    ).replace("\n", end)
    assert drafted.count("REVIEW") == 14
    text, report = fill(drafted, [DraftRow("odd.bin", ONE, 1), DraftRow("even.bin", TWO, 2)])
    assert [c.key for c in report.changes] == ["size", "sha256", "digest_from"] * 2
    assert text.count("REVIEW") == 8
    assert [line for line in text.split(end) if not line.startswith(("family", "version", "lifecycle", "#"))] == [
        "[[bundle]]", 'file = "odd.bin"', "size = 1", f'sha256 = "{ONE}"', 'digest_from = "own copy"  # whose?', "",
        "[[bundle]]", 'file = "even.bin"', "size = 2", f'sha256 = "{TWO}"', 'digest_from = "own copy"  # whose?', "",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("# REVIEW", ""),
        ("#REVIEW", ""),
        ("# REVIEW: ", ""),
        ("# REVIEW: ask kim", "# ask kim"),
        ("# ask kim; REVIEW: twice, REVIEW: again", "# ask kim; twice, again"),
        ("# see the REVIEWERS' sheet", "# see the REVIEWERS' sheet"),
        ("# ours", "# ours"),
    ],
)
def test_only_the_mark_goes_from_a_comment(before: str, after: str) -> None:
    text, _ = fill(f'[[bundle]]\nfile = "a.bin"\nsize = ""   {before}\n', [DraftRow("a.bin", None, 7)])
    assert text == f'[[bundle]]\nfile = "a.bin"\nsize = 7{f"   {after}" if after else ""}\n'


def test_a_mark_behind_a_whole_table_stays() -> None:
    """What stands behind the brace is about the bundle, not about the value that was filled."""
    text, _ = fill('bundle = [ { file = "a.bin", size = "" } ]  # REVIEW: all\n', [DraftRow("a.bin", None, 7)])
    assert text == 'bundle = [ { file = "a.bin", size = 7 } ]  # REVIEW: all\n'


def test_a_difference_keeps_the_mark() -> None:
    drafted = '[[bundle]]\nfile = "a.bin"\nsize = 8\nsha256 = ""  # REVIEW\n'
    assert fill(drafted, [DraftRow("a.bin", ONE, 7)])[0] == drafted


def test_a_digest_that_we_computed_is_never_called_the_publishers() -> None:
    """'A digest that was computed from the very file it is meant to verify.'"""
    text, _ = fill(MANIFEST, [DraftRow("a.bin", ONE, 1)])
    assert bundles(text)[0]["digest_from"] == OWN_COPY
    text, _ = fill(MANIFEST, [DraftRow("a.bin", ONE, None)], digest_from="publisher: SHA256SUMS")
    assert bundles(text)[0]["digest_from"] == "publisher: SHA256SUMS"
    assert bundles(text)[0]["size"] == ""
    text, _ = fill('[[bundle]]\nfile = "a.bin"\n', [DraftRow("a.bin", ONE, 1)])
    assert text == f'[[bundle]]\nfile = "a.bin"\nsize = 1\nsha256 = "{ONE}"\ndigest_from = "own copy"\n'


def test_what_differs_is_reported_and_nothing_of_that_file_is_used() -> None:
    rows = [DraftRow("a.bin", ONE, 1), DraftRow("b.bin", ONE, 2), DraftRow("c.bin", THREE, 8)]
    text, report = fill(MANIFEST.replace('size = ""', "size = 99"), rows, name="m.toml")
    assert text == MANIFEST.replace('size = ""', "size = 99")
    assert report.changes == []
    assert report.agreed == []
    assert codes(report) == [("size-differs", "a.bin"), ("digest-differs", "b.bin"), ("size-differs", "c.bin")]
    assert [f.where for f in report.findings] == ["m.toml:7:8", "m.toml:14:12", "m.toml:18:8"]
    assert report.findings[1].message == f"the manifest has '{TWO}', the given file has '{ONE}'"
    assert report.findings[1].excerpt.endswith("\n" + " " * 11 + "^")
    assert all(f.hint and f.level is FILL_CODES[f.code].level for f in report.findings)


def test_files_that_are_not_there_are_added_at_the_end() -> None:
    rows = [
        DraftRow("m-rack-6.1.0.bin", ONE, 5),
        DraftRow("m-rack-6.1.0.bin.sig", TWO, 1),
        DraftRow("a.bin.sig", TWO, 1),
    ]
    text, report = fill(MANIFEST, rows)
    assert text.startswith(MANIFEST)
    assert bundles(text)[-1] == {
        "family": "rack",
        "version": "6.1.0",
        "lifecycle": "",
        "file": "m-rack-6.1.0.bin",
        "size": 5,
        "sha256": ONE,
        "digest_from": OWN_COPY,
    }
    assert report.changes == [AmendedValue("m-rack-6.1.0.bin", "bundle", None, "m-rack-6.1.0.bin")]
    again, second = fill(text, rows)
    assert again == text
    assert second.changes == []


def test_one_name_with_different_bytes_is_not_used() -> None:
    text, report = fill(MANIFEST, [DraftRow("a.bin", ONE, 1), DraftRow("a.bin", ONE, 1), DraftRow("a.bin", TWO, None)])
    assert text == MANIFEST
    assert codes(report) == [("given-twice", "a.bin")]
    assert (
        report.findings[0].message == f"it was given more than once: SHA-256 {ONE}, size 1, SHA-256 {TWO}, size unknown"
    )


def test_every_bundle_of_that_name_is_filled() -> None:
    text, report = fill('[[bundle]]\nfile = "a"\n[[bundle]]\nfile = "a"\n', [DraftRow("a", ONE, 1)])
    assert [b["sha256"] for b in bundles(text)] == [ONE, ONE]
    assert len(report.changes) == 6


@pytest.mark.parametrize("text", ["bundle = 1", "bundle = [1]", "[bundle]\nfile = 'a'", "bundle = ["])
def test_texts_that_cannot_be_amended(text: str) -> None:
    with pytest.raises(InputError) as caught:
        fill(text, [DraftRow("a", ONE, 1)])
    assert caught.value.hint
    with pytest.raises(InputError):
        confirm(text, parse(f"{ONE}  a".encode(), name="S"), source="s", today=TODAY)


# --- confirm -----------------------------------------------------------------------------------------------------


def confirmed(text: str, listed: str, source: str = "publisher: SUMS") -> tuple[str, AmendReport]:
    return confirm(text, parse(listed.encode(), name="SUMS"), source=source, today=TODAY, name="m.toml")


def test_equal_digests_are_confirmed_and_the_manifest_is_a_new_issue() -> None:
    text, report = confirmed(MANIFEST, f"{TWO}  b.bin\nSHA256 (./c.bin) = {THREE}\n{ONE}  other.bin\n")
    source = '"publisher: SUMS, 2026-11-25"'
    wanted = (
        MANIFEST.replace("sequence = 14 ", "sequence = 15 ")
        .replace(f'  sha256 = "{TWO}"\n', f'  sha256 = "{TWO}"\n  digest_from = {source}\n')
        .replace('"own copy"', source)
    )
    assert text == wanted
    assert report.agreed == ["b.bin", "c.bin"]
    assert report.changes[-1] == AmendedValue("manifest", "sequence", 14, 15)
    assert codes(report) == [("no-digest", "a.bin")]


def test_confirming_again_changes_nothing() -> None:
    listed = f"{TWO}  b.bin\n{THREE}  c.bin\n"
    first, _ = confirmed(MANIFEST, listed, "publisher: SUMS, 2026-11-25")
    second, report = confirmed(first, listed)
    assert second == first
    assert report.changes == []
    assert report.agreed == ["b.bin", "c.bin"]


def test_what_cannot_be_confirmed_is_reported_and_not_changed() -> None:
    listed = f"{ONE}  b.bin\nSHA512 (c.bin) = {THREE * 2}\n"
    text, report = confirmed(MANIFEST + f'\n[[bundle]]\nfile = "d.bin"\nsha256 = "{ONE}"\n', listed)
    assert text.startswith(MANIFEST)
    assert report.changes == []
    assert codes(report) == [
        ("no-digest", "a.bin"),
        ("digest-differs", "b.bin"),
        ("other-algorithm", "c.bin"),
        ("not-in-list", "d.bin"),
    ]
    assert [f.where for f in report.findings] == ["m.toml:8:10", "m.toml:14:12", "SUMS:2:1", "m.toml:26:8"]
    assert report.findings[1].message == f"the manifest has '{TWO}', SUMS has {ONE}"
    assert "SHA512" in report.findings[2].message
    assert all(f.hint and f.level is CONFIRM_CODES[f.code].level for f in report.findings)


def test_two_digests_for_one_name_confirm_nothing() -> None:
    text, report = confirmed(MANIFEST, f"{TWO}  b.bin\n{ONE}  b.bin\n{THREE}  c.bin\n{THREE}  c.bin\n")
    assert ("listed-twice", "b.bin") in codes(report)
    assert report.agreed == ["c.bin"]
    assert "digest_from" not in bundles(text)[1]


def test_the_whole_name_goes_before_its_last_part() -> None:
    _, report = confirmed(MANIFEST, f"{ONE}  old/b.bin\n{TWO}  b.bin\n{THREE}  6.1/c.bin\n")
    assert report.agreed == ["b.bin", "c.bin"]


@pytest.mark.parametrize("sequence", ["", "sequence = 1.5", "sequence = true", "sequence = -1", "sequence = '3'"])
def test_a_sequence_that_cannot_go_up(sequence: str) -> None:
    text = MANIFEST.replace("sequence = 14   # ours", sequence)
    with pytest.raises(InputError, match="sequence is not a number that can go up"):
        confirmed(text, f"{TWO}  b.bin\n")
    same, _ = confirmed(text, f"{ONE}  b.bin\n")
    assert same == text
    with pytest.raises(InputError):
        confirmed(text.replace(sequence or "manifest", f"sequence = {MAX_SEQUENCE}\nmanifest", 1), f"{TWO}  b.bin\n")


@pytest.mark.parametrize(
    "bundle", ["", "file = 1", "file = 'a'", "file = 'a'\nsha256 = 1", f"sha256 = '{ONE}'", "file = 'a'\nsha256 = ''"]
)
def test_bundles_without_a_name_or_digest(bundle: str) -> None:
    text, report = confirmed(f"[[bundle]]\n{bundle}\n", f"{ONE}  a\n")
    assert text == f"[[bundle]]\n{bundle}\n"
    assert [f.code for f in report.findings] == ["no-digest"]


# --- properties --------------------------------------------------------------------------------------------------

names = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)


@given(st.dictionaries(names, st.integers(0, 2**40), max_size=4), st.sampled_from(["\n", "\r\n"]))
def test_fill_then_confirm_keeps_every_line_and_reads_back(files: dict[str, int], newline: str) -> None:
    """'Keeps every comment and byte elsewhere': each old line is still there, in order; new values read back."""
    text = MANIFEST.replace("\n", newline)
    filled, report = fill(text, [DraftRow(name, TWO, size) for name, size in files.items() if name[-4:] != ".sig"])
    assert filled.startswith(text)
    assert filled.count("\n") == filled.count(newline)
    assert [b["file"] for b in bundles(filled)[3:]] == [c.subject for c in report.changes]
    after, _ = confirmed(filled, f"{TWO}  b.bin\n")
    assert [line for line in after.split(newline) if "digest_from = " not in line and "sequence" not in line] == [
        line for line in filled.split(newline) if "digest_from = " not in line and "sequence" not in line
    ]


def test_only_our_own_errors_come_out_of_damaged_manifests() -> None:
    """Style 7: 'A test throws seeded mutations of valid input at each parser' (seed 26)."""
    rng = random.Random(26)
    listed = parse(f"{TWO}  b.bin\n{THREE}  c.bin\n".encode(), name="S")
    amended = 0
    for _ in range(1500):
        text = MANIFEST
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(len(text))
            text = (
                text[:at] + rng.choice(["", '"', "'", "[", "]", "\n", "=", ".", "#", "1", "{", "\r\n"]) + text[at + 1 :]
            )
        try:
            fill(text, [DraftRow("a.bin", ONE, 1), DraftRow("b.bin", TWO, 2), DraftRow("new", THREE, 3)])
            confirm(text, listed, source="publisher: S", today=TODAY)
            amended += 1
        except InputError as error:
            assert error.hint
    assert 200 < amended < 1400
