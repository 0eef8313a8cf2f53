"""What the store's tests share: a folder to take from, manifests made in memory, a store."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from bundlekeeper.model.progress import Silent
from bundlekeeper.store.adding.add import AddResult, add_bundles
from bundlekeeper.store.adding.sources import FolderSource
from bundlekeeper.store.contents.right_now import holdings
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database.rows import Admitted, StoredBundle, Verification

GOOD = b"good bytes" * 1000


def now() -> datetime:
    """The real time: fingerprints are compared with the kernel's."""
    return datetime.now(UTC)


class Kit:
    """A source folder and a store below one folder of the test."""

    def __init__(self, base: Path, store: str = "store") -> None:
        self.source = base / "source"
        self.source.mkdir(exist_ok=True)
        self.root = base / store

    def offer(self, name: str, data: bytes) -> Path:
        """Lay a file into the source folder."""
        path = self.source / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path

    def bundle(self, file: str, data: bytes, **changed: Any) -> SimpleNamespace:
        """A bundle of the manifest whose right bytes are `data`."""
        fields: dict[str, Any] = {
            "family": "blade",
            "version": "6.1.0",
            "file": file,
            "size": len(data),
            "sha256": hashlib.sha256(data).hexdigest(),
            "digest_from": "publisher: download page, 2026-08-02",
            "released": date(2026, 8, 1),
            "lifecycle": "current",
            "reason": None,
            "variant": None,
            "signature": None,
            "images": (SimpleNamespace(kind="bios", models=("Tern-2",), version="6.1.0"),),
        }
        return SimpleNamespace(**{**fields, **changed})

    def loaded(self, *bundles: SimpleNamespace, sequence: int = 1, **changed: Any) -> Any:
        """A manifest as `model.reading.read` returns it; its bytes differ with everything that it says."""
        fields = {"platform": "marram", "sequence": sequence, "issued": date(2026, 8, 14), "expires": None, **changed}
        said = as_toml(fields, bundles)
        orders = {"kind": {}, "versions": SimpleNamespace(order="natural", list=None)}
        manifest = SimpleNamespace(**fields, **orders, bundle=bundles)
        return SimpleNamespace(manifest=manifest, problems=(), data=said, sha256=hashlib.sha256(said).hexdigest())

    def add(self, *bundles: SimpleNamespace, manifest: int = 1, **options: Any) -> AddResult:
        """Take these bundles by the manifest with this sequence, with `store add`'s own options."""
        return self.add_loaded(self.loaded(*bundles, sequence=manifest), **options)

    def add_loaded(self, loaded: Any, **options: Any) -> AddResult:
        """Take a manifest made by `loaded`."""
        options = {"clock": now, "progress": Silent(), **options}
        with Store.open(self.root, write=not options.get("dry_run", False)) as store:
            return add_bundles(store, loaded, [FolderSource(self.source, but=self.root)], **options)

    def stored(self) -> list[StoredBundle]:
        """The store database's rows."""
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return database.stored()

    def verifications(self) -> dict[str, Verification]:
        """The store database's verifications."""
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return database.verifications()

    def states(self) -> dict[str, str]:
        """The state of each file in `store list`, by its place."""
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return {row.stored.place: row.state for row in holdings(store, database, now())}

    def admitted(self) -> list[Admitted]:
        """The admitted manifests."""
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return database.admitted()

    def exceptions(self) -> list[tuple[datetime, str, str, str]]:
        """What was allowed as an exception."""
        with Store.open(self.root, write=False) as store, store.database(write=False) as database:
            return database.exceptions()

    def tree(self) -> dict[str, bytes]:
        """Every file of the store's own tree outside .keeper, with its bytes."""
        paths = (p for p in self.root.rglob("*") if p.is_file() and ".keeper" not in p.parts)
        return {p.relative_to(self.root).as_posix(): p.read_bytes() for p in sorted(paths)}


def as_toml(fields: dict[str, Any], bundles: Sequence[SimpleNamespace]) -> bytes:
    """The manifest's text; odd facts make one that no reader takes, as somebody's odd file would be."""

    def value(of: object) -> str:
        if isinstance(of, SimpleNamespace):
            return "{" + ", ".join(line(key, each) for key, each in vars(of).items() if each is not None) + "}"
        if isinstance(of, tuple):
            return f"[{', '.join(map(value, of))}]"
        return of.isoformat() if isinstance(of, date) else json.dumps(of)

    def line(key: str, of: object) -> str:
        return f"{key} = {value(of)}"

    families = tuple(sorted({bundle.family for bundle in bundles}))
    rows = [
        "manifest = 1",
        line("families", families),
        *(line(key, each) for key, each in fields.items() if each is not None),
    ]
    for bundle in bundles:
        rows += ["[[bundle]]", *(line(key, each) for key, each in vars(bundle).items() if each not in (None, ()))]
    return "\n".join([*rows, "# end"]).encode("utf-8", "surrogateescape")


def unclosable(inodes: set[int]) -> Callable[[int], None]:
    """An `os.close` that fails for these files, after closing them, as on a device that is gone."""
    real = os.close

    def close(fd: int) -> None:
        gone = os.fstat(fd).st_ino in inodes
        real(fd)
        if gone:
            raise OSError(errno.ENODEV, "No such device")

    return close


def codes(result: AddResult) -> list[str]:
    """The codes found, in order."""
    return [found.code for found in result.findings]


def message(result: AddResult, code: str) -> str:
    """What the one finding of this code says."""
    (text,) = [found.message for found in result.findings if found.code == code]
    return text
