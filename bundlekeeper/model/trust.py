"""The keys and certificates that a store trusts, as types: each entry is for one form and for kinds of documents.

Rules: the entry's form and purposes decide, and nothing in a signature or a manifest can widen them; a removed entry
stays listed, so that its signatures are told apart from those of an unknown key; dates are inclusive and in UTC;
importing this module is cheap.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal, get_args

from bundlekeeper.frozen import dataclass

#: The closed list of signature forms.
SignatureForm = Literal[
    "ed25519",
    "ecdsa-p256-sha256",
    "ecdsa-p384-sha384",
    "rsa-pss-sha256",
    "rsa-pkcs1-sha256",
    "sshsig",
    "minisign",
    "cms",
]
FORMS: tuple[SignatureForm, ...] = get_args(SignatureForm)
PURPOSES = ("bundles", "manifests", "indexes", "receipts")

#: What we sign carries its kind in the SSHSIG namespace, so that a signature for one kind never serves another.
NAMESPACES = {
    "bundles": "bundlekeeper-bundle",
    "manifests": "bundlekeeper-manifest",
    "indexes": "bundlekeeper-index",
    "receipts": "bundlekeeper-receipt",
    "exports": "bundlekeeper-export",  # for others to verify: no store is asked to trust a key for them
}


@dataclass(frozen=True, slots=True)
class TrustEntry:
    """One trusted key, certificate or set of roots.

    `key` is the public key as SubjectPublicKeyInfo in DER and `certificate` the DER certificate that it came in; both
    are empty where only `roots` are trusted (form `cms`). `key_id` is minisign's. `namespace` is that of a publisher's
    own SSHSIG signatures of bundles; for the other purposes it is always ours. Roots, intermediates and revocation
    lists are DER.
    """

    name: str
    form: str
    purposes: tuple[str, ...]
    key_type: str
    fingerprint: str
    key: bytes = b""
    certificate: bytes = b""
    key_id: bytes = b""
    namespace: str = ""
    valid_from: date | None = None
    valid_until: date | None = None
    roots: tuple[bytes, ...] = ()
    intermediates: tuple[bytes, ...] = ()
    crls: tuple[bytes, ...] = ()
    added_at: datetime | None = None
    added_from: str = ""
    removed_at: datetime | None = None
    removed_reason: str = ""

    @property
    def removed(self) -> bool:
        """True once the entry was removed; it stays listed."""
        return self.removed_at is not None

    def status_on(self, day: date) -> str:
        """The entry's status on that day, in a word or two."""
        if self.removed_at is not None:
            return f"removed {self.removed_at:%Y-%m-%d}"
        if self.valid_until is not None and day > self.valid_until:
            return "expired"
        if self.valid_from is not None and day < self.valid_from:
            return "not yet valid"
        return "trusted"

    def namespace_for(self, purpose: str) -> str:
        """The SSHSIG namespace that a signature for `purpose` must carry: the entry's own for bundles, else ours."""
        return (self.namespace or NAMESPACES["bundles"]) if purpose == "bundles" else NAMESPACES[purpose]


@dataclass(frozen=True, slots=True)
class TrustMoment:
    """A time at which keys and certificates must be valid, and in words where it comes from.

    `at` is aware; `source` is like "the release date that the manifest states". A date that a document states about
    itself does not protect from the document's own signer: give the day it was admitted as a second moment.
    """

    at: datetime
    source: str

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d} ({self.source})"
