"""What several tests share with those of media/receipt/test_receipt.py."""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.run import dispatch
from bundlekeeper.errors import KeeperError
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.media.receipt.document import Receipt, read_header, write_header
from bundlekeeper.media.set.remembered_sets import Sets
from bundlekeeper.store.contents.store import Store
from tests.conftest import Keeper, Ran
from tests.kits.media_kit import Bundle, MadeSet, Site, make_set, manifest_text, now, sha, signed
from tests.kits.signing_world import private, private_pem

BUNDLES = (
    Bundle("infrastructure", "6.1.0", b"infrastructure " * 900, (1,)),
    Bundle("blade", "6.1.0", b"blade " * 2000, (2,)),
    Bundle("rack", "6.1.0", os.urandom(50_001), (1, 2)),
)


MAIN_SITE, SKERRY = 0, 1  # whose key


INVENTORY = """inventory = 1
read_at = 2026-11-20T08:00:00Z
zone = "UTC"

[[component]]
site = "skerry"
domain = "skerry-a"
chassis = "c1"
slot = "1"
kind = "bios"
model = "Tern-2"
serial = "S-{serial}"
active = "6.0.1"
"""


class Trip:
    """A main site and a site without a link, two stores on one machine, driven by real commands."""

    def __init__(self, keeper: Keeper, base: Path) -> None:
        self.base, self._keeper = base, keeper
        self.main_site, self.skerry = Site(base / "main site", trusting=None), Site(base / "skerry")
        with Store.open(self.main_site.root, write=True) as store:
            self.main_site.trust(store, "skerry", SKERRY, "receipts")
        for name, which in (("holm.key", MAIN_SITE), ("skerry.key", SKERRY)):
            path = base / name
            path.write_bytes(private_pem(private("ed25519", which), ssh=True))
            path.chmod(0o600)

    def at(self, site: Site, *arguments: str | Path, stdin: str = "", process: bool = False) -> Ran:
        """Run a command with a site's store: as a process of its own, or in this one, which is quicker."""
        if process:
            return self._keeper(*arguments, env={"BUNDLEKEEPER_STORE": str(site.root)}, stdin=stdin)
        words = [*map(str, arguments), "--store", str(site.root)]
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin.encode())))
            try:
                status = dispatch(words)
            except KeeperError as error:
                status = error.exit_code
                (output.error_envelope(error, "media") if "--json" in words else output.error_text(error))
        return Ran(status, out.getvalue(), err.getvalue())

    def send(self, sequence: int = 1, meant_for: str = "skerry") -> MadeSet:
        """A set, as the main site would remember it."""
        with Store.open(self.main_site.root, write=True) as store:
            with Ledger.open(self.main_site.root / ".keeper" / "ledger.sqlite", write=True) as ledger:
                issuer = ledger.head().ledger
            manifest = manifest_text(BUNDLES, sequence)
            sets = Sets(store)
            sent = sets.begin(
                issuer=issuer,
                packing=f"{sequence:064x}",
                platform="marram",
                meant_for=meant_for,
                volumes=2,
                manifest=sha(manifest),
                at=now(),
            )
            made = make_set(
                BUNDLES,
                sequence=sent.sequence,
                set_id=sent.set_id,
                issuer=issuer,
                manifest=manifest,
                meant_for=meant_for,
            )
            sets.keep_sent_index(sent, made.data, made.signature)
            for volume in (1, 2):
                sets.wrote(sent, volume, now())
        return made

    def receipt(self, name: str, *options: str, process: bool = False) -> Path:
        """Write a receipt at skerry; returns its file."""
        out = self.base / name
        words: tuple[str | Path, ...] = ("receipt", "write", "--out", out, "--key", self.base / "skerry.key", *options)
        ran = self.at(self.skerry, *words, process=process)
        assert ran.status == 0, ran.out + ran.err
        return out

    def read(self, path: Path, *, process: bool = False) -> Ran:
        """Read a receipt at the main site."""
        return self.at(self.main_site, "receipt", "read", path, "--json", process=process)

    def work(self, serial: int = 1) -> None:
        """Load an inventory at skerry, stage a bundle's image and activate it."""
        path = self.base / f"inventory-{serial}.toml"
        path.write_text(INVENTORY.format(serial=serial))
        for command in (
            ("inventory", "load", str(path)),
            ("stage", f"S-{serial}", "--version", "6.1.0", "--bank", "pending"),
        ):
            ran = self.at(self.skerry, *command)
            assert ran.status in (0, 1), ran.out + ran.err

    def where(self, site: Site) -> Any:
        """The answers of `where` there."""
        return self.at(site, "where", "--json").json["components"]


@pytest.fixture
def trip(keeper: Keeper, tmp_path: Path) -> Trip:
    """A fresh pair of stores."""
    return Trip(keeper, tmp_path)


def code_of(printed: str) -> str:
    """The lines of the code in what was printed."""
    return "\n".join(re.findall(r"^ *\d+: .*$", printed, re.MULTILINE))


def lying(trip: Trip, path: Path, change: Callable[[Receipt], Receipt]) -> Path:
    """A receipt rightly signed by the site, whose header says something else."""
    header, _, events = trip.receipt("true").read_bytes().partition(b"\n")
    data = write_header(change(read_header(header + b"\n"))) + events
    path.write_bytes(data)
    Path(f"{path}.sig").write_bytes(signed(data, SKERRY, "receipts"))
    return path
