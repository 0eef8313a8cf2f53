"""Chains for code signing up to a root that the user added, and revocation lists from files, at a stated time."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import TrustMoment
from bundlekeeper.verification.encodings.refusals import (
    ExpiredKeyError,
    NotCheckedError,
    RevokedKeyError,
    SignatureError,
    UnknownKeyError,
)
from bundlekeeper.verification.keys import certificates, revocation
from bundlekeeper.verification.keys.certificates import (
    Anchors,
    check_chain,
    load_anchors,
    read_certificates,
    require_root,
)
from tests.kits.signing_world import (
    AT,
    END,
    START,
    WHEN,
    certificate,
    chain,
    crl,
    der,
    name_of,
    pem,
    private,
    program,
    public,
    run,
)

CODE = [ExtendedKeyUsageOID.CODE_SIGNING]


def anchors(*lists: x509.CertificateRevocationList) -> Anchors:
    c = chain()
    return load_anchors([der(c.root)], [der(c.middle)], [der(each) for each in lists])


def leaf(**changes: object) -> x509.Certificate:
    """A signer under the intermediate, with changes."""
    c = chain()
    words: dict[str, object] = {"issuer": "Holm intermediate", "by": c.middle_key, "usages": CODE} | changes
    return certificate("Marram publisher", c.leaf_key, **words)  # type: ignore[arg-type]  # the names are checked there


def moment(*day: int) -> TrustMoment:
    return TrustMoment(datetime(day[0], day[1], day[2], tzinfo=UTC), "the release date")


@pytest.mark.parametrize("leaf_type", ["ecdsa-p256", "ecdsa-p384", "rsa", "ed25519"])
def test_a_chain_for_code_signing_is_good(leaf_type: str) -> None:
    c = chain(leaf_type)
    lists = Anchors((c.root,), (c.middle,), (c.root_crl, c.middle_crl))
    assert check_chain(c.leaf, lists, WHEN) == ()
    assert "revoked was not checked" in check_chain(c.leaf, Anchors((c.root,), (c.middle,)), WHEN)[0]


def test_openssl_agrees_about_the_chain_and_its_dates(tmp_path: Path) -> None:
    """The line of the docstring of `verification.keys.certificates`, taken from it and run at several times."""
    c = chain()
    (tmp_path / "roots.pem").write_bytes(pem(c.root))
    (tmp_path / "intermediates.pem").write_bytes(pem(c.middle))
    (tmp_path / "signer.pem").write_bytes(pem(c.leaf))
    line = next(x.strip() for x in str(certificates.__doc__).splitlines() if x.strip().startswith("openssl verify"))
    for day, expected in ((START - timedelta(days=1), False), (AT, True), (END + timedelta(days=1), False)):
        words = [str(int(day.timestamp())) if word == "SECONDS" else word for word in line.split()]
        assert (run(program("openssl"), *words[1:], cwd=tmp_path).returncode == 0) is expected
        try:
            check_chain(c.leaf, Anchors((c.root,), (c.middle,)), TrustMoment(day, "x"))
            good = True
        except ExpiredKeyError:
            good = False
        assert good is expected


def test_the_usage_is_insisted_on() -> None:
    """ "extended key usage": a certificate for a web server or for mail is no word about firmware."""
    for usages in ([], [ExtendedKeyUsageOID.SERVER_AUTH], [ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE]):
        with pytest.raises(SignatureError, match="not marked for code signing"):
            check_chain(leaf(usages=usages), anchors(), WHEN)
    check_chain(leaf(usages=[ExtendedKeyUsageOID.SERVER_AUTH, *CODE]), anchors(), WHEN)


def test_an_intermediate_may_be_for_code_signing_only_but_not_for_something_else() -> None:
    """The library's own default refuses an intermediate whose only extended usage is code signing."""
    c = chain()
    for usages, good in ((CODE, True), ([ExtendedKeyUsageOID.SERVER_AUTH], False)):
        middle = certificate(
            "Holm intermediate", c.middle_key, issuer="Holm root", by=c.root_key, authority=True, usages=usages
        )
        if good:
            check_chain(c.leaf, Anchors((c.root,), (middle,)), WHEN)
        else:
            with pytest.raises(UnknownKeyError, match="not for code signing"):
                check_chain(c.leaf, Anchors((c.root,), (middle,)), WHEN)


@pytest.mark.fault(40)
def test_dates_are_those_of_the_time_used_and_the_time_is_reported() -> None:
    """Fault 40: "certificate expired, not yet valid, revoked: refused, with the time used"."""
    c = chain()
    lists = Anchors((c.root,), (c.middle,))
    for when, word in ((moment(2025, 12, 31), "valid from 2026-01-01"), (moment(2027, 1, 2), "valid until 2027-01-01")):
        with pytest.raises(ExpiredKeyError, match=word) as caught:
            check_chain(c.leaf, lists, when)
        assert str(when) in caught.value.message
    long_leaf = leaf(last=END + timedelta(days=900))
    with pytest.raises(ExpiredKeyError, match=r"Holm intermediate was valid until") as caught:
        check_chain(long_leaf, lists, moment(2028, 1, 1))
    assert "2028-01-01 (the release date)" in caught.value.message


def test_only_roots_of_the_entry_end_a_chain() -> None:
    c = chain()
    other = certificate("Holm root", private("ecdsa-p384", 9), authority=True)
    with pytest.raises(UnknownKeyError, match="does not lead to a trusted root"):
        check_chain(c.leaf, Anchors((other,), (c.middle, c.root)), WHEN)
    with pytest.raises(UnknownKeyError):
        check_chain(c.leaf, Anchors((c.root,)), WHEN)


def test_a_signer_that_is_an_authority_or_an_authority_that_is_none_is_refused() -> None:
    c = chain()
    with pytest.raises(SignatureError, match="an authority's certificate"):
        check_chain(c.middle, Anchors((c.root,)), WHEN)
    false = certificate("Holm intermediate", c.middle_key, issuer="Holm root", by=c.root_key, usages=CODE)
    with pytest.raises(UnknownKeyError):
        check_chain(c.leaf, Anchors((c.root,), (false,)), WHEN)
    short = certificate("Holm root", c.root_key, authority=True, path_length=0)
    with pytest.raises(UnknownKeyError, match="path length"):
        check_chain(c.leaf, Anchors((short,), (c.middle,)), WHEN)


def test_a_short_rsa_key_anywhere_in_the_chain_is_refused() -> None:
    """The library looks at issuers only: an RSA-1024 signer passes it."""
    weak = rsa.generate_private_key(65537, 1024)  # noqa: S505 - what the test is about
    c = chain()
    signer = certificate("Marram publisher", weak, issuer="Holm intermediate", by=c.middle_key, usages=CODE)
    with pytest.raises(SignatureError, match="1024 bits is too weak"):
        check_chain(signer, anchors(), WHEN)
    with pytest.raises(RefusedError, match="1024 bits is too weak"):
        require_root(der(certificate("Holm root", weak, authority=True)))


def test_a_certificate_with_sha1_is_refused_wherever_it_is() -> None:
    sha256, sha1 = bytes.fromhex("2a8648ce3d040302"), bytes.fromhex("2a8648ce3d0401")
    swapped = der(chain().root).replace(b"\x06\x08" + sha256, b"\x06\x07" + sha1)
    with pytest.raises(KeeperError):
        require_root(swapped)


def test_what_can_be_no_root_is_refused_when_it_is_added() -> None:
    with pytest.raises(RefusedError, match="not an authority's certificate"):
        require_root(der(chain().leaf))
    with pytest.raises(RefusedError, match="Ed25519"):
        require_root(der(certificate("Holm root", private("ed25519"), authority=True)))
    with pytest.raises(InputError):
        require_root(b"\x30\x03\x02\x01\x01")


def test_name_constraints_are_not_checked_and_never_good() -> None:
    c = chain()
    limits = x509.NameConstraints([x509.DNSName("holm.example")], None)
    for constrained in (
        Anchors((certificate("Holm root", c.root_key, authority=True, extra=[(limits, True)]),), (c.middle,)),
        Anchors(
            (c.root,),
            (
                certificate(
                    "Holm intermediate",
                    c.middle_key,
                    issuer="Holm root",
                    by=c.root_key,
                    authority=True,
                    extra=[(limits, True)],
                ),
            ),
        ),
    ):
        with pytest.raises(NotCheckedError, match="constrains names"):
            check_chain(c.leaf, constrained, WHEN)


def test_an_unknown_critical_extension_of_the_signer_is_refused() -> None:
    odd = x509.UnrecognizedExtension(x509.ObjectIdentifier("1.3.6.1.4.1.99999.1"), b"\x05\x00")
    with pytest.raises(UnknownKeyError, match="critical"):
        check_chain(leaf(extra=[(odd, True)]), anchors(), WHEN)
    check_chain(leaf(extra=[(odd, False)]), anchors(), WHEN)


REASON = x509.ReasonFlags


@pytest.mark.fault(40)
@pytest.mark.attack("key compromise")
@pytest.mark.parametrize(
    ("since", "reason", "verdict"),
    [
        (moment(2026, 7, 1), REASON.key_compromise, "revoked"),
        (moment(2026, 7, 1), REASON.superseded, "revoked"),
        (moment(2026, 7, 1), None, "revoked"),
        (moment(2026, 9, 1), REASON.key_compromise, "revoked"),
        (moment(2026, 9, 1), REASON.ca_compromise, "revoked"),
        (moment(2026, 9, 1), REASON.certificate_hold, "revoked"),
        (moment(2026, 9, 1), None, "revoked"),
        (moment(2026, 9, 1), REASON.superseded, "reported"),
        (moment(2026, 9, 1), REASON.cessation_of_operation, "reported"),
        (moment(2026, 9, 1), REASON.affiliation_changed, "reported"),
    ],
)
def test_a_revoked_signer(since: TrustMoment, reason: x509.ReasonFlags | None, verdict: str) -> None:
    """Revoked at the time used, or later for a reason that puts the key itself in doubt: refused, with both dates."""
    c = chain()
    revoked = crl("Holm intermediate", c.middle_key, [(c.leaf.serial_number, since.at, reason)])
    lists = anchors(c.root_crl, revoked)
    if verdict == "reported":
        assert f"was revoked on {since.at:%Y-%m-%d}" in check_chain(c.leaf, lists, WHEN)[0]
    else:
        with pytest.raises(RevokedKeyError, match=f"was revoked on {since.at:%Y-%m-%d}") as caught:
            check_chain(c.leaf, lists, WHEN)
        assert "2026-08-01 (the release date)" in caught.value.message


@pytest.mark.attack("key compromise")
def test_a_revoked_intermediate() -> None:
    c = chain()
    revoked = crl("Holm root", c.root_key, [(c.middle.serial_number, AT, REASON.ca_compromise)])
    with pytest.raises(RevokedKeyError, match="Holm intermediate"):
        check_chain(c.leaf, anchors(revoked, c.middle_crl), WHEN)


@pytest.mark.attack("indefinite freeze")
def test_a_list_that_is_missing_stale_forged_or_a_part_clears_nobody() -> None:
    """Unknown is never zero and never good."""
    c = chain()
    part = x509.IssuingDistributionPoint(None, None, True, False, None, False, False)
    useless = [
        [],
        [crl("Holm intermediate", c.middle_key, due=datetime(2026, 7, 1, tzinfo=UTC))],
        [crl("Holm intermediate", c.root_key)],
        [crl("Holm root", c.middle_key)],
        [crl("Holm intermediate", c.middle_key, extra=[(part, True)])],
        [crl("Holm intermediate", c.middle_key, extra=[(x509.DeltaCRLIndicator(1), True)])],
        [crl("Holm intermediate", c.middle_key, first=END + timedelta(days=1), due=END + timedelta(days=99))],
    ]
    for lists in useless:
        with pytest.raises(NotCheckedError, match=r"no revocation list .* at 2026-08-01 \(the release date\)"):
            check_chain(c.leaf, anchors(c.root_crl, *lists), WHEN)


def test_a_part_or_a_stale_list_still_revokes() -> None:
    c = chain()
    rows = [(c.leaf.serial_number, START, None)]
    for revoking in (
        crl("Holm intermediate", c.middle_key, rows, due=datetime(2026, 7, 1, tzinfo=UTC)),
        crl("Holm intermediate", c.middle_key, rows, extra=[(x509.DeltaCRLIndicator(1), True)]),
    ):
        with pytest.raises(RevokedKeyError):
            check_chain(c.leaf, anchors(c.root_crl, c.middle_crl, revoking), WHEN)


def test_a_younger_list_speaks_about_an_older_time() -> None:
    c = chain()
    younger = crl("Holm intermediate", c.middle_key, first=datetime(2026, 11, 1, tzinfo=UTC))
    assert check_chain(c.leaf, anchors(c.root_crl, younger), WHEN) == ()


def test_bundles_of_certificates_and_lists_read_as_pem_or_der_and_nothing_else() -> None:
    c = chain()
    assert read_certificates(pem(c.root) + pem(c.middle)) == (der(c.root), der(c.middle))
    assert read_certificates(der(c.root)) == (der(c.root),)
    assert revocation.read_crls(pem(c.root_crl) + pem(c.middle_crl)) == (der(c.root_crl), der(c.middle_crl))
    assert revocation.read_crls(der(c.root_crl)) == (der(c.root_crl),)
    for data in (
        b"",
        b"x",
        pem(c.root_crl),
        pem(c.root) * 65,
        pem(c.root)[:-9],
        b"\0" * (limits.CERTIFICATES_BYTES + 1),
    ):
        with pytest.raises(InputError) as caught:
            read_certificates(data, where="roots.pem")
        assert caught.value.where == "roots.pem"
    for data in (b"", b"x", pem(c.root), pem(c.root_crl)[:-9], b"\0" * (limits.CRL_BYTES + 1)):
        with pytest.raises(InputError) as caught:
            revocation.read_crls(data, where="crl.pem")
        assert caught.value.where == "crl.pem"


def test_a_list_signed_with_sha1_is_refused_when_it_is_added() -> None:
    key = private("rsa")
    found = der(crl("Holm root", key))
    with pytest.raises(RefusedError, match="SHA1"):
        revocation.read_crls(found.replace(bytes.fromhex("2a864886f70d01010b"), bytes.fromhex("2a864886f70d010105")))


def test_no_message_shows_the_librarys_wrapping_or_a_dump() -> None:
    c = chain()
    with pytest.raises(UnknownKeyError) as caught:
        check_chain(c.leaf, Anchors((c.root,)), WHEN)
    assert not re.search(r"validation failed|exhausted: |<Certificate|ValueError", caught.value.message)
    assert name_of("Marram publisher").rfc4514_string() in caught.value.message
    assert public("ecdsa-p256").key_type == "ecdsa-p256"
