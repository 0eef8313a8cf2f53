"""Certificate revocation lists from files: reading them, and asking whether a chain is good (RFC 5280 §5, §6.3).

Rules: a list counts only when its issuer in the chain signed it, may sign lists, and used no SHA-1 or MD5; a
certificate on any such list is revoked, however old the list; a certificate is not revoked only by a list that was
current at the time used and covers everything of its issuer (a part or a delta, or anything critical that is not
supported here, can revoke but never clear); without such a list it is `not-checked`, never good.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import TrustMoment
from bundlekeeper.verification.encodings.refusals import NotCheckedError, RevokedKeyError
from bundlekeeper.verification.encodings.wire import pem_blocks
from bundlekeeper.verification.keys.public_key import X509_ERRORS

# Revoked for one of these, later than the time used, a signature from before still counts (RFC 5280 §5.3.1): nobody
# else had the key. Any other reason, or none, means that somebody may have had it.
_HARMLESS = {
    x509.ReasonFlags.superseded,
    x509.ReasonFlags.cessation_of_operation,
    x509.ReasonFlags.affiliation_changed,
}
_ENTRY_EXTENSIONS = (x509.CRLReason, x509.InvalidityDate)


def read_crls(data: bytes, *, where: str = "") -> tuple[bytes, ...]:
    """Read one list in DER, or one or more in PEM; returns the DER of each.

    Raises InputError for bytes that are none, RefusedError for one that is signed with SHA-1 or MD5.
    """
    if len(data) > limits.CRL_BYTES:
        raise InputError(
            f"larger than {limits.CRL_BYTES} bytes: not a revocation list that is supported here", where=where
        )
    try:
        blocks = pem_blocks(data) if b"-----BEGIN " in data else [("X509 CRL", data)]
    except InputError as e:
        raise InputError(e.message, where=where) from e
    if not blocks or any(label != "X509 CRL" for label, _ in blocks):
        raise InputError("holds something else than revocation lists (X509 CRL)", where=where)
    for _, der in blocks:
        load_crl(der, where=where)
    return tuple(der for _, der in blocks)


def load_crl(der: bytes, *, where: str = "") -> x509.CertificateRevocationList:
    """Parse one list. Raises InputError for bytes that are none, RefusedError for one signed with SHA-1 or MD5."""
    try:
        crl = x509.load_der_x509_crl(der)
        digest = crl.signature_hash_algorithm
        tuple(crl.extensions), crl.next_update_utc, crl.last_update_utc, crl.issuer
    except UnsupportedAlgorithm as e:
        raise RefusedError("the revocation list uses an algorithm that is not supported", where=where) from e
    except X509_ERRORS as e:
        raise InputError("not a revocation list that can be read", where=where) from e
    if digest is not None and digest.name in ("md5", "sha1"):
        raise RefusedError(f"the revocation list is signed with {digest.name.upper()}", where=where)
    return crl


def check(
    chain: Sequence[x509.Certificate], crls: Sequence[x509.CertificateRevocationList], moment: TrustMoment
) -> tuple[str, ...]:
    """Ask the lists about every certificate of a verified chain, leaf first; the root at its end needs no list.

    Returns notes on a good chain. Raises RevokedKeyError, or NotCheckedError where no list covers a certificate.
    """
    notes: list[str] = []
    for certificate, issuer in pairwise(chain):
        own = [crl for crl in crls if crl.issuer == certificate.issuer and _authentic(crl, issuer)]
        for crl in own:
            notes += _ask(crl, certificate, moment)
        fresh = [crl for crl in own if _whole(crl) and _covers(crl, certificate, moment.at)]
        if not fresh:
            raise NotCheckedError(
                f"no revocation list of {_name(certificate.issuer)} covers {_name(certificate.subject)}"
                f" at {moment}" + "".join(f"; the one of {_dates(crl)} does not" for crl in own[:3]),
                hint="add its current list to the trust entry",
            )
    return tuple(dict.fromkeys(notes))


def _ask(crl: x509.CertificateRevocationList, certificate: x509.Certificate, moment: TrustMoment) -> list[str]:
    entry = crl.get_revoked_certificate_by_serial_number(certificate.serial_number)
    if entry is None:
        return []
    reason, since = _reason(entry)
    if reason == x509.ReasonFlags.remove_from_crl:
        return []
    message = f"{_name(certificate.subject)} (serial {certificate.serial_number:x}) was revoked on {since:%Y-%m-%d}"
    message += f", {reason.value}" if reason is not None else ", no reason given"
    if since > moment.at and reason in _HARMLESS:
        return [f"{message}: after the time used, {moment}, and for a reason that leaves older signatures good"]
    raise RevokedKeyError(f"{message}; the time used is {moment}")


def _reason(entry: x509.RevokedCertificate) -> tuple[x509.ReasonFlags | None, datetime]:
    """The reason, and since when: the earlier of the revocation and the invalidity date (RFC 5280 §5.3.2)."""
    reason: x509.ReasonFlags | None = None
    since = entry.revocation_date_utc
    try:
        for extension in entry.extensions:
            if isinstance(extension.value, x509.CRLReason):
                reason = extension.value.reason
            elif isinstance(extension.value, x509.InvalidityDate):
                since = min(since, extension.value.invalidity_date_utc)
    except X509_ERRORS:
        return None, entry.revocation_date_utc
    return reason, since


def _authentic(crl: x509.CertificateRevocationList, issuer: x509.Certificate) -> bool:
    """True when this issuer signed the list and may do so (RFC 5280 §6.3.3 f: where it has a key usage at all)."""
    try:
        usages = [extension.value for extension in issuer.extensions if isinstance(extension.value, x509.KeyUsage)]
    except X509_ERRORS:
        return False
    if not all(usage.crl_sign for usage in usages):
        return False
    key = issuer.public_key()
    try:
        return crl.is_signature_valid(key)  # type: ignore[arg-type]  # other key types raise TypeError, caught here
    except (*X509_ERRORS, UnsupportedAlgorithm):
        return False


def _whole(crl: x509.CertificateRevocationList) -> bool:
    """True when nothing critical in the list is unsupported here: it covers everything of its issuer."""
    if any(extension.critical for extension in crl.extensions):
        return False  # an issuing distribution point, a delta, or something unknown
    try:
        return all(
            isinstance(extension.value, _ENTRY_EXTENSIONS) or not extension.critical
            for entry in crl
            for extension in entry.extensions
        )
    except X509_ERRORS:
        return False


def _covers(crl: x509.CertificateRevocationList, certificate: x509.Certificate, at: datetime) -> bool:
    """True when "not on the list" means "not revoked at this time".

    The next list must not have been expected by then. A younger list counts too, as long as it was made before
    the certificate ran out, because later lists may leave it out (RFC 5280 §3.3).
    """
    if crl.next_update_utc is None or crl.next_update_utc < at:
        return False
    return crl.last_update_utc <= at or crl.last_update_utc <= certificate.not_valid_after_utc


def _dates(crl: x509.CertificateRevocationList) -> str:
    following = f"{crl.next_update_utc:%Y-%m-%d}" if crl.next_update_utc else "without a date"
    return f"{crl.last_update_utc:%Y-%m-%d} (the next: {following})"


def _name(name: x509.Name) -> str:
    return name.rfc4514_string()[:120]
