"""The store's database as one run of `media receive` reads it: opened once, when it is first needed.

Rules: each question reads the database as it is then; nothing is written here; a database that cannot be read ends the
run where its contents are needed, but not while the set's signature is checked.
"""

from __future__ import annotations

from contextlib import suppress
from functools import cached_property
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bundlekeeper.errors import DamagedError, KeeperError

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Admitted, StoredBundle
    from bundlekeeper.store.database.store_database import StoreDatabase


class OptionalDatabase:
    """The database of a store, None where there is no store. A context manager."""

    def __init__(self, store: Store | None) -> None:
        self._store = store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        database: StoreDatabase | None = self.__dict__.get("_database")  # only where it was opened
        if database is not None:
            database.close()

    @cached_property
    def _database(self) -> StoreDatabase | None:
        """The open store's database; None where there is none yet. Raises as `Store.database`."""
        if self._store is None or not self._store.database_path.exists():
            return None
        return self._store.database(write=False)

    def admitted(self) -> list[Admitted]:
        """The manifests that the store admitted. Raises as `Store.database`."""
        return self._database.admitted() if self._database is not None else []

    def admitted_if_readable(self) -> list[Admitted]:
        """The same; none where they cannot be read: `admitted` then raises where they are needed."""
        with suppress(KeeperError):
            return self.admitted()
        return []

    def stored(self) -> list[StoredBundle]:
        """The bundles in the store, by its database. Raises as `Store.database`."""
        return self._database.stored() if self._database is not None else []

    def verified(self) -> StoreDatabase | None:
        """The store's database, verified; None where it is damaged, or where there is none. Raises LockedError."""
        try:
            if self._database is not None:
                self._database.verify()
        except DamagedError:
            return None
        return self._database
