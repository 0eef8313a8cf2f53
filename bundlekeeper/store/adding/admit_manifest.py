"""Whether this store may admit a manifest, and keeping it whole.

Rules: one store, one platform; the highest admitted sequence is kept, and a lower one is refused; the same sequence
with other bytes is a contradiction and always refused; the admitted bytes replace a kept copy that was altered; a
manifest that is not issued yet by this machine's clock is refused, and so is an expired one; the two exceptions need a
reason, which is recorded for good. A refused manifest leaves no trace.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.store.contents import quarantine
from bundlekeeper.store.contents.manifest_dates import called, doubts, is_ahead, latest, uncorrected
from bundlekeeper.store.database.rows import Admitted, BundleFacts
from bundlekeeper.store.database.store_database import StoreDatabase
from bundlekeeper.store.disk import files
from bundlekeeper.store.disk.temp_files import Incoming
from bundlekeeper.store.signatures import sidecar_files
from bundlekeeper.store.signatures.voucher import Ruling
from bundlekeeper.verification.hashing.door import digest_fd

if TYPE_CHECKING:
    from bundlekeeper.model.lint.read_manifest import Loaded

FOLDER = "manifests"


@dataclass(frozen=True, slots=True)
class AllowReasons:
    """The user's reasons for allowing an expired or an older manifest; None where there is none."""

    expired: str | None = None
    rollback: str | None = None

    def insist(self) -> None:
        """Raise InputError for a reason that is given and empty."""
        for option, reason in (("--allow-expired", self.expired), ("--allow-rollback", self.rollback)):
            if reason is not None and not reason.strip():
                raise InputError(f"{option} needs a reason", hint="give the reason in words; it is recorded for good")


@dataclass(frozen=True, slots=True)
class Admission:
    """An admitted manifest: the row to write, the findings, and the exceptions that were allowed (what, reason)."""

    admitted: Admitted
    findings: tuple[Finding, ...]
    exceptions: tuple[tuple[str, str], ...]


def place_of(platform: str, sequence: int) -> str:
    """Where a store keeps a manifest."""
    return f"{FOLDER}/{platform}-{sequence}.toml"


def judge(
    loaded: Loaded, known: Sequence[Admitted], now: datetime, reasons: AllowReasons, floor: int = -1
) -> Admission:
    """Decide whether the manifest may be admitted, given those `known` to the store. Pure.

    `floor` is the highest number of the manifests that the store keeps, with a row or without.

    Raises RefusedError: another platform, a rollback, a contradiction, one that is expired or not issued yet.
    """
    manifest = loaded.manifest
    reasons.insist()
    subject = called(manifest)
    _one_platform(manifest.platform, known)
    _no_contradiction(loaded, known, subject)
    _not_ahead(manifest.issued, subject, now)
    exceptions: list[tuple[str, str]] = []
    findings: list[Finding] = []
    highest = max([floor, *(k.sequence for k in known)])
    if manifest.sequence < highest:
        message = f"this manifest is older (sequence {manifest.sequence}) than one already admitted ({highest})"
        if not reasons.rollback:
            raise RefusedError(
                message, hint="add the newer one; to go back on purpose: --allow-rollback REASON (it is recorded)"
            )
        exceptions.append(("rollback", reasons.rollback))
        findings.append(finding("older-manifest", subject, f"{message}; allowed: {reasons.rollback}", level=Level.NOTE))
    if manifest.expires is not None and manifest.expires < latest(known, now, manifest).date():
        message = f"this manifest expired on {manifest.expires}"
        if not reasons.expired:
            raise RefusedError(
                message, hint="get the publisher's newer one; if there is none: --allow-expired REASON (it is recorded)"
            )
        exceptions.append(("expired", reasons.expired))
        findings.append(finding("expired", subject, f"{message}; allowed: {reasons.expired}", level=Level.NOTE))
    findings += doubts(subject, uncorrected(known, manifest), now, manifest.issued)
    admitted = Admitted(
        manifest.platform,
        manifest.sequence,
        loaded.sha256,
        place_of(manifest.platform, manifest.sequence),
        manifest.issued,
        manifest.expires,
        now,
    )
    return Admission(admitted, tuple(findings), tuple(exceptions))


def _not_ahead(issued: date, subject: str, now: datetime) -> None:
    if is_ahead(issued, now):
        raise RefusedError(
            f"{subject} was issued on {issued}, more than a day ahead: this machine's clock says {now.date()}",
            hint="if the clock is right, ask for a manifest with the right date of issue; if not, set the clock",
        )


def _one_platform(platform: str, known: Iterable[Admitted]) -> None:
    other = next((manifest.platform for manifest in known if manifest.platform != platform), None)
    if other is not None:
        raise RefusedError(
            f"this manifest is for platform {platform}, the store keeps {other}",
            hint="a store keeps one platform: use another store for this one (--store)",
        )


def _no_contradiction(loaded: Loaded, known: Iterable[Admitted], subject: str) -> None:
    for manifest in known:
        if manifest.sequence == loaded.manifest.sequence and manifest.sha256 != loaded.sha256:
            raise RefusedError(
                f"another manifest with the same sequence was admitted already ({subject})",
                hint="if this one was changed on purpose, raise `sequence` in it; "
                f"the admitted one is {manifest.place}",
                where=manifest.place,
            )


def vouched(admission: Admission, ruling: Ruling) -> Admission:
    """The admission with the signer of the manifest, where there is one."""
    admitted = replace(admission.admitted, signed_by=ruling.signed_by, signed_key=ruling.signed_key)
    return replace(admission, admitted=admitted, findings=(*ruling.findings, *admission.findings))


def admit(
    root: int,
    incoming: Incoming,
    database: StoreDatabase,
    admission: Admission,
    data: bytes,
    facts: Sequence[BundleFacts],
    signature: bytes | None = None,
) -> tuple[Finding, ...]:
    """Keep the manifest whole with its signature, then record it, its facts about the stored files, and the exceptions.

    A kept copy that is no longer what was admitted goes to quarantine, and these bytes, which are, take its place; a
    finding reports it.
    Raises RefusedError when another manifest is kept under its name, UnfinishedError, OSError.
    """
    admitted = admission.admitted
    healed: tuple[Finding, ...] = ()
    if signature is not None:
        sidecar_files.put_over(root, incoming, admitted.place + sidecar_files.SUFFIX, signature)
    name = admitted.place.rpartition("/")[2]
    with files.folder(root, (FOLDER,), create=True) as folder, incoming.temp() as temp:
        files.write_all(temp.fd, data)
        os.fchmod(temp.fd, files.FILE_MODE)
        os.fsync(temp.fd)
        try:
            temp.publish(folder, name)
        except FileExistsError:
            # Kept by a run that was killed before its row was written, or this very manifest is added again.
            if not _is_same(folder, name, data):
                if not any(manifest.sha256 == admitted.sha256 for manifest in database.admitted()):
                    raise RefusedError(
                        f"{admitted.place} has other bytes than this manifest",
                        hint="if this one was changed on purpose, raise `sequence` in it",
                        where=admitted.place,
                    ) from None
                healed = (_move_to_quarantine(root, incoming, folder, admitted, len(data)),)
                temp.publish(folder, name)
        os.fsync(folder)
    database.admit(admitted, facts)
    for what, reason in admission.exceptions:
        database.record_exception(admitted.admitted_at, what, f"{admitted.platform}-{admitted.sequence}", reason)
    return healed


def _is_same(folder: int, name: str, data: bytes) -> bool:
    with files.regular(folder, name) as fd:
        if os.fstat(fd).st_size != len(data):
            return False
    return files.read_bounded(folder, name, max(len(data), 1)) == data


def _move_to_quarantine(root: int, incoming: Incoming, folder: int, admitted: Admitted, size: int) -> Finding:
    """Move an altered copy of an admitted manifest, of `size` bytes when it was whole, to quarantine."""
    name = admitted.place.rpartition("/")[2]
    with files.regular(folder, name) as fd:
        found = digest_fd(fd)
    of_it = admitted.platform, admitted.sequence, "", "", "", "", (), None
    whole = BundleFacts("manifest", str(admitted.sequence), name, size, admitted.sha256, *of_it)
    reason = "the kept copy of the manifest was not what was admitted"
    wrong = quarantine.QuarantineReason(whole, found.size, found.sha256, admitted.place, reason)
    moved = quarantine.move_in(root, incoming, folder, wrong, admitted.admitted_at)
    message = f"the kept copy's SHA-256 was {found.sha256[:12]}…, that of the admitted one is {admitted.sha256[:12]}…"
    hint = "find out who changed it"
    message = f"{message}; kept as {moved}, and replaced by what was admitted"
    return finding("altered", admitted.place, message, hint, Level.WARNING)
