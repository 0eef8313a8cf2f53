"""Detached CMS signatures (RFC 5652): their mathematics through `openssl cms -verify`, their trust through our rules.

Rules: one signer; SHA-256, SHA-384 or SHA-512; the content is never read from inside the signature; openssl decides
only whether the signature fits the bytes, and by which certificate; `keys.certificates` decides whether that
certificate may sign, under the trust entry's roots, so openssl's own trust store and its settings do not matter.
Without openssl the answer is `not-checked`. No shell, nothing but a private temporary folder, bounded output.

The content goes to openssl through a pipe, piece by piece, so memory stays constant. A caller that hashes the pieces as
they pass needs one read; a caller that gives a second read needs two.

    openssl cms -verify -binary -inform DER -in FILE.cms -content FILE -CAfile roots.pem -purpose any -out /dev/null
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from cryptography import x509

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import TrustMoment
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError, UnknownKeyError
from bundlekeeper.verification.encodings.wire import der_parts, pem_blocks
from bundlekeeper.verification.keys.certificates import Anchors, check_chain
from bundlekeeper.verification.keys.public_key import checked, read_certificate, require_type

MAX_EMBEDDED = 16  # certificates inside a signature

_SIGNED_DATA = bytes.fromhex("2a864886f70d010702")  # 1.2.840.113549.1.7.2, RFC 5652 §5.1
_DATA = bytes.fromhex("2a864886f70d010701")  # 1.2.840.113549.1.7.1, RFC 5652 §4
_SHA2 = {  # RFC 5754 §2
    bytes.fromhex("608648016503040201"): "sha256",
    bytes.fromhex("608648016503040202"): "sha384",
    bytes.fromhex("608648016503040203"): "sha512",
}
_SEQUENCE, _SET, _OID, _TAG0 = 0x30, 0x31, 0x06, 0xA0


@dataclass(frozen=True, slots=True)
class CmsSignature:
    """One detached signature, taken apart as far as the rules need; nothing of it is verified yet."""

    der: bytes
    digest_algorithm: str
    certificates: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class _OpensslAnswer:
    """What openssl answered: its exit status, its bounded text, and the signer's certificate where it named one."""

    status: int
    words: str
    signer_pem: bytes


def parse(data: bytes) -> CmsSignature:
    """Read a signature in DER or PEM. Raises SignatureError for anything but one detached signature by one signer."""
    if len(data) > limits.SIGNATURE_BYTES:
        raise SignatureError(f"the signature file is larger than {limits.SIGNATURE_BYTES} bytes")
    try:
        if data.startswith(b"-----BEGIN "):
            blocks = pem_blocks(data)
            if len(blocks) != 1 or blocks[0][0] not in ("CMS", "PKCS7"):
                raise SignatureError("not a CMS signature: one PEM block of CMS or PKCS7 is needed")
            data = blocks[0][1]
        return _taken_apart(data)
    except InputError as e:
        raise SignatureError(f"the CMS signature {e.message}") from e
    except (ValueError, IndexError) as e:
        raise SignatureError("not a detached CMS signature (signed data in DER)") from e


def verify(
    signature: CmsSignature,
    chunks: Iterable[bytes],
    *,
    anchors: Anchors,
    pinned: bytes,
    moments: Iterable[TrustMoment],
    form: str = "cms",
) -> tuple[str, ...]:
    """Verify a parsed signature over content; returning means good.

    `pinned` is the DER of the one certificate that may sign, or empty for any under the entry's roots. Returns notes on
    a good chain. Raises NotCheckedError where openssl is lacking, else as `certificates.check_chain`.
    """
    answer = _ask_openssl(signature, chunks)
    if answer.status != 0:
        raise _meaning(answer)
    try:
        blocks = pem_blocks(answer.signer_pem)
        if len(blocks) != 1:
            raise SignatureError("openssl named no signer, or several")
        signer = read_certificate(blocks[0][1])
        require_type(checked(signer.public_key()).key_type, form)
    except SignatureError:
        raise
    except (InputError, RefusedError) as e:
        raise SignatureError(f"the signer's certificate: {e.message}", hint=e.hint) from e
    if pinned and blocks[0][1] != pinned:
        raise UnknownKeyError(
            f"signed by {signer.subject.rfc4514_string()[:120]}, another certificate than the entry's"
        )
    helpers = (*anchors.intermediates, *_embedded(signature))
    notes: list[str] = []
    for moment in moments:
        notes += check_chain(signer, replace(anchors, intermediates=helpers), moment)
    return tuple(dict.fromkeys(notes))


def _taken_apart(der: bytes) -> CmsSignature:
    """ContentInfo → SignedData (RFC 5652 §3, §5.1): the parts that the rules are about."""
    kind, wrapped = der_parts(_one(der, _SEQUENCE))
    if (kind.tag, kind.body) != (_OID, _SIGNED_DATA) or wrapped.tag != _TAG0:
        raise SignatureError("the CMS file has something else than signed data")
    parts = der_parts(_one(wrapped.body, _SEQUENCE))
    content, last = parts[2], parts[-1]
    if [(part.tag, part.body) for part in der_parts(content.body)] != [(_OID, _DATA)]:
        raise SignatureError("the CMS signature is not detached, or not over plain data")
    signers = der_parts(last.body) if last.tag == _SET and len(parts) > 3 else []
    if len(signers) != 1:
        raise SignatureError(f"the CMS signature has {len(signers)} signers, but one is needed")
    algorithm = der_parts(der_parts(signers[0].body)[2].body)[0]
    name = _SHA2.get(algorithm.body)
    if name is None:
        raise SignatureError("the CMS signature hashes with something else than SHA-256, SHA-384 or SHA-512")
    embedded = [element for part in parts[3:-1] if part.tag == _TAG0 for element in der_parts(part.body)]
    certificates = tuple(element.whole for element in embedded if element.tag == _SEQUENCE)
    return CmsSignature(der, name, certificates[:MAX_EMBEDDED])


def _one(data: bytes, tag: int) -> bytes:
    parts = der_parts(data)
    if len(parts) != 1 or parts[0].tag != tag:
        raise SignatureError("the CMS signature is not one DER value")
    return parts[0].body


def _embedded(signature: CmsSignature) -> list[x509.Certificate]:
    """The signature's own certificates, as help towards a root only; what cannot be read or is weak is left out."""
    found: list[x509.Certificate] = []
    for der in signature.certificates:
        try:
            found.append(read_certificate(der))
        except (InputError, RefusedError):
            continue
    return found


def _ask_openssl(signature: CmsSignature, chunks: Iterable[bytes]) -> _OpensslAnswer:
    program = shutil.which("openssl")
    if program is None:
        raise NotCheckedError(
            "CMS signatures are verified by openssl, which is not on this machine",
            hint="install openssl, or ask the publisher for a signature of another form",
        )
    with tempfile.TemporaryDirectory(prefix="bundlekeeper-cms-") as name:
        return _run(program, Path(name), signature, chunks)


def _run(program: str, folder: Path, signature: CmsSignature, chunks: Iterable[bytes]) -> _OpensslAnswer:
    source, signer, log = folder / "signature.der", folder / "signer.pem", folder / "log"
    source.write_bytes(signature.der)
    command = [program, "cms", "-verify", "-binary", "-noverify", "-inform", "DER", "-in", str(source)]
    command += ["-content", "/dev/stdin", "-signer", str(signer), "-out", os.devnull]
    # no settings of the machine's or the user's openssl: they could load other code or other rules
    environment = {"PATH": os.defpath, "LC_ALL": "C", "OPENSSL_CONF": os.devnull}
    with log.open("wb") as words:
        try:
            process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=words, env=environment
            )
        except OSError as e:
            raise NotCheckedError("openssl could not be run, so the CMS signature was not verified") from e
        with process:
            try:
                _feed(process, chunks)
            except BaseException:
                process.kill()
                raise
        status = process.returncode
    text = log.read_bytes()[: limits.TEXT_CHARACTERS].decode("utf-8", "replace")
    return _OpensslAnswer(status, text, signer.read_bytes()[: 1 << 20] if signer.exists() else b"")


def _feed(process: subprocess.Popen[bytes], chunks: Iterable[bytes]) -> None:
    """Write the content to openssl. All of `chunks` is read even when openssl stops reading."""
    pipe = process.stdin
    if pipe is None:
        raise NotCheckedError("openssl could not be given the content")
    listening = True
    for chunk in chunks:
        try:
            if listening:
                pipe.write(chunk)
        except BrokenPipeError:
            listening = False
    try:
        pipe.close()
    except BrokenPipeError:
        return


def _meaning(answer: _OpensslAnswer) -> SignatureError:
    """openssl's exit status and words as one of ours (openssl-cms(1): 4 is a message that did not verify)."""
    words = answer.words
    if "no matching digest" in words or "verification failure" in words or "digest" in words:
        return SignatureError("the CMS signature does not fit these bytes")
    if "signer certificate not found" in words or "no signers" in words.lower():
        return SignatureError(
            "the CMS signature does not carry its signer's certificate",
            hint="ask for a signature that includes it",
        )
    if answer.status in (1, 2, 3):
        return SignatureError("openssl cannot read the CMS signature")
    return SignatureError("openssl does not verify the CMS signature")
