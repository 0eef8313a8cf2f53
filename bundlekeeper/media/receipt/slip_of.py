"""A paper receipt made of a receipt, signed on wish, and read back where the set was made.

Rules: without a signature a paper verifies that it was copied rightly and nothing else, and that is said; a signature is
verified under the same trust entries as a receipt's file; a paper brings no events into the ledger; one that
contradicts what was sent is not kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.media.receipt import kept as kept_receipts
from bundlekeeper.media.receipt import slip as paper
from bundlekeeper.media.receipt.compose import elsewhere
from bundlekeeper.media.receipt.kept import PAPER, KeptPaper, KeptReceipt
from bundlekeeper.media.receipt.read import beyond, judged
from bundlekeeper.media.receipt.slip import DomainCount, Slip
from bundlekeeper.media.set import signer as vouch
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.media.set.signed_index import index_or_finding
from bundlekeeper.model.media.index import SetIndex
from bundlekeeper.model.trust import NAMESPACES

if TYPE_CHECKING:
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.media.receipt.document import Receipt
    from bundlekeeper.media.set.records import Sent
    from bundlekeeper.store.contents.store import Store

#: A paper tells the two apart no further.
AWAY = "did not arrive, or is not held there now"
UNSIGNED = "it is not signed: the code verifies that it was copied rightly, not who wrote it"


@dataclass(frozen=True, slots=True)
class PaperAnswer:
    """What a paper said: `signed_by` is empty where it is not signed, `missing` the paths where they can be reported.

    `kept` is False where it contradicts what was sent, `newer` when a newer receipt of that site was made, that came
    already.
    """

    slip: Slip
    signed_by: str
    sent: Sent | None
    missing: tuple[str, ...]
    new: bool
    findings: tuple[Finding, ...]
    kept: bool = True
    newer: datetime | None = None


def slip_of(receipt: Receipt, index: SetIndex, sign: Callable[[bytes], bytes] | None = None) -> Slip:
    """The slip of a receipt; `sign` makes 64 bytes of Ed25519 signature over what is given."""
    away = {each.path for each in receipt.missing} | {arrived.path for arrived in receipt.not_in_store}
    missing = tuple(number for number, each in enumerate(index.files) if each.path in away)
    rows = [state for state in receipt.states if state.site == receipt.site]
    slip = Slip(
        set_id=receipt.set_id,
        sequence=receipt.sequence,
        index=receipt.index[:8],
        made=receipt.made.replace(second=0, microsecond=0),
        site=receipt.site,
        files=len(index.files),
        missing=missing,
        missing_count=len(missing),
        ledger_count=receipt.count,
        head=receipt.head[:16],
        domains=tuple(DomainCount(state.domain, state.parts, state.staged, state.differs) for state in rows),
    )
    if sign is None:
        return slip
    slip = replace(slip, signature=bytes(paper.SIGNATURE_BYTES))  # that it is signed is among the signed bytes
    return replace(slip, signature=sign(paper.signed_bytes(slip)))


def sign_with(private: object) -> Callable[[bytes], bytes]:
    """A signer for `slip_of`. Raises InputError for any key but Ed25519: others' signatures are too long to type."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from bundlekeeper.verification.signatures import sshsig

    if not isinstance(private, Ed25519PrivateKey):
        raise InputError("only an Ed25519 key signs on paper", hint="its signature takes 103 characters, others 400")
    key = private

    def sign(data: bytes) -> bytes:
        digest = hashlib.sha512(data).hexdigest()
        return sshsig.parse(sshsig.sign(key, namespace=NAMESPACES["receipts"], digest=digest)).signature

    return sign


def read(store: Store, text: str, *, now: datetime, ledger: Ledger | None = None) -> PaperAnswer:
    """Read typed or scanned lines, verify the signature where there is one, and keep what they said.

    `book` is this store's ledger, where there is one: it knows which site holds a domain.
    Raises InputError naming every line that is wrong; RefusedError for a signature of nobody trusted for receipts.
    """
    slip = paper.read(text)
    signed_by = _signer(store, slip, now) if slip.signature else ""
    sets = Sets(store)
    sent = next((each for each in sets.sent() if each.set_id == slip.set_id), None)
    found: list[Finding] = []
    if not signed_by:
        found.append(finding("unsigned", slip.site, UNSIGNED, "ask by telephone, or for a signed one", Level.NOTE))
    index = _index(sets, sent, slip, found)
    found += elsewhere(ledger, sent.meant_for, slip.site, now, on_paper=True) if sent is not None else []
    missing: tuple[str, ...] = ()
    if index is not None and slip.missing is not None:
        missing = tuple(index.files[number].path for number in slip.missing)
    away = [finding("missing", path, f"{AWAY} ({slip.site})", "send it again") for path in missing]
    if slip.missing_count and not missing:
        message = f"of {slip.files} files {slip.missing_count} {AWAY}; which ones cannot be reported from here"
        away.append(finding("missing", f"set {slip.set_id}", message, "ask for the receipt as a file"))
    made = KeptReceipt("", slip.set_id, True, bool(signed_by), slip.made, slip.site, "", slip.index, slip.files, 0)
    newer = kept_receipts.newer(sets, made, now)
    found += beyond(made, now)
    found += judged(f"set {slip.set_id}", newer, away)
    kept = all(each.code != "altered" for each in found)
    new = _keep(sets, slip, signed_by) if kept else False
    return PaperAnswer(slip, signed_by, sent, missing, new, tuple(found), kept, newer)


def _keep(sets: Sets, slip: Slip, signed_by: str) -> bool:
    data = PAPER.write(KeptPaper("".join(paper.lines_of(slip)), signed_by))
    return sets.keep_receipt(slip.set_id, hashlib.sha256(data).hexdigest(), [data], b"")


def _index(sets: Sets, sent: Sent | None, slip: Slip, found: list[Finding]) -> SetIndex | None:
    """The index that was sent, where the paper is about it; else a finding."""
    kept, troubles = index_or_finding(sets, sent, f"set {slip.set_id}") if sent is not None else (None, ())
    found += troubles
    if troubles:
        return None
    if kept is None:
        message = f"this store sent no set {slip.set_id}"
        found.append(finding("not-checked", slip.site, message, "read it where the set was written"))
        return None
    index = kept.index
    if not hashlib.sha256(kept.data).hexdigest().startswith(slip.index) or len(index.files) != slip.files:
        message = "the paper is about a set with another index than the one that was sent under this id"
        found.append(finding("altered", index.name, message, "ask the site which volumes they have"))
        return None
    return index


def _signer(store: Store, slip: Slip, now: datetime) -> str:
    """The name of the live entry, trusted for receipts, whose key signed. Raises RefusedError when there is none, which
    tells of a key that is known what is against it, as for a receipt's file."""
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import key_of
    from bundlekeeper.verification.keys.public_key import ssh_blob
    from bundlekeeper.verification.signatures import sshsig

    digests = {"sha512": hashlib.sha512(paper.signed_bytes(slip)).hexdigest()}
    namespace = NAMESPACES["receipts"]
    for entry in trust_list.read_all(store.fd).entries:
        if entry.form != "sshsig" or entry.key_type != "ed25519":
            continue
        try:  # a paper does not say whose key signed: the one that fits is found by trying
            key = key_of(entry)
            signature = sshsig.SshSignature(ssh_blob(key.load()), namespace, "sha512", "ssh-ed25519", slip.signature)
            sshsig.verify(signature, key=key, namespace=namespace, digests=digests, name=entry.name)
        except KeeperError:
            continue
        file = sshsig.armoured(signature)
        where = f"the paper from {slip.site}"
        return vouch.require_trusted(store, digests, file, purpose="receipts", made=slip.made, now=now, where=where).name
    raise RefusedError(
        "the paper is signed by nobody whom this store trusts for receipts",
        hint="a paper cannot carry a key: bundlekeeper trust add NAME KEY.pub --form sshsig --for receipts",
    )
