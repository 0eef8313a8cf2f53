"""What gaps, route and run-books are made from: manifest, inventory, holdings, each with what vouches for it.

Rules: a manifest that the store would not take stops the command (4), the kept one as well as one that is named; a
bundle's signature is ruled on by the digests of its last proof, never by a new read, and what that cannot tell is
unknown; a bundle without a proof has no signature that is known; what is missing is an error, never an empty answer.
"""

from __future__ import annotations

import hashlib
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli.options import now, today
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding
from bundlekeeper.jobs.inputs import MANIFEST_LIMIT, read_bounded
from bundlekeeper.jobs.manifest_signature import as_json, rule_on, signature_of, voucher_of
from bundlekeeper.jobs.open import LEDGER, is_there, kept_manifest, open_book, open_store, store_is_there
from bundlekeeper.model.vocabulary import FAMILIES

if TYPE_CHECKING:
    from bundlekeeper.ledger.event.chain import Head
    from bundlekeeper.model.inventory.types import Inventory
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import Manifest
    from bundlekeeper.planning.fleet.stock import HeldFile, Holdings
    from bundlekeeper.store.contents.right_now import Holding
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Stated
    from bundlekeeper.store.signatures.voucher import Ruling, Voucher

_INVENTORY_LIMIT = 64 * 1024 * 1024  # bytes

ToOption = Annotated[str, typer.Option("--to", metavar="RELEASE", help="The release to be reached.")]
ManifestOption = Annotated[
    str | None, typer.Option("--manifest", metavar="FILE", help="This manifest, not the one that the store accepted.")
]
InventoryOption = Annotated[
    str | None, typer.Option("--inventory", metavar="FILE", help="This inventory, not what the store's record says.")
]


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything that a plan is made from.

    `findings` are about the manifest, its signature, the trust list and events that no answer counts yet; `origin` says
    where the inventory is from; `head` is the ledger's, None where there is none.
    """

    manifest: Manifest
    manifest_sha256: str
    inventory: Inventory
    origin: str
    holdings: Holdings
    signature: Ruling
    findings: tuple[Finding, ...]
    head: Head | None

    def about(self) -> dict[str, Any]:
        """The manifest and its signature as JSON envelopes carry them."""
        of = self.manifest
        named = {"platform": of.platform, "sequence": of.sequence, "sha256": self.manifest_sha256}
        return {"manifest": named, "manifest_signature": as_json(self.signature)}


def read_inputs(
    root: Path, manifest: str | None, inventory: str | None, signature: Path | None = None, *, bare: bool = False
) -> Inputs:
    """Manifest, inventory and holdings: from files that are named, else from the store and its record.

    With `bare`, an inventory that is nowhere to be had is one of nothing, with no origin.

    Raises InputError when one of them is not to be had, RefusedError for a manifest that the store would not take,
    UnfinishedError, DamagedError, LockedError.
    """
    if signature is not None and manifest is None:
        raise InputError("--signature is about a manifest that is named", hint="--manifest FILE --signature FILE")
    with ExitStack() as stack:
        store = open_store(root, stack, write=False) if store_is_there(root) else None
        voucher = voucher_of(store)
        if manifest is not None:
            loaded, ruling = _named(manifest, signature, voucher)
        else:
            loaded, ruling = _kept(store, voucher)
        head, believed = None, None
        ahead: tuple[Finding, ...] = ()
        if store is not None and (inventory is None or is_there(root / ".keeper" / LEDGER)):
            there = is_there(root / ".keeper" / LEDGER)
            if there or not bare:
                head, believed, ahead = _believed(store, stack, wanted=inventory is None, bare=bare)
        if inventory is not None:
            parts, origin = _from_file(inventory, loaded.manifest), inventory
        elif believed is not None:
            parts, origin = believed, "the store's record"
        elif bare:
            parts, origin = _nothing(), ""
        else:
            raise InputError("there is no inventory", hint="bundlekeeper inventory load FILE, or --inventory")
        loaded, unknown = _overlaid(store, loaded)
        holdings, proven_ahead = _holdings_of(store, voucher, loaded.manifest)
        doubts = (*_doubts(store, loaded), *proven_ahead, *unknown, *ahead)
        findings = (*loaded.problems, *ruling.findings, *doubts, *voucher.troubles())
    digest = hashlib.sha256(loaded.data).hexdigest()
    return Inputs(loaded.manifest, digest, parts, origin, holdings, ruling, findings, head)


def _named(name: str, signature: Path | None, voucher: Voucher) -> tuple[Loaded, Ruling]:
    from bundlekeeper.model.lint.read_manifest import read

    data = read_bounded(name, MANIFEST_LIMIT, "the manifest")
    signed = signature_of(name, signature)
    loaded = read(data, name=name, today=today())
    return loaded, rule_on(voucher, name, data, signed, loaded.manifest.issued)


def _kept(store: Store | None, voucher: Voucher) -> tuple[Loaded, Ruling]:
    from bundlekeeper.model.lint.read_manifest import read
    from bundlekeeper.store.signatures.voucher import insist

    kept = kept_manifest(store) if store is not None else None
    if store is None or kept is None:
        raise InputError("no manifest was accepted yet", hint="bundlekeeper take MANIFEST --from DIR, or --manifest")
    newest, data = kept
    ruling = voucher.rule_kept(store.fd, newest)
    insist(ruling, newest.place)
    loaded = read(data, name=newest.place, today=newest.issued)
    # What lint says of the kept one was told when it was taken.
    return replace(loaded, problems=()), ruling


def _doubts(store: Store | None, loaded: Loaded) -> list[Finding]:
    from bundlekeeper.store.contents.manifest_dates import doubts

    if store is None or not store.catalogue_path.exists():
        return []
    with store.catalogue(write=False) as catalogue:
        accepted = catalogue.accepted()
    return doubts(f"manifest, sequence {loaded.manifest.sequence}", accepted, now(), loaded.manifest.issued)


def _overlaid(store: Store | None, loaded: Loaded) -> tuple[Loaded, tuple[Finding, ...]]:
    """The manifest with what a newer one that the store accepted withdrew since."""
    from bundlekeeper.store.contents.withdrawals import overlaid

    if store is None or not store.catalogue_path.exists():
        return loaded, ()
    with store.catalogue(write=False) as catalogue:
        known = catalogue.accepted()
    return overlaid(store.fd, loaded, known)


def _from_file(name: str, rules: Manifest) -> Inventory:
    from bundlekeeper.model.inventory.read import InventorySource, form_of, read_inventory

    data = read_bounded(name, _INVENTORY_LIMIT, "the inventory")
    return read_inventory([InventorySource(name, data, form_of(name))], own_kinds=frozenset(rules.kind))


def _nothing() -> Inventory:
    from bundlekeeper.model.inventory.types import Inventory

    return Inventory(today(), "UTC")


def _believed(
    store: Store, stack: ExitStack, *, wanted: bool, bare: bool = False
) -> tuple[Head, Inventory | None, tuple[Finding, ...]]:
    """The record's head, what it believes of every part, and what makes that doubtful."""
    from bundlekeeper.ledger.ask.as_inventory import believed
    from bundlekeeper.ledger.ask.future_events import ahead

    book = open_book(store, stack, write=False)
    if not wanted:
        return book.head(), None, ()
    clock = now()
    with book.reading():  # the head that is told and the inventory are of one moment
        head, found, beyond = book.head(), believed(book, clock=clock), ahead(book, clock)
    doubts = () if beyond is None else (beyond.doubt("not counted here"),)
    if found is None and bare:
        return head, None, doubts
    if found is None:
        hint = "bundlekeeper inventory load FILE, or --inventory"
        raise InputError("no inventory was loaded yet", hint=hint, problems=doubts)
    for key in found.unplaced[:20]:
        output.aside(f"note: {key} is recorded, but nothing says where it is: left out")
    if len(found.unplaced) > 20:
        output.aside(f"note: {len(found.unplaced) - 20} more are left out for the same reason")
    return head, found.inventory, doubts


def _holdings_of(store: Store | None, voucher: Voucher, rules: Manifest) -> tuple[Holdings, list[Finding]]:
    """What the store holds and accepts, as planning asks for it, nothing where there is no store; and what is doubtful.

    Raises DamagedError, LockedError, UnfinishedError.
    """
    from bundlekeeper.planning.fleet.stock import Holdings
    from bundlekeeper.store.contents.right_now import holdings, proven_ahead
    from bundlekeeper.store.database.rows import Stated

    if store is None or not store.catalogue_path.exists():
        return Holdings(), []
    stated: dict[str, Stated | None] = {
        b.sha256: Stated(b.signature.file, b.signature.form, b.signature.key) if b.signature is not None else None
        for b in rules.bundle
    }
    clock = now()
    with store.catalogue(write=False) as catalogue:
        rows = [row for row in holdings(store, catalogue, clock) if row.state != "missing"]
    files = [_file(store, voucher, row, stated.get(row.held.sha256, row.held.signature)) for row in rows]
    families = tuple(f for f in FAMILIES if voucher.wants(f))
    doubts = proven_ahead([row.ahead for row in rows if row.ahead is not None], clock)
    return Holdings(files, signed_families=families, max_proof_age_s=voucher.max_proof_age_s), doubts


def _file(store: Store, voucher: Voucher, row: Holding, stated: Stated | None) -> HeldFile:
    from bundlekeeper.planning.fleet.stock import HeldFile, SignatureState

    proof = row.proof
    plain = HeldFile(
        row.held.sha256,
        row.held.family,
        row.held.version,
        row.held.build,
        proven=proof is not None,
        proven_at=proof.proven_at if proof is not None else None,
    )
    if stated is None:
        return replace(plain, signature=SignatureState.ABSENT)
    if proof is None:
        return plain
    from bundlekeeper.store.signatures.sidecar_files import in_store, place_of
    from bundlekeeper.store.signatures.voucher import Message

    signature = in_store(store.fd, place_of(replace(row.held, signature=stated)))
    message = Message(proof.digests)
    ruling = voucher.rule(row.held.place, row.held.family, stated, signature, message, row.held.released)
    if ruling.good:
        return replace(plain, signature=SignatureState.GOOD, against=ruling.findings)
    if ruling.word == "not-checked":
        return plain
    state = SignatureState.BAD if ruling.bad else SignatureState.ABSENT
    return replace(plain, signature=state, against=ruling.findings)
