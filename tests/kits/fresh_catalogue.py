"""What several tests share with those of store/database/test_catalogue.py."""

from __future__ import annotations

from pathlib import Path

from bundlekeeper.store.database.catalogue import Catalogue


def fresh(folder: Path) -> Catalogue:
    """A new, empty catalogue."""
    path = folder / "catalogue.sqlite"
    path.write_bytes(b"")
    return Catalogue.create(path)
