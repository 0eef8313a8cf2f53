"""Rows on signatures: a check of one large signed file against the same check of the same file unsigned."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, padding, rsa, utils

from bundlekeeper.model.progress import Silent
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.database.rows import Stated
from bundlekeeper.store.signatures.trust_list import TrustList
from bundlekeeper.store.signatures.voucher import Voucher
from bundlekeeper.store.verifying.expected import ExpectedFile, Listing
from bundlekeeper.store.verifying.verify import CheckMeans, check_folder
from bundlekeeper.verification.hashing.door import digest_fd
from bundlekeeper.verification.keys.entries import Sources, make_entry
from bundlekeeper.verification.signatures import sshsig
from tests.bench.frame import Target, bench, in_turns, ratio_at_most, seconds
from tests.bench.world import World, warm

_KEY = ed25519.Ed25519PrivateKey | rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey
_NAME = "marram-2026"


def _keys(form: str) -> _KEY:
    if form == "sshsig":
        return ed25519.Ed25519PrivateKey.generate()
    return rsa.generate_private_key(65537, 3072) if form.startswith("rsa") else ec.generate_private_key(ec.SECP256R1())


def _signature(key: _KEY, digests: dict[str, str], hash_: str) -> bytes:
    digest = bytes.fromhex(digests["sha256"])
    prehashed = utils.Prehashed(hashes.SHA256())
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return sshsig.sign(key, namespace="bundlekeeper-bundle", digest=digests[hash_], hash_algorithm=hash_)
    if isinstance(key, rsa.RSAPrivateKey):
        return key.sign(digest, padding.PSS(padding.MGF1(hashes.SHA256()), 32), prehashed)
    return key.sign(digest, ec.ECDSA(prehashed))


class _Signed:
    """A folder with the large file and its signature, and what a check of it needs."""

    def __init__(self, world: World, form: str, hash_: str) -> None:
        self.folder = world.folder / f"signed-{form}-{hash_}"
        self.folder.mkdir()
        (self.folder / world.big.name).hardlink_to(world.big)
        fd = os.open(world.big, os.O_RDONLY)
        try:
            self.digests = dict(digest_fd(fd, algorithms=("sha256", "sha512")).hexes)
        finally:
            os.close(fd)
        key = _keys(form)
        (self.folder / "big.sig").write_bytes(_signature(key, self.digests, hash_))
        spki = serialization.PublicFormat.SubjectPublicKeyInfo
        public = key.public_key().public_bytes(serialization.Encoding.PEM, spki)
        entry = make_entry(_NAME, Sources(public), form=form, purposes=("bundles",))
        self.voucher = Voucher(None, lambda: TrustList((entry,)), datetime.now(UTC))
        self.file, self.size, self.form = world.big.name, world.big_bytes, form

    def check(self, *, signed: bool) -> VerifyResult:
        """One check of the folder; without `signed` the manifest states no signature."""
        stated = Stated("big.sig", self.form, _NAME) if signed else None
        place = f"blade/6.1.0/{self.file}"
        facts = ("blade", "6.1.0", self.file, place, self.size, self.digests["sha256"])
        bundle = ExpectedFile(*facts, "marram", 1, "publisher", "current", "", None, stated)
        listing = Listing("manifest", (bundle,), signatures=frozenset({"big.sig"}))
        means = CheckMeans(lambda: datetime.now(UTC), Silent(), voucher=self.voucher)
        result = check_folder(self.folder, listing, means)
        assert result.verified == 1
        assert result.signatures_good == int(signed)
        return result


_MADE: dict[tuple[Path, str, str], _Signed] = {}


def _compared(world: World, form: str, hash_: str) -> tuple[float, float]:
    key = world.folder, form, hash_
    if key not in _MADE:
        _MADE[key] = _Signed(world, form, hash_)
    made = _MADE[key]

    def timed(signed: bool) -> float:
        warm(world.big)
        return seconds(lambda: made.check(signed=signed))

    return in_turns(world, lambda _: timed(True), lambda _: timed(False))


def _row(form: str, hash_: str, target: Target | None) -> None:
    name = f"signed, {form}" + (f" by {hash_}" if form == "sshsig" else "")

    @bench(
        name,
        what=f"check of one large file signed by {form} ({hash_}), warm",
        against="the same check of the same file without a signature",
        unit="s",
        target=target,
    )
    def _measured(world: World) -> tuple[float, float]:
        return _compared(world, form, hash_)


for _form in ("rsa-pss-sha256", "ecdsa-p256-sha256", "sshsig"):
    _row(_form, "sha256", ratio_at_most(1.05))
_row("sshsig", "sha512", None)  # hashes everything a second time: what that costs is the processor's to say
