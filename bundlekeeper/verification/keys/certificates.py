"""Certificates: from a signer to a root that the user added, for code signing, at a stated time.

Rules: only roots of the trust entry end a chain; the time used is an argument and in every message; the leaf must be
marked for code signing and must be no authority; RSA sizes and hashes are checked in the whole chain, roots included;
name constraints are not evaluated here (the library does so for alternative names only), so a chain with any is
`not-checked`; revocation is checked by the entry's own lists. The chain itself is built by the library (RFC 5280 §6).

    openssl verify -purpose any -attime SECONDS -CAfile roots.pem -untrusted intermediates.pem signer.pem
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID
from cryptography.x509.verification import Criticality, ExtensionPolicy, Policy, PolicyBuilder, Store, VerificationError

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import TrustMoment
from bundlekeeper.verification.encodings.refusals import (
    ExpiredKeyError,
    NotCheckedError,
    RemovedKeyError,
    SignatureError,
    UnknownKeyError,
)
from bundlekeeper.verification.encodings.wire import pem_blocks
from bundlekeeper.verification.keys import revocation
from bundlekeeper.verification.keys.public_key import X509_ERRORS, checked, read_certificate

MAX_CERTIFICATES = 64
MAX_DEPTH = 8

CODE_SIGNING = ExtendedKeyUsageOID.CODE_SIGNING  # 1.3.6.1.5.5.7.3.3, RFC 5280 §4.2.1.12


@dataclass(frozen=True, slots=True)
class Anchors:
    """What the trust entry has for chains: roots, intermediates that help to reach them, revocation lists.

    `removed` are the keys that the store no longer trusts: fingerprint to a sentence, such as "old was removed on …".
    """

    roots: tuple[x509.Certificate, ...]
    intermediates: tuple[x509.Certificate, ...] = ()
    crls: tuple[x509.CertificateRevocationList, ...] = ()
    removed: Mapping[str, str] = field(default_factory=dict)


def read_certificates(data: bytes, *, where: str = "") -> tuple[bytes, ...]:
    """Read one certificate in DER, or one or more in PEM; returns the DER of each.

    Raises InputError for bytes that are none, RefusedError for a weak one (its key, or SHA-1 or MD5 in its signature).
    """
    if len(data) > limits.CERTIFICATES_BYTES:
        raise InputError(f"larger than {limits.CERTIFICATES_BYTES} bytes: not a set of certificates", where=where)
    try:
        blocks = pem_blocks(data) if b"-----BEGIN " in data else [("CERTIFICATE", data)]
        if not blocks or any(label != "CERTIFICATE" for label, _ in blocks):
            raise InputError("has something else than certificates")
        if len(blocks) > MAX_CERTIFICATES:
            raise InputError(f"has more than {MAX_CERTIFICATES} certificates")
        for _, der in blocks:
            read_certificate(der)
    except InputError as e:
        raise InputError(e.message, hint=e.hint, where=where) from e
    except RefusedError as e:
        raise RefusedError(e.message, hint=e.hint, where=where) from e
    return tuple(der for _, der in blocks)


def require_root(der: bytes) -> None:
    """Raises RefusedError when a certificate cannot be a root here: no authority, or an Ed25519 key."""
    certificate = read_certificate(der)
    if not _is_authority(certificate):
        raise RefusedError(
            f"{_name(certificate)} is not an authority's certificate and cannot be a root",
            hint="pin it as the key itself, or give the root above it",
        )
    if not isinstance(certificate.public_key(), rsa.RSAPublicKey | ec.EllipticCurvePublicKey):
        raise RefusedError(
            f"{_name(certificate)} has an Ed25519 key, under which no chain can be verified here",
            hint="pin the signer's own key with --form ed25519 or sshsig, or use a root with an ECDSA or RSA key",
        )


def check_dates(certificate: x509.Certificate, moment: TrustMoment) -> None:
    """Raises ExpiredKeyError when the certificate is not valid at this time."""
    first, last = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    if moment.at < first:
        raise ExpiredKeyError(f"{_name(certificate)} is valid from {first:%Y-%m-%d}; the time used is {moment}")
    if moment.at > last:
        raise ExpiredKeyError(f"{_name(certificate)} was valid until {last:%Y-%m-%d}; the time used is {moment}")


def check_chain(
    leaf: x509.Certificate,
    anchors: Anchors,
    moment: TrustMoment,
    *,
    usage: x509.ObjectIdentifier | None = CODE_SIGNING,
) -> tuple[str, ...]:
    """Verify a signer's certificate up to a root, at a time, with revocation; returning means good.

    `usage` is the extended key usage that the leaf must name; None asks for none (only the published test suite of
    chains does). Returns notes on a good chain, such as that revocation was not checked.
    Raises RemovedKeyError, ExpiredKeyError, UnknownKeyError, RevokedKeyError, NotCheckedError or SignatureError.
    """
    _check_not_removed(leaf, anchors)
    check_dates(leaf, moment)
    _check_leaf(leaf, usage)
    chain = _build(leaf, anchors, moment)
    for certificate in chain:
        _check_strength(certificate)
        _check_not_removed(certificate, anchors)
        if _has(certificate, x509.NameConstraints):
            raise NotCheckedError(f"{_name(certificate)} constrains names, which is not evaluated here")
    if not anchors.crls:
        return () if len(chain) == 1 else ("whether its certificates were revoked was not checked: there is no list",)
    return revocation.check(chain, anchors.crls, moment)


def load_anchors(roots: Sequence[bytes], intermediates: Sequence[bytes], crls: Sequence[bytes]) -> Anchors:
    """Parse a trust entry's certificates and lists. Raises InputError or RefusedError as on the day they were added."""
    for der in roots:
        require_root(der)
    return Anchors(
        tuple(read_certificate(der) for der in roots),
        tuple(read_certificate(der) for der in intermediates),
        tuple(revocation.load_crl(der) for der in crls),
    )


def _build(leaf: x509.Certificate, anchors: Anchors, moment: TrustMoment) -> list[x509.Certificate]:
    try:
        return _verified(leaf, anchors, moment.at)
    except VerificationError as e:
        _blame_dates(leaf, anchors, moment)
        raise UnknownKeyError(
            f"{_name(leaf)} does not lead to a trusted root at {moment}: {_plain(e)}",
            hint="roots and intermediates come from the trust entry and from the signature itself",
        ) from e
    except (*X509_ERRORS, UnsupportedAlgorithm) as e:
        raise SignatureError(f"the chain of {_name(leaf)} cannot be read: {_plain(e)}") from e


def _verified(leaf: x509.Certificate, anchors: Anchors, at: datetime) -> list[x509.Certificate]:
    builder = PolicyBuilder().store(Store(list(anchors.roots))).time(at.astimezone(UTC).replace(tzinfo=None))
    builder = builder.max_chain_depth(MAX_DEPTH).extension_policies(ca_policy=_ca_policy(), ee_policy=_ee_policy())
    return list(builder.build_client_verifier().verify(leaf, list(anchors.intermediates)).chain)


def _blame_dates(leaf: x509.Certificate, anchors: Anchors, moment: TrustMoment) -> None:
    """Raises ExpiredKeyError when an issuer by name above is out of its dates: that is why there is no chain."""
    name, left = leaf.issuer, [*anchors.intermediates, *anchors.roots]
    while above := [certificate for certificate in left if certificate.subject == name]:
        if not any(_valid_at(certificate, moment.at) for certificate in above):
            check_dates(above[0], moment)
        left = [certificate for certificate in left if certificate not in above]
        name = above[0].issuer


def _ca_policy() -> ExtensionPolicy:
    """Authorities: marked as such, allowed to sign certificates, and where a usage is named, it is code signing.

    The library's own default refuses an authority whose only extended usage is code signing.
    """
    return (
        ExtensionPolicy.permit_all()
        .require_present(x509.BasicConstraints, Criticality.AGNOSTIC, _must_be_authority)
        .may_be_present(x509.KeyUsage, Criticality.AGNOSTIC, _may_sign_certificates)
        .may_be_present(x509.ExtendedKeyUsage, Criticality.AGNOSTIC, _may_pass_on_code_signing)
    )


def _ee_policy() -> ExtensionPolicy:
    """Signers: beyond `_check_leaf`, unknown critical extensions are refused."""
    return ExtensionPolicy.permit_all()


def _must_be_authority(_policy: Policy, _certificate: x509.Certificate, value: x509.BasicConstraints) -> None:
    if not value.ca:
        raise ValueError("an issuer in the chain is no authority")


def _may_sign_certificates(_policy: Policy, _certificate: x509.Certificate, value: x509.KeyUsage | None) -> None:
    if value is not None and not value.key_cert_sign:  # RFC 5280 §6.1.4 n
        raise ValueError("an issuer in the chain may not sign certificates")


def _may_pass_on_code_signing(
    _policy: Policy, _certificate: x509.Certificate, value: x509.ExtendedKeyUsage | None
) -> None:
    allowed = (CODE_SIGNING, ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE)
    if value is not None and not any(usage in allowed for usage in value):
        raise ValueError("an issuer in the chain is not for code signing")


def _check_leaf(leaf: x509.Certificate, usage: x509.ObjectIdentifier | None) -> None:
    try:
        extensions = leaf.extensions
    except (*X509_ERRORS, UnsupportedAlgorithm) as e:
        raise SignatureError(f"the extensions of {_name(leaf)} cannot be read") from e
    if _is_authority(leaf):
        raise SignatureError(f"{_name(leaf)} is an authority's certificate, not a signer's")
    for extension in extensions:
        if isinstance(extension.value, x509.KeyUsage) and not extension.value.digital_signature:
            raise SignatureError(f"{_name(leaf)} may not make signatures (key usage)")
        if usage is not None and isinstance(extension.value, x509.ExtendedKeyUsage) and usage in extension.value:
            return
    if usage is not None:
        raise SignatureError(
            f"{_name(leaf)} is not marked for code signing (extended key usage {usage.dotted_string})",
            hint="a certificate for another use does not vouch for firmware",
        )


def check_named_use(leaf: x509.Certificate) -> None:
    """Insist that a certificate without a chain is no authority's, and that a use which it names is signing code.

    Raises SignatureError.
    """
    named = _has(leaf, x509.ExtendedKeyUsage)
    _check_leaf(leaf, CODE_SIGNING if named else None)


def _check_strength(certificate: x509.Certificate) -> None:
    """The library looks neither at the leaf's key size nor at a root's own signature."""
    try:
        read_certificate(certificate.public_bytes(Encoding.DER))
    except (InputError, RefusedError) as e:
        raise SignatureError(f"{_name(certificate)}: {e.message}", hint=e.hint) from e


def _check_not_removed(certificate: x509.Certificate, anchors: Anchors) -> None:
    if anchors.removed and (message := anchors.removed.get(checked(certificate.public_key()).fingerprint)):
        raise RemovedKeyError(f"{_name(certificate)} is of a key that is no longer trusted: {message}")


def _is_authority(certificate: x509.Certificate) -> bool:
    try:
        return certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    except (x509.ExtensionNotFound, *X509_ERRORS):
        return False


def _has(certificate: x509.Certificate, kind: type[x509.ExtensionType]) -> bool:
    return any(isinstance(extension.value, kind) for extension in certificate.extensions)


def _valid_at(certificate: x509.Certificate, at: datetime) -> bool:
    return certificate.not_valid_before_utc <= at <= certificate.not_valid_after_utc


def _name(certificate: x509.Certificate) -> str:
    return f"the certificate {certificate.subject.rfc4514_string()[:120] or 'without a subject'}"


def _plain(error: Exception) -> str:
    """The library's reason in one line, without its wrapping and without the certificate's dump."""
    text = " ".join(str(error).split()).partition(" (encountered")[0]
    for wrapping in ("validation failed", "candidates exhausted", "Python extension validator failed", "ValueError"):
        text = text.removeprefix(f"{wrapping}: ")
    return text[:160]
