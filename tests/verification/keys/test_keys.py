"""Public keys: every way to write one, fingerprints against ssh-keygen, and every weak one refused with its reason."""

from __future__ import annotations

import random
import warnings
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, rsa, x25519
from cryptography.x509.oid import ExtendedKeyUsageOID

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import FORMS
from bundlekeeper.verification.keys.public_key import (
    FORM_TYPES,
    checked,
    from_ssh_blob,
    read_certificate,
    read_public_key,
    refuse_weak_point,
    require_type,
    ssh_blob,
)
from tests.kits.signing_world import TYPES, certificate, der, pem, private, program, public, run, spki_pem, ssh_line

VECTORS = Path(cryptography_vectors.__file__).parent
P = 2**255 - 19
D = -121665 * pow(121666, -1, P) % P
SPKI = serialization.PublicFormat.SubjectPublicKeyInfo


@pytest.mark.parametrize("key_type", TYPES)
def test_every_way_to_write_a_key_reads_as_the_same_key(key_type: str) -> None:
    key = private(key_type)
    whole = certificate("Marram publisher", key, usages=[ExtendedKeyUsageOID.CODE_SIGNING])
    ways = [
        spki_pem(key),
        key.public_key().public_bytes(serialization.Encoding.DER, SPKI),
        ssh_line(key),
        ssh_line(key) + b" keeper@holm\n",
        b"# the main site's key\n" + ssh_line(key) + b"\n",
        pem(whole),
        der(whole),
        b"text that openssl x509 -text puts before it\n" + pem(whole),
    ]
    found = [read_public_key(way) for way in ways]
    assert {(k.key_type, k.der, k.fingerprint, k.bits) for k in found} == {
        (key_type, ways[1], found[0].fingerprint, found[0].bits)
    }
    assert [bool(k.certificate) for k in found] == [False] * 5 + [True] * 3
    assert found[5].certificate == der(whole)
    assert found[0].load().public_bytes(serialization.Encoding.DER, SPKI) == ways[1]


@pytest.mark.parametrize("key_type", TYPES)
def test_fingerprints_are_those_that_ssh_keygen_prints(key_type: str, tmp_path: Path) -> None:
    file = tmp_path / "key.pub"
    file.write_bytes(ssh_line(private(key_type)) + b"\n")
    said = run(program("ssh-keygen"), "-l", "-f", str(file)).stdout.decode().split()
    key = read_public_key(file.read_bytes())
    assert said[:2] == [str(key.bits), key.fingerprint]


def test_keys_of_the_published_openssh_set_read_as_ssh_keygen_reads_them(tmp_path: Path) -> None:
    """cryptography-vectors, asymmetric/OpenSSH: ed25519, ecdsa and rsa are taken, everything else is refused."""
    refused: dict[str, str] = {}
    taken: list[str] = []
    for file in sorted((VECTORS / "asymmetric/OpenSSH").glob("*.pub")) + sorted(
        (VECTORS / "asymmetric/OpenSSH/certs").glob("*.pub")
    ):
        try:
            key = read_public_key(file.read_bytes())
        except RefusedError as e:
            refused[file.name] = e.message
            continue
        taken.append(file.name)
        said = run(program("ssh-keygen"), "-l", "-f", str(file)).stdout.decode().split()
        assert said[:2] == [str(key.bits), key.fingerprint]
    assert len(taken) == 7
    assert all(name.startswith(("ed25519", "ecdsa", "rsa")) for name in taken)
    assert len(refused) == 26
    assert "security token" in refused["sk-ed25519-nopsw.key.pub"]
    assert "DSA" in refused["dsa-nopsw.key.pub"]
    assert "certificate" in refused["ed25519-nopsw.key-cert.pub"]


def _points_of_small_order() -> set[int]:
    """The y of every point whose order divides 8, from -x² + y² = 1 + d·x²·y² (RFC 8032 §5.1) and doubling alone."""
    root = pow(2, (P - 1) // 4, P)  # a square root of -1
    found = {0, 1, P - 1}
    # 2·(x, y) = (±root, 0) needs y² + x² = 0, so x² = -y², and the curve gives d·y⁴ + 2·y² - 1 = 0
    half = (1 + D) % P
    candidate = pow(half, (P + 3) // 8, P)
    square_root = candidate if candidate * candidate % P == half else candidate * root % P
    assert square_root * square_root % P == half
    for sign in (square_root, P - square_root):
        y_squared = (sign - 1) * pow(D, -1, P) % P
        candidate = pow(y_squared, (P + 3) // 8, P)
        for y in (candidate, candidate * root % P):
            if y * y % P == y_squared:
                found |= {y, P - y}
    return found


def _decodes(y: int) -> bool:
    x_squared = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    return x_squared == 0 or pow(x_squared, (P - 1) // 2, P) == 1


def test_the_list_of_small_order_points_is_the_whole_list() -> None:
    small = _points_of_small_order()
    points = sorted(y for y in small if _decodes(y))
    assert len(points) == 5  # 1 of order 1, 1 of order 2, y = 0 of order 4, two y of order 8, each with two x
    for y in points:
        for sign in (0, 1 << 255):
            with pytest.raises(RefusedError, match="small order"):
                refuse_weak_point((y | sign).to_bytes(32, "little"))


@pytest.mark.fault(39)
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("y", sorted(_points_of_small_order()))
@pytest.mark.parametrize("sign", [0, 1])
def test_a_small_order_key_is_refused_in_every_way_to_write_it(y: int, sign: int) -> None:
    """Fault 39: "weak key: RSA-1024, small-order Ed25519 point ... refused when the key is added"."""
    raw = (y | sign << 255).to_bytes(32, "little")
    key = ed25519.Ed25519PublicKey.from_public_bytes(raw)
    ways = [
        key.public_bytes(serialization.Encoding.PEM, SPKI),
        key.public_bytes(serialization.Encoding.DER, SPKI),
        key.public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH),
    ]
    for way in ways:
        with pytest.raises(RefusedError, match=r"small order|not a point"):
            read_public_key(way)


@pytest.mark.fault(39)
@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
def test_the_library_verifies_the_forgery_that_the_refusal_prevents() -> None:
    """With the key 1 (the neutral element) the signature R = 1, S = 0 fits every message."""
    one = (1).to_bytes(32, "little")
    ed25519.Ed25519PublicKey.from_public_bytes(one).verify(one + bytes(32), b"any message at all")
    with pytest.raises(RefusedError, match="forged by anybody"):
        checked(ed25519.Ed25519PublicKey.from_public_bytes(one))


@pytest.mark.parametrize("y", range(P, 2**255))
def test_an_encoding_that_is_not_canonical_is_refused(y: int) -> None:
    """RFC 8032 §5.1.3 step 1: "If the resulting value is >= p, decoding fails." """
    with pytest.raises(RefusedError, match="canonical"):
        refuse_weak_point(y.to_bytes(32, "little"))


def test_half_of_all_encodings_are_no_point_and_are_refused() -> None:
    chance = random.Random(8032)
    refused = 0
    for _ in range(200):
        raw = (chance.randrange(2, P - 1)).to_bytes(32, "little")
        try:
            refuse_weak_point(raw)
        except RefusedError as e:
            assert "not a point" in e.message
            refused += 1
    assert 60 < refused < 140


@pytest.mark.fault(39)
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize("bits", [1024, 1536, 2047])
def test_a_short_rsa_key_is_refused_with_its_size(bits: int) -> None:
    key = rsa.RSAPublicNumbers(65537, (1 << (bits - 1)) + 1).public_key()
    with pytest.raises(RefusedError, match=f"{bits} bits is too weak"):
        read_public_key(key.public_bytes(serialization.Encoding.PEM, SPKI))


def test_an_absurdly_long_rsa_key_is_refused() -> None:
    key = rsa.RSAPublicNumbers(65537, (1 << 16999) + 1).public_key()
    with pytest.raises((RefusedError, InputError)):
        read_public_key(key.public_bytes(serialization.Encoding.PEM, SPKI))


def test_keys_of_other_kinds_are_refused() -> None:
    others: list[Any] = [
        dsa.generate_parameters(1024).generate_private_key().public_key(),
        ec.generate_private_key(ec.SECP256K1()).public_key(),
        ec.generate_private_key(ec.BrainpoolP256R1()).public_key(),
        ec.generate_private_key(ec.SECP224R1()).public_key(),
        ed448.Ed448PrivateKey.generate().public_key(),
        x25519.X25519PrivateKey.generate().public_key(),
    ]
    for key in others:
        with pytest.raises(RefusedError, match="not supported"):
            read_public_key(key.public_bytes(serialization.Encoding.PEM, SPKI))


def test_a_certificate_signed_with_sha1_or_md5_is_refused_with_the_reason() -> None:
    """cryptography-vectors: x509/v1_cert.pem and verisign_md2_root.pem are such; openssl makes one with SHA-1 here."""
    found = certificate("Marram publisher", private("rsa"))
    good = der(found)
    sha256_oid, sha1_oid = bytes.fromhex("2a864886f70d01010b"), bytes.fromhex("2a864886f70d010105")
    md5_oid = bytes.fromhex("2a864886f70d010104")
    for oid, word in ((sha1_oid, "SHA-1"), (md5_oid, "MD5")):
        with pytest.raises(RefusedError, match=word):
            read_certificate(good.replace(sha256_oid, oid))
        with pytest.raises(RefusedError, match=word):
            read_public_key(good.replace(sha256_oid, oid))
    old = VECTORS / "x509/verisign_md2_root.pem"
    with pytest.raises((RefusedError, InputError)):
        read_public_key(old.read_bytes())


def test_openssl_made_sha1_certificate_is_refused(tmp_path: Path) -> None:
    key = tmp_path / "key.pem"
    key.write_bytes(
        private("rsa").private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    made = run(program("openssl"), "req", "-x509", "-sha1", "-key", str(key), "-subj", "/CN=Marram", "-days", "9")
    assert made.returncode == 0
    with pytest.raises(RefusedError, match="SHA-1"):
        read_public_key(made.stdout)


def test_a_key_with_parameters_or_bytes_after_it_is_refused() -> None:
    pss = (VECTORS / "asymmetric/PKCS8/rsa_pss_2048_pub.der").read_bytes()
    with pytest.raises(RefusedError, match="RSASSA-PSS"):
        read_public_key(pss)
    with pytest.raises(RefusedError, match="plain form"):
        read_public_key((VECTORS / "asymmetric/EC/secp256r1-pub-explicit-seed.pem").read_bytes())
    with pytest.raises(KeeperError):
        read_public_key(private("ed25519").public_key().public_bytes(serialization.Encoding.DER, SPKI) + b"\0")
    with pytest.raises(KeeperError):
        read_public_key(public("ed25519").der.replace(b"\x03\x21\x00", b"\x03\x21\x01"))  # unused bits that are there


@pytest.mark.attack("endless data")
def test_what_is_no_public_key_says_so() -> None:
    secret = private("ed25519").private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    cases = {
        secret: "private key",
        b"": "not a public key",
        b"\0" * 40: "not a public key",
        b"hello\n": "not a public key",
        ssh_line(private("ed25519")) + b"\n" + ssh_line(private("rsa")): "not a public key",
        spki_pem(private("rsa")) * 2: "2 PEM blocks",
        b"x" * (limits.KEY_BYTES + 1): "larger than",
        spki_pem(private("rsa")).replace(b"PUBLIC KEY", b"RSA PUBLIC KEY"): "holds a RSA PUBLIC KEY",
        b"untrusted comment: minisign public key\nRWQ": "minisign",
        b'namespaces="file" ' + ssh_line(private("ed25519")): "not a public key",
    }
    for data, word in cases.items():
        with pytest.raises(InputError, match=word) as caught:
            read_public_key(data, where="key.pub")
        assert caught.value.where == "key.pub"
        assert "PRIVATE" not in caught.value.message


def test_an_openssh_key_has_one_spelling_only() -> None:
    blob = ssh_blob(public("ecdsa-p256").load())
    assert from_ssh_blob(blob).der == public("ecdsa-p256").der
    for other in (blob + b"\0", blob[:-1], blob[:4] + b"ecdsa-sha2-nistp384" + blob[23:]):
        with pytest.raises(KeeperError):
            from_ssh_blob(other)
    compressed = (
        private("ecdsa-p256")
        .public_key()
        .public_bytes(serialization.Encoding.X962, serialization.PublicFormat.CompressedPoint)
    )
    with pytest.raises(KeeperError):
        from_ssh_blob(blob[:-69] + len(compressed).to_bytes(4, "big") + compressed)


def test_forms_and_key_types_are_tied_together() -> None:
    """Fault 38: "RSA key where Ed25519 is due: form pinned with the key, type checked"."""
    assert tuple(FORM_TYPES) == FORMS
    allowed = 0
    for form in FORMS:
        for key_type in TYPES:
            if key_type in FORM_TYPES[form]:
                require_type(key_type, form)
                allowed += 1
            else:
                with pytest.raises(RefusedError, match="cannot make"):
                    require_type(key_type, form)
    assert allowed == 15
    with pytest.raises(InputError, match="no signature form"):
        require_type("rsa", "none")


def test_warnings_of_the_library_do_not_leave_the_reader() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(RefusedError):
            read_public_key((VECTORS / "asymmetric/OpenSSH/dsa-nopsw.key.pub").read_bytes())


def test_the_hash_of_a_certificate_is_looked_at_whatever_its_key() -> None:
    weak = certificate("Marram publisher", private("ecdsa-p256"), hash_=hashes.SHA384())
    assert read_certificate(der(weak)).signature_hash_algorithm is not None
