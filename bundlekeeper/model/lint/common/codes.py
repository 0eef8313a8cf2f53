"""The closed list of lint's codes.

Rules: what makes a manifest unusable, or silently disables a rule of it, is an error; a code outside this list does not
exist; the documents list every one. `expired` is the findings' own code, so that lint and verify use one word.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from bundlekeeper.findings import CODES, Code, Finding, Level

_E, _W, _N = Level.ERROR, Level.WARNING, Level.NOTE

#: Reported alone: after one of these nothing else was checked.
REFUSAL_CODES: dict[str, Code] = {
    "too-large": Code(_E, "the file is larger than 16 MiB; it was not parsed"),
    "byte-order-mark": Code(_E, "the file begins with a byte-order mark"),
    "not-text": Code(_E, "the file is not UTF-8, or has a NUL character"),
    "too-deep": Code(_E, "arrays, tables or keys are nested too deeply; the file was not parsed"),
    "too-many": Code(_E, "the file has too many values; it was not parsed"),
    "not-toml": Code(_E, "the file is not TOML"),
    "newer-format": Code(_E, "the manifest's format is newer than this program"),
}

LINT_CODES: dict[str, Code] = {
    **REFUSAL_CODES,
    # one value
    "key-unknown": Code(_E, "a key that the manifest's format does not have"),
    "missing-key": Code(_E, "a key that must be there is not"),
    "wrong-type": Code(_E, "a value of another type than the key takes"),
    "bad-value": Code(_E, "a value that the key does not take"),
    "repeated": Code(_W, "one value is in a list twice; an error where the list is an order of versions"),
    "more-problems": Code(_E, "more problems than are listed"),
    # digests and sizes
    "digest-length": Code(_E, "a SHA-256 digest of other than 64 digits"),
    "digest-alphabet": Code(_E, "a character in a digest that is not a hexadecimal digit"),
    "digest-algorithm": Code(_E, "a digest of another algorithm than SHA-256, or written in another form"),
    "digest-shared": Code(
        _W, "two bundles with one digest: the same bytes under two names, or a copied line; outside lint a note"
    ),
    "digest-empty": Code(_W, "the SHA-256 of no bytes, or a size of 0; outside lint a note"),
    "digest-unsourced": Code(_W, "nothing states where a digest comes from"),
    "own-copy": Code(_N, "a digest that was computed from the file that it is meant to verify"),
    # names
    "name-unsafe": Code(_E, "a file name that is unsafe on Linux, Windows or FAT"),
    "name-twice": Code(_E, "one file name for two files"),
    "name-clash": Code(_E, "file names that differ only by case or Unicode form"),
    "version-in-name": Code(_W, "a file whose name holds another version than its entry; outside lint a note"),
    # bundles
    "no-bundle": Code(_E, "the manifest lists no bundle"),
    "bundle-twice": Code(_E, "two bundles of one family and version"),
    "variant-missing": Code(_E, "a bundle that names no variant, in a family of which others do"),
    "variant-misplaced": Code(_E, "a bundle's variant that is none of the manifest's variants"),
    "reason-missing": Code(_E, "a withdrawn bundle without a reason"),
    "reason-unneeded": Code(_N, "a reason for a withdrawal on a bundle that is not withdrawn"),
    "base-unknown": Code(_E, "a patch on a base version that is no bundle of the family and not known"),
    "only-differs": Code(_E, "a bundle's `only` and the kinds of its images differ"),
    "image-twice": Code(_E, "a bundle lists two images for one kind and model"),
    # kinds and families
    "kind-unknown": Code(_E, "a kind that is not in the list of kinds and has no [kind.…] table"),
    "kind-absent": Code(_E, "an image or a rule of a kind that the manifest says its platform does not have"),
    "kind-unused": Code(_W, "a [kind.…] table of a kind that nothing uses"),
    "family-empty": Code(_E, "a family is listed but has no bundle"),
    "family-unlisted": Code(_E, "a bundle or a release of a family that is not listed"),
    # versions
    "order-listless": Code(_E, "order = 'listed' without a list"),
    "list-unused": Code(_W, "a list of versions that the declared order does not use"),
    "version-unplaced": Code(_E, "a version that the declared order cannot place"),
    "versions-equal": Code(_N, "two versions that are equal in the declared order but not the same text"),
    # releases
    "release-twice": Code(_E, "two releases of one name"),
    "release-incomplete": Code(_E, "a release without a version of a listed family"),
    "release-version": Code(_E, "a release names a version that is no bundle of the family"),
    "release-refused": Code(_E, "a release's own versions are not allowed beside each other"),
    # rules
    "source-missing": Code(_E, "a rule that does not state where it comes from"),
    "range-unreadable": Code(_E, "a range of versions that cannot be read"),
    "range-empty": Code(_E, "a range that no version can meet"),
    "range-unmatched": Code(_E, "a range that matches no bundle, no image and no known version"),
    "need-open": Code(_W, "a need without a version, which requires nothing"),
    "jump-backwards": Code(_E, "a jump rule whose ranges run against its direction"),
    "rules-contradict": Code(_E, "two rules that cannot both hold"),
    "rule-forbids-itself": Code(_E, "a rule that forbids what it is about"),
    "not-compared": Code(_W, "too many rules to compare all with each other"),
    # dates
    "date-form": Code(_E, "a date that is written as a text or with a time"),
    "date-early": Code(_E, "a date before 1990"),
    "date-future": Code(_W, "a date that has not come yet"),
    "date-order": Code(_E, "dates that cannot both be right"),
    "expired": CODES["expired"],
}

#: A warning for the manifest's writer; for its users no fault: the bytes are those that the manifest states.
_WRITERS = frozenset({"digest-shared", "digest-empty", "version-in-name"})
#: Reported of each bundle by `store add` and `verify` themselves, as `self-digest` and `not-checked`.
_OF_BUNDLES = frozenset({"own-copy", "digest-unsourced"})


def in_use(problems: Iterable[Finding]) -> list[Finding]:
    """The findings about a manifest for a command that uses it: notes where only lint warns."""
    return [replace(finding, level=Level.NOTE) if finding.code in _WRITERS else finding for finding in problems]


def but_of_bundles(problems: Iterable[Finding]) -> list[Finding]:
    """The findings about a manifest, without those that `store add` and `verify` report of its bundles."""
    return [finding for finding in problems if finding.code not in _OF_BUNDLES]
