"""Private keys: formats, passphrases, file modes; what is signed verifies by ssh-keygen; no secret in a message."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import NAMESPACES
from bundlekeeper.verification.signatures import sshsig
from bundlekeeper.verification.signatures.sign import (
    allowed_signers_line,
    check_mode,
    load_private_key,
    public_key_of,
    read_private_key,
    sign_document,
)
from tests.kits.signing_world import TYPES, digests, private, private_pem, program, public, run

VECTORS = Path(cryptography_vectors.__file__).parent / "asymmetric"
SECRET = b"marram grass 2026"


def never(_what: str) -> bytes:
    raise AssertionError("a passphrase was asked for")


def written(tmp_path: Path, data: bytes, mode: int = 0o600) -> str:
    file = tmp_path / "key"
    file.write_bytes(data)
    file.chmod(mode)
    return str(file)


@pytest.mark.parametrize("key_type", TYPES)
@pytest.mark.parametrize("ssh", [False, True])
def test_plain_keys_are_read_without_a_question(key_type: str, ssh: bool, tmp_path: Path) -> None:
    found = load_private_key(written(tmp_path, private_pem(private(key_type), ssh=ssh)), never)
    assert public_key_of(found) == public(key_type)


@pytest.mark.parametrize("key_type", ["ed25519", "ecdsa-p256"])
def test_an_encrypted_pkcs8_key_asks_once_and_says_what_for(key_type: str, tmp_path: Path) -> None:
    asked: list[str] = []

    def ask(what: str) -> bytes:
        asked.append(what)
        return SECRET

    path = written(tmp_path, private_pem(private(key_type), passphrase=SECRET))
    assert public_key_of(load_private_key(path, ask)) == public(key_type)
    assert asked == [f"Passphrase of {path}"]


@pytest.mark.parametrize("name", ["ed25519-psw.key", "ed25519-aesgcm-psw.key", "rsa-psw.key", "ecdsa-psw.key"])
def test_encrypted_openssh_keys_of_the_published_set(name: str) -> None:
    """cryptography-vectors, asymmetric/OpenSSH; their passphrase is `password`. Needs bcrypt (cryptography[ssh])."""
    pytest.importorskip("bcrypt")
    data = (VECTORS / "OpenSSH" / name).read_bytes()
    if name.startswith("rsa"):
        assert isinstance(read_private_key(data, lambda _: b"password"), rsa.RSAPrivateKey)
    else:
        assert isinstance(
            read_private_key(data, lambda _: b"password"), ed25519.Ed25519PrivateKey | ec.EllipticCurvePrivateKey
        )
    with pytest.raises(InputError, match="passphrase is wrong"):
        read_private_key(data, lambda _: b"Password")


def test_a_key_that_ssh_keygen_encrypted_is_read(tmp_path: Path) -> None:
    pytest.importorskip("bcrypt")
    made = run(
        program("ssh-keygen"), "-q", "-t", "ed25519", "-N", SECRET.decode(), "-a", "1", "-f", str(tmp_path / "k")
    )
    assert made.returncode == 0
    found = load_private_key(str(tmp_path / "k"), lambda _: SECRET)
    said = run(program("ssh-keygen"), "-l", "-f", str(tmp_path / "k.pub")).stdout.decode().split()
    assert public_key_of(found).fingerprint == said[1]


def test_without_bcrypt_an_encrypted_openssh_key_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    from cryptography.hazmat.primitives.serialization import ssh

    monkeypatch.setattr(ssh, "_bcrypt_supported", False)
    monkeypatch.setattr(ssh, "_bcrypt_kdf", _no_bcrypt)
    with pytest.raises(InputError, match="needs the package bcrypt") as caught:
        read_private_key((VECTORS / "OpenSSH/ed25519-psw.key").read_bytes(), lambda _: b"password")
    assert "PKCS #8" in caught.value.hint


def _no_bcrypt(*_: object, **__: object) -> bytes:
    from cryptography.exceptions import UnsupportedAlgorithm

    raise UnsupportedAlgorithm("Need bcrypt module")


@pytest.mark.parametrize("ssh", [False, True])
def test_a_wrong_or_missing_passphrase_is_our_error_and_shows_nothing(ssh: bool) -> None:
    if ssh:
        pytest.importorskip("bcrypt")
        data = (VECTORS / "OpenSSH/ed25519-psw.key").read_bytes()
    else:
        data = private_pem(private("ed25519"), passphrase=SECRET)
    for secret in (b"", b"wrong-word", SECRET + b"\n", SECRET[:-1], b"x" * (limits.PASSPHRASE_BYTES + 1)):
        with pytest.raises(InputError) as caught:
            read_private_key(data, lambda _, s=secret: s, where="key")  # type: ignore[misc]  # the default binds it
        text = f"{caught.value.message} {caught.value.hint} {caught.value.where}"
        assert "wrong-word" not in text
        assert SECRET.decode() not in text
        assert caught.value.exit_code == 2


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o660, 0o644, 0o666, 0o601, 0o677])
def test_a_key_that_others_can_reach_is_refused_as_ssh_does(mode: int, tmp_path: Path) -> None:
    path = written(tmp_path, private_pem(private("ed25519")), mode)
    with pytest.raises(RefusedError, match=f"mode {mode:04o}") as caught:
        load_private_key(path, never)
    assert caught.value.hint == f"run: chmod 600 {path}"
    assert caught.value.exit_code == 4


def test_modes_and_owners_that_are_allowed() -> None:
    for mode in (0o600, 0o400, 0o700):
        check_mode(stat.S_IFREG | mode, 1000, me=1000)
        check_mode(stat.S_IFREG | mode, 1000, me=0)
    with pytest.raises(RefusedError, match="another user"):
        check_mode(stat.S_IFREG | 0o600, 1001, me=1000)
    for kind in (stat.S_IFDIR, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFSOCK):
        with pytest.raises(RefusedError, match="no regular file"):
            check_mode(kind | 0o600, 1000, me=1000)


def test_a_fifo_does_not_hang_and_a_missing_file_says_so(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo", 0o600)
    with pytest.raises(RefusedError, match="no regular file"):
        load_private_key(str(tmp_path / "fifo"), never)
    with pytest.raises(RefusedError, match="no regular file"):
        load_private_key(str(tmp_path), never)
    with pytest.raises(InputError, match="no such key file"):
        load_private_key(str(tmp_path / "none"), never)
    with pytest.raises(KeeperError):
        load_private_key(str(tmp_path / ("x" * 300)), never)


def test_what_is_no_private_key_or_a_weak_one_is_refused(tmp_path: Path) -> None:
    key = private_pem(private("ed25519"))
    for data in (b"", b"x" * (limits.KEY_BYTES + 9), key[:-40], key.replace(b"PRIVATE", b"PUBLIC"), b"\0" * 99):
        with pytest.raises(InputError):
            load_private_key(written(tmp_path, data), never)
    weak = rsa.generate_private_key(65537, 1024)  # noqa: S505 - what the test is about
    with pytest.raises(RefusedError, match="1024 bits is too weak"):
        load_private_key(written(tmp_path, private_pem(weak)), never)
    other = ec.generate_private_key(ec.SECP256K1())
    with pytest.raises(RefusedError, match="secp256k1"):
        load_private_key(written(tmp_path, private_pem(other)), never)
    for name in ("dsa-nopsw.key", "sk-ed25519-nopsw.key", "sk-ecdsa-nopsw.key"):
        with pytest.raises(KeeperError, match=r"not taken|kind"):
            read_private_key((VECTORS / "OpenSSH" / name).read_bytes(), never)


@pytest.mark.fault(42)
@pytest.mark.attack("mix-and-match")
@pytest.mark.parametrize("purpose", NAMESPACES)
def test_a_signed_document_verifies_by_ssh_keygen_for_its_own_kind_only(purpose: str, tmp_path: Path) -> None:
    """ "so a signature for one kind never serves another" (fault 42)"""
    message = b"a document\n"
    (tmp_path / "s").write_bytes(sign_document(private("ecdsa-p384"), purpose, digests(message)))
    (tmp_path / "allowed").write_text(allowed_signers_line(public("ecdsa-p384")))
    for namespace in NAMESPACES.values():
        words = ["-Y", "verify", "-f", "allowed", "-I", "keeper", "-n", namespace, "-s", "s"]
        status = run(program("ssh-keygen"), *words, data=message, cwd=tmp_path).returncode
        assert (status == 0) is (namespace == NAMESPACES[purpose])
    expected = "sha256" if purpose == "bundles" else "sha512"
    assert sshsig.parse((tmp_path / "s").read_bytes()).hash_algorithm == expected


def test_signing_for_an_unknown_purpose_or_without_the_digest_is_refused() -> None:
    for purpose, found in (("bundle", digests(b"")), ("manifests", {"sha256": "00"})):
        with pytest.raises(InputError):
            sign_document(private("ed25519"), purpose, found)
