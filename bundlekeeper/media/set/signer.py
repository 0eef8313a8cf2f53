"""Whether a document that came on a medium, a set's index or a receipt, is signed by somebody this store trusts.

Rules: only the store's own trust list counts, never a key that came with the document; a refusal prints the
fingerprint and how to get the key by another way; nothing else of the document is used before this.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError, RefusedError
from bundlekeeper.findings import Finding
from bundlekeeper.model.trust import FORMS, TrustMoment
from bundlekeeper.store.contents.manifest_dates import latest
from bundlekeeper.store.signatures.voucher import not_before, read_settings

if TYPE_CHECKING:
    from bundlekeeper.model.trust import TrustEntry
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Admitted

#: What is signed with each purpose, in words.
_WORDS = {"indexes": "the set's index", "receipts": "the receipt"}


def require_trusted(
    store: Store | None,
    digests: Mapping[str, str],
    signature: bytes,
    *,
    purpose: str,
    made: datetime,
    now: datetime,
    where: str,
    admitted: Sequence[Admitted] | None = None,
) -> TrustEntry:
    """The entry of the trust list under which the document is good.

    `digests` are the document's, `purpose` is "indexes" or "receipts", `made` is the time that the document states.
    `store` is None where there is none yet: then nobody is trusted. `admitted` are its manifests, None where they were
    not read yet. Raises RefusedError, with the fingerprint of the key, for anything but a good signature by a live key
    for this purpose; InputError for a broken store.toml.
    """
    from bundlekeeper.store.signatures import trust_list
    from bundlekeeper.verification.signatures import judge as verdict

    settings = read_settings(store.fd) if store is not None else None
    found = verdict.judge_document(
        where,
        signature,
        trust=trust_list.read_all(store.fd).entries if store is not None else (),
        evidence=verdict.SignatureEvidence(digests),
        moments=(
            TrustMoment(made, f"the day on which {_WORDS[purpose]} says it was made"),
            TrustMoment(_read_at(store, now, admitted), "the day on which it is read"),
        ),
        purpose=purpose,
        allowed_forms=settings.forms if settings is not None else FORMS,
    )
    if found.by is not None:
        return found.by
    raise RefusedError(
        f"{_WORDS[purpose]} is not signed by anybody whom this store trusts for {purpose}",
        where=where,
        hint=_hint(found.findings, signature, purpose),
        problems=found.findings,
    )


def _read_at(store: Store | None, now: datetime, admitted: Sequence[Admitted] | None) -> datetime:
    if admitted is not None:
        return latest(admitted, now)
    return now if store is None else not_before(store, now)


def _hint(findings: Sequence[Finding], signature: bytes, purpose: str) -> str:
    codes = {finding.code for finding in findings}
    if "unknown-key" not in codes:
        return "ask its maker for a new signature, by another way than this medium"
    from bundlekeeper.verification.signatures import sshsig

    fingerprint = ""
    with suppress(KeeperError):
        fingerprint = f" {sshsig.parse(signature).key().fingerprint}"
    return (
        f"get the public key by another way, ask its maker for the fingerprint{fingerprint}, then: "
        f"bundlekeeper trust add NAME KEY.pub --form sshsig --for {purpose}"
    )
