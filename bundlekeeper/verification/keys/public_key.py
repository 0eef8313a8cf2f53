"""Public keys: reading them, naming them, and refusing the weak ones.

Rules: one key a file; at most 64 KiB; a key is refused when it is *added*, with a reason, and again whenever it is read
back; the library is not trusted for what it does not check (small-order points, sizes, parameters of a
certificate's own signature); a key's type is a fact of the key, its form a fact of the trust entry, and
`require_type` ties them. Fingerprints are those that `ssh-keygen -l` prints.
"""

from __future__ import annotations

import base64
import hashlib
import math
import warnings
from dataclasses import dataclass

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed25519, rsa

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.wire import WireReader, pem_blocks, strict_base64

MIN_RSA_BITS = 2048  # NIST SP 800-131A rev. 2 §3: shorter RSA keys are disallowed for signatures
MAX_RSA_BITS = 16384  # longer ones only cost time: OpenSSL's own limit, OPENSSL_RSA_MAX_MODULUS_BITS
_SMALL_PRIMES = (2, *(p for p in range(3, 752, 2) if all(p % q for q in range(3, math.isqrt(p) + 1, 2))))
_SMALL_PRODUCT = math.prod(_SMALL_PRIMES)
_RSA_DER = bytes.fromhex("06092a864886f70d010101")  # rsaEncryption, RFC 3279 §2.3.1
_RSASSA_PSS_DER = bytes.fromhex("06092a864886f70d01010a")  # id-RSASSA-PSS, RFC 4055 §1.2
_RSASSA_PSS = "1.2.840.113549.1.1.10"
_SPKI_HEAD = 32  # bytes: the algorithm is behind the lengths of two sequences
_FROM_PUBLISHER = "get the key from its publisher again, and compare the fingerprint"

#: Which types of key each form may have. The form is in the trust entry; nothing else decides.
FORM_TYPES: dict[str, tuple[str, ...]] = {
    "ed25519": ("ed25519",),
    "ecdsa-p256-sha256": ("ecdsa-p256",),
    "ecdsa-p384-sha384": ("ecdsa-p384",),
    "rsa-pss-sha256": ("rsa",),
    "rsa-pkcs1-sha256": ("rsa",),
    "sshsig": ("ed25519", "ecdsa-p256", "ecdsa-p384", "ecdsa-p521", "rsa"),
    "minisign": ("ed25519",),
    "cms": ("ecdsa-p256", "ecdsa-p384", "ecdsa-p521", "rsa"),
}

_CURVES = {"secp256r1": "ecdsa-p256", "secp384r1": "ecdsa-p384", "secp521r1": "ecdsa-p521"}
_SSH_TYPES = ("ssh-ed25519", "ecdsa-sha2-nistp256", "ecdsa-sha2-nistp384", "ecdsa-sha2-nistp521", "ssh-rsa")
_P = 2**255 - 19  # RFC 8032 §5.1
_D = -121665 * pow(121666, -1, _P) % _P
# The y coordinates of the eight points whose order divides 8, RFC 7748 §7's "small order" on this curve. The last two
# are from memory; tests/verification/keys/test_keys.py derives all five from the curve's equation.
_SMALL_ORDER_Y = frozenset(
    {
        0,
        1,
        _P - 1,
        int.from_bytes(bytes.fromhex("26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05"), "little"),
        int.from_bytes(bytes.fromhex("c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a"), "little"),
    }
)

#: What the library raises for bytes that are no certificate or list, now or when a part is first asked for.
X509_ERRORS = (
    ValueError,
    TypeError,
    LookupError,
    x509.DuplicateExtension,
    x509.InvalidVersion,
    x509.UnsupportedGeneralNameType,
)
#: The same for OpenSSH's keys; which of them depends on the library's version.
SSH_ERRORS = (ValueError, TypeError, LookupError, NotImplementedError, UnsupportedAlgorithm)

VerifyingKey = ed25519.Ed25519PublicKey | ec.EllipticCurvePublicKey | rsa.RSAPublicKey


@dataclass(frozen=True, slots=True)
class PublicKey:
    """One public key that passed every check here.

    `der` is its SubjectPublicKeyInfo in DER, `certificate` the DER of the certificate that it came in (or empty),
    `key_id` minisign's own eight bytes (or empty), `bits` the size of the key.
    """

    key_type: str
    der: bytes
    fingerprint: str
    bits: int
    certificate: bytes = b""
    key_id: bytes = b""

    def load(self) -> VerifyingKey:
        """The library's object for this key. Raises InputError for a `der` that never passed the checks."""
        return _checked_type(_load_spki(self.der))


def read_public_key(data: bytes, *, where: str = "") -> PublicKey:
    """Read a public key: PEM, DER, OpenSSH's one-line form, or an X.509 certificate in PEM or DER.

    Raises InputError when the bytes are no such thing, RefusedError when the key must not be trusted.
    """
    try:
        return _read(data)
    except InputError as e:
        raise InputError(e.message, hint=e.hint, where=e.where or where) from e
    except RefusedError as e:
        raise RefusedError(e.message, hint=e.hint, where=e.where or where) from e


def require_type(key_type: str, form: str) -> None:
    """Tie a key's type to a form.

    Raises RefusedError when such a key cannot make signatures of this form, InputError for an unknown form.
    """
    if form not in FORM_TYPES:
        raise InputError(f"there is no signature form {form!r}", hint=f"the forms are {', '.join(FORM_TYPES)}")
    if key_type not in FORM_TYPES[form]:
        raise RefusedError(
            f"a key of type {key_type} cannot make {form} signatures",
            hint=f"{form} needs {' or '.join(FORM_TYPES[form])}",
        )


def fingerprint_of(key: VerifyingKey) -> str:
    """`SHA256:` and the unpadded base64 of the key's SSH blob's digest, as `ssh-keygen -l -E sha256` prints it."""
    digest = hashlib.sha256(ssh_blob(key)).digest()
    return "SHA256:" + base64.b64encode(digest).decode("ascii").rstrip("=")


def ssh_blob(key: VerifyingKey) -> bytes:
    """The key in SSH's wire form (RFC 4253 §6.6, RFC 5656 §3.1, RFC 8709 §4)."""
    line = key.public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH)
    return base64.b64decode(line.split()[1])


def checked(key: object, *, certificate: bytes = b"", key_id: bytes = b"") -> PublicKey:
    """Check a key object of the library and wrap it. Raises RefusedError for a key that must not be trusted."""
    known = _checked_type(key)
    _refuse_weak(known)
    der = known.public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
    bits = 256 if isinstance(known, ed25519.Ed25519PublicKey) else known.key_size
    return PublicKey(_type_of(known), der, fingerprint_of(known), bits, certificate, key_id)


def read_certificate(der: bytes) -> x509.Certificate:
    """Parse one certificate and refuse a weak one: its own signature in SHA-1 or MD5, or a weak key.

    Raises InputError for bytes that are no certificate, RefusedError for a weak one.
    """
    try:
        certificate = x509.load_der_x509_certificate(der)
        digest = certificate.signature_hash_algorithm
        key = certificate.public_key()
        # the library parses these on first use; a later use must not meet a damaged one
        certificate.subject, certificate.issuer, tuple(certificate.extensions)
        certificate.not_valid_before_utc, certificate.not_valid_after_utc  # noqa: B018
    except UnsupportedAlgorithm as e:
        raise RefusedError(f"the certificate uses an algorithm that is not supported: {_short(e)}") from e
    except X509_ERRORS as e:
        raise InputError(f"not a certificate that can be read: {_short(e)}") from e
    if digest is not None and digest.name in ("md5", "sha1"):
        raise RefusedError(
            f"the certificate is signed with {digest.name.upper().replace('SHA1', 'SHA-1')}",
            hint="ask its issuer for one signed with SHA-256 or better, or give the bare public key",
        )
    if certificate.public_key_algorithm_oid.dotted_string == _RSASSA_PSS:
        raise _bound_to_pss("the certificate's key")
    spki = checked(key).der
    if spki not in der:
        raise RefusedError("the certificate has its key in a form that is not supported (parameters or padding)")
    return certificate


def _read(data: bytes) -> PublicKey:
    if len(data) > limits.KEY_BYTES:
        raise InputError(f"larger than {limits.KEY_BYTES} bytes: not a public key")
    if b"PRIVATE KEY-----" in data:
        raise InputError("this is a private key", hint="keep it where it is, and give its public half")
    if data.startswith(b"untrusted comment:"):
        raise InputError("this is a minisign key", hint="use it with --form minisign")
    if b"-----BEGIN " in data:
        return _from_pem(data)
    if data[:1] == b"\x30":
        return _from_der(data)
    return _from_openssh(data)


def _from_pem(data: bytes) -> PublicKey:
    blocks = pem_blocks(data)
    if len(blocks) != 1:
        raise InputError(
            f"holds {len(blocks)} PEM blocks, but one key is needed", hint="give roots and others in files of their own"
        )
    label, body = blocks[0]
    if label == "CERTIFICATE":
        return checked(read_certificate(body).public_key(), certificate=body)
    if label == "PUBLIC KEY":
        return from_spki(body)
    raise InputError(
        f"holds a {label}, not a public key", hint="PUBLIC KEY and CERTIFICATE are read; openssl pkey -pubin converts"
    )


def _from_der(data: bytes) -> PublicKey:
    try:
        return from_spki(data)
    except InputError:
        try:
            certificate = read_certificate(data)
        except InputError as e:
            raise InputError("neither a public key nor a certificate in DER") from e
        return checked(certificate.public_key(), certificate=data)


def from_spki(der: bytes) -> PublicKey:
    """Read a SubjectPublicKeyInfo in DER. Raises InputError for anything else, RefusedError for a weak key."""
    loaded = _load_spki(der)
    if _RSASSA_PSS_DER in der[:_SPKI_HEAD]:
        raise _bound_to_pss("the key")
    key = checked(loaded)
    if key.der != der:
        # explicit curves, BER lengths, bytes after the end: one key has one spelling here
        raise RefusedError(
            "the key is not in its plain form (parameters, other lengths or bytes after it)",
            hint="give it as openssl pkey -pubin -pubout writes it",
        )
    return key


def _from_openssh(data: bytes) -> PublicKey:
    try:
        lines = [line for line in data.decode("utf-8").splitlines() if line.strip() and not line.startswith("#")]
    except UnicodeDecodeError as e:
        raise InputError("not a public key in any form that is supported here") from e
    words = lines[0].split() if len(lines) == 1 else []
    if len(words) < 2:
        raise InputError(
            "not a public key in any form that is supported here", hint="PEM, DER, OpenSSH or a certificate"
        )
    kind = words[0]
    if kind.startswith("sk-"):
        raise RefusedError(f"{kind} keys (on a security token) are not supported", hint="use a key of a plain type")
    if "-cert-v01" in kind:
        raise RefusedError("an OpenSSH certificate is not supported", hint="give the key that it certifies")
    if kind == "ssh-dss":
        raise RefusedError("DSA keys are not supported", hint="make an Ed25519 key")
    if kind not in _SSH_TYPES:
        raise InputError(
            "not a public key in any form that is supported here", hint=f"OpenSSH: {', '.join(_SSH_TYPES)}"
        )
    blob = strict_base64(words[1].encode("ascii", "replace"))
    if blob is None or WireReader(blob).string() != kind.encode("ascii"):
        raise InputError("the OpenSSH key is damaged: its base64 or its type do not agree")
    return from_ssh_blob(blob)


def from_ssh_blob(blob: bytes) -> PublicKey:
    """Read a key in SSH's wire form. Raises InputError for a damaged, RefusedError for a weak or foreign one."""
    kind = WireReader(blob).string()
    if kind.decode("ascii", "replace") not in _SSH_TYPES:
        raise RefusedError(f"keys of type {kind[:40].decode('ascii', 'replace')} are not supported")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            loaded = serialization.load_ssh_public_key(kind + b" " + base64.b64encode(blob))
    except SSH_ERRORS as e:
        raise InputError(f"the OpenSSH key is damaged: {_short(e)}") from e
    key = checked(loaded)
    if ssh_blob(key.load()) != blob:
        raise InputError("the OpenSSH key is not in its one canonical spelling")
    return key


def _load_spki(der: bytes) -> object:
    try:
        return serialization.load_der_public_key(der)
    except UnsupportedAlgorithm as e:
        raise RefusedError(f"a key of a kind that is not supported: {_short(e)}") from e
    except (ValueError, TypeError) as e:
        if _RSA_DER in der[:_SPKI_HEAD]:  # numbers that the library itself refuses, or a damaged key
            raise RefusedError(f"an RSA key that cannot be used: {_short(e)}", hint=_FROM_PUBLISHER) from e
        raise InputError(f"not a public key: {_short(e)}") from e


def _checked_type(key: object) -> VerifyingKey:
    if isinstance(key, dsa.DSAPublicKey):
        raise RefusedError("DSA keys are not supported", hint="make an Ed25519 key")
    if isinstance(key, ec.EllipticCurvePublicKey) and key.curve.name not in _CURVES:
        raise RefusedError(f"keys on the curve {key.curve.name} are not supported", hint="use P-256, P-384 or P-521")
    if not isinstance(key, ed25519.Ed25519PublicKey | ec.EllipticCurvePublicKey | rsa.RSAPublicKey):
        raise RefusedError(f"keys of type {_class_name(key)} are not supported", hint="use Ed25519, ECDSA or RSA")
    return key


def _type_of(key: VerifyingKey) -> str:
    if isinstance(key, ed25519.Ed25519PublicKey):
        return "ed25519"
    return "rsa" if isinstance(key, rsa.RSAPublicKey) else _CURVES[key.curve.name]


def _refuse_weak(key: VerifyingKey) -> None:
    if isinstance(key, rsa.RSAPublicKey):
        if key.key_size < MIN_RSA_BITS:
            raise RefusedError(
                f"an RSA key of {key.key_size} bits is too weak", hint=f"at least {MIN_RSA_BITS} bits are needed"
            )
        if key.key_size > MAX_RSA_BITS:
            raise RefusedError(f"an RSA key of {key.key_size} bits is longer than {MAX_RSA_BITS}")
        _refuse_weak_numbers(key.public_numbers())
    elif isinstance(key, ed25519.Ed25519PublicKey):
        refuse_weak_point(key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw))


def _refuse_weak_numbers(numbers: rsa.RSAPublicNumbers) -> None:
    """NIST SP 800-56B rev. 2 §6.4.2.2, as far as it costs nothing; whether the modulus is a prime is not asked."""
    if numbers.e % 2 == 0 or not 1 << 16 < numbers.e < 1 << 256:  # FIPS 186-5 §5.1
        size = f"{numbers.e}" if numbers.e < 1 << 64 else f"{numbers.e.bit_length()} bits"
        raise RefusedError(
            f"an RSA key with the public exponent {size} is not supported",
            hint="ask the publisher for a key with an odd exponent from 65537, the usual one, to 2^256 (FIPS 186-5)",
        )
    if math.gcd(numbers.n, _SMALL_PRODUCT) != 1:
        factor = next(small_prime for small_prime in _SMALL_PRIMES if numbers.n % small_prime == 0)
        raise RefusedError(
            f"the RSA key's modulus can be divided by {factor}: it is damaged or badly made, and protects nothing",
            hint=_FROM_PUBLISHER,
        )


def _bound_to_pss(what: str) -> RefusedError:
    return RefusedError(
        f"{what} is an RSASSA-PSS key (id-RSASSA-PSS, RFC 4055): an RSA key that is bound to one way of padding,"
        " which is not supported",
        hint="ask the publisher for the same key as a plain RSA key (rsaEncryption); its PSS signatures verify under"
        " that, with --form rsa-pss-sha256",
    )


def refuse_weak_point(encoded: bytes) -> None:
    """Refuse an Ed25519 point (32 bytes) that is not canonical, not on the curve, or of small order.

    With a small-order key anybody can make a signature that verifies, for any message; OpenSSL and with it the library
    accept it (tried: tests/verification/keys/test_keys.py). Decoding follows RFC 8032 §5.1.3. Raises RefusedError.
    """
    y = int.from_bytes(encoded, "little") & (2**255 - 1)
    if y >= _P:
        raise RefusedError("the Ed25519 key is not encoded in its one canonical form")
    if y in _SMALL_ORDER_Y:
        raise RefusedError("the Ed25519 key is a point of small order: signatures under it can be forged by anybody")
    x_squared = (y * y - 1) * pow(_D * y * y + 1, -1, _P) % _P
    if pow(x_squared, (_P - 1) // 2, _P) != 1:
        raise RefusedError("the Ed25519 key is not a point on the curve")


def _class_name(key: object) -> str:
    return type(key).__name__.removesuffix("PublicKey").removesuffix("_")


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:160]
