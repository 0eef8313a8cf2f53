"""Wherever a draft, a filling or a confirming meets several of a kind, the second counts as the first does."""

from __future__ import annotations

import tomllib
from datetime import date

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.model.manifest.amend import AmendReport, confirm, fill
from bundlekeeper.model.manifest.checksum_list import ChecksumList, parse
from bundlekeeper.model.manifest.draft import draft
from bundlekeeper.model.manifest.draft_rows import DraftRow, entries_from_list, split_signatures
from bundlekeeper.model.manifest.merge_lists import merge

ONE, TWO, THREE = "1" * 64, "2" * 64, "3" * 64
TODAY = date(2026, 11, 25)


def codes_and_subjects(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(f.code, f.subject) for f in findings]


def listed(text: str, name: str = "SUMS") -> ChecksumList:
    return parse(text.encode(), name=name)


def bundles(*rows: tuple[str, str, int]) -> str:
    return "sequence = 1\n" + "".join(
        f'[[bundle]]\nfile = "{file}"\nsize = {size}\nsha256 = "{digest}"\n' for file, digest, size in rows
    )


# --- draft --------------------------------------------------------------------------------------------------------


def test_a_draft_names_the_second_source_and_warns_of_an_own_copy_wherever_it_comes() -> None:
    rows = [DraftRow("a.bin", ONE, 1, "publisher: SUMS"), DraftRow("b.bin", TWO, 1, "own copy")]
    for entries in (rows, rows[::-1]):
        text = draft(entries, platform="marram", issued=TODAY, digest_from="")
        assert "publisher: SUMS" in text.split("\n")[1]
        assert "the files themselves" in text.split("\n")[1]
        assert "cannot verify that file" in text


def test_the_example_release_has_the_newest_version_of_every_family_of_the_files() -> None:
    names = ["marram-blade-6.0.1.bin", "marram-blade-6.1.0.bin", "marram-infrastructure-6.0.9.bin"]
    text = draft([DraftRow(n, ONE, 1) for n in names], platform="marram", issued=TODAY, digest_from="own copy")
    assert '# infrastructure = "6.0.9"\n# blade = "6.1.0"\n# source' in text


def test_the_second_signature_is_no_bundle_either() -> None:
    rows, signatures = split_signatures([DraftRow(n) for n in ("a", "a.sig", "b", "b.asc", "c")])
    assert [e.file for e in rows] == ["a", "b", "c"]
    assert signatures == {"a": "a.sig", "b": "b.asc"}


# --- lists --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("digests", [(ONE, ONE, TWO), (ONE, TWO, ONE), (TWO, ONE, ONE), (ONE, TWO, THREE)])
def test_a_third_line_may_contradict_the_first_two(digests: tuple[str, ...]) -> None:
    rows, found = entries_from_list(listed("".join(f"{d}  {n}/a.bin\n" for n, d in enumerate(digests))))
    assert rows == []
    assert codes_and_subjects(found) == [("listed-twice", "a.bin")]


def test_every_other_algorithm_of_a_file_and_every_such_file_is_named() -> None:
    text = "".join(f"MD5 ({n}) = {'c' * 32}\nSHA1 ({n}) = {'d' * 40}\n" for n in ("a.bin", "b.bin"))
    rows, found = entries_from_list(listed(text))
    assert rows == []
    assert codes_and_subjects(found) == [("other-algorithm", "a.bin"), ("other-algorithm", "b.bin")]
    assert all("MD5 and SHA1" in f.message for f in found)


def test_every_bad_line_is_reported() -> None:
    with pytest.raises(InputError) as caught:
        listed(f"{ONE}\nx\n{ONE}  a\n{TWO[1:]}  b\n")
    assert [p.subject for p in caught.value.problems] == ["line 1", "line 2", "line 4"]


def test_a_third_list_is_compared_with_the_first_and_a_second_file_with_its_list() -> None:
    lists = [listed(f"{ONE}  a\n", "A"), listed(f"{TWO}  b\n", "B"), listed(f"{TWO}  a\n{THREE}  c\n", "C")]
    entries, found = merge(lists, [DraftRow("b", TWO, 2), DraftRow("c", ONE, 3)])
    assert [(e.file, e.sha256, e.size_bytes, e.digest_from) for e in entries] == [
        ("a", None, None, ""),
        ("b", TWO, 2, "publisher: B"),
        ("c", THREE, None, "publisher: C"),
    ]
    assert codes_and_subjects(found) == [("listed-twice", "a"), ("digest-differs", "c")]


def test_every_file_that_came_with_different_bytes_is_left_to_review_with_lists_and_without() -> None:
    files = [DraftRow(name, digest, 1) for name in ("a", "b") for digest in (ONE, TWO)]
    for lists in ([], [listed(f"{ONE}  x\n")]):
        entries, found = merge(lists, files)
        assert [e for e in entries if e.file != "x"] == [DraftRow("a"), DraftRow("b")]
        assert codes_and_subjects(found) == [("given-twice", "a"), ("given-twice", "b")]


def test_every_problem_of_every_list_is_reported() -> None:
    text = f"{ONE}  a\n{TWO}  old/a\n{ONE}  b\n{TWO}  old/b\n"
    entries, found = merge([listed(text, "A"), listed(text.replace("a\n", "c\n"), "B")], [])
    assert codes_and_subjects(found) == [("listed-twice", name) for name in "abcb"]
    assert all(e.sha256 is None for e in entries)


# --- fill and confirm ---------------------------------------------------------------------------------------------


def done(pair: tuple[str, AmendReport]) -> tuple[list[dict[str, object]], list[tuple[str, str]]]:
    return tomllib.loads(pair[0])["bundle"], codes_and_subjects(pair[1].findings)


def test_every_bundle_of_one_file_is_filled_and_every_difference_reported() -> None:
    rows, found = done(fill('[[bundle]]\nfile = "a"\n[[bundle]]\nfile = "a"\n', [DraftRow("a", ONE, 1)]))
    assert (rows, found) == ([{"file": "a", "size": 1, "sha256": ONE, "digest_from": "own copy"}] * 2, [])
    text = bundles(("a", ONE, 1), ("a", ONE, 1))
    _, found = done(fill(text, [DraftRow("a", TWO, 2)]))
    assert found == [("digest-differs", "a"), ("size-differs", "a")] * 2


def test_all_that_were_given_under_one_name_are_named() -> None:
    _, report = fill("", [DraftRow("a", digest, 1) for digest in (ONE, TWO, THREE)])
    assert all(digest in report.findings[0].message for digest in (ONE, TWO, THREE))


def test_the_second_bundle_is_confirmed() -> None:
    text = bundles(("a", ONE, 1), ("b", TWO, 1), ("c", ONE, 1))
    rows, found = done(confirm(text, listed(f"{ONE}  a\n{TWO}  b\n"), source="publisher: page", today=TODAY))
    assert ["digest_from" in row for row in rows] == [True, True, False]
    assert found == [("not-in-list", "c")]


def test_a_list_that_one_digest_disputes_confirms_nothing_and_every_difference_is_reported() -> None:
    """Who changed one line of a list could change any: the others are not confirmed by it."""
    text = bundles(("a", ONE, 1), ("b", TWO, 1), ("c", ONE, 1), ("d", ONE, 1))
    sums = listed(f"{ONE}  a\n{TWO}  b\n{TWO}  c\n{TWO}  d\n")
    after, report = confirm(text, sums, source="publisher: page", today=TODAY)
    assert (after, report.changes, report.agreed) == (text, [], ["a", "b"])
    assert codes_and_subjects(report.findings) == [("digest-differs", "c"), ("digest-differs", "d")]
