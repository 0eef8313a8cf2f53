"""Signing a document of ours: a detached SSHSIG signature. The document is read once, streaming."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, UnfinishedError

if TYPE_CHECKING:
    from bundlekeeper.verification.signatures.sign import Passphrase


@dataclass(frozen=True, slots=True)
class SignedFile:
    """A file's signature, armored; its key's fingerprint, and the line for ssh-keygen's list of allowed signers."""

    file: Path
    signature: str
    namespace: str
    fingerprint: str
    allowed_signer: str


def sign(file: Path, key: Path, purpose: str, passphrase: Passphrase) -> SignedFile:
    """Sign the file for `purpose`, manifests or bundles, with the private key in the file `key`.

    Raises InputError for another purpose, and for what is not there or no key; RefusedError for a key that others may
    read; UnfinishedError when a file cannot be read.
    """
    from bundlekeeper.model.trust import NAMESPACES
    from bundlekeeper.verification.signatures import sign as signing

    if purpose not in ("manifests", "bundles"):
        raise InputError(f"--for {purpose}: bundlekeeper does not sign these", hint="manifests or bundles")
    digests = _digests(file, signing.DIGEST_OF[purpose])
    private = signing.load_private_key(str(key), passphrase)
    signature = signing.sign_document(private, purpose, digests).decode("ascii")
    public = signing.public_key_of(private)
    allowed = signing.allowed_signers_line(public).strip()
    return SignedFile(file, signature, NAMESPACES[purpose], public.fingerprint, allowed)


def signer(key: Path, purpose: str, passphrase: Passphrase) -> Callable[[bytes], bytes]:
    """What signs a document's bytes for `purpose`, with the private key in the file `key`, which is read now.

    Raises InputError for what is not there or no key; RefusedError for a key that others may read; UnfinishedError.
    """
    import hashlib

    from bundlekeeper.verification.signatures import sign as signing

    private = signing.load_private_key(str(key), passphrase)
    name = signing.DIGEST_OF[purpose]
    return lambda data: signing.sign_document(private, purpose, {name: hashlib.new(name, data).hexdigest()})


def _digests(file: Path, algorithm: str) -> dict[str, str]:
    from bundlekeeper.verification.hashing.door import digest_fd

    try:
        fd = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            return dict(digest_fd(fd, algorithms=(algorithm,)).hexes)
        finally:
            os.close(fd)
    except FileNotFoundError as error:
        raise InputError("the file is not there", where=str(file), hint="check the path") from error
    except OSError as error:
        raise UnfinishedError(f"the file cannot be read: {error.strerror}", where=str(file)) from error
