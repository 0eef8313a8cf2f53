"""What the tests of signatures in the store share: outside programs that sign, a trust list, bundles that state it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from bundlekeeper.model.progress import Silent
from bundlekeeper.model.trust import TrustEntry
from bundlekeeper.model.verify_result import VerifyResult
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.signatures import trust_list
from bundlekeeper.store.signatures.voucher import Voucher
from bundlekeeper.store.verifying.expected import listing_of
from bundlekeeper.store.verifying.read import ReadingLimits
from bundlekeeper.store.verifying.verify import CheckMeans, check_folder, check_store
from bundlekeeper.verification.keys.entries import Sources, make_entry
from tests.kits.signing_world import chain, pem, private, private_pem, program, run, ssh_line
from tests.kits.store_kit import Kit, now

KEY = "marram-2026"
KEY_TYPES = {
    "ed25519": "ed25519",
    "ecdsa-p256-sha256": "ecdsa-p256",
    "ecdsa-p384-sha384": "ecdsa-p384",
    "rsa-pss-sha256": "rsa",
    "rsa-pkcs1-sha256": "rsa",
    "sshsig": "ed25519",
}


@dataclass(frozen=True)
class Signer:
    """A key of an outside program, in one form: what is trusted, and how a file is signed."""

    form: str
    folder: Path
    which: int = 0
    namespace: str = "bundlekeeper-bundle"
    hash_: str = "sha256"

    def sources(self) -> Sources:
        """What `trust add` is given."""
        if self.form == "cms":
            c = chain()
            return Sources(pem(c.leaf), [pem(c.root)], [pem(c.middle)])
        if self.form == "minisign":
            if not (self.folder / "mini.pub").exists():
                made = run(program("minisign"), "-G", "-W", "-p", "mini.pub", "-s", "mini.sec", cwd=self.folder)
                assert made.returncode == 0, made.stderr
            return Sources((self.folder / "mini.pub").read_bytes())
        return Sources(ssh_line(private(KEY_TYPES[self.form], self.which)))

    def entry(self, name: str = KEY, purposes: Sequence[str] = ("bundles",), **words: Any) -> TrustEntry:
        """The trust entry."""
        return make_entry(name, self.sources(), form=self.form, purposes=purposes, added_at=now(), **words)

    def sign(self, data: bytes) -> bytes:
        """The signature of these bytes, made by ssh-keygen, openssl or minisign."""
        file, key = self.folder / "FILE", self.folder / f"key-{self.form}-{self.which}"
        file.write_bytes(data)
        for old in ("FILE.sig", "FILE.minisig"):
            (self.folder / old).unlink(missing_ok=True)
        if self.form in KEY_TYPES:
            key.write_bytes(private_pem(private(KEY_TYPES[self.form], self.which), ssh=self.form == "sshsig"))
            key.chmod(0o600)
        made = run(*self._command(key), cwd=self.folder)
        assert made.returncode == 0, made.stderr
        return next(self.folder.glob("FILE.*sig")).read_bytes()

    def _command(self, key: Path) -> list[str]:
        if self.form == "sshsig":
            options = ["-O", f"hashalg={self.hash_}", "-f", str(key), "-n", self.namespace]
            return [program("ssh-keygen"), "-Y", "sign", "-q", *options, "FILE"]
        if self.form == "minisign":
            return [program("minisign"), "-S", "-s", "mini.sec", "-m", "FILE"]
        if self.form == "cms":
            c = chain()
            (self.folder / "signer.pem").write_bytes(pem(c.leaf))
            (self.folder / "signer.key").write_bytes(private_pem(c.leaf_key))
            signer = ["-signer", "signer.pem", "-inkey", "signer.key"]
            return [
                program("openssl"),
                "cms",
                "-sign",
                "-binary",
                "-in",
                "FILE",
                *signer,
                "-outform",
                "DER",
                "-out",
                "FILE.sig",
            ]
        if self.form == "ed25519":
            how = ["-sign", "-inkey", str(key), "-rawin", "-in", "FILE", "-out", "FILE.sig"]
            return [program("openssl"), "pkeyutl", *how]
        extra = ["-sigopt", "rsa_padding_mode:pss"] if self.form == "rsa-pss-sha256" else []
        return [program("openssl"), "dgst", f"-{self.form[-6:]}", *extra, "-sign", str(key), "-out", "FILE.sig", "FILE"]


def stated(form: str, file: str = "a.bin.sig", key: str = KEY) -> SimpleNamespace:
    """What a manifest states of a signature."""
    return SimpleNamespace(file=file, form=form, key=key)


def trust(kit: Kit, *entries: TrustEntry) -> None:
    """Add entries to the store's trust list."""
    with Store.open(kit.root, write=True) as store:
        for entry in entries:
            trust_list.add(store.fd, entry)


def remove(kit: Kit, name: str = KEY, reason: str = "lost at skerry") -> None:
    """Remove an entry of the store's trust list."""
    with Store.open(kit.root, write=True) as store:
        trust_list.remove(store.fd, name, at=now(), reason=reason)


def accept(kit: Kit, *lines: str) -> None:
    """Write the store's store.toml."""
    kit.root.mkdir(exist_ok=True)
    (kit.root / "store.toml").write_text("\n".join(("store = 1", *lines)) + "\n")


def check(kit: Kit, loaded: Any = None, *, at: Path | None = None, **limits: Any) -> VerifyResult:
    """Check the store, or the folder `at` against `loaded`, with the store's trust list."""
    with Store.open(kit.root, write=True) as store, store.database(write=True) as database:
        means = CheckMeans(now, Silent(), voucher=Voucher.of(store, now()))
        if at is not None:
            return check_folder(at, listing_of(loaded.manifest), means, ReadingLimits(**limits), known=database)
        listing = listing_of(loaded.manifest) if loaded is not None else None
        return check_store(store, database, listing, means, ReadingLimits(**limits))


def sha256(data: bytes) -> str:
    """FIPS 180-4, by the standard library."""
    return hashlib.sha256(data).hexdigest()


RELEASED = date(2026, 8, 1)
