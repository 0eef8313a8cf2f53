"""`verify`: verify any folder, or the store itself, against a manifest.

Rules: every file that is there is looked at; a file is read only where it has the size of a bundle; nothing is called
verified that was not read, and what was not is counted; nothing is deleted; in the store a file that is wrong by the
manifest that it was added by goes to quarantine, its bytes kept, under the store's lock; an unreadable file, a stop and
a lack of time do not spoil the rest of the result.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Container, Iterable, Mapping, Sequence
from dataclasses import field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.progress import Clock, Progress
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.contents.right_now import verified_ahead
from bundlekeeper.store.contents.store import KEEPER, MANIFESTS, QUARANTINE, Store
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk.filesystem import FsKind, describe
from bundlekeeper.store.disk.walk import EntryKind, WalkEntry, walk
from bundlekeeper.store.signatures.sidecar_files import place_of
from bundlekeeper.store.signatures.voucher import Voucher
from bundlekeeper.store.verifying.expected import NOTHING, Listing, kept, listing_of
from bundlekeeper.store.verifying.judge import ExpectedSlot, FileJudge, WrongFile, about_bundles
from bundlekeeper.store.verifying.read import (
    Candidate,
    FileReadings,
    How,
    KnownVerifications,
    ReadingLimits,
    Verifier,
    all_zero,
)
from bundlekeeper.store.verifying.signatures import SignatureChecks
from bundlekeeper.store.verifying.to_quarantine import move_to_quarantine
from bundlekeeper.verification.hashing.read import Stop

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded

__all__ = [
    "CheckMeans",
    "ReadingLimits",
    "VerifyResult",
    "check_folder",
    "check_store",
]

_OWN_NAMES = frozenset({"store.toml", "lost+found"})


@dataclass(frozen=True, slots=True)
class CheckMeans:
    """What `verify` works with.

    `record` is False where verifications may be read but not written; an earlier verification that is older than
    `max_age_s` is reported where it is relied on; `today` is the date that expiry is judged by (None: the clock's);
    `voucher` rules on signatures (None: there is no store, so they are not looked at, and that is reported);
    `removed` are bundles that were taken out of the store, by place and SHA-256, each with a sentence.
    """

    clock: Clock
    progress: Progress
    stop: Stop | None = None
    record: bool = True
    max_age_s: float | None = None
    today: date | None = None
    voucher: Voucher | None = None
    removed: Mapping[tuple[str, str], str] = field(default_factory=dict)


def check_folder(
    root: Path,
    loaded: Loaded | Listing,
    means: CheckMeans,
    limits: ReadingLimits | None = None,
    *,
    known: KnownVerifications | None = None,
    own: Sequence[bytes] = (),
) -> VerifyResult:
    """Verify the folder `root`, with every folder in it, against a manifest.

    A bundle is looked for by its name, wherever it is. Verifications are kept in `known` (the store database), if there
    is one, under the file's absolute path. The manifest itself and files with exactly the bytes of one of `own` are no
    extras.
    Raises InputError when `root` is no folder, UnfinishedError when it cannot be opened; LockedError, DamagedError when
    `known` cannot be read.
    """
    listing = loaded if isinstance(loaded, Listing) else listing_of(loaded.manifest)
    own = own if isinstance(loaded, Listing) else [*own, loaded.data]
    slots = {expected.name: ExpectedSlot(expected, subject=expected.name) for expected in listing.bundles}
    strays: list[WalkEntry] = []
    named: dict[str, list[WalkEntry]] = {name: [] for name in listing.signatures}
    for entry in walk(root):
        slot = slots.get(entry.name)
        if entry.name in named:
            named[entry.name].append(entry)
        if slot is not None:
            slot.entries.append(entry)
        elif not _is_own(entry, own, listing.signatures):
            strays.append(entry)
    real = os.path.realpath(root)
    check = _Check(real, list(slots.values()), strays, means, limits or ReadingLimits(), known, in_store=False)
    check.run(f"{real.rstrip('/')}/", frozenset(), named)
    check.date(listing)
    return check.result


def check_store(
    store: Store,
    database: StoreDatabase,
    loaded: Loaded | Listing | None,
    means: CheckMeans,
    limits: ReadingLimits | None = None,
    *,
    carried: Collection[str] | None = None,
) -> VerifyResult:
    """Verify the store's files against `loaded`, or without one each against the manifest that it was added by.

    Without `loaded` the manifest admitted last decides what is missing, or the store database where its kept copy
    cannot be relied on; and a file that is wrong is moved to quarantine where the store can be written and locked.
    Where that manifest came by media sets, `carried` has the SHA-256 of the bundles that they carried: other bundles of
    it that were never in the store do not count as missing.
    Raises UnfinishedError, RefusedError when the store cannot be looked at or others may write its files,
    LockedError, DamagedError when the store database cannot be read.
    """
    stored = {bundle.place: bundle for bundle in database.stored()}
    found: list[Finding] = []
    if loaded is not None:
        listing = loaded if isinstance(loaded, Listing) else listing_of(loaded.manifest)
        slots = {expected.place: ExpectedSlot(expected, subject=expected.place) for expected in listing.bundles}
    else:
        newest, found = kept(store, database.admitted())
        listing = newest or NOTHING
        found = [*found, *listing.problems]
        named = {expected.place: expected for expected in listing.bundles}
        slots = {
            # Without the manifest nobody knows whether it still names a file: the row decides.
            place: ExpectedSlot(row, subject=place, listed=newest is None or place in named)
            for place, row in stored.items()
        }
        for place, expected in named.items():
            sent = carried is None or place in stored or expected.sha256 in carried
            slot = slots.setdefault(place, ExpectedSlot(expected, subject=place, sent=sent))
            if slot.facts.sha256 != expected.sha256:
                message = "the newest manifest names other bytes for this place, which are not in the store"
                found.append(finding("missing", place, message, "add the manifest again: bundlekeeper store add"))
    for place, slot in slots.items():
        slot.removed = means.removed.get((place, slot.facts.sha256), "")
    shared = frozenset(place for place, row in stored.items() if row.shared)
    exposed = store.rights.insist_on_bundles({place: place in shared for place in {**stored, **slots}})
    found = [*found, *exposed.values()]
    strays, signatures = _into_slots(store, slots)
    others = [entry for entry in strays if entry.path in stored]  # in the store, but not in `loaded`
    strays = [entry for entry in strays if entry.path not in stored]
    check = _Check(
        str(store.root), list(slots.values()), strays, means, limits or ReadingLimits(), database, in_store=True
    )
    check.run("", shared, signatures)
    check.result.findings.extend(found)
    _note_the_rest(check, others, slots.values(), stored)
    check.date(listing)
    if loaded is None and check.wrong and store.writable and means.record:
        wrong = _by_a_manifest(store, database, check)
        if wrong:
            move_to_quarantine(store, database, wrong, check.result, clock=means.clock)
    return check.result


def _note_the_rest(
    check: _Check, others: Iterable[WalkEntry], slots: Iterable[ExpectedSlot], stored: Container[str]
) -> None:
    """Note files that the manifest does not name, and files without a row."""
    for entry in others:
        check.note(entry.path, "in the store, and not named by this manifest; not read")
    for slot in slots:
        if not slot.listed:
            check.note(slot.subject, "in the store by an older manifest; the newest no longer names it")
        elif slot.entries and slot.facts.place not in stored:
            check.note(
                slot.subject, "there, but without a row in the store database: add the manifest again to record it"
            )


def _by_a_manifest(store: Store, database: StoreDatabase, check: _Check) -> list[WrongFile]:
    """The files that are wrong by a kept manifest itself; a note reports that the others stay.

    No row alone moves a file: a kept manifest must name the expected bytes for its place, and none the bytes found.
    """
    stated: dict[str, set[tuple[int, str]]] = {}
    for admitted in database.admitted():
        listing, _ = kept(store, [admitted])
        for expected in listing.bundles if listing is not None else ():
            stated.setdefault(expected.place, set()).add((expected.size, expected.sha256))
    sure = []
    for wrong in check.wrong:
        named, found = stated.get(wrong.entry.path, set()), wrong.row.found
        is_another = any(size == wrong.entry.size and found in ("", sha256) for size, sha256 in named)
        if (wrong.facts.size, wrong.facts.sha256) in named and not is_another:
            sure.append(wrong)
        else:
            check.note(wrong.entry.path, "stays where it is: no kept manifest that can be read makes it wrong")
    return sure


def _into_slots(store: Store, slots: Mapping[str, ExpectedSlot]) -> tuple[list[WalkEntry], dict[str, list[WalkEntry]]]:
    """Put the files of the store into their slots.

    Returns the rest, without the store's own files, and by name the files where a bundle's signature belongs.
    """
    strays = []
    signatures: dict[str, list[WalkEntry]] = {}
    places = {place_of(slot.facts) for slot in slots.values()}
    for entry in walk(store.root, skip=(KEEPER, QUARANTINE, MANIFESTS)):
        slot = slots.get(entry.path)
        if entry.path in places:
            signatures.setdefault(entry.name, []).append(entry)
        if slot is not None:
            slot.entries.append(entry)
        elif entry.path not in _OWN_NAMES and not (entry.kind is EntryKind.FILE and entry.path in places):
            strays.append(entry)
    return strays, signatures


def _is_own(entry: WalkEntry, own: Sequence[bytes], signatures: frozenset[str]) -> bool:
    """True for the manifest itself, by its bytes, and for the signatures' files that it names."""
    if entry.kind is not EntryKind.FILE:
        return False
    if entry.name in signatures:
        return True
    same_size = [data for data in own if len(data) == entry.size]
    if not same_size or entry.size > limits.MANIFEST_BYTES:
        return False
    try:
        with os.fdopen(entry.open(), "rb") as file:
            return file.read(limits.MANIFEST_BYTES + 1) in same_size
    except OSError:
        return False


class _Check:
    """One run of `verify`, from the files to its result."""

    def __init__(
        self,
        root: str,
        slots: list[ExpectedSlot],
        strays: list[WalkEntry],
        means: CheckMeans,
        limits: ReadingLimits,
        known: KnownVerifications | None,
        *,
        in_store: bool,
    ) -> None:
        self.root = root
        self.slots, self.strays = slots, strays
        self.means, self.limits, self.known = means, limits, known
        self.in_store = in_store
        self.result = VerifyResult()
        self.wrong: list[WrongFile] = []
        self._kinds: dict[int, FsKind] = {}

    def run(self, prefix: str, shared: frozenset[str], signatures: Mapping[str, Sequence[WalkEntry]]) -> None:
        """Read, judge and count. `prefix` before a path makes its key in `known`; `shared` keys are never trusted.

        `signatures` has, by name, the files with the names of signatures.
        """
        means = self.means
        voucher = means.voucher or Voucher(None, None, means.clock())
        signature_checks = SignatureChecks(voucher, signatures, in_store=self.in_store)
        candidates = self._candidates(prefix, shared, signature_checks)
        verifier = Verifier(
            self.limits,
            known=self.known,
            record=means.record,
            clock=means.clock,
            progress=means.progress,
            stop=means.stop,
        )
        readings = verifier.run(candidates)
        judge = FileJudge(
            readings.known,
            root=self.root,
            now=means.clock(),
            max_age_s=means.max_age_s,
            zeros=self._zeros(readings),
            in_store=self.in_store,
        )
        judge.judge(self.slots, self.strays)
        about_bundles(self.slots, judge.result)
        signature_checks.judge(self.slots, readings.known, judge.result)
        self.result, self.wrong = judge.result, judge.wrong
        self.result.files_read, self.result.bytes_read = readings.files_read, readings.bytes_read
        self.result.stopped, self.result.out_of_time = readings.stopped, readings.out_of_time
        self.result.trouble = readings.trouble
        self.result.untrusted_because = self._untrusted_because()
        self.result.findings += verified_ahead(readings.ahead, means.clock())

    def date(self, listing: Listing) -> None:
        """Add the finding that the manifest is past its date, if it is."""
        today = self.means.today or self.means.clock().date()
        if listing.expires is not None and today > listing.expires:
            message = f"expired on {listing.expires:%Y-%m-%d}"
            self.result.findings.append(finding("expired", listing.subject, message, "ask for a newer manifest"))

    def note(self, subject: str, message: str) -> None:
        """Add a note about a file that is no fault."""
        self.result.findings.append(finding("extra", subject, message, level=Level.NOTE))

    def _candidates(self, prefix: str, shared: frozenset[str], signature_checks: SignatureChecks) -> list[Candidate]:
        """The files that may be one of the bundles: those that have the size of one."""
        sizes = frozenset(slot.facts.size for slot in self.slots)
        found = []
        pairs = [(entry, slot.facts) for slot in self.slots for entry in slot.entries]
        for entry, facts in [*pairs, *((entry, None) for entry in self.strays)]:
            if entry.kind is EntryKind.FILE and entry.size in sizes:
                key = prefix + entry.path
                candidate = Candidate(entry, key, self._kind(entry), never_trust=key in shared)
                if facts is not None:
                    candidate.expected = facts.sha256
                    candidate.algorithms = signature_checks.algorithms(facts, entry)
                found.append(candidate)
        return found

    def _kind(self, entry: WalkEntry) -> FsKind:
        """The kind of file system, asked once per device."""
        device = entry.stat.st_dev if entry.stat is not None else 0
        if device not in self._kinds:
            self._kinds[device] = describe(os.path.join(self.root, entry.path))
        return self._kinds[device]

    def _zeros(self, readings: FileReadings) -> list[str]:
        """The wrong files that have only zeros: worth reporting, because a broken copy often does."""
        wrong = (
            (entry, readings.known.get(entry.path), slot.facts.sha256) for slot in self.slots for entry in slot.entries
        )
        return [
            entry.path
            for entry, reading, expected in wrong
            if reading is not None and reading.how is How.READ and reading.sha256 != expected
            if all_zero(entry, reading, self.means.stop)
        ]

    def _untrusted_because(self) -> str:
        if not self.limits.quick:
            return ""
        return next((f"{kind.name}: {kind.reason}" for kind in self._kinds.values() if not kind.stable_identity), "")
