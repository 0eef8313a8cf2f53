"""What file names say of themselves, and what they do not. That they carry family and version is common practice."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.model.manifest.checksum_list import parse
from bundlekeeper.model.manifest.draft_rows import (
    LIST_ENTRY_CODES,
    DraftRow,
    bundle_lines,
    entries_from_list,
    in_order,
    split_signatures,
)
from bundlekeeper.model.manifest.name_guesses import guess_family, guess_version

ONE, TWO = "a" * 64, "b" * 64


@pytest.mark.parametrize(
    ("file", "family", "version"),
    [
        ("marram-infrastructure-6.1.0.bin", "infrastructure", "6.1.0"),
        ("marram-blade-6.1.0-p2.bin", "blade", "6.1.0-p2"),
        ("Marram_RACK_managed_5.4.10a.bin", "rack", "5.4.10a"),
        ("marram.blade.6.1.0.bin", "blade", "6.1.0"),
        ("marram-blade-v6.1.bin", "blade", "6.1"),
        ("marram-blade-6.1.0-beta.bin", "blade", "6.1.0-beta"),
        ("marram-blade-6.1.0-RC1-firmware.bin", "blade", "6.1.0-RC1"),
        ("marram-blade-5.4.2-to-6.1.0.bin", "blade", None),
        ("Tern-2-blade-6.1.0", "blade", "6.1.0"),
        ("marram-blade-6.1.0.7z", "blade", "6.1.0"),
        ("marram-blade-6.1.0.tar.gz", "blade", "6.1.0"),
        # what the name does not say plainly is unknown
        ("marram-6.1.0.bin", None, "6.1.0"),
        ("blade-rack-6.1.0.bin", None, "6.1.0"),
        ("bladerunner-6.1.0.bin", None, "6.1.0"),
        ("Tern-4-blade.bin", "blade", None),
        ("blade-6.bin", "blade", None),
        ("blade-6.1.0-hf1.bin", "blade", None),
        ("blade-6.1.0-Tern-2.bin", "blade", None),
        ("blade-6.1.0-p2x.bin", "blade", None),
        ("blade-6.1.0.1b2.bin", "blade", None),
        ("blade-6.1.0-20260801.bin", "blade", None),
        ("blade-٦.١.bin", "blade", None),
        (f"blade-{'1' * 200}.{'1' * 40}.bin", "blade", None),
        ("", None, None),
    ],
)
def test_guesses(file: str, family: str | None, version: str | None) -> None:
    assert (guess_family(file), guess_version(file)) == (family, version)


@given(st.text(max_size=60))
def test_a_guess_is_a_piece_of_the_name(file: str) -> None:
    """'Never an invented value': what is guessed is a part of the name."""
    version, family = guess_version(file), guess_family(file)
    assert version is None or version in file
    assert family is None or family in file.casefold()


def test_entries_of_a_list() -> None:
    listed = parse(
        f"{ONE}  pool/a.bin\n{ONE} *./a.bin\n{TWO}  b.bin\n{ONE}  c.bin\n{TWO}  old/c.bin\n"
        f"MD5 (d.bin) = {'c' * 32}\nSHA512 (d.bin) = {'c' * 128}\nSHA1 (b.bin) = {'d' * 40}\n".encode(),
        name="SUMS",
    )
    rows, findings = entries_from_list(listed)
    assert rows == [DraftRow("a.bin", ONE), DraftRow("b.bin", TWO)]
    assert [(f.code, f.subject, f.where) for f in findings] == [
        ("listed-twice", "c.bin", "SUMS:5:1"),
        ("other-algorithm", "d.bin", "SUMS:6:1"),
    ]
    assert findings[0].message == f"line 4 has {ONE}, line 5 has {TWO}"
    assert findings[1].message == "the list has no SHA-256 digest for it, only MD5 and SHA512"
    assert all(f.hint and f.level is LIST_ENTRY_CODES[f.code].level for f in findings)


def test_signatures_are_no_bundles() -> None:
    rows = [DraftRow(name) for name in ("a.bin", "a.bin.sig", "b.bin.asc", "c.bin.minisig")]
    bundles, signatures = split_signatures(rows, known=["c.bin"])
    assert [e.file for e in bundles] == ["a.bin", "b.bin.asc"]
    assert signatures == {"a.bin": "a.bin.sig", "c.bin": "c.bin.minisig"}


def test_names_that_are_no_utf8_are_all_reported_at_once() -> None:
    with pytest.raises(InputError) as caught:
        split_signatures([DraftRow("a\udcff"), DraftRow("b"), DraftRow("c\udc80")])
    assert [p.subject for p in caught.value.problems] == ["a\udcff", "c\udc80"]


def test_order_is_by_family_then_version() -> None:
    names = ["x-2.0", "rack-2.10.bin", "rack-2.9.bin", "blade.bin", "blade-6.1.bin", "infrastructure-1.0.bin"]
    assert [e.file for e in in_order(DraftRow(n) for n in names)] == [
        "infrastructure-1.0.bin",
        "blade-6.1.bin",
        "blade.bin",
        "rack-2.9.bin",
        "rack-2.10.bin",
        "x-2.0",
    ]


def test_lines_of_a_bundle() -> None:
    data = tomllib.loads("\n".join(bundle_lines(DraftRow("m-rack-6.1.0.bin", ONE, 0), "own copy", 'm".sig')))
    assert data == {
        "family": "rack",
        "version": "6.1.0",
        "lifecycle": "",
        "file": "m-rack-6.1.0.bin",
        "size": 0,
        "sha256": ONE,
        "digest_from": "own copy",
    }
    lines = bundle_lines(DraftRow("odd.bin"), "own copy")
    assert tomllib.loads("\n".join(lines)) == {
        "family": "", "version": "", "lifecycle": "", "file": "odd.bin", "size": "", "sha256": ""
    }  # fmt: skip
    assert sum("# REVIEW" in line for line in lines) == 6
