"""minisign's signatures (its documented file format, jedisct1.github.io/minisign), verified here.

Rules: a signature is four lines and nothing after them; the key's number must be the trusted one's; the second
signature, over the first and the trusted comment, must verify too; `ED` signs the message's BLAKE2b-512, so the one
read of the file is enough; the older `Ed` signs the whole message, bounded like pure Ed25519. Verified here and not
through a library: the existing one needs the message and not its digest, which would cost a second read of every
bundle.

    minisign -Vm FILE -p key.pub        verifies the same by minisign itself; the tests compare both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ed25519

from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError, UnknownKeyError
from bundlekeeper.verification.encodings.wire import strict_base64
from bundlekeeper.verification.keys.minisign_key import LEGACY, UNTRUSTED, lines_of
from bundlekeeper.verification.keys.public_key import PublicKey
from bundlekeeper.verification.signatures.message import WholeMessage

DIGEST = "blake2b"  # hashlib's name of BLAKE2b-512 (RFC 7693)

_TRUSTED = b"trusted comment: "
_PREHASHED = b"ED"


@dataclass(frozen=True, slots=True)
class MinisignSignature:
    """One signature file, taken apart; nothing of it is verified yet."""

    prehashed: bool
    key_id: bytes
    signature: bytes
    trusted_comment: bytes
    comment_signature: bytes


def parse(data: bytes) -> MinisignSignature:
    """Read a signature file. Raises SignatureError for anything but one whole signature."""
    if len(data) > limits.MINISIGN_SIGNATURE_BYTES:
        raise SignatureError(f"the signature file is larger than {limits.MINISIGN_SIGNATURE_BYTES} bytes")
    lines = lines_of(data)
    if len(lines) != 4 or not lines[0].startswith(UNTRUSTED) or not lines[2].startswith(_TRUSTED):
        raise SignatureError("not a minisign signature: four lines, two of them comments")
    first, second = strict_base64(lines[1]), strict_base64(lines[3])
    if first is None or second is None or len(first) != 74 or len(second) != 64:
        raise SignatureError("the minisign signature is damaged: its base64 or its lengths")
    if first[:2] not in (LEGACY, _PREHASHED):
        raise SignatureError("the minisign signature is of a kind that is not known")
    comment = lines[2].removeprefix(_TRUSTED)
    return MinisignSignature(first[:2] == _PREHASHED, first[2:10], first[10:], comment, second)


def verify(
    signature: MinisignSignature,
    *,
    key: PublicKey,
    digests: Mapping[str, str],
    whole: WholeMessage | None = None,
    whole_limit_bytes: int = limits.WHOLE_MESSAGE_BYTES,
    name: str = "the key",
) -> None:
    """Verify a parsed signature against a trusted key; returning means good.

    Raises UnknownKeyError when another key made it, NotCheckedError without the digest or the whole message,
    SignatureError otherwise.
    """
    if signature.key_id != key.key_id:
        raise UnknownKeyError(f"made by the key {_number(signature.key_id)}, not by {name} ({_number(key.key_id)})")
    loaded = key.load()
    if not isinstance(loaded, ed25519.Ed25519PublicKey):
        raise SignatureError("not an Ed25519 key")
    try:
        loaded.verify(signature.comment_signature, signature.signature + signature.trusted_comment)
        loaded.verify(signature.signature, _message(signature, digests, whole, whole_limit_bytes))
    except InvalidSignature as e:
        raise SignatureError("the minisign signature does not fit these bytes") from e


def _message(
    signature: MinisignSignature, digests: Mapping[str, str], whole: WholeMessage | None, limit: int
) -> bytes | bytearray:
    if not signature.prehashed:
        if whole is None:
            raise NotCheckedError(
                "a minisign signature of the older kind needs the whole message, which is not available"
            )
        return whole(limit)
    if DIGEST not in digests:
        raise NotCheckedError("the message's BLAKE2b was not computed")
    return bytes.fromhex(digests[DIGEST])


def _number(key_id: bytes) -> str:
    return f"{int.from_bytes(key_id, 'little'):016X}"  # as minisign prints it
