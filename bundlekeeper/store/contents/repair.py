"""A store database that is damaged, or older than the kept manifests: read as far as it is right, or made again.

Rules: a damaged row says nothing about its file; a command that only reads gets a store database in memory, and the
damage as errors; one that writes gets a database that was made again under the store's lock, and the damage as
warnings, and the old file is kept under another name; every repair is reported; a store database of another format is
refused and never replaced.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace

from bundlekeeper.errors import DamagedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.formats.sqlite import FORMAT
from bundlekeeper.model.progress import Clock
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.rebuild import Filled, fill
from bundlekeeper.store.database.store_database import DATABASE, Sound, StoreDatabase
from bundlekeeper.store.disk import files, lock

_SUBJECT = "the store database"
_DOING = "the store database and the kept manifests cannot be read"


@contextmanager
def consulted(store: Store) -> Iterator[tuple[StoreDatabase, list[Finding]]]:
    """The store database for reading, and its damage or that of the kept manifests, as errors.

    Lost rows are made again in memory, from the kept manifests. Raises DamagedError for a newer format, LockedError,
    RefusedError, UnfinishedError.
    """
    database, found = _consulted(store)
    with database:
        yield database, found


@contextmanager
def repaired(
    store: Store, clock: Clock, *, lock_for: str = "", but: str = ""
) -> Iterator[tuple[StoreDatabase, list[Finding]]]:
    """The store database for writing; a damaged one is renamed and made again first, and warnings report it.

    The store is locked for that in the name of the command `lock_for`; without one the caller has the lock. A kept
    manifest without a row whose SHA-256 is `but` is about to be recorded, and is no damage.
    Raises as `consulted`.
    """
    database, found = _repaired(store, clock, lock_for, but)
    with database:
        yield database, found


def _consulted(store: Store) -> tuple[StoreDatabase, list[Finding]]:
    with files.wrapped(_DOING, str(store.root)):
        database, unread, trouble = _opened(store, write=False)
        if database is not None:
            return database, [manifest.finding for manifest in unread]
        fresh = StoreDatabase.in_memory()
        try:
            sound = _sound(store)
            filled = fill(store.fd, fresh, sound)
        except BaseException:
            fresh.close()
            raise
    return fresh, _damage_of(sound, filled, trouble)


def _repaired(store: Store, clock: Clock, lock_for: str, but: str) -> tuple[StoreDatabase, list[Finding]]:
    with files.wrapped(_DOING, str(store.root)):
        database, unread, _ = _opened(store, write=True, but=but)
        if database is not None:
            return database, [manifest.finding for manifest in unread]
        if not lock_for:
            return _made_again(store, clock, but)
        with lock.held(store.fd, lock_for, clock=clock, where=str(store.root)):
            return _made_again(store, clock, but)


def _made_again(store: Store, clock: Clock, but: str) -> tuple[StoreDatabase, list[Finding]]:
    database, unread, trouble = _opened(store, write=True, but=but)  # another process may have done it meanwhile
    if database is not None:
        return database, [manifest.finding for manifest in unread]
    sound = _sound(store)
    renamed, filled = store.rebuild(clock=clock, sound=sound)
    old = f"; the old store database is kept as {renamed.name}" if renamed is not None else ""
    lost = f"{counted(filled.files, 'file')} without a row count as unverified until they are read"
    damage = [
        replace(problem, level=Level.WARNING, message=f"{problem.message}; made again", hint=f"{lost}{old}")
        for problem in _damage_of(sound, replace(filled, unread=()), trouble)
    ]
    return StoreDatabase.open(store.database_path, write=True), [
        *damage,
        *(manifest.finding for manifest in filled.unread),
    ]


def _opened(
    store: Store, *, write: bool, but: str = ""
) -> tuple[StoreDatabase | None, Sequence[kept_manifests.UnreadManifest], DamagedError | None]:
    """The store database where it is all right and every readable kept manifest has its row; else why not."""
    try:
        database = store.any_database(write=write)
    except DamagedError as error:
        if _is_newer(store) or not store.database_path.exists():
            raise  # a store that is being made, or that the first writing command completes
        return None, (), error
    try:
        database.verify()
        known = database.admitted()
        read, unread = kept_manifests.read_kept(
            store.fd, kept_manifests.unrecorded(store.fd, known), {manifest.platform for manifest in known}
        )
        if all(kept.admitted.sha256 == but for kept in read):
            return database, unread, None
        database.close()
        return None, unread, None
    except DamagedError as error:
        database.close()
        return None, (), error
    except BaseException:
        database.close()
        raise


def _is_newer(store: Store) -> bool:
    """True for a store database of a newer version of this program, by its head (sqlite.org/fileformat2.html)."""
    try:
        with store.database_path.open("rb") as file:
            head = file.read(72)
    except OSError:
        return False
    ours = int.from_bytes(head[68:72], "big") == DATABASE.application_id
    return ours and int.from_bytes(head[60:64], "big") > FORMAT


def _sound(store: Store) -> Sound:
    """What is still right in the store database; nothing where it cannot even be opened."""
    try:
        with store.any_database(write=False) as database:
            return database.sound()
    except DamagedError:
        return Sound()


def _damage_of(sound: Sound, filled: Filled, trouble: DamagedError | None) -> list[Finding]:
    """What is damaged, in findings: rows, then kept manifests."""
    sentences = list(sound.lost) or ([trouble.message] if trouble is not None else [])
    found = [finding("damaged", _SUBJECT, sentence, DATABASE.damage_hint) for sentence in sentences]
    for place in filled.manifests:
        because = "store add was cut off, or the store database is older than the manifest or lost the row"
        found.append(
            finding("damaged", place, f"kept, but the store database has no row of it: {because}", DATABASE.damage_hint)
        )
    return [*found, *(unread.finding for unread in filled.unread)]
