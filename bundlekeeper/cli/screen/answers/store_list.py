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
    from bundlekeeper.store.database.rows import Accepted


def _family(row: Holding) -> str:
    return row.held.family + (f" ({row.held.variant})" if row.held.variant else "")


def _state(row: Holding) -> str:
    return row.state + (", shared" if row.held.shared else ", same bytes" if row.held.way_in == "same-bytes" else "")


COLUMNS: tuple[Column[Holding], ...] = (
    Column("family", _family),
    Column("version", lambda row: row.held.version),
    Column("size", lambda row: human_bytes(row.held.size), right=True),
    Column("images", lambda row: str(len(row.held.images)), right=True),
    Column("standing", lambda row: row.held.standing),
    Column("proof", _state),
    Column("proven", lambda row: row.proof.proven_at.strftime("%Y-%m-%d %H:%MZ") if row.proof else "-"),
    Column("file", lambda row: row.held.name, below=True),
    Column("digest from", lambda row: row.held.digest_from or "not stated", below=True),
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
    output.envelope("held", found.findings, data)


def show_text(found: StoreList, *, exceptions: bool) -> None:
    """A table, with `exceptions` what was accepted against the rules, and the findings, folded."""
    _print(found)
    if exceptions:
        _print_exceptions(found.exceptions)
    output.folded_text(found.findings)


def _manifest_as_json(row: Accepted) -> dict[str, Any]:
    return {
        "platform": row.platform,
        "sequence": row.sequence,
        "sha256": row.sha256,
        "place": row.place,
        "issued": row.issued.isoformat(),
        "expires": row.expires.isoformat() if row.expires else None,
        "accepted_at": row.accepted_at.isoformat(),
        "signed_by": row.signed_by,
        "signed_key": row.signed_key,
    }


def _exception_as_json(row: tuple[datetime, str, str, str]) -> dict[str, Any]:
    at, what, subject, why = row
    return {"at": at.isoformat(), "what": what, "subject": subject, "why": why}


def _print_exceptions(rows: list[tuple[datetime, str, str, str]]) -> None:
    for at, what, subject, why in rows:
        output.line(f"exception: {at:%Y-%m-%d %H:%MZ}: {what}: {subject}: {why}")
    if not rows:
        output.line("no exceptions were made")


def _as_json(row: Holding) -> dict[str, Any]:
    bundle = row.held
    return {
        "family": bundle.family,
        "version": bundle.version,
        "file": bundle.name,
        "place": bundle.place,
        "size_bytes": bundle.size,
        "sha256": bundle.sha256,
        "standing": bundle.standing,
        "why": bundle.why,
        "variant": bundle.variant,
        "released": bundle.released.isoformat() if bundle.released else None,
        "platform": bundle.platform,
        "sequence": bundle.sequence,
        "digest_from": bundle.digest_from,
        "taken_at": bundle.taken_at.isoformat(),
        "taken_from": bundle.taken_from,
        "way_in": bundle.way_in,
        "shared": bundle.shared,
        "state": row.state,
        "says": row.says,
        "proven_at": row.proof.proven_at.isoformat() if row.proof else None,
        "images": [{"kind": i.kind, "models": list(i.models), "version": i.version} for i in bundle.images],
    }


def _print(found: StoreList) -> None:
    output.line(f"store: {found.root}")
    if not found.bundles:
        output.line("nothing is held")
        output.aside("next: bundlekeeper take MANIFEST --from DIR")
        return
    write(COLUMNS, found.bundles)
    counts = found.counts
    output.line(
        f"{counted(counts['held'], 'bundle')}, {human_bytes(counts['bytes'])}; {counts['proven']} proven, "
        f"{counts['not_proven']} not proven"
    )
