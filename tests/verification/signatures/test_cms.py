"""Detached CMS: what openssl and the library sign is good here, openssl verifies the same; every way to be wrong."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import pkcs7

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.verification.encodings.refusals import (
    ExpiredKeyError,
    NotCheckedError,
    RevokedKeyError,
    SignatureError,
    UnknownKeyError,
)
from bundlekeeper.verification.encodings.wire import der_parts
from bundlekeeper.verification.keys.certificates import Anchors
from bundlekeeper.verification.signatures import cms
from tests.kits.cms_files import MESSAGE, files, theirs
from tests.kits.signing_world import END, START, WHEN, Chain, chain, crl, der, pem, private, private_pem, program, run


def anchors(c: Chain, *lists: x509.CertificateRevocationList) -> Anchors:
    return Anchors((c.root,), (), lists)


def verify(data: bytes, c: Chain, message: bytes = MESSAGE, pinned: bytes = b"") -> tuple[str, ...]:
    chunks = [message[at : at + 100] for at in range(0, len(message), 100)]
    return cms.verify(cms.parse(data), chunks, anchors=anchors(c), pinned=pinned, moments=[WHEN])


def ours(c: Chain) -> bytes:
    """A signature by the library: another maker than openssl's command."""
    builder = pkcs7.PKCS7SignatureBuilder().set_data(MESSAGE)
    assert isinstance(c.leaf_key, rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey)
    builder = builder.add_signer(c.leaf, c.leaf_key, hashes.SHA256()).add_certificate(c.middle)
    options = [pkcs7.PKCS7Options.DetachedSignature, pkcs7.PKCS7Options.Binary]
    return builder.sign(serialization.Encoding.DER, options)


@pytest.mark.parametrize("leaf_type", ["ecdsa-p256", "ecdsa-p384", "rsa"])
@pytest.mark.parametrize("options", [(), ("-noattr",), ("-md", "sha512"), ("-keyid",), ("-nosmimecap",)])
def test_what_openssl_signs_is_good_here(leaf_type: str, options: tuple[str, ...], tmp_path: Path) -> None:
    c = chain(leaf_type)
    data = theirs(c, tmp_path, *options)
    assert "revoked was not checked" in verify(data, c)[0]
    with pytest.raises(SignatureError, match="does not fit"):
        verify(data, c, MESSAGE + b"x")


def test_pem_pinned_certificates_and_changed_content(tmp_path: Path) -> None:
    c = chain("rsa")
    data = theirs(c, tmp_path, form="PEM")
    assert verify(data, c, pinned=der(c.leaf))
    for message in (MESSAGE[:-1], b"", MESSAGE.replace(b"\r\n", b"\n")):
        with pytest.raises(SignatureError, match="does not fit"):
            verify(data, c, message)


def test_openssl_verifies_what_is_good_here(tmp_path: Path) -> None:
    """The line of the docstring of `verification.signatures.cms`, taken from it and run on the library's signature."""
    c = chain("rsa")
    files(c, tmp_path)
    (tmp_path / "FILE.cms").write_bytes(ours(c))
    line = next(x.strip() for x in str(cms.__doc__).splitlines() if x.strip().startswith("openssl cms"))
    words = [*line.split()[1:], "-attime", str(int(WHEN.at.timestamp()))]
    assert run(program("openssl"), *words, cwd=tmp_path).returncode == 0
    assert verify(ours(c), c)
    (tmp_path / "FILE").write_bytes(MESSAGE + b"x")
    assert run(program("openssl"), *words, cwd=tmp_path).returncode != 0


def test_a_pss_signature_is_good(tmp_path: Path) -> None:
    c = chain("rsa")
    assert verify(theirs(c, tmp_path, "-keyopt", "rsa_padding_mode:pss"), c)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (("-md", "sha1"), "something else than SHA-256"),
        (("-md", "md5"), "something else than SHA-256"),
        (("-md", "sha224"), "something else than SHA-256"),
        (("-nodetach",), "not detached"),
        (("-econtent_type", "1.2.840.113549.1.9.16.1.4"), "not over plain data"),
    ],
)
def test_other_kinds_of_cms_are_refused(options: tuple[str, ...], word: str, tmp_path: Path) -> None:
    with pytest.raises(SignatureError, match=word):
        cms.parse(theirs(chain("rsa"), tmp_path, *options))


@pytest.mark.fault(41)
def test_two_signers_are_refused(tmp_path: Path) -> None:
    c = chain("rsa")
    files(c, tmp_path)
    other = chain("ecdsa-p256")
    (tmp_path / "other.pem").write_bytes(pem(other.leaf) + private_pem(other.leaf_key))
    signers = ("-signer", "signer.pem", "-inkey", "signer.key", "-signer", "other.pem")
    made = run(program("openssl"), "cms", "-sign", "-binary", "-in", "FILE", *signers, "-outform", "DER", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    with pytest.raises(SignatureError, match="2 signers"):
        cms.parse(made.stdout)


def test_a_signature_without_its_certificate_says_so(tmp_path: Path) -> None:
    with pytest.raises(SignatureError, match="does not carry its signer"):
        verify(theirs(chain("rsa"), tmp_path, "-nocerts"), chain("rsa"))


@pytest.mark.attack("malicious mirrors")
def test_the_signer_must_lead_to_a_root_of_the_entry_and_be_the_pinned_one(tmp_path: Path) -> None:
    c, other = chain("rsa"), chain("ecdsa-p256")
    data = theirs(c, tmp_path)
    with pytest.raises(UnknownKeyError, match="another certificate"):
        verify(data, c, pinned=der(other.leaf))
    strange = Chain("rsa")
    strange.root_key = private("ecdsa-p384", 77)
    with pytest.raises(UnknownKeyError, match="does not lead"):
        cms.verify(cms.parse(data), [MESSAGE], anchors=Anchors((other.leaf,)), pinned=b"", moments=[WHEN])
    # the root that a signature carries itself counts for nothing
    carried = theirs(c, tmp_path, "-certfile", "roots.pem")
    with pytest.raises(UnknownKeyError):
        cms.verify(cms.parse(carried), [MESSAGE], anchors=Anchors((other.leaf,)), pinned=b"", moments=[WHEN])


def test_dates_usage_and_revocation_are_those_of_our_rules(tmp_path: Path) -> None:
    c = chain("rsa")
    data = cms.parse(theirs(c, tmp_path))
    late = type(WHEN)(END.replace(year=2030), "the release date")
    with pytest.raises(ExpiredKeyError, match="2030-01-01"):
        cms.verify(data, [MESSAGE], anchors=anchors(c), pinned=b"", moments=[late])
    revoked = crl("Holm intermediate", c.middle_key, [(c.leaf.serial_number, START, None)])
    with pytest.raises(RevokedKeyError):
        cms.verify(data, [MESSAGE], anchors=anchors(c, c.root_crl, revoked), pinned=b"", moments=[WHEN])
    assert cms.verify(data, [MESSAGE], anchors=anchors(c, c.root_crl, c.middle_crl), pinned=b"", moments=[WHEN]) == ()


def test_without_openssl_there_is_a_clear_message_and_no_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = theirs(chain("rsa"), tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NotCheckedError, match="not on this machine") as caught:
        verify(data, chain("rsa"))
    assert "install openssl" in caught.value.hint


def test_an_openssl_that_cannot_be_run_is_no_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = theirs(chain("rsa"), tmp_path)
    fake = tmp_path / "bin/openssl"
    fake.parent.mkdir()
    fake.write_text("not a program")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", str(fake.parent))
    with pytest.raises(NotCheckedError, match="could not be run"):
        verify(data, chain("rsa"))
    fake.write_text("#!/bin/sh\ncat > /dev/null\nyes error | head -c 100000 >&2\nexit 0\n")
    monkeypatch.setenv("PATH", f"{fake.parent}:{os.defpath}")
    with pytest.raises(SignatureError, match="named no signer"):
        verify(data, chain("rsa"))


def test_nothing_of_the_users_openssl_settings_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = theirs(chain("rsa"), tmp_path)
    (tmp_path / "openssl.cnf").write_text("openssl_conf = x\n[x]\nproviders = y\n[y]\nz = z\n[z]\nmodule = /none\n")
    monkeypatch.setenv("OPENSSL_CONF", str(tmp_path / "openssl.cnf"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "roots.pem"))
    assert verify(data, chain("rsa"))


def test_the_content_is_read_whole_even_when_openssl_stops_reading(tmp_path: Path) -> None:
    """A caller that hashes the pieces as they pass must see them all, whatever openssl thinks of the signature."""
    c = chain("rsa")
    data = bytearray(theirs(c, tmp_path))
    data[-40] ^= 1
    seen = 0

    def chunks() -> Iterator[bytes]:
        nonlocal seen
        for _ in range(300):
            seen += 65536
            yield bytes(65536)

    with pytest.raises(SignatureError):
        cms.verify(cms.parse(bytes(data)), chunks(), anchors=anchors(c), pinned=b"", moments=[WHEN])
    assert seen == 300 * 65536


def test_a_read_error_of_the_content_stays_what_it_is(tmp_path: Path) -> None:
    c = chain("rsa")

    def chunks() -> Iterator[bytes]:
        yield MESSAGE
        raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output"):
        cms.verify(cms.parse(theirs(c, tmp_path)), chunks(), anchors=anchors(c), pinned=b"", moments=[WHEN])


def test_what_is_no_cms_says_so(tmp_path: Path) -> None:
    good = theirs(chain("rsa"), tmp_path)
    cases = [
        b"",
        b"\x30\x00",
        b"\x30\x80",
        good + b"\0",
        good[:-1],
        good[1:],
        b"-----BEGIN CMS-----\nAAAA\n-----END CMS-----\n",
        b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n",
        b"-----BEGIN CMS-----\n",
        pem(chain("rsa").leaf),
        der(chain("rsa").leaf),
        b"x" * (limits.SIGNATURE_BYTES + 1),
        theirs(chain("rsa"), tmp_path, "-stream", "-indef"),
    ]
    for data in cases:
        with pytest.raises(SignatureError):
            cms.parse(data)


def test_der_is_read_strictly() -> None:
    assert [p.tag for p in der_parts(b"\x02\x01\x05\x30\x00")] == [2, 0x30]
    assert der_parts(b"\x30\x81\x80" + bytes(128))[0].body == bytes(128)
    for data in (
        b"\x02",
        b"\x02\x02\x05",
        b"\x1f\x01\x00",
        b"\x30\x80\x00\x00",
        b"\x30\x81\x01\x00",
        b"\x30\x82\x00\x80",
    ):
        with pytest.raises(InputError):
            der_parts(data)
