"""The findings of `store add`, in words: pure, from what was expected and what was found.

Rules: the code says what is wrong, the text names the file, both figures, and where the bytes are kept; when the wrong
bytes are those of another bundle, the text names it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.store.contents.quarantine import QuarantineReason
from bundlekeeper.store.database.rows import BundleFacts, StoredBundle

_AGAIN = "get it again from its publisher, and compare the digest with the publisher's own list"


def owners(facts: Iterable[BundleFacts], stored: Iterable[StoredBundle]) -> dict[str, str]:
    """Digest to the bundle that it belongs to, of the manifest or of the store."""
    known = {
        bundle.sha256: f"{bundle.family} {bundle.version} ({bundle.name}), which is in the store" for bundle in stored
    }
    return known | {bundle.sha256: f"{bundle.family} {bundle.version} ({bundle.name})" for bundle in facts}


def code_of(facts: BundleFacts, size: int) -> str:
    """The finding code for wrong bytes of this many bytes."""
    if size == facts.size:
        return "altered"
    return "truncated" if size < facts.size else "extended"


def of_wrong(
    wrong: QuarantineReason, known: Mapping[str, str], kept: str, failure: str, *, level: Level | None = None
) -> Finding:
    """The finding for bytes that are not the bundle's; `kept` is their place in quarantine, `failure` why not there."""
    facts = wrong.facts
    code = "extended" if wrong.size is None else code_of(facts, wrong.size)  # unread without a size: too much came
    if wrong.size is None:
        message = f"{wrong.place}: more bytes came than the {facts.size} of the manifest"
    elif code == "altered":
        message = f"{wrong.place}: SHA-256 {wrong.sha256[:12]}…, the manifest says {facts.sha256[:12]}…"
    else:
        message = f"{wrong.place}: {wrong.size} bytes, the manifest says {facts.size}"
    if wrong.sha256 in known:
        message += f"; these are the bytes of {known[wrong.sha256]}"
    if kept:
        message += f"; kept as {kept}"
    return finding(code, facts.name, f"{message}; {failure}" if failure else message, _AGAIN, level)


def of_miss(facts: BundleFacts, obstacles: Sequence[str], places: Sequence[str], unseen: Sequence[str]) -> Finding:
    """The finding for a bundle that no source has; `unseen` says what of the sources could not be looked into."""
    message = "; ".join([f"not found in {', '.join(places) or 'any source'}", *obstacles, *unseen])
    if unseen:
        hint = "nobody knows what is in there: check its mode and owner, and run the same command again"
        return finding("unreadable", facts.name, message, hint)
    return finding("missing", facts.name, message, "put the file there and run the same command again")


def of_others(count: int) -> list[str]:
    """The sentence on files of the bundle's size under other names, which are not it; nothing where there are none."""
    if not count:
        return []
    if count == 1:
        return ["a file of its size under another name has other bytes"]
    return [f"{count} files of its size have other bytes"]


def of_passed(count: int) -> list[str]:
    """The sentence on files of the bundle's size that count, unread, as the bundles whose names they have."""
    if not count:
        return []
    if count == 1:
        return ["a file of its size was not read: it has the name of a bundle that is in the store and verified"]
    return [
        f"{count} files of its size were not read: they have the names of bundles that are in the store and verified"
    ]


def of_try(facts: BundleFacts, count: int) -> Finding:
    """The finding of a dry run for a bundle of which only the size is there, under other names."""
    files = "1 file of its size" if count == 1 else f"{count} files of its size"
    message = f"no file of this name; {files} under another name would be read to find out"
    return finding(
        "missing", facts.name, message, "put the file there, or run store add without --dry-run", Level.WARNING
    )


def of_unreadable(facts: BundleFacts, reasons: Sequence[str]) -> Finding:
    """The finding for a bundle whose bytes could not be read to their end."""
    return finding("unreadable", facts.name, "; ".join(reasons), "nothing is known about its bytes; try again")


def of_misnamed(facts: BundleFacts, place: str) -> Finding:
    """The finding for right bytes under another name."""
    message = f"{place} has the bytes of this bundle; added under its published name"
    return finding("misnamed", facts.name, message, "find out who renamed it")


def of_clash(facts: BundleFacts, row: StoredBundle, kept: str) -> Finding:
    """The finding for a place where other bytes are, verified by another manifest."""
    message = (
        f"{row.place} has other bytes (SHA-256 {row.sha256[:12]}…), verified by the manifest with sequence "
        f"{row.sequence}; they were not replaced"
    )
    if kept:
        message += f"; the new bytes are kept as {kept}"
    hint = "find out which of the two is right; move the wrong one out of the store by hand, then run store add again"
    return finding("not-in-store", facts.name, message, hint)


def of_removed(facts: BundleFacts, sentence: str) -> Finding:
    """The note that a bundle was removed from the store and stays out; `sentence` says when, by whom and why."""
    hint = f"to bring it back, name it: --again {facts.family}/{facts.version}"
    return finding("not-in-store", facts.name, sentence, hint, Level.NOTE)


def of_facts(facts: BundleFacts) -> list[Finding]:
    """What the manifest itself reports about a bundle, whether it was added or not."""
    found = []
    if facts.is_self_digest:
        message = "its digest was computed from the file that it is meant to verify"
        found.append(
            finding("self-digest", facts.name, message, "bundlekeeper manifest confirm MANIFEST --against LIST")
        )
    elif not facts.digest_from:
        message = "the manifest does not say where the digest comes from (digest_from)"
        found.append(finding("not-checked", facts.name, message, "add digest_from to the manifest"))
    if facts.lifecycle == "withdrawn":
        message = f"withdrawn by its publisher: {facts.reason or 'no reason given'}"
        found.append(finding("withdrawn", facts.name, message, "do not stage it; see the publisher's reason"))
    return found
