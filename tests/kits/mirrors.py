"""What several tests share with those of links/http/test_mirror.py."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from bundlekeeper.links.http.download import DownloadRules
from bundlekeeper.links.http.mirror import mirror_source
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.model.progress import Progress, Silent
from bundlekeeper.store.adding.add import AddResult, add_bundles
from bundlekeeper.store.contents.right_now import holdings
from bundlekeeper.store.contents.store import Store
from bundlekeeper.verification.hashing.read import Stop
from tests.kits.local_server import Authority, Handler, LocalServer, serving
from tests.kits.store_kit import now

A = random.Random(1).randbytes(700_000)


NOW = datetime(2026, 11, 25, tzinfo=UTC)


def _manifest(bundles: Mapping[str, bytes]) -> bytes:
    rows = ['manifest = 1\nplatform = "marram"\nsequence = 1\nissued = 2026-08-14\nfamilies = ["infrastructure"]\n']
    for number, (name, data) in enumerate(bundles.items()):
        rows.append(
            f'[[bundle]]\nfamily = "infrastructure"\nversion = "6.{number}.0"\nfile = "{name}"\nsize = {len(data)}\n'
            f'sha256 = "{hashlib.sha256(data).hexdigest()}"\ndigest_from = "publisher: download page"\n'
        )
    return "".join(rows).encode()


@dataclass
class Bench:
    """A store, a manifest and servers."""

    folder: Path
    authority: Authority
    stack: ExitStack
    bundles: dict[str, bytes] = field(default_factory=lambda: {"a.bin": A})
    waits: list[float] = field(default_factory=list)

    @property
    def root(self) -> Path:
        return self.folder / "store"

    def serve(self, handler: Handler, *, tls: bool = True, keep_alive: bool = False) -> LocalServer:
        context = self.authority.context() if tls else None
        return self.stack.enter_context(serving(handler, context, keep_alive=keep_alive))

    def manifest(self) -> Path:
        path = self.folder / "manifest.toml"
        path.write_bytes(_manifest(self.bundles))
        return path

    def add(
        self,
        *urls: str,
        rules: DownloadRules | None = None,
        folders: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
        allow: tuple[str, ...] = (),
        stop: Stop | None = None,
        progress: Progress | None = None,
    ) -> AddResult:
        loaded = read(_manifest(self.bundles), name="manifest.toml", today=date(2026, 11, 25))
        sources = [
            mirror_source(
                url,
                ca=self.authority.path,
                allow_hosts=allow,
                folders=folders,
                headers=headers,
                rules=rules or DownloadRules(tries=3),
                wait=self.waits.append,
            )
            for url in urls
        ]
        with Store.open(self.root, write=True) as store:
            return add_bundles(store, loaded, sources, clock=lambda: NOW, progress=progress or Silent(), stop=stop)

    def start(self, url: str) -> subprocess.Popen[bytes]:
        """A run in a process of its own that records what it has every 64 KiB."""
        arguments = (url, str(self.authority.path), str(self.root), str(self.manifest()))
        return subprocess.Popen([sys.executable, "-c", _TAKER, *arguments])

    def states(self) -> list[str]:
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return [row.state for row in holdings(store, database, now())]

    @property
    def incoming(self) -> set[str]:
        return set(os.listdir(self.root / ".keeper" / "incoming"))

    def published(self) -> list[str]:
        return sorted(p.name for p in (self.root / "infrastructure").rglob("*") if p.is_file())

    def published_or_nothing(self) -> list[str]:
        return self.published() if (self.root / "infrastructure").exists() else []

    def quarantined(self) -> list[bytes]:
        found = (self.root / "quarantine").iterdir()
        return [p.read_bytes() for p in found if not p.name.endswith(".note.txt")]


_TAKER = """
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from bundlekeeper.links.http.download import DownloadRules
from bundlekeeper.links.http.mirror import mirror_source
from bundlekeeper.model.progress import Silent
from bundlekeeper.model.lint.read_manifest import read
from bundlekeeper.store.adding.add import add_bundles
from bundlekeeper.store.contents.store import Store
url, ca, root, manifest = sys.argv[1:]
loaded = read(Path(manifest).read_bytes(), name="manifest.toml", today=date(2026, 11, 25))
source = mirror_source(url, ca=Path(ca), rules=DownloadRules(keep_every_bytes=65536))
with Store.open(Path(root), write=True) as store:
    add_bundles(store, loaded, [source], clock=lambda: datetime(2026, 11, 25, tzinfo=UTC), progress=Silent())
"""


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))
