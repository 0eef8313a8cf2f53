"""Drafts a first manifest from files or a publisher's list; also exports what fills and confirms one.

Rules: a draft is made to be reviewed: what the files do not give is an empty value with REVIEW beside it, which lint
refuses at its place, and what was guessed from a file's name has REVIEW beside it; what only release notes can state
(releases, jumps, compatible versions) is drafted as a comment only; the same input gives the same text.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from bundlekeeper.errors import InputError
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.toml_edit import basic_string
from bundlekeeper.model.manifest.amend import CONFIRM_CODES, FILL_CODES, AmendReport, confirm, fill
from bundlekeeper.model.manifest.digest_origin import OWN_COPY
from bundlekeeper.model.manifest.draft_rows import (
    DraftRow,
    bundle_lines,
    entries_from_list,
    in_order,
    publisher,
    split_signatures,
)
from bundlekeeper.model.manifest.name_guesses import guess_family, guess_version
from bundlekeeper.model.vocabulary import FAMILIES

__all__ = [
    "CONFIRM_CODES",
    "FILL_CODES",
    "OWN_COPY",
    "AmendReport",
    "DraftRow",
    "confirm",
    "draft",
    "entries_from_list",
    "fill",
    "publisher",
]

_PLATFORM = "  # REVIEW: small letters, digits and hyphens; the same in every manifest of a store"
SCHEMA_LINE = "#:schema bundlekeeper-manifest.schema.json"


def draft(entries: Iterable[DraftRow], *, platform: str, issued: date, digest_from: str, sequence: int = 1) -> str:
    """A first manifest, as text with LF line ends, that lists each entry as a bundle and marks what to review.

    `digest_from` is `OWN_COPY` for digests computed from the files, `publisher(list)` for those of a list; it is for
    every entry that does not name its own. Raises InputError when there is no entry, and for names and texts that TOML
    cannot have.
    """
    bundles, signatures = split_signatures(entries)
    if not bundles:
        raise InputError("there is nothing to draft a manifest from", hint="give files, or a list that names some")
    sources = list(dict.fromkeys(entry.digest_from or digest_from for entry in bundles if entry.sha256))
    guessed = {guess_family(entry.file) for entry in bundles}
    families = [family for family in FAMILIES if family in guessed]
    blocks = [_head(platform, issued, sequence, sources or [digest_from], families)]
    blocks += [
        ["[[bundle]]", *bundle_lines(entry, digest_from, signatures.get(entry.file))] for entry in in_order(bundles)
    ]
    blocks.append(_tail(bundles))
    return "\n".join("\n".join(block) + "\n" for block in blocks)


def _head(platform: str, issued: date, sequence: int, sources: list[str], families: Iterable[str]) -> list[str]:
    own = OWN_COPY in sources
    source = " and ".join("the files themselves" if origin == OWN_COPY else visible(origin) for origin in sources)
    lines = [
        SCHEMA_LINE,
        f"# A first draft, from {source}. Review every line before you rely on it.",
        '# What could not be known is "" with REVIEW beside it; `bundlekeeper manifest lint` points at each.',
        "# What was guessed from a file's name has REVIEW beside it, too: lint cannot know whether it is right.",
    ]
    if own:
        lines += [
            "# A digest computed from a file cannot verify that file: each is marked 'own copy' until",
            "# `bundlekeeper manifest confirm --against LIST` has compared it with the publisher's own list.",
        ]
    return [
        *lines,
        "manifest = 1",
        f"platform = {basic_string(platform)}{'' if platform else _PLATFORM}",
        f"sequence = {sequence}  # raise it with every issue; a lower one is refused",
        f"issued = {issued.isoformat()}",
        "# expires = YYYY-MM-DD  # REVIEW: after this day the manifest is reported as expired",
        f"families = [{', '.join(map(basic_string, families))}]  # REVIEW: all families of the files below",
        "",
        "[versions]",
        'order = "natural"  # REVIEW: natural, semver, debian or listed (with list = [...])',
        "known = []  # REVIEW: versions that run in the field but are no bundle here",
    ]


def _tail(bundles: Iterable[DraftRow]) -> list[str]:
    """A release and rules as comments: only the release notes state which versions belong together."""
    versions: dict[str, str] = {}
    for entry in in_order(bundles):
        family, version = guess_family(entry.file), guess_version(entry.file)
        if family and version:
            versions[family] = version
    return [
        "# REVIEW: versions that were tested together, by the release notes, for example:",
        "# [[release]]",
        '# name = "…"',
        *(f"# {family} = {basic_string(versions[family])}" for family in FAMILIES if family in versions),
        '# source = "…"',
        "# REVIEW: which jumps the release notes allow ([[compatible]]: which versions must be beside which):",
        "# [[jump]]",
        '# what = { family = "infrastructure" }',
        '# to = ">=…"',
        '# from = ">=…"',
        '# source = "…"',
    ]
