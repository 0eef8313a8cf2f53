"""Seeded mutations, cuts, oversized and random input at every reader of `evidence`: only our own errors, never 'good'.

"Bad input (truncated, oversized, garbage, wrong-type keys and signatures, seeded mutations) ends in our own errors,
never in a traceback, never in 'good'." The seeds are fixed, so a failure can be repeated.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cryptography import x509

from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.verification.encodings.refusals import SignatureError
from bundlekeeper.verification.encodings.wire import der_parts, pem_blocks, strict_base64
from bundlekeeper.verification.keys import certificates, minisign_key, revocation
from bundlekeeper.verification.keys.entries import Sources, make_entry
from bundlekeeper.verification.keys.entry_files import from_files, to_files
from bundlekeeper.verification.keys.public_key import from_ssh_blob, read_certificate, read_public_key, ssh_blob
from bundlekeeper.verification.signatures import cms, forms, sshsig
from bundlekeeper.verification.signatures.sign import read_private_key
from tests.kits import minisign_files as test_minisign
from tests.kits.cms_files import MESSAGE as CMS_MESSAGE
from tests.kits.cms_files import theirs as cms_signed
from tests.kits.signing_world import (
    RAW,
    TYPES,
    WHEN,
    certificate,
    chain,
    der,
    digests,
    entry,
    pem,
    private,
    private_pem,
    public,
    sign_raw,
    spki_pem,
    ssh_line,
)
from tests.kits.sure import only_our_errors, some
from tests.kits.trust_entries import full_chain

MESSAGE = b"marram-rack-6.1.0.bin\n" * 9
ROUNDS = 300


def mutations(data: bytes, seed: int, rounds: int = ROUNDS) -> Iterator[bytes]:
    """Changed copies of `data`, each different from it: bits, bytes, cuts, doublings, swaps, lengths, garbage."""
    chance = random.Random(seed)
    for _ in range(rounds):
        changed = bytearray(data)
        for _ in range(chance.choice((1, 1, 1, 2, 5))):
            at = chance.randrange(len(changed)) if changed else 0
            action = chance.randrange(8)
            if action == 0 and changed:
                changed[at] ^= 1 << chance.randrange(8)
            elif action == 1 and changed:
                changed[at] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
            elif action == 2:
                del changed[at:]
            elif action == 3:
                del changed[at : at + chance.randrange(1, 9)]
            elif action == 4:
                changed[at:at] = changed[at : at + chance.randrange(1, 99)]
            elif action == 5:
                changed[at:at] = chance.randbytes(chance.randrange(1, 9))
            elif action == 6:
                changed[at : at + 4] = chance.choice(
                    (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"\0\0\xff\xff")
                )
            else:
                changed += chance.randbytes(chance.choice((1, 100, 5000)))
        if bytes(changed) != data:
            yield bytes(changed)


def garbage(seed: int) -> Iterator[bytes]:
    """Bytes that were never anything."""
    chance = random.Random(seed)
    yield from (b"", b"\0", b"\n", b"-" * 100, b"-----BEGIN ", b"\x30\x82\xff\xff", b"\x30\x84\xff\xff\xff\xff")
    for length in (1, 2, 7, 64, 71, 256, 1000, 20_000):
        yield chance.randbytes(length)
        yield chance.randbytes(length).hex().encode()


@pytest.mark.parametrize("key_type", TYPES)
def test_public_keys(key_type: str) -> None:
    key = private(key_type)
    whole = certificate("Marram publisher", key)
    starts = [
        spki_pem(key),
        public(key_type).der,
        ssh_line(key),
        pem(whole),
        der(whole),
        ssh_blob(public(key_type).load()),
    ]
    for seed, start in enumerate(starts):
        read: Callable[[bytes], object] = from_ssh_blob if seed == 5 else read_public_key
        for data in some([*mutations(start, seed), *garbage(seed)]):
            only_our_errors(read, data)
            only_our_errors(minisign_key.read_public_key, data)


def test_minisign_keys() -> None:
    for data in some([*mutations(test_minisign.public_file(), 1), *garbage(1)]):
        only_our_errors(minisign_key.read_public_key, data)


@pytest.mark.parametrize(("form", "key_type"), RAW)
def test_raw_signatures(form: str, key_type: str) -> None:
    key = public(key_type)
    signature = sign_raw(form, private(key_type), MESSAGE)

    def verify(data: bytes) -> None:
        forms.verify(form, key, data, digests=digests(MESSAGE), whole=lambda _limit: MESSAGE)

    assert only_our_errors(verify, signature)
    for seed, data in enumerate([*mutations(signature, 3), *garbage(3)]):
        assert not only_our_errors(verify, data), (seed, data)


@pytest.mark.parametrize("key_type", TYPES)
def test_ssh_signatures(key_type: str) -> None:
    signature = sshsig.sign(private(key_type), namespace="bundlekeeper-bundle", digest=sshsig.digest_of(MESSAGE))
    blob = strict_base64(b"\n".join(signature.split(b"\n")[1:-2]))
    assert blob is not None

    def verify(data: bytes) -> None:
        sshsig.verify(
            sshsig.parse(data), key=public(key_type), namespace="bundlekeeper-bundle", digests=digests(MESSAGE)
        )

    def verify_blob(data: bytes) -> None:
        import base64

        verify(sshsig.BEGIN + b"\n" + base64.b64encode(data) + b"\n-----END SSH SIGNATURE-----\n")

    assert only_our_errors(verify, signature)
    assert only_our_errors(verify_blob, blob)
    for data in some([*mutations(signature, 4), *garbage(4)]):
        assert not only_our_errors(verify, data) or data == signature[:-1], data  # the last line break may be missing
    for data in some(mutations(blob, 5)):
        assert not only_our_errors(verify_blob, data), data


@pytest.mark.parametrize("kind", [b"ED", b"Ed"])
def test_minisign_signatures(kind: bytes) -> None:
    signature = test_minisign.signed(MESSAGE, kind=kind)
    first_line = signature.index(b"\n")

    def verify(data: bytes) -> None:
        test_minisign.verify(data, MESSAGE)

    assert only_our_errors(verify, signature)
    for data in some([*mutations(signature, 6), *garbage(6)]):
        good = only_our_errors(verify, data)
        # the first line is a comment that says of itself that it is not to be trusted
        assert not good or data.endswith((signature[first_line:], signature[first_line:-1])), data


def test_cms_signatures(tmp_path: Path) -> None:
    """A CMS file has parts that nothing signs, such as certificates that help: a changed file may stay good.

    Other content never does.
    """
    c = chain("ecdsa-p256")
    signature = cms_signed(c, tmp_path)
    anchors = certificates.Anchors((c.root,), ())
    parsed: list[cms.CmsSignature] = []
    for data in some([*mutations(signature, 7), *garbage(7), *mutations(cms_signed(c, tmp_path, form="PEM"), 8)]):
        only_our_errors(lambda data: parsed.append(cms.parse(data)), data)
    assert len(parsed) > 10
    for each in parsed[:25]:
        with pytest.raises(SignatureError):
            cms.verify(each, [CMS_MESSAGE, b"x"], anchors=anchors, pinned=b"", moments=[WHEN])


def test_certificates_and_chains() -> None:
    c = chain()
    anchors = certificates.Anchors((c.root,), (c.middle,), (c.root_crl, c.middle_crl))

    def verify(data: bytes) -> None:
        read_certificate(data)
        certificates.check_chain(x509.load_der_x509_certificate(data), anchors, WHEN)

    assert only_our_errors(verify, der(c.leaf))
    for data in some([*mutations(der(c.leaf), 9), *garbage(9)]):
        # what is signed must be the same to the byte; the signature's own wrapping has bits that mean nothing
        good = only_our_errors(verify, data)
        assert not good or _signed_part(data) == c.leaf.tbs_certificate_bytes, data
    for data in some([*mutations(pem(c.root) + pem(c.middle), 10), *garbage(10)]):
        only_our_errors(certificates.read_certificates, data)
    for data in some(mutations(der(c.root), 11)):
        only_our_errors(certificates.require_root, data)


def _signed_part(data: bytes) -> bytes:
    """The first element inside a certificate or list: what its issuer signed."""
    return der_parts(der_parts(data)[0].body)[0].whole


def test_revocation_lists() -> None:
    """A changed list is refused or says nothing: a signer is never cleared by another list than the signed one."""
    c = chain()

    def verify(data: bytes) -> None:
        lists = tuple(revocation.load_crl(each) for each in revocation.read_crls(data))
        certificates.check_chain(c.leaf, certificates.Anchors((c.root,), (c.middle,), (c.root_crl, *lists)), WHEN)

    assert only_our_errors(verify, der(c.middle_crl))
    for data in some([*mutations(der(c.middle_crl), 12), *garbage(12)]):
        good = only_our_errors(verify, data)
        assert not good or _signed_part(data) == c.middle_crl.tbs_certlist_bytes, data
    for data in some(mutations(pem(c.root_crl) + pem(c.middle_crl), 13)):
        only_our_errors(revocation.read_crls, data)


@pytest.mark.parametrize("which", [0, 1])
def test_trust_files(which: int) -> None:
    """A changed entry is refused, or is the same but for what says nothing about keys; it never trusts another key."""
    original = [entry(namespace="file"), full_chain()][which]
    files = to_files(original)
    toml = f"{original.name}.toml"
    found: list[TrustEntry] = []
    for name, content in some(files.items()):
        for data in (content, *mutations(content, 14, 200), *garbage(14)):
            changed = files | {name: data}
            only_our_errors(
                lambda _, changed=changed: found.append(  # type: ignore[misc]  # the default binds it
                    from_files(original.name, changed[toml], lambda file, _limit: changed[file])
                ),
                data,
            )
    for each in some(found):
        assert (each.key, each.certificate, each.key_type) == (original.key, original.certificate, original.key_type)


@pytest.mark.parametrize("ssh", [False, True])
def test_private_keys(ssh: bool) -> None:
    for seed, key_type in enumerate(some(TYPES)):
        start = private_pem(private(key_type), ssh=ssh)
        for data in some([*mutations(start, seed, 120), *garbage(seed)]):
            only_our_errors(lambda data: read_private_key(data, lambda _: b"x"), data)


def test_entries_made_from_garbage() -> None:
    for data in some(garbage(15)):
        for form in ("sshsig", "cms", "minisign", "rsa-pss-sha256"):
            assert not only_our_errors(
                lambda data, form=form: make_entry("m", Sources(data), form=form, purposes=("bundles",)),  # type: ignore[misc]  # as above
                data,
            )


def test_small_readers() -> None:
    start = der(chain().leaf)
    for data in some([*mutations(start, 16), *garbage(16)]):
        only_our_errors(der_parts, data)
        only_our_errors(pem_blocks, data)
        strict_base64(data)
