"""What differs between two manifests, and which domains each difference touches by what the ledger has today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import counted
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bundlekeeper.model.inventory.types import Inventory
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.changes import ManifestChange
    from bundlekeeper.planning.fleet.touched_domains import TouchedDomains


@dataclass(frozen=True, slots=True)
class ManifestDiff:
    """Two manifests that were read, what differs, each with the domains that it touches (None: not known), what was
    found. `origin` says where the inventory is from; empty where there is none."""

    old: Loaded
    new: Loaded
    changes: Sequence[tuple[ManifestChange, TouchedDomains | None]]
    origin: str
    findings: Sequence[Finding]


def manifest_diff(session: Session, old_name: str, new_name: str, inventory: str | None) -> ManifestDiff:
    """Compare two manifests by the inventory in that file, else by the ledger's.

    Raises InputError with every problem of a manifest or the inventory, and for manifests of two platforms;
    DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.model.manifest.changes import changes
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.fleet.touched_domains import touched_domains

    old, new = (_read(session, name) for name in (old_name, new_name))
    if old.manifest.platform != new.manifest.platform:
        message = f"they are of two platforms: {old.manifest.platform} and {new.manifest.platform}"
        raise InputError(message, where=new_name, hint="name two issues of one platform's manifest")
    differing = changes(old.manifest, new.manifest)
    known, origin, found = _inventory(session, inventory, new)
    if new.manifest.sequence < old.manifest.sequence:
        message = f"its sequence is {new.manifest.sequence}, older than {old.manifest.sequence} of {old_name}"
        found = [*found, finding("older-manifest", new_name, message, "are they exchanged? OLD comes first, then NEW")]
    if known is None:
        return ManifestDiff(old, new, [(change, None) for change in differing], "", [*found, *_unlooked(differing)])
    fleets = Fleet(old.manifest, known), Fleet(new.manifest, known)
    rows = [(change, touched_domains(change, *fleets)) for change in differing]
    return ManifestDiff(old, new, rows, origin, [*found, *(f for row in rows for f in _findings(*row))])


def _read(session: Session, name: str) -> Loaded:
    from bundlekeeper.model.lint.read_manifest import read

    return read(read_bounded(name, limits.MANIFEST_BYTES, "the manifest"), name=name, today=session.today())


def _inventory(session: Session, name: str | None, new: Loaded) -> tuple[Inventory | None, str, list[Finding]]:
    if name is not None:
        from bundlekeeper.model.inventory.read import InventorySource, form_of, read_inventory

        data = read_bounded(name, limits.INVENTORY_BYTES, "the inventory")
        source = InventorySource(name, data, form_of(name))
        return read_inventory([source], own_kinds=frozenset(new.manifest.kind)), name, []
    if not session.is_there or not session.ledger_is_there:
        return None, "", []
    from bundlekeeper.jobs.recording.believed_inventory import believed_inventory

    try:
        believed = believed_inventory(session)
    except InputError as error:  # no inventory was loaded yet
        return None, "", list(error.problems)
    return believed.inventory, "the store's ledger", believed.doubts


def _unlooked(differing: Sequence[ManifestChange]) -> list[Finding]:
    """Without an inventory: a warning where something was taken away, of which nobody knows whether it runs."""
    from bundlekeeper.planning.fleet.touched_domains import is_taken_away

    if not differing:
        return []
    level = Level.WARNING if any(map(is_taken_away, differing)) else Level.NOTE
    message = "no inventory: which domains these changes touch is not known"
    hint = "bundlekeeper inventory load FILE, or --inventory FILE"
    return [finding("not-checked", "inventory", message, hint, level)]


def _findings(change: ManifestChange, touched: TouchedDomains) -> list[Finding]:
    """What a change means for what runs: a bundle that was withdrawn or removed, a file that is another one now."""
    found: list[Finding] = []
    digest = next((key for key in change.keys if key.key == "sha256"), None)
    if digest is not None and change.section == "bundle":
        message = f"other bytes under the same version: SHA-256 was {digest.old}, is {digest.new}"
        hint = "ask the publisher which is right; what was verified by the old digest is another file"
        found.append(finding("altered", change.subject, message, hint))
    for domain, count in touched.running.items():
        if change.new is None:
            message = f"runs on {counted(count, 'component')} of {domain}; the new manifest does not list it"
            hint = "keep it, as superseded or withdrawn: without it no rule can apply to what runs"
            found.append(finding("version-unknown", change.subject, message, hint))
        else:
            reason = getattr(change.new, "reason", None) or "no reason is given"
            message = f"withdrawn ({reason}); runs on {counted(count, 'component')} of {domain}"
            found.append(finding("withdrawn", change.subject, message, f"bundlekeeper where {domain} --withdrawn"))
    if touched.unknown:
        verb = "runs" if touched.unknown == 1 else "run"
        message = f"whether {counted(touched.unknown, 'component')} {verb} it is not known"
        found.append(finding("not-checked", change.subject, message, "read their versions, and load them again"))
    return found
