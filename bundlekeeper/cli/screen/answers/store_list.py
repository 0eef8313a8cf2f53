"""What is in the store, as text and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.tables import Column, write
from bundlekeeper.formats.escape import counted, human_bytes

if TYPE_CHECKING:
    from datetime import datetime

    from bundlekeeper.jobs.store.listing import StoreList
    from bundlekeeper.ledger.ask.removals import BundleRemoval
    from bundlekeeper.model.acceptance import Acceptance
    from bundlekeeper.store.contents.quarantine import QuarantinedBytes
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.database.rows import Admitted


def _family(row: Holding) -> str:
    return row.stored.family + (f" ({row.stored.variant})" if row.stored.variant else "")


def _needed(found: StoreList, row: Holding) -> str:
    return "; ".join(need.text() for need in found.needs.get(row.stored.place, ())) or "nothing known here"


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
        "bundles": [
            {**_as_json(holding), "needed_by": [need.text() for need in found.needs.get(holding.stored.place, ())]}
            for holding in found.bundles
        ],
        "counts": found.counts,
    }
    data |= {"manifests": [_manifest_as_json(manifest) for manifest in found.manifests]}
    data |= {"exceptions": [_exception_as_json(exception) for exception in found.exceptions]}
    data |= {"quarantine": [_quarantine_as_json(wrong, found) for wrong in found.quarantine]}
    data |= {"removed": [_removed_as_json(removal) for removal in found.removed]}
    data |= {"accepted": [_accepted_as_json(entry) for entry in found.accepted]}
    output.envelope("store-list", found.findings, data)


def show_text(found: StoreList, *, exceptions: bool) -> None:
    """A table, with `exceptions` those that were allowed, and the findings, folded."""
    _print(found)
    if exceptions:
        _print_exceptions(found.exceptions)
        for entry in found.accepted:
            output.line(f"accepted: {entry.code}: {entry.subject}: {entry.text()}")
    output.folded_text(found.findings)


def show_quarantine(found: StoreList) -> None:
    """What is in quarantine: since when, why, and where a good copy is."""
    if not found.quarantine:
        output.line("nothing is in quarantine")
        return
    write(QUARANTINE_COLUMNS, [(wrong, found) for wrong in found.quarantine])


def _since(wrong: QuarantinedBytes) -> str:
    return wrong.when.strftime("%Y-%m-%d %H:%MZ") if wrong.when else "?"


def _good(wrong: QuarantinedBytes, found: StoreList) -> str:
    place = found.good_copies.get(wrong.expected)
    return str(found.root / place) if place else "none in the store"


QUARANTINE_COLUMNS: tuple[Column[tuple[QuarantinedBytes, StoreList]], ...] = (
    Column("bundle", lambda row: row[0].bundle),
    Column("since", lambda row: _since(row[0])),
    Column("reason", lambda row: row[0].what),
    Column("kept as", lambda row: row[0].files[0], below=True),
    Column("came from", lambda row: row[0].source, below=True),
    Column("good copy", lambda row: _good(*row), below=True),
)


def _quarantine_as_json(wrong: QuarantinedBytes, found: StoreList) -> dict[str, Any]:
    return {
        "bundle": wrong.bundle,
        "since": wrong.when.isoformat() if wrong.when else None,
        "reason": wrong.what,
        "kept_as": wrong.place if wrong.kept else None,
        "came_from": wrong.source,
        "good_copy": found.good_copies.get(wrong.expected),
    }


def _removed_as_json(removal: BundleRemoval) -> dict[str, Any]:
    return {
        "family": removal.family,
        "version": removal.version,
        "file": removal.place.rpartition("/")[2],
        "sha256": removal.sha256,
        "at": removal.at.utc().isoformat(),
        "reported_by": removal.reported_by,
        "reason": removal.reason,
        "anyway": removal.anyway,
    }


def _accepted_as_json(entry: Acceptance) -> dict[str, Any]:
    row = {name: getattr(entry, name) for name in ("code", "subject", "reason", "reported_by")}
    return {**row, "on": entry.on.isoformat(), "until": entry.until.isoformat()}


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
        output.line("no bundle, nothing yet" if not found.removed else "no bundle")
        output.aside("next: bundlekeeper store add MANIFEST --from DIR")
        return
    needed: Column[Holding] = Column("needed by", lambda row: _needed(found, row), below=True)
    write((*COLUMNS, needed), found.bundles)
    counts = found.counts
    output.line(
        f"{counted(counts['in_store'], 'bundle')}, {human_bytes(counts['bytes'])}; {counts['verified']} verified, "
        f"{counts['unverified']} not verified" + (f"; {counts['missing']} missing" if counts["missing"] else "")
    )
    for removal in found.removed:
        output.line(f"removed: {removal.family} {removal.version}: {removal.text()}")
    if found.quarantine:
        number = counted(len(found.quarantine), "file")
        output.line(output.of_store(f"{number} in quarantine: bundlekeeper store list --quarantine"))
