"""The result of `verify`, as text, as JSON and as JUnit XML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.manifest_signature import as_json, tell
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import human_bytes
from bundlekeeper.model.verify_result import Status

if TYPE_CHECKING:
    from datetime import datetime

    from bundlekeeper.jobs.store.verify import VerifiedStore
    from bundlekeeper.model.verify_result import VerifiedRow, VerifyResult


def _size(row: VerifiedRow) -> str:
    return human_bytes((row.size if row.size is not None else row.expected_size) or 0)


def _verified(row: VerifiedRow) -> str:
    unread = "not read now" if row.status is Status.UNVERIFIED else "-"
    return row.verified_at.strftime("%Y-%m-%d %H:%MZ") if row.verified_at else unread


COLUMNS: tuple[Column[VerifiedRow], ...] = (
    Column("status", lambda row: row.status.value),
    Column("family", lambda row: row.family or "-"),
    Column("version", lambda row: row.version or "-"),
    Column("size", _size, right=True),
    Column("last verification", _verified),
    Column("file", lambda row: row.place or row.name, below=True),
)


def write_junit(found: VerifiedStore, file: str, at: datetime) -> None:
    """JUnit XML in the file, or on stdout for `-`. Raises as `user_files.write_new`."""
    from bundlekeeper.cli.screen.user_files import TEST_REPORT, write_new
    from bundlekeeper.reports.junit import document

    write_new(file, document(found.result, name=found.subject, at=at), force=True, kind=TEST_REPORT)


def show_json(found: VerifiedStore) -> None:
    """One JSON object on stdout."""
    result = found.result
    rows = [
        {
            "file": row.name,
            "family": row.family,
            "version": row.version,
            "place": row.place,
            "status": row.status.value,
            "size_bytes": row.size,
            "expected_size_bytes": row.expected_size,
            "expected_sha256": row.expected,
            "found_sha256": row.found,
            "verified_at": row.verified_at.isoformat() if row.verified_at else None,
            "signature": row.signature,
            "signed_by": row.signed_by,
            "message": row.message,
        }
        for row in result.rows
    ]
    counts = {
        "verified": result.verified,
        "trusted": result.trusted,
        "skipped": result.skipped,
        "unverified": result.unverified,
        "files_read": result.files_read,
        "bytes_read": result.bytes_read,
        "signatures_good": result.signatures_good,
        "signatures_not_good": result.signatures_bad,
        "signatures_not_looked_at": result.signatures_unseen,
    }
    ends = {"stopped": result.stopped, "out_of_time": result.out_of_time, "untrusted_because": result.untrusted_because}
    data = {"subject": found.subject, "rows": rows, "counts": counts, **ends}
    output.envelope("verify", found.findings, {**data, "manifest_signature": as_json(found.manifest_signature)})


def show_text(found: VerifiedStore) -> None:
    """Who signed the manifest, a table, the findings, folded, and the counts."""

    result = found.result
    tell(found.manifest_signature)
    write(COLUMNS, result.rows)
    output.folded_text(found.findings)
    if result.untrusted_because:
        output.line(f"--quick trusted nothing here: {result.untrusted_because}")
    output.line(_summary(found.subject, result))
    if result.trouble is not None:
        output.aside(f"error: verifications could not be recorded: {result.trouble.message}")
        if result.trouble.hint:
            output.aside(f"hint: {result.trouble.hint}")
    if result.stopped or result.out_of_time:
        output.aside("next: run the same command with --older-than 1h to go on from here")


def _summary(subject: str, result: VerifyResult) -> str:
    """Counts by status, in the statuses' order; unread files are always among them, zero or not."""
    from collections import Counter

    counts = Counter(row.status for row in result.rows)
    words = [f"{counts[Status.OK]} verified now"]
    words += [f"{number} {status.value}" for status in Status if status is not Status.OK and (number := counts[status])]
    read = f"{human_bytes(result.bytes_read)} read"
    return f"{subject}: {', '.join(words)}; {result.unverified} not verified; {_signatures(result)}{read}"


def _signatures(result: VerifyResult) -> str:
    """The counts of signatures that are stated or required; empty where none is."""
    good, bad, unseen = result.signatures_good, result.signatures_bad, result.signatures_unseen
    return f"signatures: {good} good, {bad} not good, {unseen} not looked at; " if good or bad or unseen else ""
