"""What is in the store, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted, human_bytes

if TYPE_CHECKING:
    from datetime import datetime

    from bundlekeeper.jobs.store_list import StoreList
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.database.rows import Admitted


def _family(row: Holding) -> str:
    return row.stored.family + (f" ({row.stored.variant})" if row.stored.variant else "")


def _state(row: Holding) -> str:
    return row.state + (
        ", shared" if row.stored.shared else ", same bytes" if row.stored.way_in == "same-bytes" else ""
    )


COLUMNS: tuple[Column[Holding], ...] = (
    Column("family", _family),
    Column("version", lambda row: row.stored.version),
    Column("size", lambda row: human_bytes(row.stored.size), right=True),
    Column("images", lambda row: str(len(row.stored.images)), right=True),
    Column("lifecycle", lambda row: row.stored.lifecycle),
    Column("verification", _state),
    Column(
        "verified", lambda row: row.verification.verified_at.strftime("%Y-%m-%d %H:%MZ") if row.verification else "-"
    ),
    Column("file", lambda row: row.stored.name, below=True),
    Column("digest from", lambda row: row.stored.digest_from or "not stated", below=True),
)


def show_json(found: StoreList) -> None:
    """One JSON object on stdout."""
    data = {
        "store": str(found.root),
        "bundles": [_as_json(holding) for holding in found.bundles],
        "counts": found.counts,
    }
    data |= {"manifests": [_manifest_as_json(manifest) for manifest in found.manifests]}
    data |= {"exceptions": [_exception_as_json(exception) for exception in found.exceptions]}
    output.envelope("store-list", found.findings, data)


def show_text(found: StoreList, *, exceptions: bool) -> None:
    """A table, with `exceptions` those that were allowed, and the findings, folded."""
    _print(found)
    if exceptions:
        _print_exceptions(found.exceptions)
    output.folded_text(found.findings)


def _manifest_as_json(row: Admitted) -> dict[str, Any]:
    return {
        "platform": row.platform,
        "sequence": row.sequence,
        "sha256": row.sha256,
        "place": row.place,
        "issued": row.issued.isoformat(),
        "expires": row.expires.isoformat() if row.expires else None,
        "admitted_at": row.admitted_at.isoformat(),
        "signed_by": row.signed_by,
        "signed_key": row.signed_key,
    }


def _exception_as_json(row: tuple[datetime, str, str, str]) -> dict[str, Any]:
    at, what, subject, reason = row
    return {"at": at.isoformat(), "what": what, "subject": subject, "reason": reason}


def _print_exceptions(rows: list[tuple[datetime, str, str, str]]) -> None:
    for at, what, subject, reason in rows:
        output.line(f"exception: {at:%Y-%m-%d %H:%MZ}: {what}: {subject}: {reason}")
    if not rows:
        output.line("no exceptions were allowed")


def _as_json(row: Holding) -> dict[str, Any]:
    bundle = row.stored
    return {
        "family": bundle.family,
        "version": bundle.version,
        "file": bundle.name,
        "place": bundle.place,
        "size_bytes": bundle.size,
        "sha256": bundle.sha256,
        "lifecycle": bundle.lifecycle,
        "reason": bundle.reason,
        "variant": bundle.variant,
        "released": bundle.released.isoformat() if bundle.released else None,
        "platform": bundle.platform,
        "sequence": bundle.sequence,
        "digest_from": bundle.digest_from,
        "added_at": bundle.added_at.isoformat(),
        "added_from": bundle.added_from,
        "way_in": bundle.way_in,
        "shared": bundle.shared,
        "state": row.state,
        "message": row.message,
        "verified_at": row.verification.verified_at.isoformat() if row.verification else None,
        "images": [{"kind": i.kind, "models": list(i.models), "version": i.version} for i in bundle.images],
    }


def _print(found: StoreList) -> None:
    output.line(f"store: {found.root}")
    if not found.bundles:
        output.line("the store is empty")
        output.aside("next: bundlekeeper store add MANIFEST --from DIR")
        return
    write(COLUMNS, found.bundles)
    counts = found.counts
    output.line(
        f"{counted(counts['in_store'], 'bundle')}, {human_bytes(counts['bytes'])}; {counts['verified']} verified, "
        f"{counts['unverified']} not verified"
    )
