"""NIST PKITS, the Public Key Interoperability Test Suite, for the chain and revocation checks that apply to us.

Certificates and lists: PyPI cryptography-vectors, x509/PKITS_data. Expected results: the PKITS document (NIST, version
1.0.1), whose tests bear them in their titles ("4.1.2 Invalid CA Signature Test2") and so in the files' names; sections
are given below. Every test runs against all the suite's certificates and lists at once, which is harder on a verifier
than the path that the document gives for it. No test asks for code signing, because the suite's certificates have no
extended key usage; tests/verification/keys/test_certificates.py does.

Left out, and why: each of the suite's own 'valid' chains that is refused here is in `LEFT_OUT` with its reason, and the
test holds that it is refused, never good. Section 4.8 (policies that the user may ask for) has no 'invalid' of its own
for a verifier that asks for none; its chains are in `POLICIES`.
"""

from __future__ import annotations

import warnings
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography import x509

from bundlekeeper.errors import RefusedError
from bundlekeeper.model.trust import TrustMoment
from bundlekeeper.verification.encodings.refusals import (
    ExpiredKeyError,
    NotCheckedError,
    RevokedKeyError,
    SignatureError,
)
from bundlekeeper.verification.keys import revocation
from bundlekeeper.verification.keys.certificates import Anchors, check_chain

FOLDER = Path(cryptography_vectors.__file__).parent / "x509/PKITS_data"
AT = TrustMoment(datetime(2020, 1, 1, tzinfo=UTC), "the time of the test")

#: Section of the document -> 'valid' tests that are good here.
GOOD = {
    "4.1": "CertificatePathTest1",
    "4.2": "pre2000UTCnotBeforeDateTest3 GeneralizedTimenotAfterDateTest8",
    "4.3": "NameUIDsTest6 RFC3280MandatoryAttributeTypesTest7 RFC3280OptionalAttributeTypesTest8"
    " UTF8StringEncodedNamesTest9",
    "4.4": "TwoCRLsTest7 GeneralizedTimeCRLnextUpdateTest13 NegativeSerialNumberTest14 LongSerialNumberTest16"
    " LongSerialNumberTest17",
    "4.6": "basicConstraintsNotCriticalTest4 pathLenConstraintTest7 pathLenConstraintTest13",
    "4.7": "keyUsageNotCriticalTest3",
    "4.14": "NoissuingDistributionPointTest10",
    "4.15": "deltaCRLTest2 deltaCRLTest7 deltaCRLTest8",
    "4.16": "UnknownNotCriticalCertificateExtensionTest1",
}
#: Reason -> 'valid' tests that are refused here, with their sections.
LEFT_OUT = {
    "4.1: DSA is not taken": "DSASignaturesTest4",
    "4.2: a date before 2050 must be UTCTime (RFC 5280 §4.1.2.5)": "GeneralizedTimenotBeforeDateTest4",
    "4.3: names are compared byte for byte, without folding case, blanks or string types": (
        "NameChainingWhitespaceTest3 NameChainingWhitespaceTest4 NameChainingCapitalizationTest5"
        " RolloverfromPrintableStringtoUTF8StringTest10 UTF8StringCaseInsensitiveMatchTest11"
    ),
    "4.4, 4.5: an issuer's lists must be signed by the key that signs its certificates": (
        "SeparateCertificateandCRLKeysTest19 BasicSelfIssuedOldWithNewTest1 BasicSelfIssuedNewWithOldTest3"
        " BasicSelfIssuedNewWithOldTest4 BasicSelfIssuedCRLSigningKeyTest6"
    ),
    "4.6: a signer's certificate must not be an authority's": (
        "pathLenConstraintTest8 pathLenConstraintTest14 onlyContainsCACertsTest13"
    ),
    "4.6: self-issued certificates count for the path's length, as in most verifiers": (
        "SelfIssuedpathLenConstraintTest15 SelfIssuedpathLenConstraintTest17"
    ),
    "4.9 to 4.12: critical policy extensions are not understood, so they are refused": (
        "requireExplicitPolicyTest1 requireExplicitPolicyTest2 requireExplicitPolicyTest4"
        " SelfIssuedrequireExplicitPolicyTest6 PolicyMappingTest1 PolicyMappingTest3 PolicyMappingTest5"
        " PolicyMappingTest6 PolicyMappingTest9 PolicyMappingTest11 PolicyMappingTest12 PolicyMappingTest13"
        " PolicyMappingTest14 inhibitPolicyMappingTest2 inhibitPolicyMappingTest4 SelfIssuedinhibitPolicyMappingTest7"
        " inhibitAnyPolicyTest2 SelfIssuedinhibitAnyPolicyTest7 SelfIssuedinhibitAnyPolicyTest9"
    ),
    "4.13: name constraints are not evaluated, so a chain with any is not good": (
        "DNnameConstraintsTest1 DNnameConstraintsTest4 DNnameConstraintsTest5 DNnameConstraintsTest6"
        " DNnameConstraintsTest11 DNnameConstraintsTest14 DNnameConstraintsTest18 DNnameConstraintsTest19"
        " RFC822nameConstraintsTest21 RFC822nameConstraintsTest23 RFC822nameConstraintsTest25"
        " DNandRFC822nameConstraintsTest27 DNSnameConstraintsTest30 DNSnameConstraintsTest32 URInameConstraintsTest34"
        " URInameConstraintsTest36"
    ),
    "4.14: partial and indirect lists may revoke but never clear": (
        "distributionPointTest1 distributionPointTest4 distributionPointTest5 distributionPointTest7"
        " onlySomeReasonsTest18 onlySomeReasonsTest19 IDPwithindirectCRLTest22 IDPwithindirectCRLTest24"
        " IDPwithindirectCRLTest25 cRLIssuerTest28 cRLIssuerTest29 cRLIssuerTest30 cRLIssuerTest33"
    ),
    "4.15: a hold stands, even where a delta list lifts it": "deltaCRLTest5",
}
#: Not readable by the library at all: DSA parameters that a certificate inherits (4.1).
UNREADABLE = {"DSAParametersInheritedCACert.crt", "ValidDSAParameterInheritanceTest5EE.crt"}
#: 4.8 and one of 4.12, with no initial policy asked for.
POLICIES = (
    "AllCertificatesNoPoliciesTest2 AllCertificatesSamePoliciesTest10 AllCertificatesSamePoliciesTest13"
    " AllCertificatesanyPolicyTest11 AnyPolicyTest14 CPSPointerQualifierTest20 DifferentPoliciesTest3"
    " DifferentPoliciesTest4 DifferentPoliciesTest5 DifferentPoliciesTest9 DifferentPoliciesTest12"
    " UserNoticeQualifierTest15 UserNoticeQualifierTest16 UserNoticeQualifierTest17 UserNoticeQualifierTest18"
    " UserNoticeQualifierTest19"
)
#: Some of the 'invalid' tests with what they must be refused as, and the section.
REASONS: dict[str, tuple[str, type[SignatureError], str]] = {
    "CASignatureTest2": ("4.1.2", SignatureError, "signature does not match"),
    "EESignatureTest3": ("4.1.3", SignatureError, "signature does not match"),
    "CAnotBeforeDateTest1": ("4.2.1", ExpiredKeyError, "valid from 2047"),
    "EEnotBeforeDateTest2": ("4.2.2", ExpiredKeyError, "valid from 2047"),
    "CAnotAfterDateTest5": ("4.2.5", ExpiredKeyError, "until 2011"),
    "EEnotAfterDateTest6": ("4.2.6", ExpiredKeyError, "until 2011"),
    "pre2000UTCEEnotAfterDateTest7": ("4.2.7", ExpiredKeyError, "until 1999"),
    "NameChainingTest1": ("4.3.1", SignatureError, "does not lead to"),
    "NameChainingOrderTest2": ("4.3.2", SignatureError, "does not lead to"),
    "MissingCRLTest1": ("4.4.1", NotCheckedError, "no revocation list"),
    "RevokedCATest2": ("4.4.2", RevokedKeyError, "was revoked on 2010-01-01, keyCompromise"),
    "RevokedEETest3": ("4.4.3", RevokedKeyError, "was revoked on 2010-01-01, keyCompromise"),
    "BadCRLSignatureTest4": ("4.4.4", NotCheckedError, "no revocation list"),
    "BadCRLIssuerNameTest5": ("4.4.5", NotCheckedError, "no revocation list"),
    "WrongCRLTest6": ("4.4.6", NotCheckedError, "no revocation list"),
    "UnknownCRLEntryExtensionTest8": ("4.4.8", RevokedKeyError, "was revoked"),
    "UnknownCRLExtensionTest9": ("4.4.9", RevokedKeyError, "was revoked"),
    "UnknownCRLExtensionTest10": ("4.4.10", NotCheckedError, "no revocation list"),
    "OldCRLnextUpdateTest11": ("4.4.11", NotCheckedError, "(the next: 2010-01-02"),
    "pre2000CRLnextUpdateTest12": ("4.4.12", NotCheckedError, "(the next: 1999-01-01"),
    "LongSerialNumberTest18": ("4.4.18", RevokedKeyError, "was revoked"),
    "MissingbasicConstraintsTest1": ("4.6.1", SignatureError, "does not lead to"),
    "cAFalseTest2": ("4.6.2", SignatureError, "does not lead to"),
    "pathLenConstraintTest5": ("4.6.5", SignatureError, "does not lead to"),
    "pathLenConstraintTest9": ("4.6.9", SignatureError, "path length"),
    "keyUsageCriticalkeyCertSignFalseTest1": ("4.7.1", SignatureError, "may not sign certificates"),
    "keyUsageNotCriticalkeyCertSignFalseTest2": ("4.7.2", SignatureError, "may not sign certificates"),
    "keyUsageCriticalcRLSignFalseTest4": ("4.7.4", NotCheckedError, "no revocation list"),
    "keyUsageNotCriticalcRLSignFalseTest5": ("4.7.5", NotCheckedError, "no revocation list"),
    "onlyContainsAttributeCertsTest14": ("4.14.14", NotCheckedError, "no revocation list"),
    "deltaCRLIndicatorNoBaseTest1": ("4.15.1", NotCheckedError, "no revocation list"),
    "deltaCRLTest3": ("4.15.3", RevokedKeyError, "was revoked"),
    "deltaCRLTest4": ("4.15.4", RevokedKeyError, "was revoked on 2010-06-01"),
    "UnknownCriticalCertificateExtensionTest2": ("4.16.2", SignatureError, "critical extensions"),
}


@cache
def suite() -> tuple[dict[str, x509.Certificate], Anchors]:
    """Every certificate that can be read, by file name, and all authorities and lists as anchors of one root."""
    certificates: dict[str, x509.Certificate] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # negative serial numbers and the like are what the suite is about
        for file in sorted((FOLDER / "certs").glob("*.crt")):
            if file.name not in UNREADABLE:
                certificates[file.name] = x509.load_der_x509_certificate(file.read_bytes())
        lists = []
        for file in sorted((FOLDER / "crls").glob("*.crl")):
            try:
                lists.append(revocation.load_crl(file.read_bytes()))
            except RefusedError as e:
                assert "SHA1" in e.message
                assert file.name.startswith("DSA")
    root = certificates["TrustAnchorRootCertificate.crt"]
    authorities = tuple(c for name, c in certificates.items() if not name.endswith("EE.crt") and c != root)
    return certificates, Anchors((root,), authorities, tuple(lists))


def judged(name: str) -> SignatureError | None:
    """What a test's end certificate is refused as; None when it is good."""
    certificates, anchors = suite()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            check_chain(certificates[f"{name}EE.crt"], anchors, AT, usage=None)
        except SignatureError as e:
            return e
    return None


def _ends(prefix: str) -> list[str]:
    """The end certificates whose title begins with this word; one file of the suite lacks the word in its name."""
    return sorted(file.name.removesuffix("EE.crt") for file in (FOLDER / "certs").glob(f"{prefix}*EE.crt"))


def _words(text: str) -> list[str]:
    return text.split()


@pytest.mark.parametrize("name", _ends("Invalid"))
def test_every_invalid_chain_is_refused(name: str) -> None:
    assert judged(name) is not None


def test_the_suite_is_all_there() -> None:
    assert len(_ends("Invalid")) == 115
    good = [name for names in GOOD.values() for name in _words(names)]
    left_out = [name for names in LEFT_OUT.values() for name in _words(names)]
    assert len(good) == 21
    assert len(left_out) == 66
    titles = [f"Valid{name}" for name in [*good, *left_out]]
    assert sorted(titles) == sorted(set(_ends("Valid")) - {name.removesuffix("EE.crt") for name in UNREADABLE})


@pytest.mark.parametrize("name", [name for names in GOOD.values() for name in _words(names)] + _words(POLICIES))
def test_valid_chains_that_apply_are_good(name: str) -> None:
    assert judged(name if name in _words(POLICIES) else f"Valid{name}") is None


@pytest.mark.parametrize("name", [name for names in LEFT_OUT.values() for name in _words(names)])
def test_what_is_left_out_is_refused_and_never_good(name: str) -> None:
    assert judged(f"Valid{name}") is not None


@pytest.mark.parametrize(("name", "expected"), REASONS.items())
def test_invalid_chains_are_refused_for_their_own_reason(
    name: str, expected: tuple[str, type[SignatureError], str]
) -> None:
    _, kind, word = expected
    error = judged(f"Invalid{name}")
    assert type(error) is kind or (kind is SignatureError and isinstance(error, SignatureError))
    assert word in str(error)
    if kind is not SignatureError:
        assert "2020-01-01 (the time of the test)" in str(error)
