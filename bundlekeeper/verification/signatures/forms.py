"""Detached signatures over raw bytes: one function for each form, `verify` to choose by the trust entry's form.

Rules: the form is the caller's (the trust entry's) and is never read from the signature; the key's type must be the
form's; returning means good, anything else is an exception; a signature file is the raw bytes or their base64, nothing
else. ECDSA signatures are DER (RFC 3279 §2.2.3), one canonical spelling; raw r||s pairs are refused with a hint. All
forms but pure Ed25519 are verified from the digest that the one read of the message already gave.

Pure Ed25519 (RFC 8032 §5.1.7) hashes the message after a prefix and has no use for its plain digest: the whole message
must be in memory at once, one byte of memory for each byte of it, and `limits.WHOLE_MESSAGE_BYTES` bounds that. It is
read into memory rather than mapped, because a mapped file on a stick that is pulled kills the process instead of
failing.

What these forms sign is verified without this tool by

    openssl pkeyutl -verify -pubin -inkey key.pem -rawin -in FILE -sigfile FILE.sig              (ed25519)
    openssl dgst -sha256 -verify key.pem -signature FILE.sig FILE                  (ecdsa-p256-sha256, rsa-pkcs1-sha256)
    openssl dgst -sha384 -verify key.pem -signature FILE.sig FILE                                (ecdsa-p384-sha384)
    openssl dgst -sha256 -sigopt rsa_padding_mode:pss -verify key.pem -signature FILE.sig FILE   (rsa-pss-sha256)
"""

from __future__ import annotations

from collections.abc import Mapping

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa, utils

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError
from bundlekeeper.verification.encodings.wire import strict_base64
from bundlekeeper.verification.keys.public_key import PublicKey, require_type
from bundlekeeper.verification.signatures.message import WholeMessage

#: The digest of the message that each raw form is verified from; pure Ed25519 has none.
FORM_DIGEST: dict[str, str] = {
    "ecdsa-p256-sha256": "sha256",
    "ecdsa-p384-sha384": "sha384",
    "rsa-pss-sha256": "sha256",
    "rsa-pkcs1-sha256": "sha256",
}
RAW_FORMS = ("ed25519", *FORM_DIGEST)

_HASHES: dict[str, hashes.HashAlgorithm] = {"sha256": hashes.SHA256(), "sha384": hashes.SHA384()}


def verify(
    form: str,
    key: PublicKey,
    signature: bytes,
    *,
    digests: Mapping[str, str],
    whole: WholeMessage | None = None,
    whole_limit_bytes: int = limits.WHOLE_MESSAGE_BYTES,
) -> None:
    """Verify one detached signature; returning means good.

    Raises SignatureError when it is not good or not of this form, NotCheckedError when a digest or the whole message is
    missing, RefusedError when the key's type is not the form's, InputError for an unknown form.
    """
    require_type(key.key_type, form)
    if form not in RAW_FORMS:
        raise InputError(f"{form} is no raw form")
    if form == "ed25519":
        if whole is None:
            raise NotCheckedError("pure Ed25519 needs the whole message, which is not available")
        raw = signature_bytes(signature, length=64)
        verify_ed25519(key, raw, whole(whole_limit_bytes))
        return
    algorithm = FORM_DIGEST[form]
    if algorithm not in digests:
        raise NotCheckedError(f"the message's {algorithm} was not computed")
    digest = bytes.fromhex(digests[algorithm])
    if form.startswith("ecdsa-"):
        verify_ecdsa(key, ecdsa_signature_bytes(signature, key.bits), digest, algorithm)
    else:
        raw = signature_bytes(signature, length=(key.bits + 7) // 8)
        verify_rsa(key, raw, digest, algorithm, pss=form == "rsa-pss-sha256")


def signature_bytes(data: bytes, *, length: int) -> bytes:
    """The raw signature of a known length from a file that has it raw or in base64. Raises SignatureError."""
    _bounded(data)
    if len(data) == length:
        return data
    decoded = strict_base64(data)
    if decoded is not None and len(decoded) == length:
        return decoded
    raise SignatureError(f"the signature file has neither {length} bytes nor their base64")


def ecdsa_signature_bytes(data: bytes, bits: int) -> bytes:
    """The DER signature from a file that has it raw or in base64. Raises SignatureError for any other spelling."""
    _bounded(data)
    for candidate in (data, strict_base64(data)):
        if candidate is not None and _is_der_pair(candidate):
            return candidate
    pair = 2 * ((bits + 7) // 8)
    if len(data) == pair or len(strict_base64(data) or b"") == pair:
        raise SignatureError(
            "the signature file has a bare r||s pair, but the form needs DER",
            hint="write it as DER: SEQUENCE of the INTEGERs r and s",
        )
    raise SignatureError("the signature file has no ECDSA signature in DER, raw or in base64")


def verify_ed25519(key: PublicKey, signature: bytes, message: bytes | bytearray) -> None:
    """Pure Ed25519 (RFC 8032 §5.1.7) over the whole message. Raises SignatureError when it does not verify."""
    loaded = key.load()
    if not isinstance(loaded, ed25519.Ed25519PublicKey):
        raise SignatureError("not an Ed25519 key")
    try:
        loaded.verify(signature, message)
    except InvalidSignature as e:
        raise SignatureError("the Ed25519 signature does not fit these bytes") from e


def verify_ecdsa(key: PublicKey, signature: bytes, digest: bytes, algorithm: str) -> None:
    """ECDSA (FIPS 186-5 §6) over a digest. Raises SignatureError when it does not verify."""
    loaded = key.load()
    if not isinstance(loaded, ec.EllipticCurvePublicKey):
        raise SignatureError("not an ECDSA key")
    try:
        loaded.verify(signature, digest, ec.ECDSA(utils.Prehashed(_HASHES[algorithm])))
    except (InvalidSignature, ValueError) as e:
        raise SignatureError("the ECDSA signature does not fit these bytes") from e


def verify_rsa(key: PublicKey, signature: bytes, digest: bytes, algorithm: str, *, pss: bool) -> None:
    """RSASSA-PSS or RSASSA-PKCS1-v1_5 (RFC 8017 §8) over a digest. Raises SignatureError when it does not verify.

    PSS allows any salt length: publishers' tools differ (some use the digest's length, others the longest that fits),
    the signature itself shows which, and it helps no forger. MGF1 uses the same hash.
    """
    loaded = key.load()
    if not isinstance(loaded, rsa.RSAPublicKey):
        raise SignatureError("not an RSA key")
    hash_ = _HASHES[algorithm]
    scheme = padding.PSS(padding.MGF1(hash_), padding.PSS.AUTO) if pss else padding.PKCS1v15()
    try:
        loaded.verify(signature, digest, scheme, utils.Prehashed(hash_))
    except (InvalidSignature, ValueError) as e:
        raise SignatureError("the RSA signature does not fit these bytes") from e


def _bounded(data: bytes) -> None:
    if len(data) > limits.RAW_SIGNATURE_BYTES:
        raise SignatureError(f"the signature file is larger than {limits.RAW_SIGNATURE_BYTES} bytes")


def _is_der_pair(data: bytes) -> bool:
    try:
        r, s = utils.decode_dss_signature(data)
    except ValueError:
        return False
    return r > 0 and s > 0 and utils.encode_dss_signature(r, s) == data
