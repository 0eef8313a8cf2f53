"""Who signs a set's index: a key that is given, or the one that signed it when the set was begun.

Rules: an index is signed once; a key that is given is opened before hours of writing; where the index was signed
before, a key that is given must be that one, because nothing is signed by it now.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError

if TYPE_CHECKING:
    from bundlekeeper.media.set.signed_index import Sign
    from bundlekeeper.media.volume.tag_files import SignedIndex
    from bundlekeeper.model.media.plan import SetPlan
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.verification.signatures.sign import Passphrase


@dataclass(frozen=True, slots=True)
class Signer:
    """What signs, and the fingerprint of the key by which the set's index is, or will be, signed."""

    sign: Sign
    fingerprint: str


def kept_of(store: Store, plan: SetPlan) -> SignedIndex | None:
    """The plan's index, where the set was begun and it was signed. Raises DamagedError where it is not whole."""
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.media.set.signed_index import kept_index

    sets, digest = Sets(store), plan.sha256
    sent = next((sent for sent in sets.sent() if sent.plan == digest), None)
    return None if sent is None else kept_index(sets, sent)


def signer_of(kept: SignedIndex | None, key: Path | None, passphrase: Passphrase) -> Signer:
    """Who signs the index, or signed the one that is `kept`; `passphrase` is asked for that of the key.

    Raises InputError where a key is missing, cannot be read or is not the one that signed the index before,
    RefusedError for one that is weak or can be reached by others, UnfinishedError.
    """
    if kept is None and key is None:
        raise InputError(
            "the set's index must be signed: --key is missing",
            hint="ssh-keygen -t ed25519 -f KEYFILE makes one; its public half goes to the receivers by another way",
        )
    from bundlekeeper.media.set import signed_index
    from bundlekeeper.verification.signatures import sign as signing

    before = "" if kept is None else signed_index.signer_of(kept.data, kept.signature)
    if key is None:
        return Signer(lambda _: b"", before)  # never asked for: the index was signed before
    private = signing.load_private_key(str(key), passphrase)
    fingerprint = signing.public_key_of(private).fingerprint
    if before and fingerprint != before:
        raise InputError(
            f"the set's index was signed before, by {before}, and this key is another: {fingerprint}",
            where=str(key),
            hint="a set is signed once: leave --key out, or name that key",
        )

    def sign(data: bytes) -> bytes:
        return signing.sign_document(private, "indexes", {"sha512": hashlib.sha512(data).hexdigest()})

    return Signer(sign, fingerprint)
