"""Judging signatures: the thin slice from a key file to a finding."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from cryptography.hazmat.primitives.asymmetric import ed25519
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from bundlekeeper.model.trust import Moment, TrustEntry
from bundlekeeper.proof import sshsig
from bundlekeeper.proof.keys import read_public_key
from bundlekeeper.proof.verdict import Evidence, judge_document, wanted_algorithms

MANIFEST = b"manifest = 1\nplatform = 'marram'\n"
WHEN = (Moment(datetime(2026, 8, 14, tzinfo=UTC), "issued"),)


def _entry(private: ed25519.Ed25519PrivateKey, purposes: tuple[str, ...] = ("manifests",)) -> TrustEntry:
    line = private.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH)
    key = read_public_key(line)
    return TrustEntry("keeper", "sshsig", purposes, key.key_type, key.fingerprint, key.der)


@pytest.mark.parametrize("algorithm", sshsig.HASHES)
def test_a_document_that_we_signed_is_good_from_the_digests_alone(algorithm: str) -> None:
    private = ed25519.Ed25519PrivateKey.generate()
    signature = sshsig.sign(
        private,
        namespace="bundlekeeper-manifest",
        digest=sshsig.digest_of(MANIFEST, algorithm),
        hash_algorithm=algorithm,
    )
    entry = _entry(private)
    wanted = wanted_algorithms(entry, signature)
    assert wanted == (algorithm,)
    evidence = Evidence({name: sshsig.digest_of(MANIFEST, name) for name in wanted})
    verdict = judge_document("manifest", signature, trust=[entry], evidence=evidence, moments=WHEN, purpose="manifests")
    assert verdict.good, verdict.findings
    assert "2026-08-14" in verdict.says
    other = Evidence({name: sshsig.digest_of(MANIFEST + b"\n", name) for name in wanted})
    refused = judge_document("manifest", signature, trust=[entry], evidence=other, moments=WHEN, purpose="manifests")
    assert not refused.good
    assert [f.code for f in refused.findings] == ["bad-signature"]
