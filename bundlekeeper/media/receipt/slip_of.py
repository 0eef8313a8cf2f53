"""Makes a printed receipt from a receipt, signed where a key is given, and reads one where the set was made.

Rules: a printed receipt without a signature shows that it was copied correctly and nothing else, and says so; a
signature is verified with the same trust entries as a receipt's file; a printed receipt adds no events to the ledger;
one that contradicts what was sent is not kept.
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
from bundlekeeper.media.receipt import slip as slips
from bundlekeeper.media.receipt.compose import check_site
from bundlekeeper.media.receipt.kept import PRINTED, KeptPrinted, KeptReceipt
from bundlekeeper.media.receipt.read import check_date, unless_newer
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

#: A printed receipt does not say which of the two it is.
MISSING = "did not arrive, or is not in the store there now"
UNSIGNED = "it is not signed: the code shows that it was copied correctly, not who wrote it"


@dataclass(frozen=True, slots=True)
class PrintedAnswer:
    """What a printed receipt said: `signed_by` is empty where it is not signed, `missing` the paths where they are
    known.

    `kept` is False where it contradicts what was sent; `newer` is the time of a newer receipt of that site that was
    read before.
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
    """The slip of a receipt; `sign` makes an Ed25519 signature of 64 bytes over its argument."""
    paths = {file.path for file in receipt.missing} | {file.path for file in receipt.not_in_store}
    missing = tuple(number for number, file in enumerate(index.files) if file.path in paths)
    domains = [domain for domain in receipt.domains if domain.site == receipt.site]
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
        domains=tuple(DomainCount(row.domain, row.components, row.staged, row.differs) for row in domains),
    )
    if sign is None:
        return slip
    slip = replace(slip, signature=bytes(slips.SIGNATURE_BYTES))  # the signed bytes say that it is signed
    return replace(slip, signature=sign(slips.signed_bytes(slip)))


def sign_with(private: object) -> Callable[[bytes], bytes]:
    """A signer for `slip_of`. Raises InputError for any key but Ed25519: others' signatures are too long to type."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from bundlekeeper.verification.signatures import sshsig

    if not isinstance(private, Ed25519PrivateKey):
        raise InputError(
            "only an Ed25519 key can sign a printed receipt", hint="its signature takes 103 characters, others 400"
        )
    key = private

    def sign(data: bytes) -> bytes:
        digest = hashlib.sha512(data).hexdigest()
        return sshsig.parse(sshsig.sign(key, namespace=NAMESPACES["receipts"], digest=digest)).signature

    return sign


def read(store: Store, text: str, *, now: datetime, ledger: Ledger | None = None) -> PrintedAnswer:
    """Read typed or scanned lines, verify the signature where there is one, and keep what they said.

    `ledger` is this store's ledger, where there is one: it knows the site of each domain.
    Raises InputError naming every line that is wrong; RefusedError for a signature that is not by a key trusted for
    receipts.
    """
    slip = slips.read(text)
    signed_by = _signer(store, slip, now) if slip.signature else ""
    sets = Sets(store)
    sent = next((sent for sent in sets.sent() if sent.set_id == slip.set_id), None)
    found: list[Finding] = []
    if not signed_by:
        found.append(
            finding("unsigned", slip.site, UNSIGNED, "confirm it by telephone, or ask for a signed one", Level.NOTE)
        )
    index = _index(sets, sent, slip, found)
    found += check_site(ledger, sent.meant_for, slip.site, now, is_printed=True) if sent is not None else []
    missing: tuple[str, ...] = ()
    if index is not None and slip.missing is not None:
        missing = tuple(index.files[number].path for number in slip.missing)
    findings = [finding("missing", path, f"{MISSING} ({slip.site})", "send it again") for path in missing]
    if slip.missing_count and not missing:
        message = f"{slip.missing_count} of {slip.files} files: {MISSING}; which ones is not known here"
        findings.append(finding("missing", f"set {slip.set_id}", message, "ask for the receipt as a file"))
    made = KeptReceipt("", slip.set_id, True, bool(signed_by), slip.made, slip.site, "", slip.index, slip.files, 0)
    newer = kept_receipts.newer(sets, made, now)
    found += check_date(made, now)
    found += unless_newer(f"set {slip.set_id}", newer, findings)
    kept = all(problem.code != "altered" for problem in found)
    new = _keep(sets, slip, signed_by) if kept else False
    return PrintedAnswer(slip, signed_by, sent, missing, new, tuple(found), kept, newer)


def _keep(sets: Sets, slip: Slip, signed_by: str) -> bool:
    data = PRINTED.write(KeptPrinted("".join(slips.lines_of(slip)), signed_by))
    return sets.keep_receipt(slip.set_id, hashlib.sha256(data).hexdigest(), [data], b"")


def _index(sets: Sets, sent: Sent | None, slip: Slip, found: list[Finding]) -> SetIndex | None:
    """The index that was sent, where the printed receipt is about it; else a finding is added."""
    kept, problems = index_or_finding(sets, sent, f"set {slip.set_id}") if sent is not None else (None, ())
    found += problems
    if problems:
        return None
    if kept is None:
        message = f"this store sent no set {slip.set_id}"
        found.append(finding("not-checked", slip.site, message, "read it at the site that wrote the set"))
        return None
    index = kept.index
    if not hashlib.sha256(kept.data).hexdigest().startswith(slip.index) or len(index.files) != slip.files:
        message = "the receipt is about another index than the one that was sent with this set id"
        found.append(finding("altered", index.name, message, "ask the site which volumes they have"))
        return None
    return index


def _signer(store: Store, slip: Slip, now: datetime) -> str:
    """The name of the live entry, trusted for receipts, whose key signed. Raises RefusedError when there is none; for a
    known key with the reason why it does not count, as for a receipt's file."""
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.keys.entries import key_of
    from bundlekeeper.verification.keys.public_key import ssh_blob
    from bundlekeeper.verification.signatures import sshsig

    digests = {"sha512": hashlib.sha512(slips.signed_bytes(slip)).hexdigest()}
    namespace = NAMESPACES["receipts"]
    for entry in trust_list.read_all(store.fd).entries:
        if entry.form != "sshsig" or entry.key_type != "ed25519":
            continue
        try:  # a printed receipt does not say whose key signed it: each is tried
            key = key_of(entry)
            signature = sshsig.SshSignature(ssh_blob(key.load()), namespace, "sha512", "ssh-ed25519", slip.signature)
            sshsig.verify(signature, key=key, namespace=namespace, digests=digests, name=entry.name)
        except KeeperError:
            continue
        file = sshsig.armoured(signature)
        where = f"the printed receipt from {slip.site}"
        return vouch.require_trusted(
            store, digests, file, purpose="receipts", made=slip.made, now=now, where=where
        ).name
    raise RefusedError(
        "the printed receipt is not signed by a key that this store trusts for receipts",
        hint="add the site's key: bundlekeeper trust add NAME KEY.pub --form sshsig --for receipts",
    )
