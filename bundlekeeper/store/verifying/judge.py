"""Rows and findings from the files that are there and what is known of their bytes. No file is touched here.

Rules: each expected name and each other file is judged once; the size is looked at before the digest; bytes that are
those of another bundle are reported as such; what was not read is never called right and never called wrong.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from datetime import datetime, timedelta

from bundlekeeper.findings import Level, finding
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.safe_names import collision_key
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.model.verify_result import Status, VerifiedRow, VerifyResult
from bundlekeeper.store.disk.walk import WORDS, EntryKind, WalkEntry
from bundlekeeper.store.verifying.expected import Expected
from bundlekeeper.store.verifying.read import FileReading, How

_HOW = {How.READ: Status.OK, How.TRUSTED: Status.TRUSTED, How.SKIPPED: Status.NOT_READ}
_FOLDER_TROUBLE = (EntryKind.DIR_UNREADABLE, EntryKind.UNREADABLE)
_UNSEEN = (*_FOLDER_TROUBLE, EntryKind.LIMIT)  # what may hide other entries
_LOST = "lost+found"  # made by mke2fs(8), root's


@dataclass(slots=True)
class ExpectedSlot:
    """One bundle that should be there, and the entries of its name. `subject` names it in a finding.

    `listed` is False for a file of an older manifest that the newest no longer names; `sent` is False for one that the
    newest names, that was never in the store, and that no media set carried here. `removed` says when it was taken
    out of the store, by whom and why, "" where it was not.
    """

    facts: Expected
    entries: list[WalkEntry] = field(default_factory=list)
    subject: str = ""
    listed: bool = True
    sent: bool = True
    removed: str = ""


@dataclass(slots=True)
class WrongFile:
    """A file under a bundle's name with other bytes: a store moves it to quarantine."""

    facts: Expected
    entry: WalkEntry
    row: VerifiedRow
    reason: str


_COUNTED_APART = frozenset({Status.OK, Status.TRUSTED, Status.NOT_READ, Status.NOT_IN_STORE})


class FileJudge:
    """Judges the files of one run of `verify` into `result`.

    `zeros` are the paths whose bytes are all zero; `now` and `max_age_s` date old verifications; `root` is the folder
    that was verified; with `in_store` a bundle belongs at its place inside the store, else anywhere under its name.
    """

    def __init__(
        self,
        readings: Mapping[str, FileReading],
        *,
        root: str,
        now: datetime,
        max_age_s: float | None = None,
        zeros: Iterable[str] = (),
        in_store: bool = False,
    ) -> None:
        self.result = VerifyResult()
        self._root = root
        self._in_store = in_store
        self.wrong: list[WrongFile] = []
        self._readings = readings
        self._now = now
        self._max_age_s = max_age_s
        self._zeros = frozenset(zeros)
        self._by_digest: dict[str, list[Expected]] = {}
        self._sizes: set[int] = set()
        self._right: set[str] = set()  # digests found under a right name
        self._elsewhere: dict[str, WalkEntry] = {}  # digest -> a wrong name that it was found under
        self._named_strays: set[str] = set()  # paths of strays that a bundle's row names
        self._unseen: list[WalkEntry] = []

    def judge(self, slots: Sequence[ExpectedSlot], strays: Sequence[WalkEntry]) -> None:
        """Judge every slot and every stray file. Call once."""
        for slot in slots:
            self._by_digest.setdefault(slot.facts.sha256, []).append(slot.facts)
            self._sizes.add(slot.facts.size)
        self._look_around(slots, strays)
        self._unseen = [entry for entry in strays if entry.kind in _UNSEEN and entry.path != _LOST]
        for slot in slots:
            self._slot(slot)
        keys = {collision_key(s.facts.name): s for s in slots if not any(e.kind is EntryKind.FILE for e in s.entries)}
        for entry in strays:
            self._stray(entry, keys)
        self._count()

    def _look_around(self, slots: Sequence[ExpectedSlot], strays: Sequence[WalkEntry]) -> None:
        for slot in slots:
            for entry in slot.entries:
                found = self._digest(entry)
                if found == slot.facts.sha256:
                    self._right.add(found)
                elif found in self._by_digest:
                    self._elsewhere.setdefault(found, entry)
        for entry in strays:
            found = self._digest(entry)
            if found in self._by_digest:
                self._elsewhere.setdefault(found, entry)

    def _digest(self, entry: WalkEntry) -> str:
        reading = self._readings.get(entry.path)
        return reading.sha256 if reading is not None else ""

    # Slots

    def _slot(self, slot: ExpectedSlot) -> None:
        files = [e for e in slot.entries if e.kind is EntryKind.FILE]
        unknown = [e for e in slot.entries if e.kind in _FOLDER_TROUBLE]
        if not files and not unknown:
            self._absent(slot)
        first = ""
        for entry in files:
            row = self._file(slot, entry)
            if row.status in (Status.OK, Status.TRUSTED, Status.NOT_READ):
                if first:
                    self._find("extra", entry.path, f"a second copy of {first}, with the same bytes", level=Level.NOTE)
                first = first or entry.path
        for entry in unknown:
            self._unreadable(slot, entry, entry.message)

    def _row(self, slot: ExpectedSlot, entry: WalkEntry | None, status: Status, message: str = "") -> VerifiedRow:
        facts = slot.facts
        reading = self._readings.get(entry.path) if entry is not None else None
        row = VerifiedRow(
            facts.name,
            facts.family,
            facts.version,
            entry.path if entry is not None else "",
            status,
            (reading.size if reading is not None and reading.sha256 else entry.size) if entry is not None else None,
            facts.size,
            facts.sha256,
            reading.sha256 if reading is not None else "",
            reading.verified_at if reading is not None and reading.sha256 == facts.sha256 else None,
            message,
            seconds=reading.seconds if reading is not None else None,
        )
        self.result.rows.append(row)
        return row

    def _absent(self, slot: ExpectedSlot) -> None:
        elsewhere = self._elsewhere.get(slot.facts.sha256)
        if elsewhere is not None:  # the finding is made where the bytes are
            self._row(slot, elsewhere, Status.MISNAMED, f"its bytes are under {elsewhere.path}")
            self._named_strays.add(elsewhere.path)
            return
        message, hint = "named by the manifest, not there", "bring it here and run verify again"
        other = next((e for e in slot.entries if e.kind is not EntryKind.VANISHED), None)
        if other is not None:
            message = f"{WORDS[other.kind]} is under this name, not a file"
            hint = f"put the file itself in its place; {other.path} is not followed"
        subject = slot.subject or slot.facts.name
        if slot.removed and other is None:
            self._row(slot, None, Status.NOT_IN_STORE, slot.removed)
            hint = f"to bring it back: store add MANIFEST --from DIR --again {slot.facts.family}/{slot.facts.version}"
            self._find("not-in-store", subject, slot.removed, hint, level=Level.NOTE)
            return
        if not slot.sent:
            message = "named by the manifest; no media set that came here carries it"
            self._row(slot, None, Status.NOT_IN_STORE, message)
            self._find("not-in-store", subject, message, level=Level.NOTE)
            return
        hidden = next((entry for entry in self._unseen if self._may_hide(entry, slot)), None)
        if hidden is not None and other is None:
            message = f"not found, and {hidden.path} could not be read: {hidden.message}"
            self._row(slot, None, Status.UNREADABLE, message)
            self._find("unreadable", subject, message, "check its mode and owner, then run verify again")
            return
        gone = slot.facts.lifecycle == "withdrawn" or not slot.listed
        self._row(slot, None, Status.MISSING, message)
        if gone:
            message = (
                "not there; it is withdrawn" if slot.listed else "not there; the newest manifest no longer names it"
            )
            self._find("missing", subject, message, level=Level.NOTE)
        else:
            self._find("missing", subject, message, hint)

    def _may_hide(self, entry: WalkEntry, slot: ExpectedSlot) -> bool:
        """True when the bundle may lie in a folder that was not looked into."""
        return not self._in_store or entry.path == "." or slot.facts.place.startswith(f"{entry.path}/")

    def _file(self, slot: ExpectedSlot, entry: WalkEntry) -> VerifiedRow:
        reading = self._readings.get(entry.path)
        if reading is not None and reading.how is How.FAILED:
            return self._unreadable(slot, entry, reading.error)
        if reading is None:
            if entry.size == slot.facts.size:
                self._find(
                    "unverified",
                    entry.path,
                    "its size is right, its bytes were not read in this run",
                    "run verify again",
                )
                return self._row(slot, entry, Status.UNVERIFIED, "not read")
            return self._wrong(slot, entry, entry.size, "")
        if reading.sha256 == slot.facts.sha256:
            self._old(slot, entry, reading)
            return self._row(slot, entry, _HOW[reading.how])
        return self._wrong(slot, entry, reading.size, reading.sha256)

    def _old(self, slot: ExpectedSlot, entry: WalkEntry, reading: FileReading) -> None:
        at, limit_s = reading.verified_at, self._max_age_s
        if reading.how is How.READ or at is None or limit_s is None or self._now - at <= timedelta(seconds=limit_s):
            return
        age = human((self._now - at).total_seconds())
        message = f"last verified {age} ago, on {at:%Y-%m-%d}; at most {human(limit_s)} are allowed"
        self._find("stale-verification", entry.path, message, "run verify again without --quick")

    def _wrong(self, slot: ExpectedSlot, entry: WalkEntry, size: int, found: str) -> VerifiedRow:
        facts = slot.facts
        others = [bundle for bundle in self._by_digest.get(found, ()) if bundle is not facts]
        level: Level | None = None
        if others:
            status, level = Status.MISNAMED, Level.ERROR
            message = f"has the bytes of {others[0].name} ({others[0].family} {others[0].version})"
            if facts.sha256 in self._elsewhere:
                message += f"; its own are under {self._elsewhere[facts.sha256].path}"
                hint = "give both files their right names"
            else:
                hint = "copy the right file here"
                message += "" if facts.sha256 in self._right else "; its own are not here"
        elif size != facts.size:
            status = Status.TRUNCATED if size < facts.size else Status.EXTENDED
            message = (
                f"{size:,} bytes, {abs(facts.size - size):,} {'fewer' if size < facts.size else 'more'} than expected"
            )
            hint = "the copy was not finished: copy it again" if size < facts.size else "copy it again"
        else:
            status = Status.ALTERED
            zero = "all bytes are zero, " if entry.path in self._zeros else ""
            message = f"{zero}its size is right, its SHA-256 is {found}, expected {facts.sha256}"
            hint = "copy it again, and check where it came from"
        if size != facts.size and entry.path in self._zeros:
            message += "; all of them are zero"
        self._find(status.value, entry.path, message, hint, level)
        row = self._row(slot, entry, status, message)
        self.wrong.append(WrongFile(facts, entry, row, message))
        return row

    def _unreadable(self, slot: ExpectedSlot, entry: WalkEntry, reason: str) -> VerifiedRow:
        hint = "its bytes are unknown: check the device, its connection and the file's mode; then run verify again"
        self._find("unreadable", entry.path, f"could not be read: {reason}", hint)
        return self._row(slot, entry, Status.UNREADABLE, reason)

    # Everything else

    def _stray(self, entry: WalkEntry, absent: Mapping[str, ExpectedSlot]) -> None:
        if entry.kind is not EntryKind.FILE:
            self._odd(entry)
            return
        reading = self._readings.get(entry.path)
        bundles = self._by_digest.get(reading.sha256, []) if reading is not None else []
        near = absent.get(collision_key(entry.name))
        status, hint = Status.EXTRA, ""
        if bundles and bundles[0].sha256 in self._right:
            message = f"a second copy of {bundles[0].name}, under another name"
        elif bundles:
            status, message = Status.MISNAMED, f"has the bytes of {bundles[0].name}"
            if entry.name == bundles[0].name:
                message += ", in another folder"
            elif near is not None and near.facts in bundles:
                message += "; the name differs only by case or Unicode form"
            target = bundles[0].place if self._in_store else entry.path[: -len(entry.name)] + bundles[0].name
            make = f"mkdir -p -- {self._quoted(target.rpartition('/')[0])} && " if self._in_store else ""
            hint = f"rename it: {make}mv -n -- {self._quoted(entry.path)} {self._quoted(target)}"
        elif reading is not None and reading.how is How.FAILED:
            status = Status.UNREADABLE
            message = f"not named by the manifest, of the size of a bundle, and could not be read: {reading.error}"
        elif near is not None:
            message = f"not named by the manifest; its name differs from {near.facts.name} only by case or Unicode form"
        else:
            message = "not named by the manifest"
        if reading is None and entry.size in self._sizes:
            message += "; it has the size of a bundle and was not read"
        self._find(status.value, entry.path, message, hint)
        if entry.path not in self._named_strays:
            self._extra_row(entry, reading, status, message)

    def _quoted(self, path: str) -> str:
        return shlex.quote(f"{self._root.rstrip('/')}/{path}")

    def _odd(self, entry: WalkEntry) -> None:
        if entry.path == _LOST and entry.kind is EntryKind.DIR_UNREADABLE:
            self._find("extra", entry.path, "the file system's own folder; not looked into", level=Level.NOTE)
        elif entry.kind in _FOLDER_TROUBLE:
            message = f"{WORDS[entry.kind]}: {entry.message}"
            self._find(
                "unreadable", entry.path, message, "nothing is known about its content: check its mode and owner"
            )
            self._extra_row(entry, None, Status.UNREADABLE, message)
        elif entry.kind is EntryKind.LIMIT:
            self._find("not-checked", entry.path, entry.message, "verify a smaller folder")
        elif entry.kind is EntryKind.LOOP:
            self._find("extra", entry.path, WORDS[entry.kind], level=Level.NOTE)
        elif entry.kind is not EntryKind.VANISHED:
            message = f"{WORDS[entry.kind]}, not named by the manifest; not followed and not read"
            self._find("extra", entry.path, message)
            self._extra_row(entry, None, Status.EXTRA, message)

    def _extra_row(self, entry: WalkEntry, reading: FileReading | None, status: Status, message: str) -> None:
        size = entry.size if entry.kind is EntryKind.FILE else None
        found = reading.sha256 if reading is not None else ""
        row = VerifiedRow(entry.name, "", "", entry.path, status, size, None, "", found, None, message)
        row.seconds = reading.seconds if reading is not None else None
        self.result.rows.append(row)

    def _find(self, code: str, subject: str, message: str, hint: str = "", level: Level | None = None) -> None:
        self.result.findings.append(finding(code, subject, message, hint, level))

    def _count(self) -> None:
        result = self.result
        for row in result.rows:
            if row.expected:
                result.verified += row.status is Status.OK
                result.trusted += row.status is Status.TRUSTED
                result.skipped += row.status is Status.NOT_READ
                result.unverified += row.status not in _COUNTED_APART


def about_bundles(slots: Iterable[ExpectedSlot], result: VerifyResult) -> None:
    """Add what the manifest itself reports about its bundles: digests that verify nothing, versions withdrawn."""
    there = {row.name for row in result.rows if row.family and row.place}
    for slot in slots:
        facts = slot.facts
        if is_own_copy(facts.digest_from):
            message = "its digest was computed from the file itself: equal bytes mean a good copy, not the right file"
            hint = "compare with the publisher's own list: bundlekeeper manifest confirm MANIFEST --against LIST"
            result.findings.append(finding("self-digest", facts.name, message, hint))
        elif not facts.digest_from.strip():
            message = "the manifest does not say where its digest comes from"
            result.findings.append(finding("not-checked", facts.name, message, "add digest_from to the bundle"))
        if facts.lifecycle == "withdrawn" and facts.name in there:
            message = f"withdrawn by its publisher: {facts.reason}" if facts.reason else "withdrawn by its publisher"
            result.findings.append(finding("withdrawn", facts.name, message, "do not stage it"))
