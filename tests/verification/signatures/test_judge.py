"""Judging signatures: every finding code, every form end to end, and what the manifest may not decide."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Level
from bundlekeeper.model.manifest.types import Signature
from bundlekeeper.model.trust import FORMS, NAMESPACES, PURPOSES, TrustEntry, TrustMoment
from bundlekeeper.verification.encodings.refusals import NotCheckedError
from bundlekeeper.verification.keys.entries import Sources, make_entry, remove
from bundlekeeper.verification.signatures import sshsig
from bundlekeeper.verification.signatures.judge import (
    SignatureEvidence,
    Verdict,
    judge,
    judge_document,
    needed_algorithms,
)
from bundlekeeper.verification.signatures.sign import sign_document
from tests.kits.judged_files import BUNDLE, Said, signed_in, ssh
from tests.kits.minisign_files import public_file
from tests.kits.minisign_files import signed as minisign_signed
from tests.kits.signing_world import AT, START, TYPES, WHEN, chain, crl, digests, entry, pem, private, public, sign_raw
from tests.kits.sure import some

SUBJECT = "marram-infrastructure-6.1.0.bin"


def evidence(message: bytes = BUNDLE) -> SignatureEvidence:
    return SignatureEvidence(digests(message), lambda _limit: message, lambda: iter([message]))


def judged(
    signature: bytes | None,
    trust: Sequence[TrustEntry],
    said: Said | None,
    *,
    message: bytes = BUNDLE,
    purpose: str = "bundles",
    moments: Sequence[TrustMoment] = (WHEN,),
) -> Verdict:
    return judge(SUBJECT, said, signature, trust=trust, evidence=evidence(message), moments=moments, purpose=purpose)


def codes(verdict: Verdict) -> list[str]:
    return [f.code for f in verdict.findings]


def message_of(form: str) -> bytes:
    from tests.kits import cms_files as test_cms

    return test_cms.MESSAGE if form == "cms" else BUNDLE


@pytest.mark.attack("arbitrary installation")
@pytest.mark.parametrize("form", FORMS)
def test_every_form_is_good_end_to_end_and_says_by_whom_and_when(form: str, tmp_path: Path) -> None:
    key, signature = signed_in(form, tmp_path)
    verdict = judged(signature, [key], Said(form), message=message_of(form))
    assert verdict.good, verdict.findings
    assert verdict.by == key
    assert (
        verdict.message == f"signed by marram-2026 ({key.fingerprint}, {form}), good at 2026-08-01 (the release date)"
    )
    assert all(f.level is Level.NOTE for f in verdict.findings)
    for message in (message_of(form) + b"\0", message_of(form)[1:], b""):
        assert codes(judged(signature, [key], Said(form), message=message))[:1] == ["bad-signature"]


@pytest.mark.parametrize("form", FORMS)
def test_one_read_gives_every_digest_that_is_needed(form: str, tmp_path: Path) -> None:
    """The same read that verifies SHA-256 serves the signature (pre-hashed where the form allows)."""
    key, signature = signed_in(form, tmp_path)
    exact, general = needed_algorithms(key, signature), needed_algorithms(key)
    assert set(exact) <= set(general)
    given = {name: digests(message_of(form))[name] for name in exact}
    by_digest = SignatureEvidence(given)
    verdict = judge(SUBJECT, Said(form), signature, trust=[key], evidence=by_digest, moments=[WHEN])
    if form in ("ed25519", "cms"):
        assert exact == ()
        assert codes(verdict) == ["not-checked"]
    else:
        assert len(exact) == 1
        assert verdict.good


def test_needed_algorithms_of_a_broken_signature_are_none() -> None:
    assert needed_algorithms(entry(), b"garbage") == ()
    minisign_entry = make_entry("m", Sources(public_file()), form="minisign", purposes=("bundles",))
    assert needed_algorithms(minisign_entry, b"garbage") == ()
    assert needed_algorithms(minisign_entry, minisign_signed(kind=b"Ed")) == ()


@pytest.mark.attack("arbitrary installation")
@pytest.mark.parametrize("entry_form", FORMS)
@pytest.mark.parametrize("stated_form", FORMS)
def test_the_manifests_form_is_compared_and_never_chosen(entry_form: str, stated_form: str, tmp_path: Path) -> None:
    """A different form named in the manifest is a finding, never a choice."""
    if entry_form == stated_form:
        return
    key, _ = signed_in(entry_form, tmp_path)
    _, signature = signed_in(stated_form, tmp_path)
    verdict = judged(signature, [key], Said(stated_form), message=message_of(stated_form))
    assert not verdict.good
    assert codes(verdict) == ["bad-signature"]
    assert f"is trusted for {entry_form} only" in verdict.findings[0].message


@pytest.mark.attack("not on that list: downgrade of form, confusion of keys")
@pytest.mark.parametrize("form", FORMS)
def test_no_signature_of_another_form_is_good_under_an_entry(form: str, tmp_path: Path) -> None:
    """Fault 37: "signature stripped, 'none', downgraded". The manifest lies about the form; the entry decides."""
    key, _ = signed_in(form, tmp_path)
    for other in some({*FORMS} - {form}):
        _, signature = signed_in(other, tmp_path)
        assert not judged(signature, [key], Said(form), message=message_of(other)).good


@pytest.mark.attack("mix-and-match")
@pytest.mark.parametrize("purpose", PURPOSES)
@pytest.mark.parametrize("used_for", PURPOSES)
def test_a_key_for_one_purpose_is_never_good_for_another(purpose: str, used_for: str) -> None:
    key = entry(purposes=(purpose,))
    for namespace in some(NAMESPACES.values()):
        signature = ssh(namespace=namespace)
        stated = judged(signature, [key], Said(), purpose=used_for)
        found = judge_document("it", signature, trust=[key], evidence=evidence(), moments=[WHEN], purpose=used_for)
        expected = purpose == used_for and namespace == NAMESPACES[used_for]
        assert stated.good is found.good is expected
        if purpose != used_for:
            assert "unknown-key" in codes(stated)
            assert "unknown-key" in codes(found)


@pytest.mark.fault(42)
@pytest.mark.attack("mix-and-match")
def test_a_key_for_all_purposes_still_keeps_the_kinds_apart() -> None:
    """Fault 42: "valid signature made for another kind of document: kind is part of what is signed"."""
    key = entry(purposes=PURPOSES)
    for made_for in some(PURPOSES):
        signature = sign_document(private("ed25519"), made_for, digests(BUNDLE))
        for used_for in some(PURPOSES):
            verdict = judge_document(
                "it", signature, trust=[key], evidence=evidence(), moments=[WHEN], purpose=used_for
            )
            assert verdict.good is (made_for == used_for)
            if made_for != used_for:
                assert codes(verdict) == ["bad-signature"]
                assert NAMESPACES[used_for] in verdict.findings[0].message


def test_a_publishers_own_namespace_is_fixed_in_the_entry() -> None:
    key = entry(namespace="file")
    assert judged(ssh(namespace="file"), [key], Said()).good
    assert codes(judged(ssh(), [key], Said())) == ["bad-signature"]


def test_unsigned() -> None:
    for said, signature, word in ((None, ssh(), "states no signature"), (Said(), None, ".sig is not there")):
        verdict = judged(signature, [entry()], said)
        assert codes(verdict) == ["unsigned"]
        assert word in verdict.findings[0].message
    assert codes(judge_document("m", None, trust=[], evidence=evidence(), moments=[WHEN], purpose="manifests")) == [
        "unsigned"
    ]


@pytest.mark.attack("malicious mirrors")
def test_unknown_key() -> None:
    """Fault 19 of the trade: a key that came on the same stick as the signature is no entry, so it is unknown."""
    verdict = judged(ssh(), [], Said())
    assert codes(verdict) == ["unknown-key"]
    assert "through another channel" in verdict.findings[0].hint
    assert verdict.findings[0].hint.endswith(f"trust add {Said().key} KEY.pub --form sshsig --for bundles")
    stranger = judged(ssh(which=4), [entry()], Said())
    assert codes(stranger) == ["unknown-key"]
    assert public("ed25519", 4).fingerprint in stranger.findings[0].message
    owner = judged(ssh(which=4), [entry(), entry(name="holm", which=4)], Said())
    assert "that key is holm" in owner.findings[0].message
    document = judge_document(
        "m", ssh(which=4), trust=[entry()], evidence=evidence(), moments=[WHEN], purpose="manifests"
    )
    assert codes(document) == ["unknown-key"]
    assert document.findings[0].hint.endswith("trust add NAME KEY.pub --form sshsig --for manifests")


@pytest.mark.attack("key compromise")
def test_a_removed_key_is_no_unknown_key() -> None:
    removed = remove(entry(), at=AT, reason="lost at skerry")
    verdict = judged(ssh(), [removed], Said())
    assert codes(verdict) == ["removed-key"]
    assert verdict.findings[0].message == "marram-2026 was removed on 2026-08-01: lost at skerry"
    both = judged(ssh(message=b"other"), [removed], Said())
    assert codes(both) == ["removed-key", "bad-signature"]
    named_live = judged(ssh(), [entry(name="new", which=4), removed], Said(key="new"))
    assert codes(named_live) == ["unknown-key"]
    assert "that key is marram-2026, removed on 2026-08-01" in named_live.findings[0].message


@pytest.mark.fault(40)
@pytest.mark.attack("key compromise")
def test_expired_key_names_the_time_used() -> None:
    key = replace(entry(), valid_from=date(2026, 3, 1), valid_until=date(2026, 8, 1))
    assert judged(ssh(), [key], Said()).good  # dates are inclusive
    for day, word in (
        (datetime(2026, 8, 2, tzinfo=UTC), "was valid until 2026-08-01"),
        (START, "is valid from 2026-03-01"),
    ):
        verdict = judged(ssh(), [key], Said(), moments=[TrustMoment(day, "the release date")])
        assert codes(verdict) == ["expired-key"]
        assert word in verdict.findings[0].message
        assert f"{day:%Y-%m-%d} (the release date)" in verdict.findings[0].message


@pytest.mark.attack("key compromise")
def test_every_moment_must_be_within_the_dates() -> None:
    """A date that a document states about itself verifies nothing against its own signer, so there may be two."""
    key = replace(entry(), valid_until=date(2026, 8, 10))
    later = TrustMoment(datetime(2026, 11, 25, tzinfo=UTC), "the day it was accepted")
    assert codes(judged(ssh(), [key], Said(), moments=[WHEN, later])) == ["expired-key"]
    with pytest.raises(InputError, match="none was given"):
        judged(ssh(), [key], Said(), moments=[])
    with pytest.raises(InputError, match="none was given"):
        judge_document("m", ssh(), trust=[key], evidence=evidence(), moments=[], purpose="bundles")


def certified(*, roots: bool = True, crls: Sequence[bytes] = ()) -> TrustEntry:
    c = chain()
    sources = Sources(pem(c.leaf), [pem(c.root)] if roots else [], [pem(c.middle)] if roots else [], crls)
    return make_entry("marram-2026", sources, form="ecdsa-p256-sha256", purposes=("bundles",))


def test_a_certificate_must_be_valid_at_the_time_used_and_lead_to_its_root() -> None:
    c = chain()
    signature = sign_raw("ecdsa-p256-sha256", c.leaf_key, BUNDLE)
    said = Said("ecdsa-p256-sha256")
    verdict = judged(signature, [certified()], said)
    assert verdict.good
    assert [(f.code, f.level) for f in verdict.findings] == [("not-checked", Level.NOTE)]
    assert judged(signature, [certified(roots=False)], said).findings == ()
    lists = [pem(c.root_crl), pem(c.middle_crl)]
    assert judged(signature, [certified(crls=lists)], said).findings == ()
    late = [TrustMoment(datetime(2027, 6, 1, tzinfo=UTC), "the release date")]
    for key in (certified(), certified(roots=False)):
        assert codes(judged(signature, [key], said, moments=late)) == ["expired-key"]
    revoked = pem(crl("Holm intermediate", c.middle_key, [(c.leaf.serial_number, START, None)]))
    verdict = judged(signature, [certified(crls=[pem(c.root_crl), revoked])], said)
    assert codes(verdict) == ["revoked-key"]
    assert "2026-08-01 (the release date)" in verdict.findings[0].message
    verdict = judged(signature, [certified(crls=[pem(c.root_crl)])], said)
    assert codes(verdict) == ["not-checked"]
    assert verdict.findings[0].level is Level.WARNING


def test_what_could_not_be_looked_at_is_not_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    key, signature = signed_in("cms", tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path / "empty"))
    verdict = judged(signature, [key], Said("cms"), message=message_of("cms"))
    assert codes(verdict) == ["not-checked"]
    assert not verdict.good


def test_pure_ed25519_over_a_message_beyond_the_bound_is_not_checked() -> None:
    key = entry("ed25519", "ed25519")
    signature = sign_raw("ed25519", private("ed25519"), BUNDLE)

    def whole(limit: int) -> bytes:
        if len(BUNDLE) > limit:
            raise NotCheckedError(f"longer than {limit} bytes")
        return BUNDLE

    for limit, expected in ((len(BUNDLE), []), (len(BUNDLE) - 1, ["not-checked"])):
        bounded = SignatureEvidence(digests(BUNDLE), whole, whole_limit_bytes=limit)
        verdict = judge(SUBJECT, Said("ed25519"), signature, trust=[key], evidence=bounded, moments=[WHEN])
        assert codes(verdict) == expected


def test_a_read_error_is_no_verdict() -> None:
    """ "a read error is an OSError of that file": it is the caller's `unreadable`, never `bad-signature`."""

    def broken(_limit: int) -> bytes:
        raise OSError(5, "Input/output error")

    signature = sign_raw("ed25519", private("ed25519"), BUNDLE)
    with pytest.raises(OSError, match="Input/output"):
        judge(
            SUBJECT,
            Said("ed25519"),
            signature,
            trust=[entry("ed25519", "ed25519")],
            evidence=SignatureEvidence({}, broken),
            moments=[WHEN],
        )


def test_an_entry_that_was_tampered_with_in_memory_is_never_good() -> None:
    key = entry()
    for wrong in (
        replace(key, key=entry("ed25519", which=5).key),
        replace(key, fingerprint="SHA256:x"),
        replace(key, key=b""),
        replace(key, form="none"),
        replace(key, key_type="rsa"),
    ):
        verdict = judged(ssh(), [wrong], Said(wrong.form))
        assert not verdict.good
        assert codes(verdict) == ["bad-signature"]


def test_the_manifests_own_type_of_statement_fits() -> None:
    stated = Signature(file="marram.sig", form="sshsig", key="marram-2026")
    assert judge(SUBJECT, stated, ssh(), trust=[entry()], evidence=evidence(), moments=[WHEN]).good


def _documents(signature: bytes, trust: Iterable[TrustEntry], purpose: str = "manifests") -> Verdict:
    return judge_document("m", signature, trust=list(trust), evidence=evidence(), moments=[WHEN], purpose=purpose)


def test_a_document_of_another_form_is_tried_with_keys_of_that_purpose_alone() -> None:
    rsa_key = entry("rsa", "rsa-pss-sha256", name="r", purposes=("manifests",))
    ecdsa_key = entry("ecdsa-p256", "ecdsa-p256-sha256", name="e", purposes=("manifests",))
    signature = sign_raw("ecdsa-p256-sha256", private("ecdsa-p256"), BUNDLE)
    found = _documents(signature, [rsa_key, ecdsa_key])
    assert found.by == ecdsa_key
    for trust in (
        [],
        [rsa_key],
        [replace(ecdsa_key, purposes=("bundles",))],
        [rsa_key, replace(ecdsa_key, form="ed25519")],
    ):
        verdict = _documents(signature, trust)
        assert not verdict.good
        assert codes(verdict) == ["bad-signature"]
    removed = remove(ecdsa_key, at=AT, reason="lost")
    assert codes(_documents(signature, [rsa_key, removed])) == ["removed-key"]


def test_a_document_is_judged_by_the_live_entry_for_its_purpose() -> None:
    other = entry(name="old", purposes=("receipts",))
    live = entry(name="new", purposes=("manifests",))
    signature = sign_document(private("ed25519"), "manifests", digests(BUNDLE))
    assert _documents(signature, [other, live]).by == live
    assert codes(_documents(signature, [remove(live, at=AT, reason="renewed")])) == ["removed-key"]


def test_garbage_documents_are_bad_signatures() -> None:
    for data in (b"", b"garbage", sshsig.BEGIN, sshsig.BEGIN + b"\nAAAA\n-----END SSH SIGNATURE-----\n", b"\0" * 9999):
        assert codes(_documents(data, [entry(purposes=PURPOSES)])) == ["bad-signature"]


@pytest.mark.parametrize("key_type", TYPES)
def test_flipping_any_byte_of_a_signed_manifest_or_its_signature_is_never_good(key_type: str) -> None:
    """Fault 36: "any byte of a signed manifest altered: the whole manifest refused"."""
    manifest = b'manifest = 1\nplatform = "marram"\nsequence = 14\n'
    key = entry(key_type, purposes=("manifests",))
    signature = sign_document(private(key_type), "manifests", digests(manifest))

    def good(message: bytes, signed: bytes) -> bool:
        return judge_document(
            "m", signed, trust=[key], evidence=evidence(message), moments=[WHEN], purpose="manifests"
        ).good

    assert good(manifest, signature)
    for at in range(len(manifest)):
        assert not good(manifest[:at] + bytes([manifest[at] ^ 1]) + manifest[at + 1 :], signature)
    for at in range(len(signature)):
        for change in (1, 0x20):
            assert not good(manifest, signature[:at] + bytes([signature[at] ^ change]) + signature[at + 1 :])


def test_a_form_that_the_store_does_not_allow_is_a_finding_and_is_not_verified() -> None:
    """Fault 37: "the store's policy decides, never the manifest"."""
    for allowed_forms, good in ((("sshsig",), True), (("rsa-pss-sha256", "cms"), False), ((), False)):
        stated = judge(
            SUBJECT, Said(), ssh(), trust=[entry()], evidence=evidence(), moments=[WHEN], allowed_forms=allowed_forms
        )
        key = entry(purposes=("manifests",))
        signature = sign_document(private("ed25519"), "manifests", digests(BUNDLE))
        found = judge_document(
            "m",
            signature,
            trust=[key],
            evidence=evidence(),
            moments=[WHEN],
            purpose="manifests",
            allowed_forms=allowed_forms,
        )
        assert stated.good is found.good is good
        if not good:
            assert codes(stated) == codes(found) == ["bad-signature"]
            assert "allows no signatures of the form sshsig" in stated.findings[0].message
