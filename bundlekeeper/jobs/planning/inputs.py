"""What gaps, route and run-books are made from: manifest, inventory, holdings, each with its signature or its origin.

Rules: a manifest that the store would not admit stops the command (4), the one in force as well as one that is named; a
bundle's signature is judged by the digests of its last verification, never by a new read, and what that does not show
is unknown; of a bundle without a verification no signature is known; what is missing is an error, never an empty
answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.formats import limits
from bundlekeeper.jobs.inputs import read_bounded
from bundlekeeper.jobs.manifest_signature import rule_on, signature_of
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.vocabulary import FAMILIES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.model.acceptance import Acceptance
    from bundlekeeper.model.inventory.types import Inventory
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import Manifest
    from bundlekeeper.planning.fleet.stock import Holdings, StoredFile
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Stated
    from bundlekeeper.store.signatures.voucher import Ruling, Voucher


@dataclass(frozen=True, slots=True)
class InputFiles:
    """The files that the user named: manifest, inventory, the manifest's signature; None for what the store has."""

    manifest: str | None = None
    inventory: str | None = None
    signature: Path | None = None


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything that a plan is made from.

    `findings` are about the manifest, its signature, the trust list and events that no answer counts yet; `origin` says
    where the inventory is from; `head` is the ledger's, None where there is none; dates are judged at `judged_at`: now,
    or a later time that the store knows of; `accepted` are the store's acceptances that count.
    """

    manifest: Manifest
    manifest_sha256: str
    inventory: Inventory
    origin: str
    holdings: Holdings
    signature: Ruling
    findings: tuple[Finding, ...]
    head: Head | None
    judged_at: datetime
    accepted: tuple[Acceptance, ...] = ()

    def judged(self, findings: Iterable[Finding], domain: str) -> tuple[Finding, ...]:
        """What was found about a domain, that which was accepted as notes that say so."""
        from bundlekeeper.model.acceptance import applied

        return tuple(applied(findings, self.accepted, domain))

    def about(self) -> dict[str, Any]:
        """The manifest and its signature as JSON envelopes carry them."""
        of = self.manifest
        named = {"platform": of.platform, "sequence": of.sequence, "sha256": self.manifest_sha256}
        return {"manifest": named, "manifest_signature": self.signature.as_json()}


def read_inputs(session: Session, files: InputFiles, *, bare: bool = False) -> Inputs:
    """Manifest, inventory and holdings: from files that are named, else from the store and its ledger.

    With `bare`, an inventory that is nowhere to be had is one of nothing, with no origin.

    Raises InputError when one of them is not to be had, RefusedError for a manifest that the store would not admit,
    UnfinishedError, DamagedError, LockedError.
    """
    from bundlekeeper.store.contents.manifest_dates import doubts, latest

    if files.signature is not None and files.manifest is None:
        raise InputError(
            "--signature needs a manifest that is named", hint="name both: --manifest FILE --signature FILE"
        )
    if files.manifest is not None:
        loaded, unknown, ruling = _named(session, files.manifest, files.signature)
    else:
        loaded, unknown, ruling = _kept(session)
    rules = loaded.manifest
    head, believed, ahead = _recorded(session, wanted=files.inventory is None, bare=bare)
    if files.inventory is not None:
        components, origin = _from_file(files.inventory, rules), files.inventory
    elif believed is not None:
        components, origin = believed, "the store's ledger"
    elif bare:
        components, origin = _nothing(session), ""
    else:
        raise InputError("there is no inventory", hint="bundlekeeper inventory load FILE, or --inventory")
    holdings, verified_ahead = _holdings_of(session, rules)
    admitted = session.admitted if session.is_there else []
    is_known = session.is_there and session.database is not None
    behind = doubts(f"manifest, sequence {rules.sequence}", admitted, session.now(), rules.issued) if is_known else []
    findings = (*loaded.problems, *ruling.findings, *behind, *verified_ahead, *unknown, *ahead)
    findings = (*findings, *session.voucher.troubles())
    judged_at = latest(admitted, session.now())
    judged = tuple(session.judged(findings))
    accepted = session.acceptances_now
    return Inputs(rules, loaded.sha256, components, origin, holdings, ruling, judged, head, judged_at, accepted)


def _named(session: Session, name: str, signature: Path | None) -> tuple[Loaded, tuple[Finding, ...], Ruling]:
    """A manifest that the user named, with what the store knows to be withdrawn; and what is not known of that."""
    from bundlekeeper.model.lint.read_manifest import read
    from bundlekeeper.store.contents.withdrawals import overlaid

    data = read_bounded(name, limits.MANIFEST_BYTES, "the manifest")
    signed = signature_of(name, signature)
    loaded = read(data, name=name, today=session.today())
    ruling = rule_on(session.voucher, name, data, signed, loaded.manifest.issued)
    if not session.is_there:
        return loaded, (), ruling
    return *overlaid(session.store.fd, loaded, session.admitted), ruling


def _kept(session: Session) -> tuple[Loaded, tuple[Finding, ...], Ruling]:
    """The manifest in force, in the same way."""
    from bundlekeeper.store.signatures.voucher import insist

    kept = session.in_force if session.is_there else None
    if kept is None:
        raise InputError(
            "no manifest was admitted yet", hint="bundlekeeper store add MANIFEST --from DIR, or --manifest"
        )
    ruling = session.voucher.rule_kept(session.store.fd, kept.admitted)
    insist(ruling, kept.admitted.place)
    # What lint finds in the manifest in force was reported when it was admitted.
    return replace(kept.loaded, problems=()), kept.unknown, ruling


def _from_file(name: str, rules: Manifest) -> Inventory:
    from bundlekeeper.model.inventory.read import InventorySource, form_of, read_inventory

    data = read_bounded(name, limits.INVENTORY_BYTES, "the inventory")
    return read_inventory([InventorySource(name, data, form_of(name))], own_kinds=frozenset(rules.kind))


def _nothing(session: Session) -> Inventory:
    from bundlekeeper.model.inventory.types import Inventory

    return Inventory(session.today(), "UTC")


def _recorded(
    session: Session, *, wanted: bool, bare: bool
) -> tuple[Head | None, Inventory | None, tuple[Finding, ...]]:
    """The ledger's head, what it believes of every component where that is `wanted`, and what makes that doubtful."""
    from bundlekeeper.ledger.ask.as_inventory import believed
    from bundlekeeper.ledger.ask.future_events import ahead

    if not session.is_there or ((bare or not wanted) and not session.ledger_is_there):
        return None, None, ()
    ledger = session.ledger
    if not wanted:
        return ledger.head(), None, ()
    clock = session.now()
    with ledger.reading():  # the head that is reported and the inventory are of one moment
        head, found, beyond = ledger.head(), believed(ledger, clock=clock), ahead(ledger, clock)
    doubts = () if beyond is None else (beyond.doubt("not counted here"),)
    if found is None and bare:
        return head, None, doubts
    if found is None:
        hint = "bundlekeeper inventory load FILE, or --inventory"
        raise InputError("no inventory was loaded yet", hint=hint, problems=doubts)
    for key in found.unplaced[:20]:
        session.tell(f"note: {key} is recorded, but not where it is: left out")
    if len(found.unplaced) > 20:
        session.tell(f"note: {len(found.unplaced) - 20} more are left out for the same reason")
    return head, found.inventory, doubts


def _holdings_of(session: Session, rules: Manifest) -> tuple[Holdings, list[Finding]]:
    """What is in the store and what it accepts, as planning asks for it, nothing without a store; and what is doubtful.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.planning.fleet.stock import Holdings
    from bundlekeeper.store.contents.right_now import holdings, verified_ahead
    from bundlekeeper.store.database.rows import Stated

    if not session.is_there or session.database is None:
        return Holdings(), []
    stated: dict[str, Stated | None] = {
        bundle.sha256: Stated(bundle.signature.file, bundle.signature.form, bundle.signature.key)
        if bundle.signature is not None
        else None
        for bundle in rules.bundle
    }
    clock, store, voucher = session.now(), session.store, session.voucher
    rows = [holding for holding in holdings(store, session.database, clock) if holding.state != "missing"]
    files = [
        _file(store, voucher, holding, stated.get(holding.stored.sha256, holding.stored.signature)) for holding in rows
    ]
    families = tuple(family for family in FAMILIES if voucher.requires(family))
    doubts = verified_ahead([holding.ahead for holding in rows if holding.ahead is not None], clock)
    oldest_s = voucher.max_verification_age_s or session.config.max_verification_age_s
    return Holdings(files, signed_families=families, max_verification_age_s=oldest_s), doubts


def _file(store: Store, voucher: Voucher, row: Holding, stated: Stated | None) -> StoredFile:
    from bundlekeeper.planning.fleet.stock import SignatureState, StoredFile

    verification = row.verification
    plain = StoredFile(
        row.stored.sha256,
        row.stored.family,
        row.stored.version,
        row.stored.variant,
        verified=verification is not None,
        verified_at=verification.verified_at if verification is not None else None,
    )
    if stated is None:
        return replace(plain, signature=SignatureState.ABSENT)
    if verification is None:
        return plain
    from bundlekeeper.store.signatures.sidecar_files import in_store, place_of
    from bundlekeeper.store.signatures.voucher import Message

    signature = in_store(store.fd, place_of(replace(row.stored, signature=stated)))
    message = Message(verification.digests)
    ruling = voucher.rule(row.stored.place, row.stored.family, stated, signature, message, row.stored.released)
    if ruling.good:
        return replace(plain, signature=SignatureState.GOOD, against=ruling.findings)
    if ruling.word == "not-checked":
        return plain
    state = SignatureState.BAD if ruling.bad else SignatureState.ABSENT
    return replace(plain, signature=state, against=ruling.findings)
