"""Amends a manifest's text: fills in what is empty, and confirms its digests by the publisher's own list.

Rules: a digest or a size that is there is never overwritten, a difference is reported; nothing is used of a file that
contradicts what is there; a digest that we computed is always marked 'own copy', whatever was there before; only an
equal digest in a publisher's list that differs nowhere removes that mark, and then `sequence` goes up, because the
manifest is a new issue (RFC 9124's monotonic sequence number). Comments and layout stay (`formats.toml_edit`), except
the mark REVIEW beside a value that was set.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Finding, Level
from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_edit import Edit
from bundlekeeper.model.manifest.checksum_list import ChecksumLine, ChecksumList
from bundlekeeper.model.manifest.digest_origin import OWN_COPY
from bundlekeeper.model.manifest.draft_rows import (
    LIST_ENTRY_CODES,
    REVIEW,
    REVIEWS,
    DraftRow,
    bundle_lines,
    one_digest,
    split_signatures,
)

_E, _W = Level.ERROR, Level.WARNING
MAX_SEQUENCE = 2**63 - 1  # as model.manifest has it

#: What `fill` may find.
FILL_CODES: dict[str, Code] = {
    "digest-differs": Code(_E, "the manifest's digest is not that of the given file or list"),
    "size-differs": Code(_E, "the manifest's size is not that of the given file"),
    "given-twice": Code(_E, "two files of one name and different bytes were given"),
}

#: What `confirm` may find.
CONFIRM_CODES: dict[str, Code] = {
    "digest-differs": FILL_CODES["digest-differs"],
    "no-digest": Code(_E, "the manifest has no digest for the file, so there is nothing to confirm"),
    "not-in-list": Code(_W, "the publisher's list does not name the file"),
    **LIST_ENTRY_CODES,
}

_CODES = {**FILL_CODES, **CONFIRM_CODES}


@dataclass(frozen=True, slots=True)
class AmendedValue:
    """One value that was set, or (`key` is 'bundle') one table that was added. `subject` is a file or 'manifest'."""

    subject: str
    key: str
    old: str | int | None
    new: str | int


@dataclass(slots=True)
class AmendReport:
    """What was changed, which files' digests agreed, and what was found."""

    changes: list[AmendedValue] = field(default_factory=list)
    agreed: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def fill(
    text: str, entries: Iterable[DraftRow], *, digest_from: str = OWN_COPY, name: str = "manifest"
) -> tuple[str, AmendReport]:
    """Fill missing or empty `sha256`, `size` and `digest_from` of the bundles that `entries` name; add the others.

    `digest_from` is for the entries that do not name their own. `name` is the manifest's file name for the findings.
    Raises InputError when the text is not TOML, has bundles that are no tables, or a name cannot be written.
    """
    work = _Amend(text, name)
    rows, work.report.findings = consistent(entries)
    given, signatures = split_signatures(rows, work.by_file)
    for entry in given:
        places = work.by_file.get(entry.file, [])
        for index in places:
            _fill_bundle(work, index, entry, entry.digest_from or digest_from)
        if not places:
            work.edit.add("bundle", bundle_lines(entry, digest_from, signatures.get(entry.file)))
            work.report.changes.append(AmendedValue(entry.file, "bundle", None, entry.file))
    return work.edit.result(), work.report


class _Amend:
    """A manifest's text under change, its bundles, and the report about it."""

    def __init__(self, text: str, name: str) -> None:
        self.edit = Edit(text, name=name)
        self.report = AmendReport()
        bundles = self.edit.data.get("bundle", [])
        if not isinstance(bundles, list) or not all(isinstance(b, dict) for b in bundles):
            raise InputError(
                "bundle is not an array of tables", hint="write [[bundle]]; manifest lint shows more", where=name
            )
        self.bundles: list[dict[str, Any]] = bundles
        self.by_file: dict[str, list[int]] = {}
        for index, bundle in enumerate(bundles):
            if isinstance(bundle.get("file"), str):
                self.by_file.setdefault(bundle["file"], []).append(index)

    def put(self, index: int, key: str, value: str | int) -> None:
        """Set a key of a bundle and report it, with no REVIEW beside it; a new key goes below `sha256` or `file`."""
        bundle = self.bundles[index]
        after = "sha256" if key == "digest_from" and "sha256" in bundle else "file"
        comment = _reviewed(key, self.edit.comment(("bundle", index, key))) if key in bundle else None
        self.edit.put(("bundle", index), key, value, after=after, comment=comment)
        self.report.changes.append(AmendedValue(bundle["file"], key, bundle.get(key), value))

    def find(self, code: str, index: int, key: str, message: str, hint: str) -> None:
        """Report something about a key of a bundle, or about the bundle where the key is missing."""
        bundle = self.bundles[index]
        path = ("bundle", index, key) if key in bundle else ("bundle", index)
        where, excerpt = self.edit.where(path)
        subject = bundle["file"] if isinstance(bundle.get("file"), str) else f"bundle[{index}]"
        self.report.findings.append(Finding(code, _CODES[code].level, subject, message, hint, where, excerpt))


def _reviewed(key: str, comment: str) -> str:
    """The comment without the mark for review and without what a draft wrote behind it; a person's own words stay."""
    blanks, _, words = comment.partition("#")
    left = re.sub(
        rf"\b{REVIEW}\b:?[ \t]*", "", words.replace(f"{REVIEW}: {REVIEWS[key]}", "") if key in REVIEWS else words
    )
    if left == words:
        return comment
    return f"{blanks}# {left.strip()}" if left.strip() else ""


def consistent(entries: Iterable[DraftRow]) -> tuple[list[DraftRow], list[Finding]]:
    """One entry for each name; names that came with different bytes are left out, and the findings about them."""
    findings: list[Finding] = []
    by_name: dict[str, list[DraftRow]] = {}
    for entry in entries:
        rows = by_name.setdefault(entry.file, [])
        if entry not in rows:
            rows.append(entry)
    for file, rows in by_name.items():
        if len(rows) > 1:
            message = "it was given more than once: " + ", ".join(
                f"SHA-256 {row.sha256 or 'unknown'}, size {'unknown' if row.size_bytes is None else row.size_bytes}"
                for row in rows
            )
            level = _CODES["given-twice"].level
            findings.append(Finding("given-twice", level, file, message, "give the one that is meant"))
    return [rows[0] for rows in by_name.values() if len(rows) == 1], findings


def _fill_bundle(work: _Amend, index: int, entry: DraftRow, digest_from: str) -> None:
    bundle = work.bundles[index]
    digest, size = bundle.get("sha256"), bundle.get("size")
    if not _contradicted(work, index, entry):
        if size in (None, "") and entry.size_bytes is not None:
            work.put(index, "size", entry.size_bytes)
        if digest in (None, "") and entry.sha256 is not None:
            work.put(index, "sha256", entry.sha256)
            if bundle.get("digest_from") != digest_from:
                work.put(index, "digest_from", digest_from)
        elif digest not in (None, ""):
            work.report.agreed.append(entry.file)


def _contradicted(work: _Amend, index: int, entry: DraftRow) -> bool:
    """True, and reported, when the bundle and the entry have different values."""
    bundle = work.bundles[index]
    digest, size = bundle.get("sha256"), bundle.get("size")
    differing: list[tuple[str, str, object, object]] = []
    if digest not in (None, "") and entry.sha256 is not None and not _same(digest, entry.sha256):
        differing.append(("digest-differs", "sha256", digest, entry.sha256))
    if size not in (None, "") and entry.size_bytes is not None and size != entry.size_bytes:
        differing.append(("size-differs", "size", size, entry.size_bytes))
    for code, key, old, new in differing:
        work.find(
            code,
            index,
            key,
            f"the manifest has {shown(old)}, the given file has {shown(new)}",
            "nothing of the file was used: find out which is right; delete the manifest's value to have it filled",
        )
    return bool(differing)


def _same(digest: object, other: str) -> bool:
    return isinstance(digest, str) and digest.lower() == other.lower()


def confirm(
    text: str, listed: ChecksumList, *, source: str, today: date, name: str = "manifest"
) -> tuple[str, AmendReport]:
    """Compare each bundle's digest with the publisher's list; where they are equal, `digest_from` becomes `source`.

    One digest that differs puts the whole list in doubt: nothing is confirmed by it. The day is added to `source` where
    it does not name it already. When anything changed, `sequence` goes up by one.
    `name` is the manifest's file name for the findings. Raises InputError when the text is not TOML, has bundles that
    are no tables, or `sequence` is no number that can go up, and for a `source` that is blank or 'own copy'.
    """
    if not source.strip() or source.strip().casefold().startswith(OWN_COPY):
        hint = 'name the publisher\'s list and how you got it: "publisher: SHA256SUMS from the support desk"'
        raise InputError(f"{shown(source)} does not name a publisher's list", hint=hint)
    work = _Amend(text, name)
    message = source if today.isoformat() in source else f"{source}, {today.isoformat()}"
    lines = listed.by_base_name()
    agreed: list[int] = []
    disputed = False
    for index, bundle in enumerate(work.bundles):
        digest = _listed_digest(work, index, listed, lines)
        if digest is None:
            continue
        if _same(bundle["sha256"], digest):
            agreed.append(index)
            work.report.agreed.append(bundle["file"])
        else:
            disputed = True
            work.find(
                "digest-differs",
                index,
                "sha256",
                f"the manifest has {shown(bundle['sha256'])}, {listed.name} has {digest}",
                "nothing was changed: the file, the manifest or the list is not the right one; find out which",
            )
    for index in () if disputed else agreed:
        if work.bundles[index].get("digest_from") != message:
            work.put(index, "digest_from", message)
    if work.edit.changed:
        _raise_sequence(work)
    return work.edit.result(), work.report


def _listed_digest(work: _Amend, index: int, listed: ChecksumList, lines: dict[str, list[ChecksumLine]]) -> str | None:
    """The list's digest for a bundle that has one to compare; None, and reported, where that can't be."""
    bundle = work.bundles[index]
    file, digest = bundle.get("file"), bundle.get("sha256")
    if not isinstance(file, str) or not isinstance(digest, str) or not digest:
        key = "sha256" if isinstance(file, str) else "file"
        work.find(
            "no-digest",
            index,
            key,
            f"the bundle has no {key} to compare with the list",
            "fill it in with manifest draft --into, or from the publisher's page",
        )
        return None
    named = lines.get(file, [])
    exact = [line for line in named if line.file.removeprefix("./") == file]
    if not named:
        work.find(
            "not-in-list",
            index,
            "file",
            f"{listed.name} does not name it",
            "get the list that the publisher gives for this file; its digest stays as it is",
        )
        return None
    found, problem = one_digest(listed, file, exact or named)
    if problem is not None:
        work.report.findings.append(problem)
    return found


def _raise_sequence(work: _Amend) -> None:
    old = work.edit.data.get("sequence")
    if not isinstance(old, int) or isinstance(old, bool) or not 0 <= old < MAX_SEQUENCE:
        raise InputError(
            "sequence is not a number that can go up, so the confirmed manifest cannot be a new issue",
            hint="write sequence = 1, or the number of the issue",
            where=work.edit.source.name,
        )
    work.edit.put((), "sequence", old + 1, after="sequence")
    work.report.changes.append(AmendedValue("manifest", "sequence", old, old + 1))
