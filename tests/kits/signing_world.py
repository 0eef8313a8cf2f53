"""Keys, certificates and outside programs for the tests of signatures: made once, invented names only."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from bundlekeeper.model.trust import TrustEntry, TrustMoment
from bundlekeeper.verification.keys.entries import Sources, make_entry
from bundlekeeper.verification.keys.public_key import PublicKey, checked
from bundlekeeper.verification.signatures.sshsig import SigningKey

AT = datetime(2026, 8, 1, tzinfo=UTC)
WHEN = TrustMoment(AT, "the release date")
START, END = datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)
TYPES = ("ed25519", "ecdsa-p256", "ecdsa-p384", "ecdsa-p521", "rsa")
#: A form of raw signature and the type of key that makes it.
RAW = (
    ("ed25519", "ed25519"),
    ("ecdsa-p256-sha256", "ecdsa-p256"),
    ("ecdsa-p384-sha384", "ecdsa-p384"),
    ("rsa-pss-sha256", "rsa"),
    ("rsa-pkcs1-sha256", "rsa"),
)


def private(key_type: str, which: int = 0) -> SigningKey:
    """A private key of a type; `which` tells several apart."""
    return _private(key_type, which)


@cache
def _private(key_type: str, which: int) -> SigningKey:
    if key_type == "ed25519":
        return ed25519.Ed25519PrivateKey.from_private_bytes(hashlib.sha256(f"{which}".encode()).digest())
    if key_type == "rsa":
        return rsa.generate_private_key(65537, 2048)
    curves: dict[str, ec.EllipticCurve] = {
        "ecdsa-p256": ec.SECP256R1(),
        "ecdsa-p384": ec.SECP384R1(),
        "ecdsa-p521": ec.SECP521R1(),
    }
    return ec.generate_private_key(curves[key_type])


def public(key_type: str, which: int = 0) -> PublicKey:
    """The public half, checked."""
    return checked(private(key_type, which).public_key())


def spki_pem(key: SigningKey) -> bytes:
    """The public half in PEM."""
    return key.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)


def ssh_line(key: SigningKey) -> bytes:
    """The public half as OpenSSH's line."""
    return key.public_key().public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)


def sign_raw(form: str, key: SigningKey, message: bytes) -> bytes:
    """A raw detached signature of a message; PSS with a salt of the digest's length (RFC 8017 §9.1)."""
    hash_ = hashes.SHA384() if form.endswith("sha384") else hashes.SHA256()
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return key.sign(message)
    if isinstance(key, ec.EllipticCurvePrivateKey):
        return key.sign(message, ec.ECDSA(hash_))
    if form == "rsa-pss-sha256":
        return key.sign(message, padding.PSS(padding.MGF1(hash_), padding.PSS.DIGEST_LENGTH), hash_)
    return key.sign(message, padding.PKCS1v15(), hash_)


def private_pem(key: SigningKey, *, ssh: bool = False, passphrase: bytes | None = None) -> bytes:
    """The private key in OpenSSH's or PKCS #8's format."""
    form = serialization.PrivateFormat.OpenSSH if ssh else serialization.PrivateFormat.PKCS8
    how: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if passphrase:
        how = serialization.BestAvailableEncryption(passphrase)
    return key.private_bytes(serialization.Encoding.PEM, form, how)


def digests(message: bytes) -> dict[str, str]:
    """Every digest that any form is verified from."""
    return {name: hashlib.new(name, message).hexdigest() for name in ("sha256", "sha384", "sha512", "blake2b")}


def entry(
    key_type: str = "ed25519",
    form: str = "sshsig",
    *,
    name: str = "marram-2026",
    which: int = 0,
    purposes: Sequence[str] = ("bundles",),
    existing: Sequence[TrustEntry] = (),
    namespace: str = "",
) -> TrustEntry:
    """A trust entry for one of the keys."""
    source = spki_pem(private(key_type, which))
    return make_entry(name, Sources(source), form=form, purposes=purposes, existing=existing, namespace=namespace)


def program(name: str) -> str:
    """The path of an outside program, or the test is skipped by name."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not on this machine")
    return found


def run(*command: str, data: bytes = b"", cwd: Path | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run an outside program; its status and words are the test's to judge."""
    return subprocess.run(command, input=data, capture_output=True, check=False, cwd=cwd)


def name_of(text: str) -> x509.Name:
    """A distinguished name with one common name."""
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def certificate(
    subject: str,
    key: SigningKey,
    *,
    issuer: str = "",
    by: SigningKey | None = None,
    authority: bool = False,
    usages: Sequence[x509.ObjectIdentifier] = (),
    first: datetime = START,
    last: datetime = END,
    extra: Sequence[tuple[x509.ExtensionType, bool]] = (),
    hash_: hashes.SHA256 | hashes.SHA384 | hashes.SHA512 | None = None,
    path_length: int | None = None,
) -> x509.Certificate:
    """A certificate; without `by` it signs itself."""
    signer = by or key
    builder = (
        x509.CertificateBuilder()
        .subject_name(name_of(subject))
        .issuer_name(name_of(issuer or subject))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(first)
        .not_valid_after(last)
        .add_extension(x509.BasicConstraints(authority, path_length), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    usage = dict.fromkeys(_USAGES, False)
    usage |= {"key_cert_sign": True, "crl_sign": True} if authority else {"digital_signature": True}
    builder = builder.add_extension(x509.KeyUsage(**usage), critical=True)
    if usages:
        builder = builder.add_extension(x509.ExtendedKeyUsage(usages), critical=False)
    for value, critical in extra:
        builder = builder.add_extension(value, critical=critical)
    algorithm = None if isinstance(signer, ed25519.Ed25519PrivateKey) else hash_ or hashes.SHA256()
    return builder.sign(signer, algorithm)


_USAGES = (
    "digital_signature",
    "content_commitment",
    "key_encipherment",
    "data_encipherment",
    "key_agreement",
    "key_cert_sign",
    "crl_sign",
    "encipher_only",
    "decipher_only",
)


def der(thing: x509.Certificate | x509.CertificateRevocationList) -> bytes:
    """Its DER."""
    return thing.public_bytes(serialization.Encoding.DER)


def pem(thing: x509.Certificate | x509.CertificateRevocationList) -> bytes:
    """Its PEM."""
    return thing.public_bytes(serialization.Encoding.PEM)


def crl(
    issuer: str,
    by: SigningKey,
    revoked: Sequence[tuple[int, datetime, x509.ReasonFlags | None]] = (),
    *,
    first: datetime = START,
    due: datetime = END,
    extra: Sequence[tuple[x509.ExtensionType, bool]] = (),
) -> x509.CertificateRevocationList:
    """A revocation list."""
    builder = x509.CertificateRevocationListBuilder().issuer_name(name_of(issuer)).last_update(first).next_update(due)
    for serial, since, reason in revoked:
        row = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(since)
        if reason is not None:
            row = row.add_extension(x509.CRLReason(reason), critical=False)
        builder = builder.add_revoked_certificate(row.build())
    for value, critical in extra:
        builder = builder.add_extension(value, critical=critical)
    return builder.sign(by, None if isinstance(by, ed25519.Ed25519PrivateKey) else hashes.SHA256())


class Chain:
    """A root, an intermediate and a signer for code signing, of ECDSA keys."""

    def __init__(self, leaf_type: str = "ecdsa-p256") -> None:
        self.root_key, self.middle_key = private("ecdsa-p384", 1), private("ecdsa-p256", 2)
        self.leaf_key = private(leaf_type, 3)
        self.root = certificate("Holm root", self.root_key, authority=True, last=END + timedelta(days=3650))
        self.middle = certificate(
            "Holm intermediate", self.middle_key, issuer="Holm root", by=self.root_key, authority=True
        )
        self.leaf = certificate(
            "Marram publisher",
            self.leaf_key,
            issuer="Holm intermediate",
            by=self.middle_key,
            usages=[ExtendedKeyUsageOID.CODE_SIGNING],
        )
        self.root_crl = crl("Holm root", self.root_key)
        self.middle_crl = crl("Holm intermediate", self.middle_key)


@cache
def chain(leaf_type: str = "ecdsa-p256") -> Chain:
    """The chain, made once."""
    return Chain(leaf_type)
