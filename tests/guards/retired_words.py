"""The words that no text for people uses any more, each with what replaces it; and the acronyms that texts may use.

Rules: a pattern is precise enough to have no false alarm, so an exception is rare and gives its reason; names of real
makers and products stand nowhere, not even here, so an acronym is one of the list, a plain word in capitals, or wrong.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RetiredWord:
    """A regular expression (case counts) of what is retired, and what is written in its place."""

    pattern: str
    instead: str


@dataclass(frozen=True, slots=True)
class AllowedUse:
    """A text (its file or command begins with `place`) in which a retired word may be used, and the reason."""

    place: str
    text: str
    reason: str


#: In sentences.
WORDS = (
    RetiredWord(r"\b[Tt]old\b|\btells\b", "reported, reports"),
    RetiredWord(r"\banew\b", "again"),
    RetiredWord(r"\b[Oo]n whose word\b", "reported by"),
    RetiredWord(r"\b[Ss]tands?\b|\b[Ss]tood\b", "is, has, applies"),
    RetiredWord(r"\b[Ss]tanding\b", "lifecycle, state"),
    RetiredWord(r"\b[Mm]end(s|ed|ing)?\b", "fix, repair"),
    RetiredWord(r"\b([Uu]n)?[Pp]rov(e|es|ed|en|ing)\b|\b[Pp]roofs?\b", "verify, verified, verification, evidence"),
    RetiredWord(r"\b[Cc]atalogues?\b", "store database"),
    RetiredWord(r"\b[Dd]epots?\b", "main site"),
    RetiredWord(r"\b[Hh]arbour\b", "marram"),
    RetiredWord(r"\b[Cc]ourses?\b", "route"),
    RetiredWord(r"\b[Ii]ntake\b", "store add"),
    RetiredWord(r"\b([Tt]ake|[Tt]akes|[Tt]aken|[Tt]aking)( \w+){0,3} into (the|a|its) store\b", "add to the store"),
    RetiredWord(r"\b([Nn]ot|is|are|was|were|already|[Nn]othing) held\b(?! against)", "in the store"),
    RetiredWord(r"\bat home\b", "left out of the set"),
    RetiredWord(r"\b([Ll]eave|leaves|leaving|left)( \w+){0,3} away\b", "omit, leave out"),
    RetiredWord(r"\b[Nn]ot answered\b", "without a receipt"),
    RetiredWord(r"\baside\b", "away, renamed"),
    RetiredWord(r"\blet(s|ting)? through\b", "allowed"),
    RetiredWord(r"\b(is|are|was|were) due\b", "expected"),
    RetiredWord(r"\bkin\b", "like it"),
    RetiredWord(r"\bstrangers?\b", "unknown key"),
    RetiredWord(r"\b[Dd]ropped key\b|\bkey (that )?(is|was) dropped\b", "removed key"),
    RetiredWord(r"\b[Mm]odel tables?\b", "model list"),
    RetiredWord(r"\b[Ss]tandalone\b", "a variant of the manifest's own"),
    RetiredWord(r"\b[Rr]oom\b", "space"),
    RetiredWord(r"(?<![-{,.\"])\bbook\b(?!-)", "ledger"),
    RetiredWord(r"\b(there is|have|has|had) (no|a) way\b(?! back)|\ballowed way\b", "route"),
    RetiredWord(r"\bmanifests? (that )?(the store )?((is|was|were|has) )?accepted\b|\baccepted manifest", "admitted"),
    RetiredWord(r"\ba bug of ours\b", "internal error"),
    RetiredWord(r"\bto say against\b", "no problems found"),
    RetiredWord(r"\bno packing has less\b", "this is the minimum"),
    RetiredWord(r"\bno order of this work\b", "cannot take less than"),
)

#: In commands, options, codes, keys, file names: in every text, also where it is nothing else.
NAMES = (
    RetiredWord(r"\bbundlekeeper (take|held|check|correct)\b", "store add, store list, verify, ledger undo"),
    RetiredWord(r"\bmedia (plan|receipt)\b|\bledger (check|correct)\b|\btrust drop\b", "the command's new name"),
    RetiredWord(
        r"(?<![\w-])--(says|by|proof|paper|exceptions|ledger|check|accept-expired|accept-rollback)(?![\w-])", ""
    ),
    RetiredWord(r"(?<![\w-])--route\b", "--plan"),
    RetiredWord(r"(?<![A-Z])\bWHY\b", "REASON"),
    RetiredWord(r"\b(policy-)?at-once\b|\bwhen-confirmed\b|\bnext-restart\b", "the apply times of DMTF DSP0266"),
    RetiredWord(r"\bmodel-table(-old)?\b", "model-list, model-unlisted"),
    RetiredWord(r"\bwrong-build\b|\bbuild-(missing|misplaced|standalone)\b", "wrong-variant, variant-…"),
    RetiredWord(r"\b(dropped|stranger)-key\b", "removed-key, unknown-key"),
    RetiredWord(r"\bnot-held\b|\bpart-differs\b|\bspace-short\b", "not-in-store, component-differs, not-enough-space"),
    RetiredWord(r"\bstale-proof\b|\bmax_proof_age\b|\b(not_)?proven(_at)?\b", "stale-verification, verified_at"),
    RetiredWord(r"\bdropped_(at|why)\b|\b(held|seen_held|held_whole)\b(?=[\"`\[])", "removed_at, boot_files"),
    RetiredWord(r"\bcatalogue\.sqlite\b|\bacceptance\.toml\b|\.fwb\b|\bfwb\b", "store.sqlite, store.toml, .bin"),
    RetiredWord(r"\[\[(beside|apart)\]\]", "[[compatible]], [[separate_windows]]"),
    RetiredWord(r"\bwhy-(missing|unneeded)\b|\bonto-unknown\b", "reason-…, base-unknown"),
)

#: Versions as one maker writes them.
BRACKETED_VERSION = RetiredWord(r"\b\d+\.\d+\(\w+\)", "6.1.0")

#: What a text may shorten: open standards, algorithms, units, parts of every computer.
ACRONYMS = frozenset(
    {
        "ARGS",
        "ASCII",
        "CRC",
        "DER",
        "DIR",
        "DMTF",
        "DSA",
        "EOF",
        "FIFO",
        "FIPS",
        "FUSE",
        "GB",
        "GMT",
        "GNU",
        "HEX",
        "IANA",
        "MB",
        "NFC",
        "PGP",
        "QR",
        "README",
        "RFC",
        "SBI",
        "SIGHUP",
        "TLS",
        "TUF",
        "UEFI",
        "URL",
        "UTC",
        "UUID",
    }
)

ALLOWED: tuple[AllowedUse, ...] = ()
