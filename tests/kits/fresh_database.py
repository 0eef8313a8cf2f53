"""What several tests share with those of store/database/test_store_database.py."""

from __future__ import annotations

from pathlib import Path

from bundlekeeper.store.database.store_database import StoreDatabase


def fresh(folder: Path) -> StoreDatabase:
    """A new, empty store database."""
    path = folder / "store.sqlite"
    path.write_bytes(b"")
    return StoreDatabase.create(path)
