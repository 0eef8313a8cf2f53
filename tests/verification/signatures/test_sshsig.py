"""SSHSIG against its reference, `ssh-keygen -Y`: both ways, and every way in which a signature may be wrong."""

from __future__ import annotations

import base64
import shlex
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ed25519, padding, rsa

from bundlekeeper.errors import InputError, KeeperError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError, UnknownKeyError
from bundlekeeper.verification.encodings.wire import ssh_mpint, ssh_string
from bundlekeeper.verification.keys.public_key import ssh_blob
from bundlekeeper.verification.signatures import sshsig
from bundlekeeper.verification.signatures.sign import allowed_signers_line
from tests.kits.signing_world import TYPES, digests, private, private_pem, program, public, run, ssh_line
from tests.kits.sure import some

NAMESPACE = "bundlekeeper-manifest"
MESSAGE = b'manifest = 1\nplatform = "marram"\n'


def verify(data: bytes, key_type: str, message: bytes = MESSAGE, namespace: str = NAMESPACE) -> None:
    sshsig.verify(sshsig.parse(data), key=public(key_type), namespace=namespace, digests=digests(message))


def ours(key_type: str, hash_: str = "sha512", namespace: str = NAMESPACE, message: bytes = MESSAGE) -> bytes:
    return sshsig.sign(
        private(key_type), namespace=namespace, digest=sshsig.digest_of(message, hash_), hash_algorithm=hash_
    )


def theirs(key_type: str, tmp_path: Path, *options: str, namespace: str = NAMESPACE) -> bytes:
    key, message = tmp_path / "key", tmp_path / "message"
    key.write_bytes(private_pem(private(key_type), ssh=True))
    key.chmod(0o600)
    (tmp_path / "key.pub").write_bytes(ssh_line(private(key_type)))
    message.write_bytes(MESSAGE)
    (tmp_path / "message.sig").unlink(missing_ok=True)
    made = run(program("ssh-keygen"), "-Y", "sign", "-q", *options, "-f", str(key), "-n", namespace, str(message))
    assert made.returncode == 0, made.stderr
    return (tmp_path / "message.sig").read_bytes()


@pytest.mark.parametrize("key_type", TYPES)
@pytest.mark.parametrize("hash_", sshsig.HASHES)
def test_what_ssh_keygen_signs_is_good_here(key_type: str, hash_: str, tmp_path: Path) -> None:
    data = theirs(key_type, tmp_path, "-O", f"hashalg={hash_}")
    assert sshsig.parse(data).hash_algorithm == hash_
    verify(data, key_type)
    with pytest.raises(SignatureError, match="does not fit"):
        verify(data, key_type, MESSAGE + b" ")
    with pytest.raises(SignatureError, match="is needed here"):
        verify(data, key_type, namespace="bundlekeeper-receipt")
    for other in TYPES:
        if other != key_type:
            with pytest.raises(UnknownKeyError):
                verify(data, other)


@pytest.mark.parametrize("key_type", TYPES)
@pytest.mark.parametrize("hash_", sshsig.HASHES)
def test_ssh_keygen_verifies_what_is_signed_here(key_type: str, hash_: str, tmp_path: Path) -> None:
    """The line of the docstring of `bundlekeeper.verification.signatures.sshsig`, taken from it and run."""
    (tmp_path / "manifest.toml").write_bytes(MESSAGE)
    (tmp_path / "manifest.toml.sig").write_bytes(ours(key_type, hash_))
    (tmp_path / "allowed_signers").write_text(allowed_signers_line(public(key_type)))
    line = next(line.strip() for line in str(sshsig.__doc__).splitlines() if line.strip().startswith("ssh-keygen "))
    command, _, source = line.partition(" < ")
    words = shlex.split(command)

    def status(*changed: tuple[str, str]) -> int:
        swapped = [dict(changed).get(word, word) for word in words[1:]]
        return run(program("ssh-keygen"), *swapped, data=(tmp_path / source).read_bytes(), cwd=tmp_path).returncode

    assert status() == 0
    assert status((NAMESPACE, "bundlekeeper-receipt")) != 0
    assert status(("keeper", "stranger")) != 0
    (tmp_path / "manifest.toml").write_bytes(MESSAGE + b"\n")
    assert status() != 0


def test_what_is_signed_here_is_byte_for_byte_what_ssh_keygen_signs(tmp_path: Path) -> None:
    """Ed25519 and RSA signatures are deterministic, so the whole file must be the same."""
    assert ours("ed25519") == theirs("ed25519", tmp_path)
    assert ours("rsa") == theirs("rsa", tmp_path)


def rebuilt(key_type: str = "ed25519", **changes: Any) -> bytes:
    """A signature with parts replaced, signed again over what the parts say, so that only the rule can refuse it."""
    own = sshsig.parse(ours(key_type))
    parts: dict[str, Any] = {
        "magic": b"SSHSIG",
        "version": 1,
        "key": ssh_blob(public(key_type).load()),
        "namespace": NAMESPACE.encode(),
        "reserved": b"",
        "hash": b"sha512",
        "kind": own.signature_type.encode(),
        "raw": own.signature,
        "after": b"",
        "inside": b"",
    } | changes
    signing = private(key_type)
    if isinstance(signing, ed25519.Ed25519PrivateKey) and "raw" not in changes:
        digest = bytes.fromhex(digests(MESSAGE).get(parts["hash"].decode(), digests(MESSAGE)["sha512"]))
        signed = (parts["namespace"], parts["reserved"], parts["hash"], digest)
        parts["raw"] = signing.sign(b"SSHSIG" + b"".join(ssh_string(x) for x in signed))
    blob = bytes(parts["magic"]) + int(parts["version"]).to_bytes(4, "big")
    blob += b"".join(ssh_string(parts[x]) for x in ("key", "namespace", "reserved", "hash"))
    blob += ssh_string(ssh_string(parts["kind"]) + ssh_string(parts["raw"]) + parts["inside"]) + parts["after"]
    return armoured(blob)


def armoured(blob: bytes) -> bytes:
    text = base64.b64encode(blob)
    lines = [text[at : at + 70] for at in range(0, len(text), 70)]
    return b"\n".join([sshsig.BEGIN, *lines, b"-----END SSH SIGNATURE-----", b""])


def test_the_rebuilt_signature_is_good_when_nothing_is_changed() -> None:
    verify(rebuilt(), "ed25519")


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"magic": b"SSHSIH"}, "begin with SSHSIG"),
        ({"version": 0}, "version 0"),
        ({"version": 2}, "version 2"),
        ({"reserved": b"x"}, "reserved"),
        ({"hash": b"sha1"}, "sha1"),
        ({"hash": b"sha384"}, "sha384"),
        ({"hash": b""}, "hashes with"),
        ({"namespace": b""}, "needed here"),
        ({"namespace": b"bundlekeeper-receipt"}, "needed here"),
        ({"namespace": NAMESPACE.encode() + b"\0"}, "needed here"),
        ({"namespace": b"\xff"}, "no text"),
        ({"after": b"\0"}, "1 bytes after its end"),
        ({"inside": b"\0"}, "1 bytes after its end"),
        ({"kind": b"rsa-sha2-512"}, "no signature that a key of type ed25519"),
        ({"kind": b"ssh-rsa"}, "no signature that"),
        ({"raw": b""}, "does not fit"),
        ({"raw": bytes(64)}, "does not fit"),
    ],
)
def test_every_rule_of_the_format_is_kept(changes: dict[str, Any], word: str) -> None:
    """PROTOCOL.sshsig: version, reserved, hash_algorithm and namespace, each of them signed correctly and refused."""
    with pytest.raises(SignatureError, match=word):
        verify(rebuilt(**changes), "ed25519")


def test_an_rsa_signature_with_sha1_is_refused() -> None:
    """PROTOCOL.sshsig: RSA keys sign with rsa-sha2-256 or rsa-sha2-512 and nothing else."""
    key = private("rsa")
    assert isinstance(key, rsa.RSAPrivateKey)
    parts = (NAMESPACE.encode(), b"", b"sha512", bytes.fromhex(digests(MESSAGE)["sha512"]))
    signed = b"SSHSIG" + b"".join(ssh_string(x) for x in parts)
    for kind, hash_, good in (
        (b"rsa-sha2-256", hashes.SHA256(), True),
        (b"rsa-sha2-512", hashes.SHA512(), True),
        (b"rsa-sha2-512", hashes.SHA256(), False),
    ):
        data = rebuilt("rsa", kind=kind, raw=key.sign(signed, padding.PKCS1v15(), hash_))
        if good:
            verify(data, "rsa")
        else:
            with pytest.raises(SignatureError, match="does not fit"):
                verify(data, "rsa")
    raw = key.sign(signed, padding.PKCS1v15(), hashes.SHA256())
    with pytest.raises(SignatureError, match="'ssh-rsa' is no signature"):
        verify(rebuilt("rsa", kind=b"ssh-rsa", raw=raw), "rsa")
    with pytest.raises(SignatureError, match="not as long as the key"):
        verify(rebuilt("rsa", kind=b"rsa-sha2-256", raw=raw[1:]), "rsa")


def test_an_ecdsa_signature_has_one_spelling() -> None:
    for raw in (b"", ssh_mpint(1), ssh_mpint(1) + ssh_mpint(2) + b"\0", ssh_string(b"\0\0\1") + ssh_mpint(2)):
        with pytest.raises(SignatureError):
            verify(rebuilt("ecdsa-p256", raw=raw), "ecdsa-p256")
    with pytest.raises(SignatureError, match="negative"):
        verify(rebuilt("ecdsa-p256", raw=ssh_string(b"\x80") + ssh_mpint(2)), "ecdsa-p256")


def test_the_armour_is_the_whole_file() -> None:
    data = ours("ed25519")
    for changed in (
        b"\n" + data,
        data + b"\n",
        data + data,
        b"text\n" + data,
        data.replace(b"SSH SIG", b"SSH-SIG"),
        data[:-2],
        data.replace(b"\n", b"\n\n", 2),
        data.replace(b"\n", b" \n", 2),
        b"",
        sshsig.BEGIN,
        sshsig.BEGIN + b"\n-----END SSH SIGNATURE-----\n",
        data + b" " * limits.SSH_SIGNATURE_BYTES,
    ):
        with pytest.raises(SignatureError):
            sshsig.parse(changed)
    verify(data.replace(b"\n", b"\r\n"), "ed25519")
    verify(data[:-1], "ed25519")


def test_every_truncation_is_refused() -> None:
    blob = base64.b64decode(b"".join(ours("ed25519").split(b"\n")[1:-2]))
    for length in some(range(len(blob))):
        with pytest.raises(SignatureError):
            sshsig.parse(armoured(blob[:length]))


def test_flipping_any_byte_of_the_signature_file_is_never_good() -> None:
    """Fault 36: "any byte of a signed manifest altered: the whole manifest refused"; and each of its signature."""
    data = ours("ed25519")
    for at in some(range(len(data))):
        for change in (0x01, 0x20, 0x80, data[at]):
            changed = data[:at] + bytes([data[at] ^ change]) + data[at + 1 :]
            with pytest.raises(SignatureError):
                verify(changed, "ed25519")


@pytest.mark.fault(36)
def test_flipping_any_byte_of_the_signed_manifest_is_never_good() -> None:
    data = sshsig.parse(ours("ed25519"))
    for at in some(range(len(MESSAGE))):
        for change in range(1, 256, 17):
            changed = MESSAGE[:at] + bytes([MESSAGE[at] ^ change]) + MESSAGE[at + 1 :]
            with pytest.raises(SignatureError):
                sshsig.verify(data, key=public("ed25519"), namespace=NAMESPACE, digests=digests(changed))


def test_a_security_token_key_in_the_file_is_unknown(tmp_path: Path) -> None:
    blob = ssh_string(b"sk-ssh-ed25519@openssh.com") + ssh_string(bytes(range(32))) + ssh_string(b"ssh:")
    with pytest.raises(UnknownKeyError, match="one that is not supported"):
        verify(rebuilt(key=blob), "ed25519")


def test_what_is_missing_is_not_checked_and_never_good() -> None:
    data = sshsig.parse(ours("ed25519"))
    with pytest.raises(NotCheckedError, match="sha512"):
        sshsig.verify(data, key=public("ed25519"), namespace=NAMESPACE, digests={"sha256": digests(MESSAGE)["sha256"]})
    with pytest.raises(SignatureError, match="needs a namespace"):
        sshsig.verify(data, key=public("ed25519"), namespace="", digests=digests(MESSAGE))
    with pytest.raises(KeeperError):
        sshsig.verify(data, key=public("ed25519"), namespace=NAMESPACE, digests={"sha512": "00"})


def test_signing_wants_a_namespace_and_a_hash_of_the_format() -> None:
    for namespace, hash_ in (("", "sha512"), ("x", "sha1"), ("x", "sha384")):
        with pytest.raises(InputError):
            sshsig.sign(private("ed25519"), namespace=namespace, digest="00", hash_algorithm=hash_)
    with pytest.raises(InputError, match="no sha512 digest"):
        sshsig.sign(private("ed25519"), namespace="x", digest="00")


def test_a_principal_that_would_break_the_line_is_refused() -> None:
    for principal in ("", "two words", "a,b", 'a"b', "!a", "*", "line\nbreak", "\x1b[31m"):
        with pytest.raises(InputError):
            allowed_signers_line(public("ed25519"), principal)
