"""What `trust add` says at once of a certificate: expired, not valid yet, of another use, leading to another root.

The rules are those of RFC 5280 (§4.1.2.5 validity, §4.2.1.12 extended key usage, §6 paths); `openssl verify` agrees
about the chains.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from bundlekeeper.errors import RefusedError
from bundlekeeper.verification.keys.entries import Sources, doubts_of, make_entry
from tests.conftest import Keeper, Ran
from tests.kits.signing_world import certificate, chain, crl, pem, private, program, run

C = chain()
RAW = "ecdsa-p256-sha256"
NOW = datetime(2026, 11, 30, 12, tzinfo=UTC)
LONG_AGO, LAST_YEAR, NEXT_YEAR, FAR = (datetime(year, 3, 1, tzinfo=UTC) for year in (2020, 2025, 2027, 2040))
SIGNS = [ExtendedKeyUsageOID.CODE_SIGNING]


def leaf(
    first: datetime = LONG_AGO, last: datetime = FAR, usages: list[x509.ObjectIdentifier] | None = None
) -> x509.Certificate:
    """A signer's certificate under a root of its own."""
    used = SIGNS if usages is None else usages
    words = {"issuer": "Fescue root", "by": private("ecdsa-p384", 1), "usages": used}
    return certificate("Fescue publisher", C.leaf_key, first=first, last=last, **words)  # type: ignore[arg-type]


def root(first: datetime = LONG_AGO, last: datetime = FAR) -> x509.Certificate:
    """The root above it."""
    return certificate("Fescue root", private("ecdsa-p384", 1), authority=True, first=first, last=last)


STRANGE = certificate("Skerry root", private("ecdsa-p384", 9), authority=True, first=LONG_AGO, last=FAR)


def said(
    leaf_: x509.Certificate, *roots: x509.Certificate, form: str = RAW, **more: list[bytes]
) -> list[tuple[str, str]]:
    """What is said when this is added today: codes and sentences. Raises RefusedError."""
    sources = Sources(pem(leaf_), [pem(each) for each in roots], more.get("intermediates", []), more.get("crls", []))
    entry = make_entry("fescue", sources, form=form, purposes=["bundles"], added_at=NOW)
    return [(each.code, each.message) for each in doubts_of(entry, NOW)]


@pytest.mark.parametrize("form", [RAW, "cms"])
def test_nothing_is_said_of_a_good_chain_and_of_a_bare_key(form: str) -> None:
    assert said(leaf(), root(), form=form) == []
    entry = make_entry("fescue", Sources(pem(leaf())), form=form, purposes=["bundles"], added_at=NOW)
    assert doubts_of(entry, NOW) == ()


@pytest.mark.parametrize("form", [RAW, "cms"])
@pytest.mark.parametrize("with_root", [False, True])
@pytest.mark.parametrize(
    ("first", "last", "word"),
    [(LONG_AGO, LAST_YEAR, "was valid until 2025-03-01"), (NEXT_YEAR, FAR, "is valid from 2027-03-01")],
)
def test_a_certificate_outside_its_dates_is_added_and_reported(
    first: datetime, last: datetime, word: str, with_root: bool, form: str
) -> None:
    """What is dated within them stays good, so it may be added."""
    found = said(leaf(first, last), *([root()] if with_root else []), form=form)
    assert [(code, word in message, "the time used is 2026-11-30" in message) for code, message in found] == [
        ("expired-key", True, True)
    ]


def test_a_root_outside_its_dates_is_reported_once() -> None:
    for found in (said(leaf(), root(last=LAST_YEAR)), said(root(last=LAST_YEAR), form="cms")):
        assert [(code, "Fescue root was valid until 2025-03-01" in message) for code, message in found] == [
            ("expired-key", True)
        ]
    both = said(leaf(last=LAST_YEAR), root(last=LAST_YEAR - timedelta(days=1)))
    assert ["Fescue publisher" in both[0][1], "Fescue root" in both[1][1]] == [True, True]


@pytest.mark.parametrize("last", [FAR, LAST_YEAR], ids=["in date", "expired"])
@pytest.mark.parametrize("form", [RAW, "cms"])
@pytest.mark.parametrize("usages", [[], [ExtendedKeyUsageOID.SERVER_AUTH]])
def test_a_certificate_of_another_use_is_refused(
    usages: list[x509.ObjectIdentifier], form: str, last: datetime
) -> None:
    """Nothing that it signs could ever be good, whatever its dates."""
    with pytest.raises(RefusedError, match="not marked for code signing"):
        said(leaf(last=last, usages=usages), root(), form=form)


def test_a_pinned_certificate_of_raw_signatures_needs_no_use() -> None:
    """There the certificate is no more than what the key came in."""
    assert said(leaf(usages=[])) == []


def test_a_pinned_certificate_that_names_another_use_is_refused() -> None:
    """A certificate of a server is none for firmware, with a root or without; neither is an authority's."""
    with pytest.raises(RefusedError, match="not marked for code signing"):
        said(leaf(usages=[ExtendedKeyUsageOID.SERVER_AUTH]))
    with pytest.raises(RefusedError, match="an authority's certificate"):
        said(certificate("Fescue root", C.leaf_key, authority=True, first=LONG_AGO, last=FAR))


@pytest.mark.parametrize("last", [FAR, LAST_YEAR], ids=["in date", "expired"])
def test_a_certificate_that_does_not_lead_to_its_root_is_refused(last: datetime, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="does not lead to a trusted root"):
        said(leaf(last=last), STRANGE)
    for name, data in {"leaf": pem(leaf()), "root": pem(root()), "strange": pem(STRANGE)}.items():
        (tmp_path / name).write_bytes(data)
    for name, status in (("root", 0), ("strange", 2)):
        asked = run(program("openssl"), "verify", "-purpose", "any", "-CAfile", name, "leaf", cwd=tmp_path)
        assert asked.returncode == status, asked.stderr


def test_what_a_cms_signature_may_still_bring_is_reported_and_not_refused() -> None:
    """It carries intermediates of its own, so a chain that stops short may be whole with them."""
    (found,) = said(C.leaf, C.root, form="cms")
    assert (found[0], "does not lead to a trusted root" in found[1]) == ("unknown-key", True)
    assert said(C.leaf, C.root, form="cms", intermediates=[pem(C.middle)]) == []
    with pytest.raises(RefusedError, match="does not lead to a trusted root"):
        said(C.leaf, C.root)


def test_a_certificate_that_is_revoked_or_that_no_list_covers_is_reported() -> None:
    revoked = [(C.leaf.serial_number, datetime(2026, 3, 1, tzinfo=UTC), x509.ReasonFlags.key_compromise)]
    lists = [pem(C.root_crl), pem(crl("Holm intermediate", C.middle_key, revoked))]
    for given, code in ((lists, "revoked-key"), (lists[:1], "not-checked")):
        assert [each for each, _ in said(C.leaf, C.root, intermediates=[pem(C.middle)], crls=given)] == [code]


def test_every_reason_is_reported_at_once() -> None:
    with pytest.raises(RefusedError) as caught:
        make_entry("no good/name", Sources(pem(leaf(usages=[])), [pem(root())]), form=RAW, purposes=[], added_at=NOW)
    for word in ("cannot be an entry's name", "needs a purpose", "not marked for code signing"):
        assert word in caught.value.message


def test_on_the_command_line(keeper: Keeper, tmp_path: Path) -> None:
    """Added with a warning is 1, refused is 4 and adds nothing."""
    written = {"old": leaf(last=LAST_YEAR), "use": leaf(usages=[]), "root": root(), "strange": STRANGE}
    for name, each in written.items():
        (tmp_path / name).write_bytes(pem(each))

    def add(name: str, *options: str | Path) -> Ran:
        return keeper("trust", "add", name, tmp_path / name, "--form", RAW, "--for", "bundles", *options)

    for name, other in (("use", "root"), ("old", "strange")):
        refused = add(name, "--root", tmp_path / other)
        assert (refused.status, refused.out) == (4, "")
    assert "no key is trusted" in keeper("trust", "list").out
    added = add("old", "--root", tmp_path / "root")
    assert added.status == 1
    assert "trusted: old" in added.out
    assert "expired-key: old: the certificate CN=Fescue publisher was valid until 2025-03-01" in added.out + added.err
    listed = keeper("trust", "list", "--json").json["entries"]
    assert [row["name"] for row in listed] == ["old"]
    assert keeper("trust", "add", "two", tmp_path / "root", "--form", "cms", "--for", "bundles", "--json").codes == []
