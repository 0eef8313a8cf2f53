"""What several tests share with those of verification/signatures/test_judge.py."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.verification.keys.entries import Sources, make_entry
from bundlekeeper.verification.signatures import sshsig
from tests.kits.cms_files import theirs as cms_signed
from tests.kits.minisign_files import public_file
from tests.kits.minisign_files import signed as minisign_signed
from tests.kits.signing_world import RAW, chain, entry, pem, private, sign_raw

BUNDLE = b"marram-infrastructure-6.1.0.bin\n" * 60


@dataclass(frozen=True)
class Said:
    """What a manifest says of a signature."""

    form: str = "sshsig"
    key: str = "marram-2026"
    file: str = "marram-infrastructure-6.1.0.bin.sig"


def ssh(
    key_type: str = "ed25519", which: int = 0, namespace: str = "bundlekeeper-bundle", message: bytes = BUNDLE
) -> bytes:
    return sshsig.sign(private(key_type, which), namespace=namespace, digest=sshsig.digest_of(message))


def signed_in(form: str, tmp_path: Path) -> tuple[TrustEntry, bytes]:
    """An entry for bundles of a form, and a good signature of the bundle in it."""
    if form == "sshsig":
        return entry(), ssh()
    if form == "minisign":
        key = make_entry("marram-2026", Sources(public_file()), form=form, purposes=("bundles",))
        return key, minisign_signed(BUNDLE)
    if form == "cms":
        c = chain("rsa")
        key = make_entry("marram-2026", Sources(pem(c.root)), form=form, purposes=("bundles",))
        from tests.kits import cms_files as test_cms

        signature = cms_signed(c, tmp_path)
        assert test_cms.MESSAGE != BUNDLE
        return key, signature
    key_type = dict(RAW)[form]
    return entry(key_type, form), sign_raw(form, private(key_type), BUNDLE)
