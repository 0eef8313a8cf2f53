"""Joins several checksum lists and the given files for one draft.

Rules: every digest keeps the name of its list; where lists contradict each other or themselves, and where two files of
one name differ, no digest is used and the entry is marked for review; a file that no list names is left out where
lists are given, because its digest would look like the publisher's.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bundlekeeper.findings import Finding
from bundlekeeper.model.manifest.amend import CONFIRM_CODES, FILL_CODES, consistent
from bundlekeeper.model.manifest.checksum_list import ChecksumList
from bundlekeeper.model.manifest.digest_origin import OWN_COPY
from bundlekeeper.model.manifest.draft_rows import DraftRow, entries_from_list, split_signatures

_CODES = {**FILL_CODES, **CONFIRM_CODES}


def merge(lists: Sequence[ChecksumList], own: Iterable[DraftRow]) -> tuple[list[DraftRow], list[Finding]]:
    """Entries for a draft from `lists` and from given files (`own`, digests computed from them), and findings.

    Raises InputError for file names that are not UTF-8.
    """
    files = list(own)
    stored, found = consistent(replace(entry, digest_from=OWN_COPY) for entry in files)
    stored_names = {entry.file for entry in stored}
    doubtful = [name for name in dict.fromkeys(entry.file for entry in files) if name not in stored_names]
    if not lists:
        return [*stored, *map(DraftRow, doubtful)], found
    merged, problems = _listed(lists)
    found += problems
    bundles, signatures = split_signatures(stored, merged)
    for entry in bundles:
        found += _compared(merged, entry)
    for name in doubtful:
        merged.setdefault(name, DraftRow(name))
    beside = set(signatures.values())
    return [*merged.values(), *(entry for entry in stored if entry.file in beside)], found


def _listed(lists: Sequence[ChecksumList]) -> tuple[dict[str, DraftRow], list[Finding]]:
    """The entries of all lists, by file; a file with two digests gets none."""
    merged: dict[str, DraftRow] = {}
    found: list[Finding] = []
    contradicted: dict[str, None] = {}
    first_list: dict[str, str] = {}
    for listed in lists:
        entries, problems = entries_from_list(listed)
        found += problems
        contradicted.update((finding.subject, None) for finding in problems if finding.code == "listed-twice")
        for entry in entries:
            first = merged.setdefault(entry.file, entry)
            name = first_list.setdefault(entry.file, listed.name)
            if first != entry:
                message = f"{name} has {first.sha256}, {listed.name} has {entry.sha256}"
                hint = "find out which list is right; neither digest is used"
                found.append(_finding("listed-twice", entry.file, message, hint))
                contradicted[entry.file] = None
    merged.update((file, DraftRow(file)) for file in contradicted)
    return merged, found


def _compared(merged: dict[str, DraftRow], entry: DraftRow) -> list[Finding]:
    """Compare a file with its entry of the lists; where they agree the entry gets the file's size."""
    in_list = merged.get(entry.file)
    if in_list is None:
        hint = "draft it without a list, or get the list that has its SHA-256"
        return [_finding("not-in-list", entry.file, "no list has a SHA-256 digest for it; it is left out", hint)]
    if in_list.sha256 is None:  # reported already
        return []
    if in_list.sha256 != entry.sha256:
        message = f"the file's SHA-256 is {entry.sha256}, the list has {in_list.sha256}"
        hint = "find out which one is not the right one: the file or the list"
        return [_finding("digest-differs", entry.file, message, hint)]
    merged[entry.file] = replace(in_list, size_bytes=entry.size_bytes)
    return []


def _finding(code: str, subject: str, message: str, hint: str) -> Finding:
    return Finding(code, _CODES[code].level, subject, message, hint)
