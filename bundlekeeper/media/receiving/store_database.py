"""The store's database as one run of `media receive` reads it: opened once, when it is first asked for.

Rules: what is asked later is read as it is then; nothing is written here; a database that cannot be read ends the run
where its word is needed, and not while the set's origin is judged.
"""

from __future__ import annotations

from contextlib import suppress
from functools import cached_property
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bundlekeeper.errors import DamagedError, KeeperError

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.catalogue import Catalogue
    from bundlekeeper.store.database.rows import Accepted, Held


class StoreDatabase:
    """The database of a store, None where there is no store. A context manager."""

    def __init__(self, store: Store | None) -> None:
        self._store = store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        catalogue: Catalogue | None = self.__dict__.get("_catalogue")  # only where it was asked for
        if catalogue is not None:
            catalogue.close()

    @cached_property
    def _catalogue(self) -> Catalogue | None:
        """The open catalogue; None where there is none yet. Raises as `Store.catalogue`."""
        if self._store is None or not self._store.catalogue_path.exists():
            return None
        return self._store.catalogue(write=False)

    def accepted(self) -> list[Accepted]:
        """The manifests that the store accepted. Raises as `Store.catalogue`."""
        return self._catalogue.accepted() if self._catalogue is not None else []

    def believed(self) -> list[Accepted]:
        """The same, none where they cannot be read: whoever needs them is told."""
        with suppress(KeeperError):
            return self.accepted()
        return []

    def held(self) -> list[Held]:
        """What the store holds by its rows. Raises as `Store.catalogue`."""
        return self._catalogue.held() if self._catalogue is not None else []

    def verified(self) -> Catalogue | None:
        """The catalogue, all of it right; None where it is not, or where there is none. Raises LockedError."""
        try:
            if self._catalogue is not None:
                self._catalogue.verify()
        except DamagedError:
            return None
        return self._catalogue
