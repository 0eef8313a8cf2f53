"""The parsers of keys, signatures, certificates and trust files, one `add` each.

`tests/verification/test_mutations.py` has more of them, with what must never come out as good.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.verification.encodings import wire
from bundlekeeper.verification.keys import certificates, entry_files, minisign_key, public_key, revocation
from bundlekeeper.verification.signatures import cms, forms, minisign, sshsig
from bundlekeeper.verification.signatures import sign as signing
from tests.fuzz.parsers import add


def _public_keys() -> list[bytes]:
    from tests.kits.signing_world import TYPES, certificate, der, pem, private, public, spki_pem, ssh_line

    made = [write(private(t)) for t in TYPES for write in (spki_pem, ssh_line)] + [public(t).der for t in TYPES]
    whole = certificate("Marram publisher", private("ed25519"))
    return [*made, pem(whole), der(whole)]


def _minisign_key() -> list[bytes]:
    from tests.kits.minisign_files import public_file

    return [public_file()]


def _sshsig() -> list[bytes]:
    from tests.kits.signing_world import TYPES, private

    digest = sshsig.digest_of(b"message")
    return [sshsig.sign(private(t), namespace="bundlekeeper-bundle", digest=digest) for t in TYPES]


def _minisig() -> list[bytes]:
    from tests.kits.minisign_files import signed

    return [signed(kind=b"ED"), signed(kind=b"Ed")]


def _cms() -> list[bytes]:
    from tests.kits.cms_files import theirs
    from tests.kits.signing_world import chain

    with TemporaryDirectory() as folder:
        return [theirs(chain("ecdsa-p256"), Path(folder)), theirs(chain("ecdsa-p256"), Path(folder), form="PEM")]


def _certificates() -> list[bytes]:
    from tests.kits.signing_world import chain, der, pem

    c = chain()
    return [pem(c.leaf), pem(c.root) + pem(c.middle), der(c.leaf)]


def _roots() -> list[bytes]:
    from tests.kits.signing_world import chain, der

    return [der(chain().root)]


def _ders(made: Callable[[], list[bytes]]) -> list[bytes]:
    return [data for data in made() if data[:1] == b"\x30"]


def _crls() -> list[bytes]:
    from tests.kits.signing_world import chain, der, pem

    c = chain()
    return [pem(c.root_crl) + pem(c.middle_crl), der(c.middle_crl)]


def _private_keys() -> list[bytes]:
    from tests.kits.signing_world import TYPES, private, private_pem

    return [private_pem(private(t), ssh=ssh) for t in TYPES for ssh in (False, True)]


@cache
def _trust_entry() -> dict[str, bytes]:
    from tests.kits.trust_entries import full_chain

    return entry_files.to_files(full_chain())


def _trust_toml() -> list[bytes]:
    return [data for name, data in _trust_entry().items() if name.endswith(".toml")]


def _read_trust(data: bytes) -> object:
    (name,) = [name for name in _trust_entry() if name.endswith(".toml")]

    def file(wanted: str, limit: int) -> bytes:
        if wanted not in _trust_entry():
            raise UnfinishedError("not there", where=wanted)
        return _trust_entry()[wanted]

    return entry_files.from_files(name.removesuffix(".toml"), data, file)


_PEM = "-----BEGIN -----END PUBLIC KEY----- CERTIFICATE----- ssh-ed25519 ssh-rsa ecdsa-sha2-nistp256 AAAA ="
add(
    "public-key",
    public_key.read_public_key,
    _public_keys,
    words=_PEM,
    covers=("verification.keys.public_key.read_public_key",),
    examples=200,
)
add(
    "ssh-blob",
    public_key.from_ssh_blob,
    lambda: [base64.b64decode(line.split()[1]) for line in _public_keys() if line.startswith((b"ssh-", b"ecdsa"))],
    covers=("verification.keys.public_key.from_ssh_blob",),
    examples=200,
)
add(
    "minisign-key",
    minisign_key.read_public_key,
    _minisign_key,
    covers=("verification.keys.minisign_key.read_public_key",),
    words="untrusted comment: RW",
)
add("sshsig", sshsig.parse, _sshsig, words=_PEM, covers=("verification.signatures.sshsig.parse",), examples=200)
add(
    "minisign",
    minisign.parse,
    _minisig,
    words="untrusted trusted comment: RU",
    covers=("verification.signatures.minisign.parse",),
    examples=200,
)
add("cms", cms.parse, _cms, words=_PEM, covers=("verification.signatures.cms.parse",), examples=200)
add(
    "certificates",
    certificates.read_certificates,
    _certificates,
    words=_PEM,
    covers=("verification.keys.certificates.read_certificates",),
    examples=200,
)
add(
    "revocation-lists",
    revocation.read_crls,
    _crls,
    words=_PEM,
    covers=("verification.keys.revocation.read_crls",),
    examples=200,
)
add(
    "private-key",
    lambda data: signing.read_private_key(data, lambda _: b"x"),
    _private_keys,
    words=_PEM,
    covers=("verification.signatures.sign.read_private_key",),
    examples=60,
)
add(
    "trust-file",
    _read_trust,
    _trust_toml,
    words="entry form key_type purposes roots = [ ] dropped why",
    covers=("verification.keys.entry_files.from_files",),
)
add(
    "der",
    wire.der_parts,
    lambda: [data for data in _certificates() if data[:1] == b"\x30"],
    covers=("verification.encodings.wire.der_parts",),
    examples=200,
)
add("pem", wire.pem_blocks, _certificates, words=_PEM, covers=("verification.encodings.wire.pem_blocks",), examples=200)
add(
    "base64",
    wire.strict_base64,
    lambda: [base64.b64encode(b"some bytes, not many")],
    covers=("verification.encodings.wire.strict_base64",),
    examples=200,
)
add(
    "raw-signature",
    lambda data: forms.signature_bytes(data, length=64),
    lambda: [bytes(64), base64.b64encode(bytes(64)), base64.b64encode(bytes(64)) + b"\n"],
    covers=("verification.signatures.forms.signature_bytes",),
    examples=200,
)
add(
    "ecdsa-pair",
    lambda data: forms.ecdsa_signature_bytes(data, 256),
    lambda: [bytes.fromhex("3006020101020101")],
    covers=("verification.signatures.forms.ecdsa_signature_bytes",),
    examples=200,
)

add(
    "certificate-der",
    public_key.read_certificate,
    lambda: _ders(_certificates),
    covers=("verification.keys.public_key.read_certificate",),
)
add("root-der", certificates.require_root, lambda: _roots(), covers=("verification.keys.certificates.require_root",))
add("list-der", revocation.load_crl, lambda: _ders(_crls), covers=("verification.keys.revocation.load_crl",))
add("spki", public_key.from_spki, lambda: _ders(_public_keys), covers=("verification.keys.public_key.from_spki",))
