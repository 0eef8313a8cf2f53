"""The result for one bundle of `store add`: gathered while it is worked on, reported as a row and findings.

Rules: a wrong file that was met on the way is reported even when the right one was found after it; what could not be
read is never called wrong; a bundle that is done and not in its place has an error that names it, whatever the cause; a
bundle whose work was cut off has no row, and only what is certain of it is reported.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from bundlekeeper.findings import Finding, Level
from bundlekeeper.store.adding.sources import BundleSource, Fetched, FileOffer, FoundFile
from bundlekeeper.store.contents import findings as verdicts
from bundlekeeper.store.contents.quarantine import QuarantineReason
from bundlekeeper.store.database.rows import BundleFacts, StoredBundle
from bundlekeeper.store.signatures.voucher import Ruling

_SPARE = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class AddRow:
    """The result for one bundle.

    `status` is added, already there, same bytes, quarantined, missing, failed, refused for its signature, or removed
    (taken out of the store before, it stays out); in a dry run also to add, to verify, to link, to look for, name in
    use. `read_bytes` is how many bytes were read for it; `came_from` and `note` are for people; `signature` is "good"
    or the code of what is wrong with it, empty where none is stated and none required.
    """

    family: str
    version: str
    name: str
    place: str
    status: str
    size: int
    read_bytes: int = 0
    way_in: str = ""
    came_from: str = ""
    note: str = ""
    signature: str = ""


def row_of(
    facts: BundleFacts,
    status: str,
    read_bytes: int = 0,
    way_in: str = "",
    came_from: str = "",
    note: str = "",
    signature: str = "",
) -> AddRow:
    """The row of a bundle."""
    of_work = status, facts.size, read_bytes, way_in, came_from, note, signature
    return AddRow(facts.family, facts.version, facts.name, facts.place, *of_work)


def too_large(facts: BundleFacts) -> int:
    """More bytes than this under a bundle's name are not kept in quarantine, and not even read."""
    return 2 * facts.size + _SPARE


def quarantine_reason(
    facts: BundleFacts, ruling: Ruling | None, offer: FileOffer, fetched: Fetched | None
) -> QuarantineReason:
    """Why an offered file goes to quarantine; `fetched` is None for one that was not read, because of its size."""
    if fetched is None:
        size = offer.size if offer.size != facts.size else None  # it has grown since it was offered
        return QuarantineReason(facts, size, "", offer.place, "of another size than the bundle, and not read")
    digest = fetched.digest
    reason = verdicts.code_of(facts, digest.size)
    if ruling is not None and ruling.bad:
        reason = "the right bytes, but their signature is not good"
    elif digest.sha256 == facts.sha256:
        reason = "right, but other bytes are at its place, verified by an older manifest"
    return QuarantineReason(facts, digest.size, digest.sha256, offer.place, reason)


@dataclass(frozen=True, slots=True)
class QuarantinedFile:
    """Wrong bytes: their place in quarantine, or a sentence on why they are not there."""

    wrong: QuarantineReason
    kept: str
    failure: str = ""


@dataclass(slots=True)
class Work:
    """The result for one bundle so far; `clash` is the row of other bytes at its place, right by an older manifest."""

    facts: BundleFacts
    status: str = "missing"
    way_in: str = ""
    came_from: str = ""
    misnamed: str = ""  # the source's name under which the right bytes were found
    notes: tuple[str, ...] = ()
    quarantined: tuple[QuarantinedFile, ...] = ()
    unreadable: tuple[str, ...] = ()
    offers: tuple[tuple[BundleSource, FoundFile], ...] | None = None  # None until the sources were asked
    clash: StoredBundle | None = None
    ruling: Ruling | None = None  # on the signature of its right bytes
    badly_signed: tuple[Finding, ...] = ()  # of right bytes that went to quarantine for a bad signature
    must_be_signed: bool = False  # the store requires a good signature; known only where one was looked at
    read_bytes: int = 0
    done: bool = False

    @property
    def settled(self) -> bool:
        """True when the bundle is in its place, verified."""
        return self.status in {"added", "already there", "same bytes"}

    def ended(self, status: str, way_in: str, came_from: str, note: str = "") -> None:
        """Record how the bundle was settled."""
        self.status, self.way_in, self.came_from = status, way_in, came_from
        self.notes += (note,) if note else ()

    def row(self) -> AddRow:
        """The row, when the work is done."""
        status = "failed" if self.clash or (self.unreadable and not self.settled) else self.status
        if status == "quarantined" and self.badly_signed and self.must_be_signed:
            status = "refused"  # whatever else was met: the right bytes were there, and may not be used
        notes = (*self.notes, *self.unreadable, *self._obstacles()) if self.settled else self.notes
        signature = self.ruling.word if self.ruling else "bad-signature" if self.badly_signed else ""
        return row_of(self.facts, status, self.read_bytes, self.way_in, self.came_from, "; ".join(notes), signature)

    def findings(self, known: Mapping[str, str], unseen: Sequence[str]) -> Iterator[Finding]:
        """The findings; `known` maps digests to the bundles that they belong to, `unseen` is of the sources."""
        facts = self.facts
        found = [*self._on_the_way(known)]
        if self.done:
            found += self._why_open(unseen)
            if not self.settled and all(finding.level is not Level.ERROR for finding in found):
                found.append(self._miss(unseen))
            found += verdicts.of_facts(facts)
        yield from found

    def _on_the_way(self, known: Mapping[str, str]) -> Iterator[Finding]:
        """What was met while the bundle was looked for, whatever came of it."""
        facts = self.facts
        if self.misnamed:
            yield verdicts.of_misnamed(facts, self.misnamed)
        for file in self.quarantined:
            if file.wrong.sha256 != facts.sha256:
                level = Level.WARNING if self.settled else None
                yield verdicts.of_wrong(file.wrong, known, file.kept, file.failure, level=level)
        for finding in self.badly_signed:
            yield replace(finding, level=Level.WARNING) if self.settled else finding
        yield from self.ruling.findings if self.ruling else ()

    def _why_open(self, unseen: Sequence[str]) -> Iterator[Finding]:
        """Why the bundle is not in its place, beyond what was met on the way; nothing where it is."""
        facts = self.facts
        if self.clash is not None:
            kept = next((file.kept for file in self.quarantined if file.wrong.sha256 == facts.sha256), "")
            yield verdicts.of_clash(facts, self.clash, kept)
        elif not self.settled and self.unreadable:
            yield verdicts.of_unreadable(facts, self.unreadable)
        elif not self.settled and self.offers is not None and not self._named():
            yield self._miss(unseen)

    def _named(self) -> bool:
        """True when a source had a file of the bundle's name; whatever became of that is reported by itself."""
        return any(found.offers for _, found in self.offers or ())

    def _miss(self, unseen: Sequence[str]) -> Finding:
        offers = self.offers or ()
        tried = verdicts.of_others(sum(found.others for _, found in offers))
        passed = verdicts.of_passed(sum(found.passed for _, found in offers))
        obstacles = [*self._obstacles(), *tried, *passed]
        return verdicts.of_miss(self.facts, obstacles, [source.place for source, _ in offers], unseen)

    def _obstacles(self) -> list[str]:
        return [sentence for _, found in self.offers or () for sentence in found.obstacles]
