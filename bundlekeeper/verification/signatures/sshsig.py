"""SSHSIG, OpenSSH's signatures of files: reading, verifying and making them (OpenSSH's PROTOCOL.sshsig).

Rules: version 1 only; the namespace is the caller's (fixed by the trust entry and the kind of document), never the
file's; the key in the file must be the trusted key, byte for byte; SHA-256 or SHA-512 of the message; RSA keys sign
with rsa-sha2-256 or rsa-sha2-512 and never with SHA-1; nothing may follow the end of anything.

What is made here is verified without this tool by

    ssh-keygen -Y verify -f allowed_signers -I keeper -n bundlekeeper-manifest -s manifest.toml.sig < manifest.toml

where the one line of `allowed_signers` reads `keeper ssh-ed25519 AAAA…` (ssh-keygen(1), ALLOWED SIGNERS).
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa, utils

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError, UnknownKeyError
from bundlekeeper.verification.encodings.wire import WireReader, ssh_mpint, ssh_string, strict_base64
from bundlekeeper.verification.keys.public_key import PublicKey, checked, from_ssh_blob, ssh_blob

BEGIN = b"-----BEGIN SSH SIGNATURE-----"
_END = b"-----END SSH SIGNATURE-----"
_MAGIC = b"SSHSIG"
_VERSION = 1
HASHES = ("sha256", "sha512")  # PROTOCOL.sshsig: "Verifiers should accept" no other
_LINE = 70  # characters of base64 on a line, as ssh-keygen writes them

_ECDSA: dict[str, tuple[str, hashes.HashAlgorithm]] = {  # RFC 5656 §6.2.1: the curve's size decides the hash
    "ecdsa-p256": ("ecdsa-sha2-nistp256", hashes.SHA256()),
    "ecdsa-p384": ("ecdsa-sha2-nistp384", hashes.SHA384()),
    "ecdsa-p521": ("ecdsa-sha2-nistp521", hashes.SHA512()),
}
_RSA: dict[str, hashes.HashAlgorithm] = {"rsa-sha2-256": hashes.SHA256(), "rsa-sha2-512": hashes.SHA512()}  # RFC 8332

SigningKey = ed25519.Ed25519PrivateKey | ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey


@dataclass(frozen=True, slots=True)
class SshSignature:
    """One signature as it is in the file; nothing of it is verified yet."""

    key_blob: bytes
    namespace: str
    hash_algorithm: str
    signature_type: str
    signature: bytes

    def key(self) -> PublicKey:
        """The key in the file. Raises InputError or RefusedError when it is not supported."""
        return from_ssh_blob(self.key_blob)


def parse(data: bytes) -> SshSignature:
    """Read an armoured signature file. Raises SignatureError for anything but one whole version 1 signature."""
    if len(data) > limits.SSH_SIGNATURE_BYTES:
        raise SignatureError(f"the signature file is larger than {limits.SSH_SIGNATURE_BYTES} bytes")
    reader = WireReader(_dearmour(data))
    try:
        if reader.take(len(_MAGIC)) != _MAGIC:
            raise SignatureError("the SSH signature does not begin with SSHSIG")
        version = reader.uint32()
        if version != _VERSION:
            raise SignatureError(f"SSH signatures of version {version} are not known here, only version {_VERSION}")
        key_blob, namespace, reserved, hash_name, signature = (reader.string() for _ in range(5))
        reader.end()
        inner = WireReader(signature)
        kind, raw = inner.string(), inner.string()
        inner.end()
    except InputError as e:
        raise SignatureError(f"the SSH signature {e.message}") from e
    if reserved:
        raise SignatureError("the SSH signature uses its reserved field, which is not supported here")
    algorithm = hash_name.decode("ascii", "replace")
    if algorithm not in HASHES:
        raise SignatureError(
            f"the SSH signature hashes with {algorithm[:20]!r}; only {' and '.join(HASHES)} are supported"
        )
    try:
        return SshSignature(key_blob, namespace.decode("utf-8"), algorithm, kind.decode("ascii"), raw)
    except UnicodeDecodeError as e:
        raise SignatureError("the SSH signature has names that are no text") from e


def verify(
    signature: SshSignature, *, key: PublicKey, namespace: str, digests: Mapping[str, str], name: str = "the key"
) -> None:
    """Verify a parsed signature against a trusted key and a namespace; returning means good.

    `digests` maps algorithm to the message's digest in hexadecimal and must have `signature.hash_algorithm`.
    Raises UnknownKeyError when another key made it, NotCheckedError without the digest, SignatureError otherwise.
    """
    if not namespace:
        raise SignatureError("a signature needs a namespace")
    trusted = key.load()
    if signature.key_blob != ssh_blob(trusted):
        raise UnknownKeyError(f"made by another key ({_fingerprint(signature)}), not by {name} ({key.fingerprint})")
    if signature.namespace != namespace:
        raise SignatureError(
            f"made for {signature.namespace[:80]!r}, but {namespace!r} is needed here",
            hint="a signature for one kind of document is never good for another",
        )
    digest = digests.get(signature.hash_algorithm)
    if digest is None:
        raise NotCheckedError(f"the message's {signature.hash_algorithm} was not computed")
    signed = _signed_data(namespace, signature.hash_algorithm, bytes.fromhex(digest))
    try:
        _verify_raw(trusted, key.key_type, signature, signed)
    except InvalidSignature as e:
        raise SignatureError("the SSH signature does not fit these bytes") from e


def sign(private: SigningKey, *, namespace: str, digest: str, hash_algorithm: str = "sha512") -> bytes:
    """Sign a message's digest (hexadecimal) for a namespace; returns the armoured file.

    RSA keys sign with rsa-sha2-512. Raises RefusedError for a key that is too weak to be trusted by anybody, and
    InputError for an empty namespace or a hash that the format does not know.
    """
    if not namespace or hash_algorithm not in HASHES:
        raise InputError("an SSH signature needs a namespace, and sha256 or sha512")
    public = checked(private.public_key())
    signed = _signed_data(namespace, hash_algorithm, bytes.fromhex(digest))
    if isinstance(private, ed25519.Ed25519PrivateKey):
        kind, raw = "ssh-ed25519", private.sign(signed)
    elif isinstance(private, rsa.RSAPrivateKey):
        kind, raw = "rsa-sha2-512", private.sign(signed, padding.PKCS1v15(), hashes.SHA512())
    else:
        kind, hash_ = _ECDSA[public.key_type]
        r, s = utils.decode_dss_signature(private.sign(signed, ec.ECDSA(hash_)))
        raw = ssh_mpint(r) + ssh_mpint(s)
    return armoured(SshSignature(ssh_blob(public.load()), namespace, hash_algorithm, kind, raw))


def armoured(signature: SshSignature) -> bytes:
    """The file of a signature, as `parse` reads it."""
    blob = _MAGIC + _VERSION.to_bytes(4, "big")
    names = (signature.namespace.encode("utf-8"), b"", signature.hash_algorithm.encode("ascii"))
    for part in (signature.key_blob, *names):
        blob += ssh_string(part)
    blob += ssh_string(ssh_string(signature.signature_type.encode("ascii")) + ssh_string(signature.signature))
    text = base64.b64encode(blob)
    lines = [text[at : at + _LINE] for at in range(0, len(text), _LINE)]
    return b"\n".join([BEGIN, *lines, _END, b""])


def digest_of(message: bytes, algorithm: str = "sha512") -> str:
    """The digest that `sign` and `verify` need, for a message that is in memory anyway, in hexadecimal."""
    return hashlib.new(algorithm, message).hexdigest()


def _dearmour(data: bytes) -> bytes:
    text = data.replace(b"\r\n", b"\n")
    body = text.removesuffix(b"\n")
    if not body.startswith(BEGIN + b"\n") or not body.endswith(b"\n" + _END):
        raise SignatureError(
            "not an SSH signature: it begins and ends with its own armour lines, and with nothing else"
        )
    blob = strict_base64(body[len(BEGIN) + 1 : -len(_END) - 1])
    if blob is None:
        raise SignatureError("the SSH signature is not base64 between its armour lines")
    return blob


def _signed_data(namespace: str, algorithm: str, digest: bytes) -> bytes:
    if len(digest) != hashlib.new(algorithm).digest_size:
        raise InputError(f"{len(digest)} bytes are no {algorithm} digest")
    parts = (namespace.encode("utf-8"), b"", algorithm.encode("ascii"), digest)
    return _MAGIC + b"".join(ssh_string(part) for part in parts)


def _verify_raw(key: object, key_type: str, signature: SshSignature, signed: bytes) -> None:
    """Verify the inner signature: its type must be the trusted key's own. Raises InvalidSignature, SignatureError."""
    kind = signature.signature_type
    if isinstance(key, ed25519.Ed25519PublicKey) and kind == "ssh-ed25519":
        key.verify(signature.signature, signed)
    elif isinstance(key, rsa.RSAPublicKey) and kind in _RSA:
        if len(signature.signature) != (key.key_size + 7) // 8:
            raise SignatureError("the RSA signature is not as long as the key")
        key.verify(signature.signature, signed, padding.PKCS1v15(), _RSA[kind])
    elif isinstance(key, ec.EllipticCurvePublicKey) and kind == _ECDSA[key_type][0]:
        try:
            reader = WireReader(signature.signature)
            r, s = reader.mpint(), reader.mpint()
            reader.end()
        except InputError as e:
            raise SignatureError(f"the ECDSA signature {e.message}") from e
        key.verify(utils.encode_dss_signature(r, s), signed, ec.ECDSA(_ECDSA[key_type][1]))
    else:
        raise SignatureError(f"{kind[:40]!r} is no signature that a key of type {key_type} may make")


def _fingerprint(signature: SshSignature) -> str:
    try:
        return signature.key().fingerprint
    except (InputError, RefusedError, KeeperError):
        return "one that is not supported"
