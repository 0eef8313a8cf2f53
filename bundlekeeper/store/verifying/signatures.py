"""The signatures in `verify`: which digests its one read must give, and whether each bundle's signature is good.

Rules: a signature is verified only where the bundle's bytes are known to be right; a signature that was not looked at
is counted and never called good; nothing is done where no signature is stated and none is required; a file that is not
read now (`--quick`, `--older-than`) is not read for its signature either.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bundlekeeper.findings import finding
from bundlekeeper.model.verify_result import Status, VerifiedRow, VerifyResult
from bundlekeeper.store.disk.walk import WalkEntry
from bundlekeeper.store.signatures.sidecar_files import SignatureFile, nearest, of_entry, place_of
from bundlekeeper.store.signatures.voucher import Message, Ruling, Voucher
from bundlekeeper.store.verifying.expected import Expected
from bundlekeeper.store.verifying.judge import ExpectedSlot
from bundlekeeper.store.verifying.read import FileReading, How

_RIGHT = (Status.OK, Status.TRUSTED, Status.NOT_READ)
NOT_LOOKED_AT = "not looked at"


class SignatureChecks:
    """The signatures of one run of `verify`; `named` has, by name, the entries with a signature's name.

    With `in_store` a signature belongs beside its bundle, else it may be anywhere in the folder.
    """

    def __init__(self, voucher: Voucher, named: Mapping[str, Sequence[WalkEntry]], *, in_store: bool) -> None:
        self._voucher = voucher
        self._named = named
        self._in_store = in_store

    def algorithms(self, facts: Expected, entry: WalkEntry) -> tuple[str, ...]:
        """The digests beyond SHA-256 that a read of the entry must compute. Raises as reading the trust list."""
        if facts.signature is None:
            return ()
        return self._voucher.algorithms(facts.signature, self._file(facts, entry))

    def judge(self, slots: Sequence[ExpectedSlot], readings: Mapping[str, FileReading], result: VerifyResult) -> None:
        """Rule on every signature that is stated or required, into rows, findings and counts of `result`.

        Raises as reading the trust list.
        """
        rows = {row.place: row for row in result.rows if row.family and row.place}
        unseen = 0
        for slot in slots:
            facts = slot.facts
            if not self._voucher.concerns(facts.family, facts.signature):
                continue
            sound = [(e, r) for e in slot.entries if (r := rows.get(e.path)) is not None and r.status in _RIGHT]
            if not sound:
                self._not_looked_at(facts, result)
            for entry, row in sound:
                if facts.signature is not None and not self._voucher.can_look:
                    unseen += 1
                    row.signature = "not-checked"
                    result.signatures_unseen += 1
                    continue
                self._record(row, self._rule(facts, entry, readings[entry.path]), result)
        if unseen:
            message = f"{unseen} of the bundles state a signature, which was not looked at: no store, so no trust list"
            result.findings.append(finding("not-checked", "signatures", message, "name the store with --store"))
        result.findings.extend(self._voucher.troubles())

    def _not_looked_at(self, facts: Expected, result: VerifyResult) -> None:
        result.signatures_unseen += 1
        for row in result.rows:
            if row.name == facts.name and row.expected == facts.sha256 and not row.signature:
                row.signature = NOT_LOOKED_AT

    def _rule(self, facts: Expected, entry: WalkEntry, reading: FileReading) -> Ruling:
        again = entry.open if reading.how is How.READ else None
        message = Message({**dict(reading.extra), "sha256": reading.sha256}, again)
        signature = self._file(facts, entry)
        return self._voucher.rule(entry.path, facts.family, facts.signature, signature, message, facts.released)

    def _record(self, row: VerifiedRow, ruling: Ruling, result: VerifyResult) -> None:
        row.signature, row.signed_by = ruling.word, ruling.signed_by
        if ruling.good:
            result.signatures_good += 1
        elif ruling.word == "not-checked":
            result.signatures_unseen += 1
        else:
            result.signatures_bad += 1
        result.findings.extend(ruling.findings)

    def _file(self, facts: Expected, entry: WalkEntry) -> SignatureFile:
        name = facts.signature.file if facts.signature is not None else ""
        named = self._named.get(name, ())
        if not self._in_store:
            return of_entry(nearest(entry.path, named))
        place = place_of(facts)
        return of_entry(next((entry for entry in named if entry.path == place), None))
